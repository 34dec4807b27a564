"""What somebody meets who uses canmap for the first time: names, sentences, screens."""

from __future__ import annotations

import io
import re
import rlcompleter
from typing import TYPE_CHECKING

import pytest
from rich.text import Text

import canmap
from canmap.checks.buses.unknown_ids import LISTED_IDS
from canmap.cli.hanging import print_hanging
from canmap.cli.lines import LinePrinter
from canmap.cli.render import Screen, show
from canmap.engine.engine import Engine
from canmap.stream.sink import About
from tests.kits import TICK, TOCK, of_kind, row, spec_of
from tests.streams import MS, START_NS, frames, inspected, taker

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.results.inspection import Inspection

PAGES = """\
BO_ 768 Page: 8 Node
 SG_ Number M : 0|8@1+ (1,0) [0|0] "" Other
 SG_ First m1 : 8|8@1+ (1,0) [0|0] "" Other
 SG_ Second m2 : 8|8@1+ (1,0) [0|0] "" Other
"""
TWO = """\
vehicle: Test cart
buses:
  drive: {description: kit.dbc, channel: can0}
  body: {description: body.dbc, channel: can1}
"""


def screen(result: Inspection, width: int = 120) -> str:
    out = io.StringIO()
    show(result, Screen(file=out, width=width, highlight=False))
    return out.getvalue()


def test_the_public_names_are_listed_and_complete() -> None:
    assert set(canmap.__all__) <= set(dir(canmap))
    assert not [name for name in dir(canmap) if not name.startswith("__") and name not in canmap.__all__]
    completer = rlcompleter.Completer({"canmap": canmap})
    assert (completer.complete("canmap.trans", 0) or "").startswith("canmap.transcribe")


def test_the_values_of_a_multiplexer_are_not_counted_as_messages(tmp_path: Path) -> None:
    said = "messages:\n  Page: {multiplexed: {Number: {1: {period: 10 ms}, 2: {period: 10 ms}}}}\n"
    spec = spec_of(tmp_path, TICK + PAGES, said, periods_ms={0x100: 10, 0x300: 10})
    result, _ = inspected([frames([row(t, channel="can9") for t in range(0, 2000, 10)], ("can9",))], spec)
    assert "2 messages never came: " in screen(result)


def test_a_heartbeat_stands_where_no_period_is_promised(tmp_path: Path) -> None:
    said = "messages:\n  Tick: {trigger: on_change, heartbeat: 1 s}\n"
    spec = spec_of(tmp_path, TICK, said)
    result, _ = inspected([frames([row(t) for t in range(0, 2000, 500)])], spec)
    assert re.search(r"Tick +4 +<= 1000 +500", screen(result))
    (message,) = result.to_json()["messages"]
    assert (message["heartbeat_ms"], message["period_ms"]["nominal"]) == (1000.0, None)


def test_the_bus_that_knows_an_identifier_is_named(tmp_path: Path) -> None:
    spec_of(tmp_path, TOCK)
    (tmp_path / "kit.dbc").rename(tmp_path / "body.dbc")
    spec = spec_of(tmp_path, TICK, head=TWO)
    chunk = frames([row(0), row(1, 0x200), row(2, 0x201), row(3, 0x200, channel="can1")], ("can0", "can1"))
    result, _ = inspected([chunk], spec)
    assert [finding.text for finding in of_kind(result, "unknown_id")] == [
        "The description of bus drive does not know 200, which came 1 time; that of bus body does, so check "
        "which channel each bus has.",
        "The description of bus drive does not know 201, which came 1 time.",
    ]
    said = " ".join(screen(result).split())
    assert "2 notes unknown_id The description of bus drive does not know 2 identifiers, in 2 frames" in said
    assert "Another bus knows 200 (bus body): check which channel each bus has." in said


def test_messages_of_which_nothing_is_promised_are_named_in_one_line(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, TICK + TOCK + PAGES, "messages: {Page: {stale_after: 1 s}}\n")
    result, _ = inspected([frames([row(t) for t in range(0, 100, 10)])], spec)
    said = screen(result)
    assert "  2 notes spec  No period is known for Tick and Tock, so silence and rate are not checked" in said
    assert "  note spec  No period is known for Page (line " in said
    assert "PASS: 0 errors, 0 warnings, 3 notes" in said.replace("FAIL: 1 error", "PASS: 0 errors")


def test_of_much_that_is_alike_the_first_have_a_line_each(tmp_path: Path) -> None:
    voltage = "voltage: {signal: Tick.Value, unit: V, range: [0 V, 9 V]}"
    spec = spec_of(tmp_path, TICK, f"records: {{a: {{type: Battery, stamp: Tick, {voltage}}}}}\n")
    rows = [row(t, data=bytes([20 if t // 50 % 2 else 5, *[0] * 7])) for t in range(0, 1000, 10)]
    result, _ = inspected([frames(rows)], spec)
    lines = [line for line in screen(result).splitlines() if "out_of_range" in line]
    assert [line.split()[0] for line in lines] == [*["error"] * 5, "5"]
    assert lines[-1].startswith("  5 errors out_of_range [0.550 to ")
    assert lines[-1].endswith("  more of Tick.Value like those above; --json has them")


@pytest.mark.parametrize("width", [40, 12])
def test_on_a_narrow_terminal_words_go_on_below_themselves(width: int) -> None:
    words, head = "brake  effort 0 %  pedal 0 %  pressure 0 bar  state active", "     7.910 s  "
    out = io.StringIO()
    print_hanging(Screen(file=out, width=width, force_terminal=True), head, Text(words))
    first, *rest = out.getvalue().splitlines()
    assert first.startswith(head)
    assert rest
    assert all(line.startswith(" " * len(head)) for line in rest)
    assert " ".join(line[len(head) :] for line in [first, *rest]).split() == words.split()
    assert width < len(head) or max(map(len, [first, *rest])) <= width
    print_hanging(Screen(file=(piped := io.StringIO()), width=width), head, Text(words))
    assert piped.getvalue() == f"{head}{words}\n"


def test_unknown_identifiers_that_have_no_note_each_stand_behind_the_others(tmp_path: Path) -> None:
    rows = [row(number, 0x200 + number) for number in range(LISTED_IDS + 6)]
    *_, named, counted, _, verdict = screen(
        inspected([frames(rows)], spec_of(tmp_path, TICK))[0]
    ).splitlines()
    assert named.startswith(f"  {LISTED_IDS} notes unknown_id  The description of bus drive does not know 64")
    assert named.endswith(": 200, 201, 202, 203, 204, 205, 206, 207, 208, 209, 20A, 20B and 52 more.")
    assert counted == "  note unknown_id  6 more unknown identifiers came in 6 frames."
    assert verdict.endswith(f"{LISTED_IDS + 2} notes")


def test_unknown_identifiers_are_in_order_whatever_capture_comes_first(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, TICK)
    one, other = row(0, 0x300), row(0, 0x2F0)
    orders = [inspected([frames(rows)], spec)[0] for rows in ([one, other], [other, one])]
    texts = [[finding.text[-35:] for finding in result.findings] for result in orders]
    assert texts[0] == texts[1]
    assert orders[0].unknown_ids == orders[1].unknown_ids
    assert [can_id for _, can_id, _, _ in orders[0].unknown_ids] == [0x2F0, 0x300]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ((5, float("inf")), r"holds no frame from 5 s on: its frames end 0\.200 s after the first one"),
        ((0.05, 0.1), r"holds no frame from 0\.05 s to 0\.1 s after its first, only later ones"),
    ],
)
def test_a_span_without_a_frame_says_how_long_the_capture_is(
    tmp_path: Path, options: tuple[float, float], said: str
) -> None:
    spec = spec_of(tmp_path, TICK)
    log = tmp_path / "a.log"
    log.write_text("(1.000000) can0 100#00\n(1.200000) can0 100#00\n", encoding="utf-8")
    with pytest.raises(canmap.CaptureError, match=said):
        canmap.inspect(str(log), spec, span_s=options)
    with pytest.raises(canmap.CaptureError, match=said):
        canmap.transcribe(str(log), str(tmp_path / "b.log"), span_s=options)


@pytest.mark.parametrize(
    ("every_s", "shown_ms"),
    [(0.1, [0, 130, 260, 325, 455, 520]), (0.2, [0, 260, 455]), (0, [*range(0, 650, 65)])],
)
def test_lines_of_a_record_follow_a_grid_from_its_own_first_stamp(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], every_s: float, shown_ms: list[int]
) -> None:
    """Records every 65 ms; of them the first at or after 0, 100, 200, 300, 400 and 500 ms."""
    said = "records:\n  battery: {type: Battery, stamp: Tick, voltage: {signal: Tick.Value, unit: V}}\n"
    spec = spec_of(tmp_path, TICK, said)
    engine, printer = Engine(spec), LinePrinter(every_s)
    take = taker(engine)
    for start in (0, 130, 195):  # however it is cut
        stop = {0: 130, 130: 195, 195: 650}[start]
        chunk = frames([row(t) for t in range(start, stop, 65)])
        step = take(chunk)
        if start == 0:
            printer.open(About(spec, ("battery",), engine.session.zero_ns, engine.session.zero_ns))
        printer.write(step)
    lines = [line for line in capsys.readouterr().out.splitlines() if "battery" in line]
    assert [round(float(line.split()[0]) * 1000) for line in lines] == shown_ms


def test_records_of_one_moment_are_all_printed_where_all_are_wanted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = "records:\n  battery: {type: Battery, stamp: Tick, voltage: {signal: Tick.Value, unit: V}}\n"
    spec = spec_of(tmp_path, TICK, said)
    engine = Engine(spec)
    rows = [(START_NS + 5 * MS, "can0", 0x100, bytes([value]) * 8) for value in (1, 2, 3)]
    step, printer = taker(engine)(frames(rows)), LinePrinter(0)
    printer.open(About(spec, ("battery",), engine.session.zero_ns, engine.session.zero_ns))
    printer.write(step)
    assert sum("battery" in line for line in capsys.readouterr().out.splitlines()) == 3


def test_lines_follow_a_window_that_is_drawn_narrower(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = io.StringIO()
    monkeypatch.setattr(
        "canmap.cli.lines.console",
        lambda: Screen(file=out, width=100, force_terminal=True, color_system=None, highlight=False),
    )
    said = "records:\n  battery: {type: Battery, stamp: Tick, voltage: {signal: Tick.Value, unit: V}}\n"
    spec = spec_of(tmp_path, TICK, said)
    engine, printer = Engine(spec), LinePrinter(0)
    take = taker(engine)
    for start, columns, rows in ((0, 100, 1), (50, 26, 2)):
        monkeypatch.setattr("canmap.cli.lines.screen_width", lambda columns=columns: columns)
        step = take(frames([row(start)]))
        if start == 0:
            printer.open(About(spec, ("battery",), engine.session.zero_ns, engine.session.zero_ns))
        out.truncate(out.seek(0))
        printer.write(step)
        lines = out.getvalue().splitlines()
        assert len(lines) == rows
        assert max(map(len, lines)) <= columns


@pytest.mark.parametrize("width", [40, 60, 79, 80, 120, 200])
def test_a_screen_says_what_it_leaves_out_and_no_line_of_a_pipe_ends_in_blanks(
    tmp_path: Path, width: int
) -> None:
    spec = spec_of(tmp_path, TICK, periods_ms={0x100: 10})
    result, _ = inspected([frames([row(t) for t in range(0, 1000, 10)])], spec)
    shown = screen(result, width)
    assert not [line for line in shown.splitlines() if line != line.rstrip()]
    heading = next(line for line in shown.splitlines() if line.strip().startswith("message"))
    for title in ("promised", "99 %", "sender"):
        assert (title in heading) != (title in " ".join(shown.partition("Left out")[2].split()))


def test_no_line_of_the_formats_in_a_pipe_ends_in_blanks() -> None:
    from click.testing import CliRunner

    from canmap.cli.formats import formats_command

    said = CliRunner().invoke(formats_command, standalone_mode=False).output
    assert ".parquet" in said
    assert not [line for line in said.splitlines() if line != line.rstrip()]


def test_the_summary_of_a_capture_is_one_line_in_a_pipe(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, TICK)
    names = tuple(f"can_of_the_{n}th_bus_of_it" for n in range(9))
    rows = [(START_NS + n * MS, name, 0x100, bytes(8)) for n, name in enumerate(names)]
    said = screen(inspected([frames(rows, names)], spec)[0], 120).splitlines()
    (line,) = [line for line in said if "by channel" in line]
    assert "error frames not recorded" in line


@pytest.mark.parametrize("width", [60, 80, 89, 90, 120])
def test_the_formats_break_no_word_on_a_narrow_screen(width: int, monkeypatch: pytest.MonkeyPatch) -> None:
    from click.testing import CliRunner

    from canmap.cli.formats import HEADINGS, formats_command

    monkeypatch.setenv("COLUMNS", str(width))
    said = CliRunner().invoke(formats_command, standalone_mode=False).output
    assert all(heading in " ".join(said.split()) for heading in HEADINGS[1:])
    assert "over 8 bytes" in " ".join(said.split())
    assert "none stated" in " ".join(said.split())
    assert not [line for line in said.splitlines() if line != line.rstrip()]


@pytest.mark.parametrize(("number", "apart_ms", "told"), [(200, 0, 1), (50, 0, 0), (200, 1e-3, 0)])
def test_a_capture_without_a_clock_is_told(number: int, apart_ms: float, told: int, tmp_path: Path) -> None:
    """A few frames may come at one moment; where all do, no silence can be seen."""
    rows = [row(n * apart_ms) for n in range(number)]
    spec = spec_of(tmp_path, TICK, periods_ms={0x100: 10})
    whole, _ = inspected([frames(rows)], spec)
    found = of_kind(whole, "time_order")
    assert len(found) == told
    for finding in found:
        assert finding.severity == "warning"
        assert finding.text.startswith("All 200 frames have one stamp, so that silence, rates and ages are")
    cut, _ = inspected(frames(rows).split([number // 3]), spec)
    assert cut.to_json() == whole.to_json()
