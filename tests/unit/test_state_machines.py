"""State machines: legal transitions, times in a state, and how a machine is enabled."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.kits import of_kind, row, span_ms, spec_of, told
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from canmap.findings.finding import Finding
    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection

KIT = """\
BO_ 256 Kit: 8 Node
 SG_ State : 0|4@1+ (1,0) [0|0] "" Other
BO_ 512 Command: 8 Other
 SG_ Enable : 0|1@1+ (1,0) [0|0] "" Node
BO_ 768 Door: 8 Node
 SG_ Closed : 0|1@1+ (1,0) [0|0] "" Other
"""
END = 'VAL_ 256 State 0 "Off" 1 "Standby" 2 "Ready" 3 "Active" 4 "Faulted" ;\n'
PERIODS = {0x100: 10, 0x200: 20, 0x300: 50}
OFF, STANDBY, READY, ACTIVE, FAULTED = range(5)
MACHINE = """\
state_machines:
  arm:
    signal: Kit.State
    transitions:
      - {from: Off, to: Standby, at_least_after: 100 ms}
      - {from: Standby, to: Ready, within: 300 ms, at_least_after: 100 ms}
      - {from: Ready, to: Active, when: {Door.Closed: yes}, page: 12}
      - {from: Active, to: Ready}
      - {from: any, to: Faulted}
    longest: {Faulted: 500 ms}
    enable: {signal: Command.Enable, to: Active, within: 100 ms, low_for: 60 ms, when: {Door.Closed: yes}}
"""
Course = list[tuple[float, int]]  # from which ms on, what


def at(course: Course, t_ms: float) -> int:
    return [value for since_ms, value in course if since_ms <= t_ms][-1]


def rows_of(state: Course, end_ms: int, enable: Course, door: Course) -> list:
    """Kit every 10 ms, Command every 20 ms and Door every 50 ms, none at the same time as another."""
    rows = [(t, row(t, 0x100, bytes([at(state, t), *bytes(7)]))) for t in range(0, end_ms, 10)]
    rows += [(t, row(t, 0x200, bytes([at(enable, t), *bytes(7)]))) for t in range(3, end_ms, 20)]
    rows += [(t, row(t, 0x300, bytes([at(door, t), *bytes(7)]))) for t in range(1, end_ms, 50)]
    return [one for _, one in sorted(rows)]


def run(
    folder: Path,
    state: Course,
    end_ms: int = 1500,
    enable: Iterable = ((0, 0),),
    door: Iterable = ((0, 1),),
    text: str = MACHINE,
) -> tuple[Inspection, list[Finding]]:
    """What is found in one chunk, which is what is found a few frames at a time."""
    return judged(spec(folder, text), rows_of(state, end_ms, list(enable), list(door)))


def spec(folder: Path, text: str = MACHINE) -> Spec:
    return spec_of(folder, KIT, text, periods_ms=PERIODS, end=END)


def judged(kit: Spec, rows: list) -> tuple[Inspection, list[Finding]]:
    whole = frames(rows)
    result, _ = inspected([whole], kit)
    assert inspected(whole.split(range(0, len(whole), 3)), kit)[0].to_json() == result.to_json()
    return result, of_kind(result, "state")


UP: Course = [(0, OFF), (200, STANDBY), (400, READY)]


def test_a_legal_course_has_no_finding(tmp_path: Path) -> None:
    enable = [(0, 0), (600, 1), (1200, 0)]
    _, found = run(tmp_path, [*UP, (640, ACTIVE), (1220, READY)], enable=enable)
    assert told(found) == []


def test_a_transition_that_is_not_legal(tmp_path: Path) -> None:
    """Through no single state does Ready lead to Off; to Active it does at once, and Door is closed."""
    result, found = run(tmp_path, [*UP, (900, OFF), (1200, STANDBY), (1500, READY)])
    assert told(found) == ["arm went from Ready to Off, which is not a legal transition."]
    assert span_ms(result, found[0]) == (900, 900)
    assert (found[0].severity, found[0].line) == ("error", 154)
    assert found[0].facts == {"machine": "arm", "wrong": "not_legal", "from": "Ready", "to": "Off"}
    place = found[0].place
    assert (place.bus, place.message, place.signal) == ("drive", "Kit", "State")


def test_a_state_that_no_sample_need_show(tmp_path: Path) -> None:
    """Standby lasts 100 ms at least, so that it shows; Ready may pass between two samples."""
    _, found = run(tmp_path, [(0, OFF), (200, READY)])
    assert told(found) == ["arm went from Off to Ready, which is not a legal transition."]
    _, found = run(tmp_path, [(0, OFF), (200, STANDBY), (400, ACTIVE)])
    assert told(found) == []


def test_without_transitions_all_are_legal(tmp_path: Path) -> None:
    text = "state_machines: {arm: {signal: Kit.State}}\n"
    _, found = run(tmp_path, [(0, OFF), (200, ACTIVE), (300, 9)], text=text)
    assert told(found) == []


def test_a_state_left_too_early_is_a_warning(tmp_path: Path) -> None:
    """Of Off nobody knows how long it had lasted. 90 ms may have been 100: a period is 10 ms."""
    _, found = run(tmp_path, [(0, OFF), (20, STANDBY), (110, READY)])
    assert told(found) == []
    _, found = run(tmp_path, [(0, OFF), (20, STANDBY), (100, READY)])
    assert told(found) == [
        "arm left Standby for Ready after 80 ms, and has to stay for at least 100 ms.",
    ]
    assert (found[0].severity, found[0].value, found[0].limit) == ("warning", 0.08, 0.1)


def test_a_transition_that_takes_too_long(tmp_path: Path) -> None:
    """Standby from 200 ms on: 300 ms and a period are over at 510, the first sample after is that of 520."""
    _, found = run(tmp_path, [(0, OFF), (200, STANDBY), (520, READY)])
    assert told(found) == []
    result, found = run(tmp_path, [(0, OFF), (200, STANDBY), (700, READY)])
    assert told(found) == ["arm had not gone from Standby to Ready after 490 ms, and has to within 300 ms."]
    assert span_ms(result, found[0]) == (520, 700)
    assert (found[0].severity, found[0].value, found[0].limit) == ("error", 0.49, 0.3)


def test_the_time_of_a_transition_counts_from_its_condition(tmp_path: Path) -> None:
    text = MACHINE.replace("within: 300 ms,", "within: 300 ms, when: {Door.Closed: yes},")
    text = text.replace(", at_least_after: 100 ms}", "}")
    door = [(0, 0), (900, 1)]  # told at 901
    _, found = run(tmp_path, [(0, OFF), (200, STANDBY), (1200, READY)], text=text, door=door)
    assert told(found) == []
    _, found = run(tmp_path, [(0, OFF), (200, STANDBY), (1300, READY)], text=text, door=door)
    (text,) = told(found)
    assert text.startswith("arm had not gone from Standby to Ready after 380 ms though its conditions held")


def test_a_state_that_lasts_too_long(tmp_path: Path) -> None:
    result, found = run(tmp_path, [*UP, (600, FAULTED)], text=MACHINE)
    assert told(found) == ["arm stayed in Faulted for 890 ms; the longest time there is 500 ms."]
    assert span_ms(result, found[0]) == (1120, 1490)
    assert found[0].open


@pytest.mark.parametrize(
    ("door", "legal"),
    [
        ([(0, 1)], True),
        ([(0, 0)], False),
        ([(0, 0), (610, 1)], True),  # told at 651, the next sample after the transition
        ([(0, 0), (660, 1)], False),  # told at 701 only
        ([(0, 1), (601, 0)], True),  # it held when the old state was last seen
    ],
)
def test_the_conditions_of_a_transition(tmp_path: Path, door: Course, legal: bool) -> None:
    _, found = run(tmp_path, [*UP, (610, ACTIVE)], door=door)
    text = "arm went from Ready to Active though Door.Closed was not yes (page 12 of the manual)."
    assert told(found) == ([] if legal else [text])


def test_nothing_is_judged_over_a_silence(tmp_path: Path) -> None:
    """Kit is stale after 100 ms. Standby, of which nobody saw the begin, counts from its first sample."""
    rows = rows_of([*UP, (900, OFF), (1200, STANDBY)], 2000, [(0, 0)], [(0, 1)])
    gap = [one for one in rows if one[2] != 0x100 or not 850 <= (one[0] - rows[0][0]) / 1e6 <= 1250]
    result, found = judged(spec(tmp_path), gap)
    assert [finding.kind for finding in result.findings if finding.kind == "stale"] == ["stale"]
    (late,) = found
    assert span_ms(result, late) == (1580, 1990)  # from 1260 on


def test_an_enable_that_the_machine_does_not_follow(tmp_path: Path) -> None:
    """100 ms and a period after the edge at 603 ms it is still ready: at the sample of 720 ms."""
    result, found = run(tmp_path, UP, enable=[(0, 0), (600, 1)])
    assert told(found) == ["arm did not follow when Command.Enable rose: it was still Ready after 100 ms."]
    assert span_ms(result, found[0]) == (603, 603)
    _, found = run(tmp_path, [*UP, (710, ACTIVE)], enable=[(0, 0), (600, 1)])
    assert told(found) == []
    _, found = run(tmp_path, UP, enable=[(0, 0), (600, 1), (680, 0)])  # taken back
    assert told(found) == []


def test_an_enable_is_not_followed_from_a_state_that_does_not_lead_there(tmp_path: Path) -> None:
    _, found = run(tmp_path, UP, enable=[(0, 0), (250, 1)])
    assert told(found) == []


def test_an_enable_without_its_conditions(tmp_path: Path) -> None:
    _, found = run(tmp_path, UP, enable=[(0, 0), (600, 1)], door=[(0, 0)])
    assert told(found) == ["Command.Enable rose, which enables arm, though Door.Closed was not yes."]
    assert found[0].severity == "error"
    assert found[0].place.signal == "Enable"


def test_an_enable_that_was_low_for_too_short(tmp_path: Path) -> None:
    """Low from 803 to 823 ms: with a period of 20 ms at most 40."""
    enable = [(0, 0), (600, 1), (800, 0), (820, 1)]
    _, found = run(tmp_path, [*UP, (640, ACTIVE), (810, READY), (830, ACTIVE)], enable=enable)
    assert told(found) == [
        "Command.Enable rose after it had been low for 20 ms; to enable arm, it has to be for 60 ms."
    ]
    assert found[0].severity == "warning"


def test_a_falling_edge(tmp_path: Path) -> None:
    text = MACHINE.replace("to: Active, within", "edge: falling, to: Active, within")
    _, found = run(tmp_path, UP, enable=[(0, 1), (600, 0)], text=text)
    assert told(found) == ["arm did not follow when Command.Enable fell: it was still Ready after 100 ms."]


def test_many_wrong_transitions_are_counted(tmp_path: Path) -> None:
    course = [(0, READY), *((100 * i, (OFF, READY)[i % 2]) for i in range(1, 60))]
    _, found = run(tmp_path, course, 6000)
    assert len(found) == 21
    assert sum(finding.count for finding in found) == 58
    assert any("more times that are not listed" in finding.text for finding in found)
