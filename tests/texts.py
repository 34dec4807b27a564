"""Texts for tests: small complete specs and bus descriptions, and what can happen to a text."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from tests.captures import damaged

if TYPE_CHECKING:
    import random
    from collections.abc import Callable, Iterator, Sequence

ROOT = Path(__file__).parent.parent
SOURCES = ROOT / ".cache" / "sources"  # what tests/fetch_sources.py fetches
LARGEST_SEED = 6_000  # bytes
PARTED = b"\x1e\n"  # between the files of a spec: itself, its fragment, its description
SPEC_FILES = ("spec.yaml", "part.yaml", "kit.dbc", "chassis.dbc")

NUMBERS = (
    b"0", b"-1", b"1", b"7", b"8", b"63", b"64", b"65", b"255", b"2147483648", b"3221225472", b"4294967295",
    b"4294967296", b"9223372036854775808", b"18446744073709551616", b"9" * 60, b"9" * 5_000,
    b"0x" + b"F" * 40, b"1e308", b"1e309", b"-1e400", b"1e-400", b"1e999999999", b"0.0000000000001", b"nan",
    b"-inf", b".5", b"1.", b"1_000", b"010", b"0x", b"--1", b"1/0", "\u0661\u0662".encode(),
    "\u00b2".encode(), "\uff11".encode(),
)  # fmt: skip
SIGNS = (
    b"\0", b"\t", b"\r", b"\n", b"\n\n", b"\x0b", b"\x1b[31m", b"\x7f", b"\xff", b"\xc3(", b"\xed\xa0\x80",
    b"\xf4\x90\x80\x80", b"\xef\xbb\xbf", b"\x81", "\u2028".encode(), "\u0085".encode(), "\u202e".encode(),
    "\u00e9".encode(), "\U0001f600".encode(), b"\\", b'"', b"'", b";", b":", b": ", b"#", b"//", b" - ", b",",
    b"{", b"}", b"[", b"]", b"|", b">", b"@", b"`", b"%", b"&a ", b"*a ", b"!!binary ", b"!x ", b"? ",
    b"<<: *a", b"---\n", b"...\n", b"%YAML 1.1\n---\n", b"\n\t", b"~", b"null", b"yes",
    b"include: [part.yaml]\n", b"include: [spec.yaml]\n", b"../", b"/", b".", b"*", b"M ", b"m0 ", b"m0M ",
    b"m99999999999 ",
    b'\nBO_ 2 Other: 8 Vector__XXX\n SG_ One : 0|8@1+ (1,0) [0|0] "" Vector__XXX\n', b"\nBO_ 3 E: 0 N\n",
    b'\nSG_MUL_VAL_ 257 Coarse Fine 0-4294967295;\n', b'\nVAL_ 257 State 0 "a" 0 "b" ;\n', b"\nBU_: A A\n",
    b"\nSIG_VALTYPE_ 257 Coarse : 1;\n", b'\nBA_ "GenMsgCycleTime" BO_ 257 -5;\n', b"\nBS_: 1 : 2,3\n",
    b'\nVAL_TABLE_ T 1 "x" ;\n', b'\nCM_ "',
)  # fmt: skip
OPENERS = (
    (b"[", b"]"), (b"{", b"}"), (b"{a: ", b"}"), (b"(", b")"), (b"- ", b""), (b"? ", b""), (b"a: ", b""),
    (b"<a>", b"</a>"), (b"!a ", b""), (b"&a ", b""), (b"'", b"'"), (b'"', b'"'),
)  # fmt: skip
DEPTHS = (3, 20, 49, 51, 200, 2_000, 60_000)
_WORD = re.compile(rb"\w+|[^\w\s]|\s+")
_NUMBER = re.compile(rb"0x[0-9A-Fa-f]+|\d+(?:\.\d+)?")


def alias_bomb(levels: int = 9, width: int = 10) -> bytes:
    """Return YAML that is small and means `width` ** `levels` values."""
    lines = [b"level0: &level0 [" + b", ".join([b"x"] * width) + b"]"]
    lines += [
        b"level%d: &level%d [" % (n, n) + b", ".join([b"*level%d" % (n - 1)] * width) + b"]"
        for n in range(1, levels)
    ]
    return b"\n".join(lines) + b"\n"


def entity_bomb(levels: int = 9, width: int = 10) -> bytes:
    """Return the same as the declarations of an XML document."""
    declared = [b'<!ENTITY e0 "' + b"x" * width + b'">']
    declared += [b'<!ENTITY e%d "' % n + b"&e%d;" % (n - 1) * width + b'">' for n in range(1, levels)]
    return b"<!DOCTYPE a [" + b"".join(declared) + b"]>"


def damaged_text(rng: random.Random, data: bytes, others: Sequence[bytes] = ()) -> bytes:
    """Return a text with bytes, numbers, words or lines changed, lost, doubled, swapped or put in."""
    for _ in range(rng.choice((1, 1, 1, 2, 2, 4))):
        (way,) = rng.choices(list(_WAYS), list(_WAYS.values()))
        data = way(rng, data)
    if others and rng.random() < 0.05:
        other = rng.choice(others)
        data = data[: rng.randrange(len(data) + 1)] + other[rng.randrange(len(other) + 1) :]
    return data


def damaged_spec(rng: random.Random, data: bytes, others: Sequence[bytes] = ()) -> bytes:
    """Return a spec with one of its files damaged, more often the spec or its fragment."""
    parts = data.split(PARTED)
    number = rng.choice((0, 0, 0, 0, 1, 1, 1, 2)) % len(parts)
    spare = [other.split(PARTED)[number] for other in others]
    parts[number] = damaged_text(rng, parts[number], spare)
    return PARTED.join(parts)


def _bytes(rng: random.Random, data: bytes) -> bytes:
    return damaged(rng, data)


def _lines(rng: random.Random, data: bytes) -> bytes:
    lines = data.splitlines(keepends=True) or [b""]
    one, other = rng.randrange(len(lines)), rng.randrange(len(lines))
    roll = rng.randrange(6)
    if roll == 0:
        del lines[one : one + rng.choice((1, 1, 3))]
    elif roll == 1:
        lines[other:other] = lines[one : one + rng.choice((1, 1, 3))]
    elif roll == 2:
        lines[one], lines[other] = lines[other], lines[one]
    elif roll == 3:
        lines[one] = b" " * rng.choice((0, 1, 2, 4, 7)) + lines[one].lstrip()
    elif roll == 4:
        lines[one] = lines[one].rstrip(b"\r\n")
    else:
        lines[one] = lines[one][: rng.randrange(len(lines[one]) + 1)] + b"\n"
    return b"".join(lines)


def _words(rng: random.Random, data: bytes) -> bytes:
    words = _WORD.findall(data) or [b""]
    one, other = rng.randrange(len(words)), rng.randrange(len(words))
    roll = rng.randrange(4)
    if roll == 0:
        words[one] = b""
    elif roll == 1:
        words[one] += b" " + words[one]
    elif roll == 2:
        words[one], words[other] = words[other], words[one]
    else:
        words[one] = words[other]
    return b"".join(words)


def _numbers(rng: random.Random, data: bytes) -> bytes:
    found = list(_NUMBER.finditer(data))
    if not found:
        return data
    place = rng.choice(found)
    return data[: place.start()] + rng.choice(NUMBERS) + data[place.end() :]


def _put_in(rng: random.Random, data: bytes, what: bytes) -> bytes:
    places = [found.start() for found in _WORD.finditer(data)] or [0]
    place = rng.choice(places)
    return data[:place] + what + data[place:]


def _signs(rng: random.Random, data: bytes) -> bytes:
    return _put_in(rng, data, rng.choice(SIGNS))


def _long(rng: random.Random, data: bytes) -> bytes:
    return _put_in(
        rng, data, rng.choice((b"A", b"9", b"x y ", b"\xc3\xa9", b"\t", b"\n")) * rng.choice(DEPTHS)
    )


def _deep(rng: random.Random, data: bytes) -> bytes:
    (opener, closer), depth = rng.choice(OPENERS), rng.choice(DEPTHS)
    if rng.random() < 0.2:
        what = b"".join(b" " * level + b"a:\n" for level in range(min(depth, 500)))
    else:
        what = opener * depth + closer * rng.choice((depth, depth, 0, depth - 1))
    return _put_in(rng, data, what)


def _bombs(rng: random.Random, data: bytes) -> bytes:
    bomb = rng.choice((alias_bomb(), entity_bomb()))
    return bomb + data if rng.random() < 0.5 else _put_in(rng, data, bomb + rng.choice((b"*level8", b"&e8;")))


def _many(rng: random.Random, data: bytes) -> bytes:
    lines = data.splitlines(keepends=True) or [b""]
    one = rng.randrange(len(lines))
    lines[one] *= min(rng.choice((100, 1_000, 5_000)), 50_000 // (len(lines[one]) + 1))
    return b"".join(lines)


# What happens to a text, and how often; what makes it long is rare, because reading it takes long.
_WAYS: dict[Callable[[random.Random, bytes], bytes], int] = {
    _bytes: 15, _lines: 20, _words: 25, _numbers: 20, _signs: 15, _long: 2, _deep: 2, _bombs: 1, _many: 1,
}  # fmt: skip


def descriptions(ending: str = ".dbc") -> list[bytes]:
    """Return small descriptions of the project, and those of the fetched sources, if they are there."""
    own = [*(ROOT / "specs").rglob(f"*{ending}"), *(ROOT / "tests" / "data").rglob(f"*{ending}")]
    fetched = [path for path in SOURCES.rglob("*") if path.suffix.lower() == ending]
    texts = [path.read_bytes() for path in (*sorted(own), *sorted(fetched))]
    return [text for text in texts if len(text) <= LARGEST_SEED]


OF_RECORDS = ("topics", "axes", "redundant", "nodes", "stop_chain")  # sections that name records
# Those that name what stands in others.
OF_SECTIONS = {
    "demands": "state_machines", "faults": "state_machines", "overrides": "state_machines", "nodes": "axes",
    "stop_chain": "supply_groups",
}  # fmt: skip


def specs() -> list[bytes]:
    """Return small complete specs, cut out of those of the project: the files `SPEC_FILES` of each."""
    found = []
    for name in (
        "specs/orchard_cart/cart",
        "tests/data/utility_vehicle/vehicle",
        "tests/data/road/road",
        "tests/data/truck/truck",
    ):
        path = ROOT / f"{name}.yaml"
        texts = {one.name: one.read_text("utf-8") for one in path.parent.glob("*.dbc")}
        texts[SPEC_FILES[2]] = texts.pop(f"{path.stem}.dbc", "") or texts[SPEC_FILES[2]]
        spec = path.read_text("utf-8").replace(f"{path.stem}.dbc", SPEC_FILES[2])
        found += list(_cut(spec, [texts.get(one, "") for one in SPEC_FILES[2:]]))
    return found


def _cut(text: str, texts: Sequence[str]) -> Iterator[bytes]:
    """Yield a spec for each section and each record, with what it needs."""
    sections = _entries(text, 0)
    head = "".join((sections.pop("vehicle"), f"include: [{SPEC_FILES[1]}]\n", sections.pop("buses")))
    for name in ("include", "verified_on"):
        sections.pop(name, None)
    geometry = sections.pop("geometry", "geometry: {wheelbase: 2 m}\n")
    corrections = _entries(sections.pop("correct", ""), 2)
    types, records = sections.pop("record_types", ""), _entries(sections.pop("records"), 2)
    pieces = [f"messages:\n{one}" for one in _entries(sections.pop("messages", ""), 2).values()]
    for name, section in sections.items():
        whole = section + sections.get(OF_SECTIONS.get(name, ""), "")
        named = [one for one in records if re.search(rf"\b{one}\b", whole)] if name in OF_RECORDS else []
        pieces.append(whole + (_with_used(named, types, records) if named else ""))
    pieces += [_with_used([name], types, records) for name in records]
    for piece in pieces:
        needed = [
            one for name, one in corrections.items() if set(name.split(".")) & set(re.findall(r"\w+", piece))
        ]
        context = geometry + ("correct:\n" + "".join(needed) if needed else "")
        described = [_needed(one, head + piece + context) for one in texts]
        for spec, fragment in ((piece, context), (context, piece)):
            yield PARTED.join(part.encode() for part in (head + spec, fragment, *described))


def _with_used(names: list[str], types: str, records: dict[str, str]) -> str:
    """The section of these records, and of those that they use."""
    found = list(names)
    for name in found:  # which grows
        found += [one for one in records if one not in found and re.search(rf": {one}\.[a-z]", records[name])]
    whole = "".join(records[name] for name in found)
    return "".join((types if "LiftArm" in whole else "", "records:\n", whole))


def _entries(text: str, indentation: int) -> dict[str, str]:
    """Return the entries that stand at an indentation, by key, each with its lines."""
    text = re.sub(r"^#.*\n|^\n| +# .*", "", text, flags=re.MULTILINE)
    parts = re.split(rf"^(?= {{{indentation}}}\w)", text, flags=re.MULTILINE)
    return {part.split(":")[0].strip(): part for part in parts if re.match(rf" {{{indentation}}}\w", part)}


def _needed(description: str, text: str) -> str:
    """Return the messages of a DBC that a text names, with what is said of them."""
    head, _, _ = description.partition("BO_ ")
    messages = {
        found[1]: found[0]
        for found in re.finditer(r"^BO_ (\d+) (\w+): \d+ (\w+)\n(?: SG_ .*\n)*", description, re.MULTILINE)
        if re.search(rf"\b(?:{found[2]}|{found[3]})\b", text)
    }
    said = re.findall(r"^(?:BA_|VAL_|SIG_VALTYPE_|SG_MUL_VAL_|CM_) .*;\n", description, re.MULTILINE)
    kept = [line for line in said if any(number in line.split() for number in messages)]
    declared = re.findall(r"^BA_DEF.*;\n", description, re.MULTILINE)
    return "\n".join([head, *messages.values(), "".join((*declared, *kept))])
