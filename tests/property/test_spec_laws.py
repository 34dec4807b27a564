"""Laws of the mapping spec: any text gives a spec or a `SpecError`, soon; conversions invert."""

from __future__ import annotations

import random
import time
from fractions import Fraction

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from canmap.base.errors import SpecError
from canmap.mapping.description.description import Description
from canmap.mapping.description.load import load_description
from canmap.mapping.loader import build_spec
from canmap.mapping.model import Spec
from canmap.vocabulary.units import UNITS, Measure, NoQuantity, parse_quantity
from tests.spec_builders import VEHICLE, message, signal, spec_of

TEXT = VEHICLE.read_text(encoding="utf-8")
DESCRIPTIONS = {name: load_description(str(VEHICLE.parent / name)) for name in ("kit.dbc", "chassis.dbc")}
PIECES = (
    *(
        "\t",
        " ",
        "\n",
        ":",
        ": ",
        "- ",
        "[",
        "]",
        "{",
        "}",
        "&a ",
        "*a",
        "!x ",
        "'",
        '"',
        "|",
        ">",
        "%",
        "@",
        "#",
        "---\n",
    ),
    *(
        "none",
        "yes",
        "1e99 m",
        "0x",
        "010",
        "-1",
        "\0",
        "°",
        "\ud7ff",
        "null",
        "<<: ",
        "? ",
        "steering.",
        "Mode",
        "9" * 50,
    ),
)


def outcome(folder, data):
    """Build the spec of a damaged vehicle file, within a second."""
    (folder / "shared").mkdir(exist_ok=True)
    (folder / "shared" / "limits.yaml").write_bytes((VEHICLE.parent / "shared" / "limits.yaml").read_bytes())
    for name in DESCRIPTIONS:
        (folder / name).touch()
    path = folder / "vehicle.yaml"
    path.write_bytes(data)
    start = time.process_time()
    faults = ()
    try:
        spec = build_spec(str(path), lambda name: DESCRIPTIONS[name.rsplit("/", 1)[-1]])
    except SpecError as error:
        faults = error.faults
    assert faults or isinstance(spec, Spec)
    assert all(fault.text and fault.text[-1] in ".?" and "\n" not in str(fault) for fault in faults)
    assert time.process_time() - start < 1


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("damaged")


bounded = settings(
    deadline=None, max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@given(st.data())
@bounded
def test_damaged_text(folder, data):
    text = TEXT
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(text)))
        cut = data.draw(st.integers(0, 12))
        text = text[:at] + data.draw(st.sampled_from(PIECES)) + text[at + cut :]
    outcome(folder, text.encode("utf-8"))


@given(st.data())
@bounded
def test_shuffled_values(folder, data):
    """Swap two lines' values: still YAML, mostly, but of the wrong kind."""
    lines = TEXT.splitlines()
    chosen = random.Random(data.draw(st.integers(0, 10**6)))
    for _ in range(3):
        one, other = chosen.sample([index for index, line in enumerate(lines) if ": " in line], 2)
        (key, _, value), (key2, _, value2) = lines[one].partition(": "), lines[other].partition(": ")
        lines[one], lines[other] = f"{key}: {value2}", f"{key2}: {value}"
    outcome(folder, "\n".join(lines).encode("utf-8"))


@given(st.binary(max_size=200))
@bounded
def test_any_bytes(folder, data):
    outcome(folder, data)


nodes = st.recursive(
    st.sampled_from(["x", "1", "10 ms", "none", "yes", "SteerCommand.Enable", "KitState", "[]", "{}", ""]),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda items: f"[{', '.join(items)}]"),
        st.dictionaries(
            st.sampled_from(
                ["signal", "sum", "period", "type", "stamp", "KitState.Mode", "speed", "0", "left", "x"]
            ),
            inner,
            max_size=3,
        ).map(lambda pairs: "{" + ", ".join(f"{key}: {value}" for key, value in pairs.items()) + "}"),
    ),
    max_leaves=8,
)
SECTIONS = (
    *(
        "verified_on",
        "include",
        "geometry",
        "correct",
        "messages",
        "demands",
        "supply_groups",
        "faults",
        "redundant",
    ),
    *("state_machines", "overrides", "axes", "record_types", "records"),
)
BUSES = "vehicle: x\nbuses: {drive: {description: kit.dbc}, chassis: {description: chassis.dbc}}\n"


@given(st.dictionaries(st.sampled_from(SECTIONS), nodes, max_size=4))
@bounded
def test_any_shape(folder, sections):
    outcome(folder, (BUSES + "".join(f"{key}: {value}\n" for key, value in sections.items())).encode())


factors = st.fractions(-10, 10, max_denominator=100).filter(bool)


@given(
    factors,
    factors,
    st.tuples(st.integers(1, 6), st.booleans()),
    st.sampled_from(["above", "below"]),
    factors,
)
@bounded
def test_condition_is_the_comparison_of_every_raw_code(folder, factor, offset, width, side, limit):
    bits, signed = width
    compared = signal("S", 0, bits, "deg", factor=factor, offset=offset, signed=signed)
    description = Description("kit.dbc", (message("M", 1, compared),))
    limit = Fraction(f"{float(limit):.2f}")
    field = f"{{signal: M.S, valid_when: {{M.S: {side} {float(limit)} deg}}}}"
    raws = range(-(1 << bits >> 1), 1 << bits >> 1) if signed else range(1 << bits)
    wanted = {
        raw
        for raw in raws
        if (raw * factor + offset > limit if side == "above" else raw * factor + offset < limit)
    }
    text = f"records:\n  s: {{type: Steering, stamp: M, wheel_angle: {field}}}\n"
    if not wanted:
        with pytest.raises(SpecError, match="can never be"):
            spec_of(folder, text, description=description)
        return
    ((low, high),) = spec_of(folder, text, description=description).records[0].fields[0].valid_when[0].accepts
    assert set(range(low, high + 1)) == wanted


@given(st.sampled_from(sorted(UNITS)), st.fractions())
def test_conversion_inverts(name, value):
    unit = UNITS[name]
    assert (Measure(value, unit).si - unit.offset) / unit.factor == value


@given(st.sampled_from(sorted(UNITS)), st.decimals(-(10**9), 10**9, places=6))
def test_quantity_reads_back(name, number):
    quantity = parse_quantity(f"{number:f} {name}")
    if name == "1":
        assert isinstance(quantity, NoQuantity)  # a plain number carries no unit
        return
    assert isinstance(quantity, Measure)
    assert quantity.value == Fraction(number)
    assert quantity.unit.same_as(UNITS[name])
