"""Hypothesis strategies: descriptions as DBC text, with any layout that a DBC can hold."""

from __future__ import annotations

from dataclasses import dataclass, field

from hypothesis import strategies as st

HEADER = 'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: Kit\n\n'
FACTORS = ("1", "-1", "0.1", "0.0078125", "-0.25", "3", "1e-05", "1000")
OFFSETS = ("0", "-40", "0.5", "-273.15", "1000000")


@dataclass
class Sketch:
    """A signal on its way into a DBC."""

    name: str
    big_endian: bool
    bits: int
    position: int  # of its first bit, counted along the payload in its own byte order
    sign: str
    float_type: int  # 0 for an integer
    scaling: tuple[str, str]
    selector: Sketch | None = None
    ranges: tuple[tuple[int, int], ...] = ()
    is_selector: bool = False

    @property
    def start_bit(self) -> int:
        if self.big_endian:
            return self.position // 8 * 8 + 7 - self.position % 8
        return self.position

    @property
    def frame_bits(self) -> set[int]:
        span = range(self.position, self.position + self.bits)
        return {p // 8 * 8 + 7 - p % 8 for p in span} if self.big_endian else set(span)

    @property
    def marker(self) -> str:
        own = "M" if self.is_selector else ""
        return f" m{self.ranges[0][0]}{own}" if self.selector else f" {own}".rstrip()

    def conditions(self) -> dict[str, tuple[tuple[int, int], ...]]:
        above = self.selector.conditions() if self.selector else {}
        return above | ({self.selector.name: self.ranges} if self.selector else {})

    def may_share_bits_with(self, other: Sketch) -> bool:
        mine, theirs = self.conditions(), other.conditions()
        return any(
            all(high < low_2 or high_2 < low for low, high in mine[name] for low_2, high_2 in theirs[name])
            for name in mine.keys() & theirs.keys()
        )

    def line(self) -> str:
        factor, offset = self.scaling
        order = 0 if self.big_endian else 1
        layout = f"{self.start_bit}|{self.bits}@{order}{self.sign}"
        return f' SG_ {self.name}{self.marker} : {layout} ({factor},{offset}) [0|0] "" Kit\n'


@dataclass
class MessageSketch:
    """A message on its way into a DBC."""

    name: str
    dbc_id: int
    length: int
    signals: list[Sketch] = field(default_factory=list)

    def lines(self) -> str:
        return f"BO_ {self.dbc_id} {self.name}: {self.length} Kit\n" + "".join(s.line() for s in self.signals)

    def extra_lines(self) -> str:
        """Types and multiplexer ranges; the ranges only where the markers alone do not say it all."""
        types = "".join(
            f"SIG_VALTYPE_ {self.dbc_id} {s.name} : {s.float_type};\n" for s in self.signals if s.float_type
        )
        simple = sum(s.is_selector for s in self.signals) == 1 and all(
            len(s.ranges) == 1 and s.ranges[0][0] == s.ranges[0][1] for s in self.signals if s.selector
        )
        if simple:
            return types
        return types + "".join(
            f"SG_MUL_VAL_ {self.dbc_id} {s.name} {s.selector.name} "
            + ", ".join(f"{low}-{high}" for low, high in s.ranges)
            + ";\n"
            for s in self.signals
            if s.selector
        )


@st.composite
def _sketches(draw: st.DrawFn, name: str, length: int) -> Sketch:
    float_type = draw(st.sampled_from([0, 0, 0, 1, 2]))
    longest = min(64, 8 * length)
    float_bits = [bits for bits in {1: (16, 32), 2: (64,)}.get(float_type, ()) if bits <= longest]
    if not float_bits:
        float_type = 0
    bits = draw(st.sampled_from(float_bits) if float_bits else st.integers(1, longest))
    return Sketch(
        name=name,
        big_endian=draw(st.booleans()),
        bits=bits,
        position=draw(st.integers(0, 8 * length - bits)),
        sign=draw(st.sampled_from("+-")),
        float_type=float_type,
        scaling=(draw(st.sampled_from(FACTORS)), draw(st.sampled_from(OFFSETS))),
    )


@st.composite
def _selections(draw: st.DrawFn, selector: Sketch) -> tuple[tuple[int, int], ...]:
    """Ranges of a selector: mostly of the small numbers that random payloads hit."""
    top = (1 << selector.bits) - 1
    lows = sorted(draw(st.sets(st.integers(0, min(top, 9)), min_size=1, max_size=3)))
    return tuple((low, min(top, low + draw(st.sampled_from([0, 0, 0, 2])))) for low in lows)


@st.composite
def messages(draw: st.DrawFn, name: str, dbc_id: int) -> MessageSketch:
    length = draw(st.one_of(st.integers(1, 8), st.integers(1, 64)))
    message = MessageSketch(name, dbc_id, length)
    selectors: list[Sketch] = []
    for number in range(draw(st.integers(1, 10))):
        sketch = draw(_sketches(f"S{number}", length))
        if selectors and draw(st.booleans()):
            sketch.selector = draw(st.sampled_from(selectors))
            sketch.ranges = draw(_selections(sketch.selector))
        if any(
            sketch.frame_bits & other.frame_bits and not sketch.may_share_bits_with(other)
            for other in message.signals
        ):
            continue
        message.signals.append(sketch)
        if not sketch.float_type and sketch.sign == "+" and sketch.bits <= 10 and draw(st.booleans()):
            selectors.append(sketch)
    for sketch in message.signals:
        sketch.is_selector = any(other.selector is sketch for other in message.signals)
    return message


@st.composite
def descriptions(draw: st.DrawFn) -> tuple[str, list[MessageSketch]]:
    """Return the text of a DBC and what it describes: up to three messages, of 11 and 29 bits."""
    ids = draw(
        st.lists(
            st.sampled_from([0, 5, 0x7FF, 0x8000_0005, 0x9FFF_FFFF]), unique=True, min_size=1, max_size=3
        )
    )
    sketches = [draw(messages(f"M{number}", dbc_id)) for number, dbc_id in enumerate(ids)]
    text = HEADER + "\n".join(m.lines() for m in sketches) + "\n" + "".join(m.extra_lines() for m in sketches)
    return text, sketches
