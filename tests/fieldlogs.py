"""Text formats with fields for tests: lines of every form, damage, and the plain way to read a whole text."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, NamedTuple

from canmap.base.errors import readable
from canmap.frames.chunks import FrameChunk, join
from canmap.frames.row import Row, UnreadableError
from canmap.frames.text import linewise
from canmap.frames.text.asc import AscLines
from canmap.frames.text.csvrows import HEADER, CsvLines
from canmap.frames.text.line import LONGEST_LINE
from canmap.frames.text.log import NO_END
from canmap.frames.text.trc import TrcLines
from canmap.frames.unread import cut_short

if TYPE_CHECKING:
    import random
    from collections.abc import Callable

    from canmap.frames.text.linewise import LineGrammar

FD_LENGTHS = (*range(9), 12, 16, 20, 24, 32, 48, 64)  # ISO 11898-1
SPOILED = "019afxX.=,;- \t\r\x00\x0b\x1c\x85\xa0\xb2/+RTd"


class Format(NamedTuple):
    """A format, what its captures begin with, and a line of it.

    Attributes:
        grammar: Makes its grammar.
        headers: What may stand at the beginning.
        plain: Makes a frame in a usual form.
        odd: Lines and headers of other forms.
    """

    grammar: Callable[[], LineGrammar]
    headers: tuple[str, ...]
    plain: Callable[[random.Random], str]
    odd: tuple[str, ...]


def stamp(rng: random.Random, whole: int, digits: tuple[int, ...]) -> str:
    count = rng.choice(digits)
    return f"{rng.randrange(whole)}.{rng.randrange(10**count):0{count}}"


def identifier(rng: random.Random, standard: str, extended: str) -> str:
    if rng.random() < 0.3:
        return format(rng.randrange(1 << 29), extended)
    return format(rng.randrange(1 << 11), standard)


def parted(payload: bytes) -> str:
    return payload.hex(" ").upper()


def asc_line(rng: random.Random) -> str:
    at, channel = f"{rng.uniform(0, 2000):.6f}", rng.choice("12")
    name = identifier(rng, "X", "X") if rng.random() < 0.7 else f"{rng.randrange(1 << 29):X}x"
    name = name if len(name) <= 3 or name.endswith("x") else name + "x"
    way = rng.choice(["Rx", "Tx", "rx"])
    if rng.random() < 0.1:
        asked = rng.choice(["r 8", "r 0", "r", "r 3  Length = 0 BitCount = 64", "r f"])
        return rng.choice(
            [f"{at:>11} {channel}  {name:15} {way}   {asked}", f"{at:>11} {channel}  ErrorFrame"]
        )
    if rng.random() < 0.7:
        data = rng.randbytes(rng.choice([8, 8, *range(9)]))
        tail = rng.choice(["", "", "  Length = 240000 BitCount = 124 ID = 36"])
        return f"{at:>11} {channel}  {name:15} {way}   d {len(data)} {parted(data)}{tail}"
    data = rng.randbytes(rng.choice(FD_LENGTHS[1:]))
    field = rng.choice([0x1000, 0x3000, 0]) if len(data) > 8 else rng.choice([0, 0x1000, 0x200000])
    symbol = rng.choice(["", "", "EngineData "])
    code = FD_LENGTHS.index(len(data))
    return (
        f"{at:>11} CANFD {channel:>3} {way} {name:>8}  {symbol}{rng.randrange(2)} {rng.randrange(2)} {code:x}"
        f" {len(data):2} {parted(data)} {130000:8} {130:4} {field:8x} 0 0 0 0 0"
    )


def csv_line(rng: random.Random) -> str:
    import base64

    extended = rng.random() < 0.3
    data = rng.randbytes(rng.choice([8, 8, *FD_LENGTHS]))
    number = rng.randrange(1 << 29 if extended else 1 << 11)
    text = base64.b64encode(data).decode()
    at = stamp(rng, rng.choice([9 * 10**9, 10**3]), (1, 2, 5, 6, 7, 8, 9, 12, 16))
    if rng.random() < 0.1 and len(data) <= 8:
        return rng.choice(
            [
                f"{at},0x{number:x},{extended:d},1,0,{len(data)},",
                f"{at},0x{number:x},0,0,1,{len(data)},{text}",
            ]
        )
    return f"{at},0x{number:x},{extended:d},0,0,{len(data)},{text}"


def trc_line(rng: random.Random) -> str:
    number, at = rng.randrange(10**6), stamp(rng, 10**7, (3, 3, 3, 1, 7))
    kind = rng.choice(["DT", "DT", "DT", "FD", "FB", "FE", "BI"])
    data = rng.randbytes(rng.choice([8, *(range(9) if kind == "DT" else FD_LENGTHS)]))
    code = FD_LENGTHS.index(len(data))
    name = identifier(rng, "04X", "08X")
    way = rng.choice(["Rx", "Tx"])
    if rng.random() < 0.1:
        text = rng.choice(["", "01 02 03"])
        return f"{number:7} {at:>13} RR {rng.choice('12')} {name:>8} {way} - {rng.randrange(9)}  {text}"
    return f"{number:7} {at:>13} {kind} {rng.choice('12')} {name:>8} {way} - {code:2}  {parted(data)}"


def trc_line_of_1_1(rng: random.Random) -> str:
    data = rng.randbytes(rng.randrange(9))
    at, name = stamp(rng, 10**6, (1,)), identifier(rng, "04X", "08X")
    way = rng.choice(["Rx", "Tx"])
    if rng.random() < 0.1:
        return f"{rng.randrange(10**5):6}) {at:>12}  {way} {name:>11}  {len(data)}  RTR "
    return f"{rng.randrange(10**5):6}) {at:>12}  {way} {name:>11}  {len(data)}  {parted(data)} "


ASC = Format(
    AscLines,
    (
        "base hex  timestamps absolute\nno internal events logged",
        "date Sat Sep 30 15:06:13.191 2017\nbase hex",
    ),
    asc_line,
    (
        "// a remark",
        "base dec  timestamps absolute",
        "base hex  timestamps relative",
        "base hex  timestamps absolute",
        "Begin Triggerblock Sat Sep 30 15:06:13.191 2017",
        "End TriggerBlock",
        "date Sat Sep 30 15:06:13.191 pm 2017",
        "date Sat Foo 30 15:06:13.191 2017",
        "   1.5 Start of measurement",
        "   1.5 01  123 Rx d 1 11",
        "   1.5 1  123 RX d 1 11",
        "   1.5 CANFD 02 Rx 123 0 0 1 1 11 1 2 1000 0",
        "   1.5 CANFD 1 Rx 123 name 0 0 8 0 1 2 10 0",
        "   1.5 CANFD 1 Rx 123 0 0 0 0 1 2 1000 0",
        "   1.5 1 ErrorFrame",
        "   1.5 1  Statistic: D 0 R 0 XD 0 XR 0 E 0 O 0 B 0.00%",
        "   1.5 1  123 Rx r",
        "   1.5 1  123 Rx r f",
        "   1.5 1  123 Rx r 12",
        "   1.5 1  123 Rx r 0x",
        "   1.5 1  123 Rx d 8 1 234 56 78 9A BC DE F0 11",
        "   1.5 1  123 Rx d 2 11",
        "   1.5 1  123 Rx d 40 11 22 33 44 55 66 77 88",
        "   1.5 1  123 Rx d 08 11 22 33 44 55 66 77 88",
        "   1.5 CANFD 1 Rx 123 0 0 8 0 1 2 10 0",
        "   1.5 CANFD 1 Rx 123 0 0 9 12 11 22 33 44 55 66 77 88 99 AA BB CC 1 2 10 0",
        "   1.5 1  123 Rx d f 11 22 33 44 55 66 77 88",
        "   1.5 CANFD 1 Rx 123 1 0 8 8 11 22 33 44 55 66 77 88 1 2 10 0",
        "   1.5 CANFD 1 Rx ErrorFrame  1 0 8 8 11",
        "9223372035.999999999 1 123 Rx d 0",
        "9223372036.999999999 1 123 Rx d 0",
        "99999999999999999999999 1 ErrorFrame",
        "1 1 123 Rx d 0",
        "1. 1 123 Rx d 0",
        "12345678901234567890 1 123 Rx d 0",
        "0000000000000000000012 1 123 Rx d 0",
    ),
)
CSV = Format(
    CsvLines,
    (HEADER,),
    csv_line,
    (
        "1.5,0x123,0,1,0,8,",
        "1.5,0x123,0,0,1,8,7MnSNt7QmR4=",
        "1.5,123,0,0,0,1,qg==",
        "1.5,0x123,0,0,0,1,qh==",
        "1.5,0x123,0,0,0,1,qg=",
        "1.5,0x123,0,0,0,1,====",
        "1.5,0x123,0,0,0,2,qg==",
        "1.5,0x123,0,0,0,0,",
        "1.5,0x,0,0,0,0,",
        "1.5e3,0x123,0,0,0,0,",
        "-1.5,0x123,0,0,0,0,",
        " 1.5,0x123,0,0,0,0, ",
        "1.5,0x123,0,0,0,9,7MnSNt7QmR5=",
        ",,,,,,",
        "1,2",
        HEADER,
    ),
)
TRC = Format(
    TrcLines,
    (
        ";$FILEVERSION=2.1\n;$STARTTIME=45244.9259259325\n;$COLUMNS=N,O,T,B,I,d,R,L,D",
        ";$FILEVERSION=2.0\n;$COLUMNS=O,T,I,d,l,D",
    ),
    trc_line,
    (
        ";",
        ";$COLUMNS=N,O,T,I,L,D",
        ";$COLUMNS=N,O,T,B,I,d,l,D",
        ";$COLUMNS=N,O,T,B,I,d,R,L,D",
        ";$STARTTIME=40000.5",
        ";$STARTTIME=x",
        ";$FILEVERSION=7",
        ";$FILEVERSION=1.3",
        ";$FILEVERSION=1.2",
        ";$FILEVERSION=1.0\n  1)  1.5 FFFFFFFF 4 00 00 00 00",
        "  1  1.5 D? 1 0123 Rx - 0",
        "  1  1.5 DT 01 0123 Rx - 0",
        "  1  1.5 DT 1 0123 Rx - 0 RTR",
        "  1  1.5 RR 1 0123 Rx - 3",
        "  1  1.5 ER 1 - Rx - 5 00 00 00 00 00",
        "  1  1.5 Error 0001 2 00 00",
        "  1  1.5 ST 1 - Rx - 4 00 00 00 08",
        "  1  1.5 DT 1 0123 Rx - 12 11 22 33 44 55 66 77 88",
        "  1  1.5 DT 1 0123 Rx - 8 1 234 56 78 9A BC DE F0 11",
        "  1  1.5 DT 1 0123 Rx - 16 11 22 33 44 55 66 77 88 11 22 33 44 55 66 77 88",
        "  1  1.5 FB 1 0123 Rx - 17 11 22",
        "  1  99999999999999999999 ER 1 - Rx - 0",
        "  1  0000000000000000012789 DT 1 0123 Rx - 0",
        "  1  1.5 DT channel_two 0123 Rx - 0",
        "  1  1.5 DT c\x00 0123 Rx - 0",
        "  1  1.5 DT c 0123 Rx - 0",
    ),
)
TRC_1_1 = Format(TrcLines, (";$FILEVERSION=1.1\n;$STARTTIME=40000.5",), trc_line_of_1_1, TRC.odd)
FORMATS = {"asc": ASC, "csv": CSV, "trc": TRC, "trc 1.1": TRC_1_1}


def damaged(rng: random.Random, line: str) -> str:
    """Return the line with a character or its blanks, its letters or its end changed."""
    place = rng.randrange(len(line) + 1)
    other = rng.choice(SPOILED) if rng.random() < 0.9 else chr(rng.randrange(256))
    return rng.choice(
        [
            line[:place] + other + line[place + 1 :],
            line[:place] + line[place + 1 :],
            line[:place] + other + line[place:],
            line[:place],
            line.replace(" ", rng.choice(["  ", "\t", "\x0b"]), rng.randrange(1, 9)),
            line.replace(".", "." + "123456789012"[: rng.randrange(13)], 1),
            line.swapcase(),
            line + rng.choice(["\r", " ", " \t\r", "\x1c", " 00", ","]),
            " " * rng.randrange(9) + line,
        ]
    ).replace("\n", "?")


def text_of(rng: random.Random, form: Format, lines: int, damage: float) -> bytes:
    """Return a text of good, odd, blank and damaged lines; the last may lack its line feed."""
    out = [rng.choice(form.headers)]
    for _ in range(lines):
        line, roll = form.plain(rng), rng.random()
        if roll < damage:
            line = damaged(rng, line)
        elif roll < 1.3 * damage:
            line = rng.choice(form.odd)
        elif roll < 1.5 * damage:
            line = rng.choice(["", " ", "\r", "\t \r", "\x85"])
        out.append(line)
    end = rng.choice(["\n", "\r\n"])
    text = "".join(line + end for line in out).encode("latin-1")
    return text[: -rng.randrange(1, 12)] if rng.random() < 0.3 else text


def read_by_line(
    text: bytes, grammar: LineGrammar
) -> tuple[list[tuple[int, Row]], list[tuple[int, int, str]]]:
    """Return (line, frame) of each frame, and (frames before it, line, reason) of each bad line."""
    frames, bad = [], []
    *lines, unended = text.decode("latin-1").split("\n")
    for number, line in enumerate(lines, 1):
        try:
            if len(line) > LONGEST_LINE:
                raise UnreadableError(f"the line is longer than {LONGEST_LINE // 1024} KiB")
            frame = grammar.read(line)
        except UnreadableError as reason:
            bad.append((len(frames), number, readable(str(reason))))
            continue
        if frame is not None:
            frames.append((number, frame))
    if unended.encode("latin-1").strip():
        bad.append((len(frames), len(lines) + 1, str(NO_END)))
    elif missing := grammar.missing_end():
        bad.append((len(frames), len(lines) + 1, str(cut_short(missing))))
    return frames, bad


def read_by_column(text: bytes, grammar: LineGrammar) -> FrameChunk:
    """Return the text as its reader reads it, as one chunk."""
    return join(linewise.read_lines("a", io.BufferedReader(io.BytesIO(text)), grammar))
