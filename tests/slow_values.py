"""The slow twin of records: every field of every record, frame by frame, in fractions, from drawn parameters.

It knows nothing of plans, columns or chunks, only what `specs/README.md` says of a field: raw code, no data,
scale and offset of the description, sum, unit, sign, scale, offset, range, age, conditions.
"""

from __future__ import annotations

import math
import random
import struct
from dataclasses import dataclass, field
from fractions import Fraction

MS = 1_000_000
UNITS = {
    "m": (Fraction(1), "m"),
    "mm": (Fraction(1, 1000), "m"),
    "km/h": (Fraction(5, 18), "m/s"),
}  # SI brochure
LAYOUTS = ("uusss", "U", "S", "ff", "d", "fus", "us", "ii")
BITS = {"u": 16, "s": 8, "U": 64, "S": 64, "f": 32, "d": 64, "i": 32}
FLOATS = {"f": "<f", "d": "<d"}
ODD = (math.nan, math.inf, -math.inf, 0.0, 5e-324, 1e-300, 1e-12, 1.7e308, -1.7e308, 3e38, 0.1, 0.7, -40.0)
NUMBERS = (0, 1, 5, 7, 8, 12, 13, 100, 101, 127, 200, 201, 1000)
STALE_NS = 100 * MS  # the longer of 3 periods of 10 or 20 ms and 100 ms

Code = tuple[int, int]


@dataclass
class Signal:
    """A described signal, little-endian."""

    message: str
    name: str
    kind: str
    start: int
    factor: Fraction
    offset: Fraction
    limits: tuple[Fraction, Fraction] | None

    @property
    def is_float(self) -> bool:
        return self.kind in FLOATS

    @property
    def signed(self) -> bool:
        return self.kind in "sSi"

    @property
    def text(self) -> str:
        return f"{self.message}.{self.name}"

    def raw(self, payload: bytes) -> int | None:
        """Raw code or bit pattern; None where the payload is too short."""
        begin, size = self.start // 8, BITS[self.kind] // 8
        if len(payload) < begin + size:
            return None
        return int.from_bytes(payload[begin : begin + size], "little", signed=self.signed)

    def physical(self, raw: int) -> Fraction | None:
        """The exact physical value, None for what is no number."""
        if not self.is_float:
            return raw * self.factor + self.offset
        (number,) = struct.unpack(FLOATS[self.kind], raw.to_bytes(BITS[self.kind] // 8, "little"))
        return Fraction(number) * self.factor + self.offset if math.isfinite(number) else None


@dataclass
class Field:
    """A field of the record."""

    name: str
    sources: list[Signal]
    unit: str
    sign: int
    scale: Fraction
    offset: Fraction
    limits: tuple[Fraction | None, Fraction | None] | None  # in SI; None: as described
    policy: str
    no_data: tuple[Code, ...]
    max_age_ns: int | str | None  # "" for the default
    conditions: list[tuple[Signal, tuple[int, ...]]] = field(default_factory=list)

    @property
    def line(self) -> tuple[Fraction, Fraction]:
        return UNITS[self.unit][0] * self.sign * self.scale, self.offset

    def value(self, raw: list[int]) -> Fraction | None:
        parts = [signal.physical(one) for signal, one in zip(self.sources, raw, strict=True)]
        if None in parts:
            return None
        return sum(parts, Fraction(0)) * self.line[0] + self.line[1]

    def is_no_data(self, raw: list[int]) -> bool:
        return any(low <= one <= high for one in raw for low, high in self.no_data)

    def ends(self) -> tuple[Fraction | None, Fraction | None] | None:
        """The range that holds for the finished value."""
        if self.limits is not None:
            return self.limits
        if len(self.sources) > 1 or self.sources[0].limits is None:
            return None
        low, high = sorted(end * self.line[0] + self.line[1] for end in self.sources[0].limits)
        return low, high


def outside(value: Fraction, ends: tuple[Fraction | None, Fraction | None] | None) -> bool:
    if ends is None:
        return False
    return (ends[0] is not None and value < ends[0]) or (ends[1] is not None and value > ends[1])


def too_large(field: Field, raw: list[int]) -> bool:
    """Whether the twin leaves open if floats can hold what is on the way to the value."""
    parts = [
        abs(signal.physical(one) or 0) + abs(signal.offset)
        for signal, one in zip(field.sources, raw, strict=True)
    ]
    return sum(parts) * max(1, abs(field.line[0])) > Fraction(10) ** 307


@dataclass
class Expected:
    valid: bool
    flagged: bool
    value: Fraction | None
    slack: Fraction = Fraction(0)


@dataclass
class World:
    """A kit, a spec and frames, all drawn from one seed."""

    signals: list[Signal]
    fields: list[Field]
    rows: list[tuple[int, int, bytes]]  # t_ns, identifier, payload

    @classmethod
    def drawn(cls, seed: int) -> World:
        chance = random.Random(seed)
        signals = [signal for message in ("M", "N") for signal in _signals(message, chance)]
        fields = [_field(f"f{number}", signals, chance) for number in range(chance.randint(1, 4))]
        rows, t_ns = [], 0
        pools = {message: _payloads(message, signals, fields, chance) for message in ("M", "N")}
        for _ in range(chance.randint(1, 40)):
            t_ns += chance.choice([0, 1, 5, 10, 10, 20, 30, 31, 99, 100, 101]) * MS
            message = chance.choice("MMN")
            payload = chance.choice(pools[message])
            if chance.random() < 0.1:
                payload = payload[: chance.randrange(len(payload) + 1)]
            rows.append((t_ns, 0x100 if message == "M" else 0x200, payload))
        return cls(signals, fields, rows)

    @property
    def dbc(self) -> str:
        out, ends = "", ""
        for message, can_id in (("M", 256), ("N", 512)):
            own = [signal for signal in self.signals if signal.message == message]
            out += f"BO_ {can_id} {message}: 8 Node\n"
            for signal in own:
                low, high = signal.limits or (0, 0)
                kind = "-" if signal.signed or signal.is_float else "+"
                line = f"({decimal(signal.factor)},{decimal(signal.offset)}) [{decimal(low)}|{decimal(high)}]"
                unit = next(iter(f.unit for f in self.fields))
                out += (
                    f' SG_ {signal.name} : {signal.start}|{BITS[signal.kind]}@1{kind} {line} "{unit}" Other\n'
                )
                if signal.is_float:
                    ends += f"SIG_VALTYPE_ {can_id} {signal.name} : {1 if signal.kind == 'f' else 2};\n"
        return out + "\n" + ends

    @property
    def text(self) -> str:
        si = UNITS[self.fields[0].unit][1]
        types = ", ".join(f"{one.name}: {{unit: {si}}}" for one in self.fields)
        lines = [
            f"record_types: {{X: {{fields: {{{types}}}}}}}",
            "records:",
            "  r:",
            "    type: X",
            "    stamp: M",
        ]
        return "\n".join(
            [*lines, *(f"    {one.name}: {{{', '.join(_keys(one, si))}}}" for one in self.fields), ""]
        )

    def expected(self) -> dict[str, list[Expected]]:
        """Every field of every record."""
        newest: dict[str, tuple[int, bytes]] = {}
        out: dict[str, list[Expected]] = {one.name: [] for one in self.fields}
        for t_ns, can_id, payload in self.rows:
            newest["M" if can_id == 0x100 else "N"] = (t_ns, payload)
            if can_id == 0x100:
                for one in self.fields:
                    out[one.name].append(_at(one, newest, t_ns))
        return out

    def samples(self, signal: Signal) -> list[bytes]:
        return [payload for _, can_id, payload in self.rows if (can_id == 0x100) == (signal.message == "M")]

    def found(self) -> dict[str, int]:  # noqa: C901  # the rules of who is judged, one after the other
        """How many samples are in findings of each kind."""
        outer, absent, numberless = {}, {}, {}
        alone, covered, parts = {}, set(), {}
        for one in self.fields:
            names = tuple(signal.text for signal in one.sources)
            mapping = (names, one.line, one.no_data)
            if any(signal.is_float for signal in one.sources):
                numberless[mapping] = one
            for signal in one.sources:
                if one.no_data:
                    absent[signal.text, one.no_data] = signal
            if one.limits is not None:
                covered.update(names)
                outer[mapping, one.limits] = one
            elif len(names) == 1:
                alone.setdefault(names[0], {})[one.no_data] = one
            else:
                parts.update(dict.fromkeys(names, one.no_data))
        used = {signal.text for one in self.fields for signal in one.sources}
        for signal in self.signals:
            plain = Field("", [signal], "m", 1, Fraction(1), Fraction(0), signal.limits, "keep", (), None)
            if signal.text in alone:
                outer |= {(signal.text, codes): one for codes, one in alone[signal.text].items()}
            elif signal.text not in covered and signal.limits is not None:
                plain.no_data = parts.get(signal.text, ())
                outer[signal.text] = plain
            if signal.is_float and signal.limits is not None and signal.text not in used:
                numberless[signal.text] = plain
        return {
            "out_of_range": sum(map(self._outside, outer.values())),
            "not_a_number": sum(map(self._numberless, numberless.values())),
            "not_available": sum(
                any(low <= raw <= high for low, high in codes)
                for (_, codes), signal in absent.items()
                for raw in map(signal.raw, self.samples(signal))
                if raw is not None
            ),
        }

    def _raws(self, one: Field) -> list[list[int]]:
        raws = [[signal.raw(payload) for signal in one.sources] for payload in self.samples(one.sources[0])]
        return [raw for raw in raws if None not in raw and not one.is_no_data(raw)]

    def _outside(self, one: Field) -> int:
        values = [one.value(raw) for raw in self._raws(one)]
        return sum(value is not None and outside(value, one.ends()) for value in values)

    def _numberless(self, one: Field) -> int:
        return sum(one.value(raw) is None for raw in self._raws(one))

    @property
    def is_open(self) -> bool:
        """Whether a value comes near the largest float, where the twin does not tell what is one."""
        return any(too_large(one, raw) for one in self.fields for raw in self._raws(one)) or any(
            (raw := signal.raw(payload)) is not None and abs(signal.physical(raw) or 0) > Fraction(10) ** 307
            for signal in self.signals
            for payload in self.samples(signal)
        )


def _at(one: Field, newest: dict[str, tuple[int, bytes]], t_ns: int) -> Expected:
    source = one.sources[0].message
    nothing = Expected(False, False, None)
    if source not in newest:
        return nothing
    came_ns, payload = newest[source]
    raw = [signal.raw(payload) for signal in one.sources]
    max_age_ns = STALE_NS if one.max_age_ns == "" else one.max_age_ns
    if None in raw or one.is_no_data(raw) or (max_age_ns is not None and t_ns - came_ns > max_age_ns):
        return nothing
    value = one.value(raw)
    if value is None or not all(_holds(need, newest, t_ns) for need in one.conditions):
        return nothing
    reach = sum(
        abs(signal.physical(part)) + 2 * abs(signal.offset)
        for signal, part in zip(one.sources, raw, strict=True)
    )
    slack = (reach * abs(one.line[0]) + abs(one.line[1])) / 2**48 + Fraction(1, 10**320)
    is_outside = outside(value, one.ends())
    if is_outside and one.policy == "mask":
        return Expected(False, True, None)
    if is_outside and one.policy == "clamp":
        low, high = one.ends()
        value = low if low is not None and value < low else high
        slack = abs(value) / 2**52
    return Expected(True, is_outside, value, slack)


def _holds(need: tuple[Signal, tuple[int, ...]], newest: dict[str, tuple[int, bytes]], t_ns: int) -> bool:
    signal, codes = need
    if signal.message not in newest:
        return False
    came_ns, payload = newest[signal.message]
    return t_ns - came_ns <= STALE_NS and signal.raw(payload) in codes


def decimal(number: Fraction | int) -> str:
    """A fraction with a power of ten below it, written out."""
    scaled, zeros = Fraction(number), 0
    while scaled.denominator != 1 and zeros < 40:
        scaled, zeros = scaled * 10, zeros + 1
    digits = str(abs(int(scaled))).rjust(zeros + 1, "0")
    sign = "-" if scaled < 0 else ""
    return sign + (f"{digits[:-zeros]}.{digits[-zeros:]}" if zeros else digits)


def _signals(message: str, chance: random.Random) -> list[Signal]:
    out, start = [], 0
    for number, kind in enumerate(chance.choice(LAYOUTS)):
        factor = Fraction(chance.choice(["1", "0.1", "-0.1", "0.5", "0.01", "0.025"]))
        offset = Fraction(chance.choice(["0", "0", "-40", "0.3", "-1.2"]))
        signal = Signal(message, f"S{number}", kind, start, factor, offset, None)
        if chance.random() < 0.5:
            low, high = sorted(_on_counts(signal, chance) for _ in range(2))
            signal.limits = (low, high) if low < high and len(decimal(low) + decimal(high)) < 24 else None
        out.append(signal)
        start += BITS[kind]
    return out


def _on_counts(signal: Signal, chance: random.Random) -> Fraction:
    raw = chance.choice([0, 1, 5, 7, 12, 100, 127, 200, -3, -40, 1000, 4_000_000_000])
    return raw * signal.factor + signal.offset


def _field(name: str, signals: list[Signal], chance: random.Random) -> Field:
    unit = random.Random(len(signals)).choice(list(UNITS))  # one for all
    of = chance.choice([[s for s in signals if s.message == m] for m in "MN"])
    sources = chance.sample(of, min(len(of), chance.choice([1, 1, 2, 3])))
    scale = Fraction(chance.choice(["1", "1", "2", "0.5", "0.001"]))
    offset = Fraction(chance.choice(["0", "0", "0.3", "-7"]))
    one = Field(name, sources, unit, chance.choice([1, -1]), scale, offset, None, "keep", (), "")
    one.policy = chance.choice(["keep", "mask", "clamp"])
    match chance.randrange(4):
        case 0:
            one.limits = (None, None)
        case 1 | 2:
            line = one.line
            total = [sum(_on_counts(s, chance) for s in sources) * line[0] + line[1] for _ in range(2)]
            low, high = sorted(total)
            if low < high:
                one.limits = chance.choice([(low, high), (low, None), (None, high)])
    if chance.random() < 0.4 and not any(s.is_float for s in sources):
        first = chance.choice([0, 5, 7, 12, 100])
        one.no_data = ((first, first + chance.choice([0, 0, 3])),)
        if all(s.kind == "U" for s in sources):
            one.no_data = chance.choice([one.no_data, ((2**64 - 2, 2**64 - 1),), ((2**63, 2**63),)])
    one.max_age_ns = chance.choice(["", "", None, 30 * MS])
    codable = [s for s in signals if not s.is_float]
    for signal in chance.sample(codable, min(len(codable), chance.choice([0, 0, 1, 2]))):
        codes = [0, 5, 7, 12] + ([2**64 - 1, 2**63] if signal.kind == "U" else [])
        one.conditions.append((signal, tuple(chance.sample(codes, 3))))
    return one


def _payloads(message: str, signals: list[Signal], fields: list[Field], chance: random.Random) -> list[bytes]:
    """A few payloads, so that values come again and lie on limits."""
    pool = []
    for _ in range(6):
        payload = b""
        for signal in (one for one in signals if one.message == message):
            size = BITS[signal.kind] // 8
            if signal.is_float:
                odd = chance.choice(ODD if signal.kind == "d" else ODD[:5] + ODD[6:7] + ODD[9:])
                payload += struct.pack(
                    FLOATS[signal.kind], odd if chance.random() < 0.6 else chance.gauss(0, 50)
                )
                continue
            top = 1 << BITS[signal.kind]
            codes = [*NUMBERS, top - 1, top - 2, top // 2, 4_000_000_001]
            payload += (chance.choice(codes) % top).to_bytes(size, "little")
        pool.append(payload.ljust(8, b"\0"))
    return pool


def _written(end: Fraction | None, unit: str) -> str:
    return "none" if end is None else f"{decimal(end / UNITS[unit][0])} {unit}"


def _keys(one: Field, si: str) -> list[str]:
    names = [signal.text for signal in one.sources]
    keys = [f"sum: [{', '.join(names)}]" if len(names) > 1 else f"signal: {names[0]}"]
    keys += [f'unit: "{one.unit}"', f"sign: {one.sign}", f"scale: {decimal(one.scale)}"]
    keys += [f"offset: {decimal(one.offset)} {si}", f"out_of_range: {one.policy}"]
    if one.limits == (None, None):
        keys.append("range: none")
    elif one.limits is not None:
        ends = [_written(end, one.unit) for end in one.limits]
        keys.append(f"range: [{', '.join(ends)}]")
    if one.no_data:
        keys.append(f"no_data: [{', '.join(f'{low} to {high}' for low, high in one.no_data)}]")
    if one.max_age_ns != "":
        keys.append("max_age: none" if one.max_age_ns is None else f"max_age: {one.max_age_ns // MS} ms")
    if one.conditions:
        needs = [f"{signal.text}: [{', '.join(map(str, codes))}]" for signal, codes in one.conditions]
        keys.append(f"valid_when: {{{', '.join(needs)}}}")
    return keys
