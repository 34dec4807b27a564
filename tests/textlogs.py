"""SocketCAN text for tests: lines of every form, damage, and the plain way to read a whole text."""

import io
import random
from dataclasses import dataclass

from canmap.frames.chunks import FrameChunk, join
from canmap.frames.row import Row
from canmap.frames.text.block import parse_block
from canmap.frames.text.line import parse_line
from canmap.frames.text.log import NO_END, blocks

FD_LENGTHS = (*range(9), 12, 16, 20, 24, 32, 48, 64)


@dataclass(frozen=True)
class Shape:
    """What the lines of one recorder have in common."""

    seconds: int
    fraction: int
    channels: tuple[str, ...]
    extended: float
    fd: float
    fd_flags: str
    lower: bool
    direction: bool
    end: str


CHANNELS = (
    ("can0",),
    ("can0", "can1", "vcan7"),
    ("a", "kanal-ö"),
    ("slcan0.42", "x"),
    ("front_axle_left", "front_axle_lift"),
)


def shape(rng: random.Random) -> Shape:
    return Shape(
        seconds=rng.choice([1, 2, 3, 9, 10, 10, 10]),
        fraction=rng.choice([1, 3, 6, 6, 6, 7, 8, 9]),
        channels=rng.choice(CHANNELS),
        extended=rng.choice([0.0, 0.3, 1.0]),
        fd=rng.choice([0.0, 0.0, 0.5, 1.0]),
        fd_flags=rng.choice("0123F"),
        lower=rng.random() < 0.3,
        direction=rng.random() < 0.3,
        end=rng.choice(["", "", "\r", " ", "\t\r"]),
    )


def digits(rng: random.Random, count: int) -> str:
    return "".join(rng.choice("0123456789") for _ in range(count))


def good_line(rng: random.Random, form: Shape) -> bytes:
    """Return a data, error or remote frame in this shape, without line feed."""
    seconds = digits(rng, form.seconds)
    if form.seconds == 10:
        seconds = rng.choice(["17000000", "17000000", "92233720", "00000000"]) + rng.choice(
            ["00", "35", "07"]
        )
    long = rng.random() < form.extended
    bits = rng.choice([29, 29, 30, 32])  # beyond 29 bits: error frames, and some that are none
    identifier = f"{rng.randrange(1 << bits):08X}" if long else f"{rng.randrange(2048):03X}"
    roll = rng.random()
    if roll < form.fd:
        frame = f"{identifier}##{form.fd_flags}{rng.randbytes(rng.choice([8, *FD_LENGTHS])).hex()}"
    elif roll > 0.97:
        frame = f"{identifier}#{rng.choice(['R', 'r', 'R0', 'R8'])}"
    elif roll > 0.94:
        frame = f"{0x20000000 | rng.randrange(1 << 29):08X}#{rng.randbytes(rng.choice([8, 8, 0, 3])).hex()}"
    else:
        frame = f"{identifier}#{rng.randbytes(rng.choice([8, 8, 8, *range(9)])).hex()}"
    frame = frame if form.lower else frame.upper()
    tail = rng.choice([" R", " T"]) if form.direction else ""
    text = f"({seconds}.{digits(rng, form.fraction)}) {rng.choice(form.channels)} {frame}{tail}{form.end}"
    return text.encode()


ODD_LINES = (
    b"",
    b"   \t",
    b"# a remark \xff",
    b"(1.5) can0 123#11.22.33",
    b"(1.5) can0 123#11R8",
    b"(1.5) can0 123#1122334455667788_9",
    b"(1.5) can0 123#1122334455667788_8",
    b"(1.5)\tcan0   123#11  R",
    b"(9223372035.999999999) can0 123#",
    b"(9223372036.000000) can0 123#1122334455667788",
    b"(1.5) can0 40000000#1122334455667788",
    b"(1.5) can0 800#1122334455667788",
    b"(1.5) can\x07 123#1122334455667788",
    b"\xff\xfe\x00",
    b"(1.5) can0 123##1" + b"00" * 9,
)


def damaged(rng: random.Random, line: bytes) -> bytes:
    """Return the line with a byte changed, lost or added, or cut short."""
    place = rng.randrange(len(line) + 1)
    other = bytes(
        [rng.choice(b"0129AFGaf#.() \t\r_RT\x00\x80\xc3") if rng.random() < 0.8 else rng.randrange(256)]
    )
    changed = rng.choice(
        [
            line[:place] + other + line[place + 1 :],
            line[:place] + line[place + 1 :],
            line[:place] + other + line[place:],
            line[:place],
        ]
    )
    return changed.replace(b"\n", b"?")


def text_of(rng: random.Random, lines: int, shapes: int, damage: float) -> bytes:
    """Return a text of good, odd and damaged lines; the last may lack its line feed."""
    forms = [shape(rng) for _ in range(shapes)]
    out = []
    for _ in range(lines):
        line = good_line(rng, rng.choice(forms))
        roll = rng.random()
        if roll < damage:
            line = damaged(rng, line)
        elif roll < 1.5 * damage:
            line = rng.choice(ODD_LINES)
        out.append(line)
    text = b"".join(line + b"\n" for line in out)
    return text[: -rng.randrange(1, 12)] if text and rng.random() < 0.3 else text


def read_by_line(text: bytes) -> tuple[list[tuple[int, Row]], list[tuple[int, int, str]]]:
    """Return (line, frame) of each frame, and (frames before it, line, reason) of each bad line."""
    frames, bad = [], []
    *lines, unended = text.split(b"\n")
    for number, line in enumerate(lines, 1):
        found = parse_line(line)
        if isinstance(found, Row):
            frames.append((number, found))
        elif isinstance(found, str):
            bad.append((len(frames), number, found))
    if unended.strip():
        bad.append((len(frames), len(lines) + 1, str(NO_END)))
    return frames, bad


def read_by_column(text: bytes, sizes: list[int]) -> FrameChunk:
    """Return the text read in blocks of these sizes, the last repeated."""
    every = iter(sizes + sizes[-1:] * (len(text) + 2))
    return join(parse_block(block) for block in blocks("a.log", io.BufferedReader(io.BytesIO(text)), every))


def rows_of(chunk: FrameChunk) -> list[tuple[int, Row]]:
    """Return the chunk as `read_by_line` would."""
    columns = zip(
        chunk.line.tolist(),
        chunk.t_ns.tolist(),
        (chunk.channels[number] for number in chunk.channel.tolist()),
        chunk.can_id.tolist(),
        chunk.extended.tolist(),
        chunk.kind.tolist(),
        chunk.flags.tolist(),
        chunk.length.tolist(),
        (row.tobytes() for row in chunk.payload),
        strict=True,
    )
    return [
        (line, Row(*fields, length, payload[: 0 if fields[4] == 1 else length]))
        for line, *fields, length, payload in columns
    ]
