"""A kit in a few lines of DBC with a spec in a few lines of YAML, read the way a user's are."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.mapping.loader import load_spec
from tests.streams import MS, START_NS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    from canmap.findings.finding import Finding
    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection

HEAD = "vehicle: Test cart\nbuses:\n  drive: {description: kit.dbc, channel: can0}\n"
TICK = 'BO_ 256 Tick: 8 Node\n SG_ Value : 0|16@1+ (1,0) [0|0] "" Other\n'
TOCK = 'BO_ 512 Tock: 8 Node\n SG_ Count : 0|16@1+ (1,0) [0|0] "" Other\n'
DBC = """\
VERSION ""

NS_ :

BS_:

BU_: Node Other

{messages}
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
{periods}
"""


def spec_of(
    folder: Path,
    messages: str,
    text: str = "",
    *,
    periods_ms: Mapping[int, int] | None = None,
    head: str = HEAD,
    end: str = "",
) -> Spec:
    """Load the spec of `head` and `text` over a DBC with `messages`, their periods, and `end`."""
    periods = "\n".join(
        f'BA_ "GenMsgCycleTime" BO_ {can_id} {period};' for can_id, period in (periods_ms or {}).items()
    )
    dbc = DBC.format(messages=messages, periods=periods) + end
    (folder / "kit.dbc").write_text(dbc, encoding="utf-8")
    (folder / "spec.yaml").write_text(head + text, encoding="utf-8")
    return load_spec(str(folder / "spec.yaml"))


def row(t_ms: float, can_id: int = 0x100, data: bytes = bytes(8), channel: str = "can0"):
    """One frame for `streams.frames`, its time in ms from the start."""
    return START_NS + round(t_ms * MS), channel, can_id, data


def of_kind(result: Inspection, kind: str) -> list[Finding]:
    """The findings of one kind, by start."""
    return [finding for finding in result.findings if finding.kind == kind]


def serious(result: Inspection) -> list[Finding]:
    """Everything but notes."""
    return [finding for finding in result.findings if finding.severity.value != "note"]


def span_ms(result: Inspection, finding: Finding) -> tuple[float, float]:
    """Start and end in ms from the start of the session."""
    return result.seconds(finding.start_ns) * 1e3, result.seconds(finding.end_ns) * 1e3


def told(findings: Iterable[Finding]) -> list[str]:
    """Their sentences, to be shown when an assertion fails."""
    return [finding.text for finding in findings]
