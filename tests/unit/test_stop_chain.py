"""The stop chain: a stop is asked for, the loop opens, the supply is cut, the kit falls silent."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canmap.base.errors import SpecError
from tests import stops
from tests.kits import of_kind, serious, span_ms, told
from tests.simulated import run_of, short_drive
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from canmap.findings.finding import Finding
    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection

    Bit = Callable[[int], bool]

TEXT = stops.CHAIN
NEVER = 10_000
END = " (page 5 of the manual)."
IN_TIME = "; the supply has to be cut within 100 ms" + END


def never(_: int) -> bool:
    return False


def since(start_ms: int, until_ms: int = NEVER) -> Bit:
    """A yes from one frame on, up to another."""
    return lambda t: start_ms <= t < until_ms


def run(  # noqa: PLR0917  # what a stop is
    kit: Spec,
    pressed: Bit = never,
    opened: Bit = never,
    cut: Bit = never,
    silent: Bit = never,
    off: Bit = never,
    skipped: Bit = never,
    end_ms: int = 800,
    events: tuple[tuple[float, int], ...] = (),
) -> tuple[Inspection, list[Finding]]:
    """Panel and State every 20 ms, 1 and 2 ms late, Steer every 10 ms, 3 ms late; State is `skipped`."""
    rows = [stops.event(*one) for one in events]
    for t in range(0, end_ms, 10):
        if t % 20 == 0:
            rows.append(stops.panel(t + 1, pressed(t), off(t)))
        if t % 20 == 0 and not skipped(t):
            rows.append(stops.state(t + 2, opened(t), cut(t)))
        if not silent(t):
            rows.append(stops.steer(t + 3, t // 10))
        if t % 50 == 0 and not silent(t):
            rows.append(stops.slow(t + 4))
    whole = frames(sorted(rows))
    result, _ = inspected([whole], kit)
    assert inspected(whole.split(range(0, len(whole), 13)), kit)[0].to_json() == result.to_json()
    return result, of_kind(result, "stop_chain")


def kit(folder: Path, change: tuple[str, str] = ("", "")) -> Spec:
    return stops.spec(folder, stops.MESSAGES + TEXT.replace(*change) + stops.NODES)


def test_in_time_is_a_note_with_its_times(tmp_path: Path) -> None:
    """Asked for in the frame of 301 ms; open in that of 322, cut in that of 342, the last frame at 354 ms."""
    result, (found,) = run(kit(tmp_path), since(300), since(320), since(340), since(360))
    assert found.text == (
        "The stop chain worked, as far as the bus tells: button.pressed asked for a stop, the stop loop was "
        "open after 21 ms, the supply cut after 41 ms and the last frame of kit came after 53 ms; 100 ms are "
        "allowed" + END
    )
    assert (found.severity, found.value, found.limit) == ("note", 0.041, 0.1)
    assert (found.place.record, found.place.field) == ("chain", "loop_open")
    assert span_ms(result, found) == (321, 321)  # the session begins with the frame of 1 ms
    assert found.facts["sources"] == ("button.pressed",)


def test_a_button_that_is_released_at_once_has_been_asked_for_too(tmp_path: Path) -> None:
    _, (found,) = run(kit(tmp_path), since(300, 320), since(320, 400), since(340), since(360))
    assert found.facts["wrong"] == "in_time"


def test_the_loop_does_not_open_in_time(tmp_path: Path) -> None:
    """100 ms, a period of 20 and 4 of jitter after 301 ms are over at 425: closed at 442 is too late."""
    result, (found,) = run(kit(tmp_path), since(300), since(500), since(520), since(520))
    text = "The stop loop was still closed 181 ms after button.pressed asked for a stop"
    assert found.text == text + IN_TIME
    assert (found.severity, found.value, found.limit, found.count) == ("error", 0.181, 0.1, 3)
    assert span_ms(result, found) == (441, 501)
    assert found.place.record == "button"
    _, found_ = run(kit(tmp_path), since(300), since(420), since(420), since(420))
    assert [one.severity for one in found_] == ["note"]


def test_a_stop_that_is_taken_back_before_its_time_is_over(tmp_path: Path) -> None:
    assert run(kit(tmp_path), pressed=since(300, 400))[1] == []


def test_the_supply_is_never_cut(tmp_path: Path) -> None:
    """That the node goes on sending then is no finding of its own."""
    _, (found,) = run(kit(tmp_path), since(300), since(320))
    assert found.open
    text = "The supply is still on 481 ms after a stop was asked for, though the stop loop is open"
    assert found.text == text + IN_TIME
    assert (found.severity, found.place.field, found.facts["wrong"]) == ("error", "supply_cut", "supply_late")


def test_the_supply_has_its_time_from_a_loop_that_was_late(tmp_path: Path) -> None:
    _, found = run(kit(tmp_path), since(300), since(500), since(620), since(620))
    assert [one.facts["wrong"] for one in found] == ["loop_late"]
    _, found = run(kit(tmp_path), since(300), since(500), since(660), since(660))
    assert [one.facts["wrong"] for one in found] == ["loop_late", "supply_late"]


def test_a_node_that_goes_on_sending(tmp_path: Path) -> None:
    """100 ms, its hold-up of 30, a period of 10 and 2 of jitter after 301 ms are over at 443 ms."""
    result, (found,) = run(kit(tmp_path), since(300), since(320), since(340), since(480))
    text = "SteerNode of supply group kit still sent 172 ms after a stop was asked for"
    assert found.text == f"{text}, though the stop loop was open{IN_TIME}"
    assert (found.count, found.facts["nodes"]) == (3, ("SteerNode",))  # those of 453 to 473 ms
    assert span_ms(result, found) == (452, 472)
    _, (found,) = run(kit(tmp_path), since(300), since(320), since(340))
    assert found.open
    assert "still sends" in found.text
    _, (found,) = run(kit(tmp_path), since(300), since(320), since(340), since(440))
    assert found.severity == "note"


def test_the_supply_is_cut_with_the_loop_closed(tmp_path: Path) -> None:
    _, (found,) = run(kit(tmp_path), cut=since(300), silent=since(300))
    assert found.text == (
        "The supply was cut although the stop loop stayed closed and no source asked for a stop: the relay, "
        "its fuse or its wiring failed, or it was switched off" + END
    )
    assert found.severity == "error"
    assert run(kit(tmp_path), cut=since(300), silent=since(300), off=since(320))[1] == []
    assert run(kit(tmp_path), cut=lambda t: t < 300)[1] == []  # it was off from the start
    assert run(kit(tmp_path), cut=since(0))[1] == []


def test_a_supply_that_stays_cut_until_it_is_reset(tmp_path: Path) -> None:
    stop = since(300, 600)
    _, (found,) = run(kit(tmp_path), stop, stop, since(320, 800), since(320, 800))
    assert found.severity == "note"


def test_the_loop_opens_though_nobody_asked(tmp_path: Path) -> None:
    """A contact that opens for one frame; then the button, which shows 20 ms after the loop."""
    chatter = lambda t: t == 300 or t >= 500  # noqa: E731
    _, (found,) = run(kit(tmp_path), opened=since(300, 320))
    assert found.severity == "warning"
    assert found.text == (
        "The stop loop opened although no source asked for a stop (button.pressed): look for a wire, "
        "a connector or a contact, or a source that is not listed" + END
    )
    _, found = run(kit(tmp_path), since(520), chatter, since(520), since(500))
    assert [one.facts["wrong"] for one in found] == ["not_asked", "in_time"]
    assert run(kit(tmp_path, ("  sources: [button]\n", "")), opened=since(300, 320))[1] == []


def test_the_loop_opens_for_too_short_for_its_own_frame(tmp_path: Path) -> None:
    """Only the event tells, between the frames of State at 302 and 322 ms; a repeated one is the same."""
    result, (found,) = run(kit(tmp_path), events=((305, 9), (309, 9)))
    assert found.severity == "warning"
    assert found.text == (
        "The stop loop opened for a moment, which only Event.Code tells, although no source asked for a stop "
        "(button.pressed): look for a wire, a connector or a contact" + END
    )
    assert span_ms(result, found) == (304, 304)  # the session begins at 1 ms
    assert found.facts["told_by"] == "Event.Code"
    assert len(run(kit(tmp_path), events=((305, 9), (325, 9)))[1]) == 2
    assert run(kit(tmp_path), events=((305, 8),))[1] == []  # of something else
    assert run(kit(tmp_path), pressed=since(300, 400), opened=since(300, 400), events=((301.5, 9),))[1] == []
    assert run(kit(tmp_path), pressed=since(300, 340), events=((305, 9),))[1] == []
    assert run(kit(tmp_path), pressed=since(320, 340), events=((305, 9),))[1] == []  # it shows 16 ms later


def test_an_event_of_an_opening_that_frames_show_is_not_told_twice(tmp_path: Path) -> None:
    for moment_ms in (295, 301, 303, 330):  # before the first frame that shows it, and after it
        _, found = run(kit(tmp_path), opened=since(300, 360), events=((moment_ms, 9),))
        assert [one.facts.get("told_by") for one in found] == [None]
    assert run(kit(tmp_path), skipped=since(200, 600), events=((400, 9),))[1] == []


def test_a_loop_that_is_open_from_the_start(tmp_path: Path) -> None:
    _, (found,) = run(kit(tmp_path), opened=lambda _: True, cut=lambda _: True, silent=lambda _: True)
    assert found.text.startswith(
        "The stop loop was open when it was first seen, and no source asked for a stop"
    )
    asked = {"pressed": lambda _: True}
    assert (
        run(kit(tmp_path), opened=lambda _: True, cut=lambda _: True, silent=lambda _: True, **asked)[1] == []
    )


def test_nothing_is_told_over_a_silence_of_the_loop(tmp_path: Path) -> None:
    away = since(200, 600)
    assert run(kit(tmp_path), cut=since(400), silent=since(400), skipped=away)[1] == []
    assert run(kit(tmp_path), opened=since(400, 500), skipped=away)[1] == []
    assert run(kit(tmp_path), since(300), since(400), since(500), since(400), skipped=away)[1] == []


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (("[button]", "button"), "This must be a list of sources: write `[button]`."),
        (("[button]", "[buton]"), "The spec has no record `buton`; did you mean `button`?"),
        (("[button]", "[chain]"), "The record chain does not map pressed or link_lost: map it there"),
        (("[button]", "[key]"), "The record key does not map pressed or link_lost: map it there"),
        (("loop: chain", "loop: button"), "map loop_open: map it there, or write record.field."),
        (("loop: chain", "loop: button.pressed"), "button.pressed is among the sources, so it cannot show"),
        (("loop: chain", "loop: chain.loop_opn"), "has no field `loop_opn`; did you mean `loop_open`?"),
        (("cuts: kit", "cuts: kits"), "There is no supply group `kits`; did you mean `kit`?"),
        (("  within: 100 ms\n", ""), "The stop chain needs the key `within`."),
        (("within: 100 ms", "within: 100 V"), "The unit `V` does not convert to s."),
        (("Event.Code: 9", "Event.Cod: 9"), "no signal `Cod`; did you mean `Code`?"),
        (("Event.Code: 9", "Event.Code: 9, Boot.Firmware: 1"), "Give one signal and its values"),
    ],
)
def test_a_mistake_is_told_with_what_is_nearest(
    tmp_path: Path, change: tuple[str, str], sentence: str
) -> None:
    with pytest.raises(SpecError) as failed:
        kit(tmp_path, change)
    assert sentence in str(failed.value)
    assert len(failed.value.faults) == 1


@pytest.mark.parametrize("seed", [0, 1, 2])
@pytest.mark.parametrize(
    ("fault", "wrong", "after_ms", "source"),
    [
        ("kind: supply_cut", "supply_lost", (0, 125), None),
        ("kind: loop_open", "not_asked", (0, 125), None),
        ("kind: stop_pressed, button: vehicle", "in_time", (0, 125), "stop_button.pressed"),
        ("kind: stop_pressed, button: radio", "in_time", (0, 125), "stop_radio.pressed"),
        ("kind: link_lost", "in_time", (500, 625), "stop_link.link_lost"),
    ],
)
def test_the_simulated_cart(
    fault: str, wrong: str, after_ms: tuple[int, int], source: str | None, seed: int, tmp_path: Path
) -> None:
    """What the supervisor says comes every 100 ms; it notices a lost link after half a second."""
    made = run_of(tmp_path, short_drive(3), f"{{{fault}, at: 2.1 s}}", seed)
    result, _ = inspected([made.chunk])
    (found,) = of_kind(result, "stop_chain")
    assert found.facts["wrong"] == wrong
    assert found.facts.get("sources") == (None if source is None else (source,))
    late_ms = span_ms(result, found)[0] - 1e3 * made.fault["start_s"]
    assert after_ms[0] <= late_ms <= after_ms[1]
    (silence,) = of_kind(result, "stale")
    assert found.text in silence.beside


def test_a_drive_without_a_stop_is_clean(tmp_path: Path) -> None:
    result, _ = inspected([run_of(tmp_path, short_drive(3)).chunk])
    assert told(serious(result)) == told(of_kind(result, "stop_chain")) == []
