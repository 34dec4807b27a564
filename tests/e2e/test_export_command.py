"""`canmap export`, from the command line to what polars and pandas read."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import textwrap
import time
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas
import polars
import pyarrow.parquet
import pytest

import canmap as package
from canmap.api.export import export
from canmap.vocabulary.record_types import field_types
from tests.e2e.shell import CART, COMMAND, DEMO, LONGEST_S, ROOT, canmap, demo_lines, environment, repeated
from tests.exports import json_lines, line_tables, table_of

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.results.inspection import Inspection

SPEC = ["--spec", CART]


@cache
def kept(span_s: tuple[float, float] = (0.0, float("inf"))) -> Inspection:
    """The inspection of the demonstration capture that keeps all its records."""
    names = [rule.name for rule in package.load_spec(ROOT / CART).records]
    return package.inspect(ROOT / DEMO, ROOT / CART, keep=names, span_s=span_s)


def told(result: Inspection) -> dict[str, Any]:
    """Its JSON, as it is read again."""
    return json.loads(json.dumps(result.to_json()))


def as_expected(frame: pandas.DataFrame, table: dict[str, list[Any]]) -> None:
    """Compare what pandas reads with a table, cell by cell."""
    assert list(frame.columns) == list(table)
    for name, column in table.items():
        got = [None if pandas.isna(cell) else cell for cell in frame[name].tolist()]
        assert got == column, name


def test_lines_hold_all_records_in_order_and_then_changes_and_findings(tmp_path: Path) -> None:
    path = tmp_path / "all.jsonl"
    done = canmap("export", DEMO, *SPEC, "--into", path)
    size = f"{path.stat().st_size / 1000:.0f} kB"
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == (f"5,795 records of 14 kinds in {path}, {size}.\nFindings: 3 errors and 9 notes.\n")
    result, lines = kept(), json_lines(path.read_bytes())
    tables = line_tables(lines, result.records)
    assert tables == {name: table_of(records) for name, records in result.records.items()}
    order = [
        (frame, place, chunk.name)
        for step in package.steps(ROOT / DEMO, ROOT / CART)
        for place, chunk in enumerate(step.records)
        for frame in chunk.frame.tolist()
    ]
    names = [line["record"] for line in lines if "record" in line]
    assert names == [name for _, _, name in sorted(order)]
    inspection = told(result)
    assert lines[len(names) :] == [
        *({"change": change} for change in inspection["changes"]),
        *({"finding": finding} for finding in inspection["findings"]),
    ]
    last = path.read_text(encoding="ascii").splitlines()[-1]
    assert last == json.dumps(lines[-1], separators=(",", ":"))  # without blanks, as every other line


def test_a_folder_of_parquet_is_read_by_polars_and_by_pandas(tmp_path: Path) -> None:
    folder = tmp_path / "drive"
    done = canmap("export", DEMO, *SPEC, "--into", folder)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith(f"5,795 records of 14 kinds in 17 tables in {folder}, ")
    result = kept()
    names = {*result.records, "findings", "changes", "columns"}
    assert {path.name for path in folder.iterdir()} == {f"{name}.parquet" for name in names}
    for name, records in result.records.items():
        expected = table_of(records)
        assert polars.read_parquet(folder / f"{name}.parquet").to_dict(as_series=False) == expected, name
        as_expected(pandas.read_parquet(folder / f"{name}.parquet"), expected)
    steering = polars.read_parquet(folder / "steering.parquet")
    assert steering["wheel_angle"].dtype == polars.Float64
    assert steering["stamp_ns"].dtype == polars.Int64
    drive = polars.read_parquet(folder / "drive.parquet")
    assert drive["throttle"].null_count() > 0
    assert drive["throttle_out_of_range"].sum() > 0


def test_a_folder_of_csv_is_read_by_polars_and_by_pandas(tmp_path: Path) -> None:
    folder = tmp_path / "drive"
    done = canmap("export", DEMO, *SPEC, "--into", f"{folder}/", "--format", "csv")
    assert done.returncode == 0, done.stderr
    for name, records in kept().records.items():
        path, expected = folder / f"{name}.csv", table_of(records)
        # A column may begin with more empty cells than polars looks at by default.
        frame = polars.read_csv(path, infer_schema_length=None).to_dict(as_series=False)
        assert dict(frame) == expected, name
        as_expected(pandas.read_csv(path), expected)


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_findings_changes_and_columns_are_tables_too(tmp_path: Path, form: str) -> None:
    assert canmap("export", DEMO, *SPEC, "--into", tmp_path / "drive/", "--format", form).returncode == 0

    def rows(name: str) -> list[dict[str, Any]]:
        path = tmp_path / "drive" / f"{name}.{form}"
        if form == "csv":
            return polars.read_csv(path, infer_schema_length=None).to_dicts()
        return polars.read_parquet(path).to_dicts()

    inspection = told(kept())
    assert [row["text"] for row in rows("findings")] == [one["text"] for one in inspection["findings"]]
    for row, finding in zip(rows("findings"), inspection["findings"], strict=True):
        for key, cell in row.items():
            value = finding.get(key)
            assert cell == (
                json.dumps(value, ensure_ascii=False) if isinstance(value, list | dict) else value
            )
        assert finding.keys() <= row.keys()
    for row, change in zip(rows("changes"), inspection["changes"], strict=True):
        value = {**change, **{key: _word(change[key]) for key in ("from", "to")}}
        assert {key: _word(cell) if key in ("from", "to") else cell for key, cell in row.items()} == value
    units = {(row["record"], row["column"]): row["unit"] or "" for row in rows("columns")}
    for name, records in kept().records.items():
        for field, kind in field_types(records.type).items():
            if field in records.columns:
                assert units[name, field] == kind.unit
    assert units["steering", "wheel_angle"] == "rad"
    assert units["steering", "wheel_angle_age_s"] == units["steering", "t_s"] == "s"


def _word(value: Any) -> str:
    return value if isinstance(value, str) else json.dumps(value)


def test_a_parquet_file_says_its_units(tmp_path: Path) -> None:
    path = tmp_path / "steering.parquet"
    done = canmap("export", DEMO, *SPEC, "--record", "steering", "--into", path)
    assert done.stdout.startswith(f"1,156 records of steering in {path}, "), done.stderr
    columns = json.loads(polars.read_parquet_metadata(path)["canmap.columns"])
    assert columns["wheel_angle"] == {"unit": "rad", "meaning": "steering wheel, positive to the left"}
    assert list(columns) == pyarrow.parquet.read_schema(path).names


def test_one_record_to_standard_output_and_nothing_else_of_it(tmp_path: Path) -> None:
    done = canmap("export", DEMO, *SPEC, "--record", "drive", "--into", "-", "--format", "csv")
    assert canmap("export", DEMO, *SPEC, "--record", "drive", "--into", tmp_path / "d.csv").returncode == 0
    assert done.stdout == (tmp_path / "d.csv").read_text()
    assert done.stderr == "599 records of drive on standard output.\nFindings: 3 errors and 9 notes.\n"
    lines = canmap("export", DEMO, *SPEC, "--record", "drive", "--record", "stop_loop", "--into", "-")
    read = json_lines(lines.stdout.encode())
    assert {line["record"] for line in read if "record" in line} == {"drive", "stop_loop"}
    assert {line["change"]["record"] for line in read if "change" in line} <= {"drive", "stop_loop"}
    assert sum("finding" in line for line in read) == len(kept().findings)


def test_a_part_of_several_captures_is_that_of_one(tmp_path: Path) -> None:
    lines = demo_lines()
    for name, part in (("a.log", lines[:3000]), ("b.log", lines[3000:])):
        (tmp_path / name).write_text("".join(part))
    parts = [str(tmp_path / name) for name in ("b.log", "a.log")]
    done = canmap("export", *parts, *SPEC, "--from", "4", "--to", "9", "--into", tmp_path / "part/")
    assert done.returncode == 0, done.stderr
    for name, records in kept((4.0, 9.0)).records.items():
        read = polars.read_parquet(tmp_path / "part" / f"{name}.parquet")
        assert read.to_dict(as_series=False) == table_of(records), name
    assert 4 <= read["t_s"].min() < read["t_s"].max() < 9


def test_from_python(tmp_path: Path) -> None:
    done = export(ROOT / DEMO, ROOT / CART, tmp_path / "drive.parquet", records="drive", span_s=(1.0, 2.0))
    assert done.rows == {"drive": 50}
    assert done.size == (tmp_path / "drive.parquet").stat().st_size
    assert done.result.verdict == "pass"
    with pytest.raises(OSError, match="exists"):
        export(ROOT / DEMO, ROOT / CART, tmp_path / "drive.parquet", records="drive")
    with pytest.raises(package.UsageError, match="makes no record nothing"):
        export(ROOT / DEMO, ROOT / CART, tmp_path / "n.parquet", records="nothing")


HERE = "{folder}"


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (["--into", "x.txt"], "x.txt: nothing is exported with this ending; name one of .jsonl, "),
        (["--into", f"{HERE}/x.csv"], "One .csv table holds one kind of record: choose it with --record (s"),
        (["--into", "-", "--format", "csv"], "One .csv table holds one kind of record"),
        (["--into", "-", "--format", "parquet"], "Standard output is not an ordinary file; only jsonl or"),
        (["--into", f"{HERE}/x/", "--format", "jsonl"], "is a folder, but one .jsonl file holds all records"),
        (["--into", f"{HERE}/x.jsonl", "--format", "csv"], "ends in .jsonl, but the form asked for is csv"),
        (["--into", f"{HERE}/x", "--format", "yaml"], "There is no form yaml; it is one of jsonl, csv,"),
        (["--into", ""], "The name of the file to write is empty"),
        (["--into", f"{HERE}/no/x.jsonl"], "cannot be written: there is no folder "),
        (["--into", f"{HERE}/no/x/"], "cannot be written: there is no folder "),
        (["--into", f"{HERE}/x.csv", "--record", "nothing"], "makes no record nothing; it makes steering, "),
        (["--into", f"{HERE}/x.jsonl", "--from", "100"], "holds no frame from 100 s on"),
        (["--into", f"{HERE}/x.jsonl", "--channel", "none=can0"], "--channel BUS=CHANNEL: "),
        (["--into", DEMO, "--format", "jsonl"], "steering_drop.log: nothing is exported with this ending"),
        (["--into", f"{HERE}/x.mcap", "--namespace", "a b"], "--namespace: a b is not a namespace: it is"),
        (["--into", f"{HERE}/x.csv/", "--namespace", "a"], "--namespace is for the topics of a .mcap file;"),
        (["--into", "/dev/full"], "/dev/full cannot be written: no space left on device"),
    ],
)  # fmt: skip
def test_what_cannot_be_done_is_said_in_a_line(tmp_path: Path, arguments: list[str], complaint: str) -> None:
    done = canmap("export", DEMO, *SPEC, *(one.replace(HERE, str(tmp_path)) for one in arguments))
    assert (done.returncode, done.stdout, done.stderr.count("\n")) == (2, "", 1), done.stderr
    assert complaint in done.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("into", "drive", "status"), [("a.jsonl", "vcan7", 1), ("a.mcap", "vcan7", 1), ("b.jsonl", "can0", 0)]
)
def test_an_export_says_what_never_came(tmp_path: Path, into: str, drive: str, status: int) -> None:
    """Where no record comes it fails, though a bag has diagnostics."""
    capture = tmp_path / "other.log"
    capture.write_text((ROOT / DEMO).read_text().replace("can0", drive).replace("can1", "vcan8"))
    done = canmap("export", capture, *SPEC, "--into", tmp_path / into)
    assert (done.returncode, done.stderr.count("\n")) == (status, 1)
    assert done.stderr.endswith("--channel chassis=vcan8.\n")


def test_what_exists_is_replaced_only_when_asked_and_an_input_never(tmp_path: Path) -> None:
    old, folder = tmp_path / "old.jsonl", tmp_path / "folder"
    old.write_text("mine\n")
    folder.mkdir()
    (folder / "drive.csv").write_text("mine\n")
    (folder / "notes.txt").write_text("mine\n")
    done = canmap("export", DEMO, *SPEC, "--into", old)
    assert (done.returncode, old.read_text()) == (2, "mine\n")
    assert done.stderr == f"canmap: {old} exists; name another file, or give --overwrite.\n"
    done = canmap("export", DEMO, *SPEC, "--into", folder, "--format", "csv")
    assert (done.returncode, len(list(folder.iterdir()))) == (2, 2)
    assert f"{folder}/drive.csv exists" in done.stderr
    assert canmap("export", DEMO, *SPEC, "--into", old, "--overwrite").returncode == 0
    assert canmap("export", DEMO, *SPEC, "--into", folder, "--format", "csv", "--overwrite").returncode == 0
    assert old.read_text().startswith('{"record":')
    assert (folder / "drive.csv").read_text().startswith("t_s,stamp_ns,speed,")
    assert ((folder / "notes.txt").read_text(), len(list(folder.iterdir()))) == ("mine\n", 18)
    capture = tmp_path / "capture.csv"
    assert canmap("transcribe", DEMO, "--into", capture).returncode == 0
    before = capture.read_bytes()
    done = canmap(
        "export",
        capture,
        *SPEC,
        "--channel",
        "drive=1",
        "--record",
        "drive",
        "--into",
        capture,
        "--overwrite",
    )
    assert (done.returncode, capture.read_bytes()) == (2, before)
    assert "would replace" in done.stderr
    assert "which is an input" in done.stderr


INTO = ["all.jsonl", "tables/", "tables.csv/", "steering.csv --record steering"]


@pytest.mark.parametrize("into", INTO)
def test_a_disk_that_is_full_ends_it_in_a_line_and_leaves_nothing(tmp_path: Path, into: str) -> None:
    """The limit of a file's size stands for the disk: what is written meets it in the same way."""
    command = f"ulimit -f 8; exec {' '.join(COMMAND)} export {ROOT / DEMO} --spec {ROOT / CART} --into {into}"
    done = subprocess.run(
        ["bash", "-c", command],
        cwd=tmp_path, env=environment(), capture_output=True, text=True, timeout=LONGEST_S, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout, done.stderr.count("\n")) == (2, "", 1), done.stderr
    assert "cannot be written: file too large" in done.stderr
    assert into.split(maxsplit=1)[0].rstrip("/") in done.stderr
    assert list(tmp_path.iterdir()) == []


def begun(folder: Path, into: str) -> subprocess.Popen[bytes]:
    """An export of what comes on standard input, which does not end, once it has begun its files."""
    process = subprocess.Popen(
        [*COMMAND, "export", "-", "--spec", ROOT / CART, "--into", *into.split()],
        cwd=folder, env=environment(), stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    assert process.stdin is not None
    process.stdin.write(repeated(180).encode())
    process.stdin.flush()
    until = time.monotonic() + LONGEST_S
    while not list(folder.iterdir()) and time.monotonic() < until:
        time.sleep(0.02)
    return process


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
@pytest.mark.parametrize("into", INTO[:2])
def test_a_signal_ends_it_and_leaves_nothing(tmp_path: Path, into: str, number: signal.Signals) -> None:
    process = begun(tmp_path, into)
    process.send_signal(number)
    _, said = process.communicate(timeout=LONGEST_S)
    assert (process.returncode, said) == (128 + number, b"interrupted\n" if number == signal.SIGINT else b"")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("into", INTO[:2])
def test_a_killed_one_leaves_nothing_in_the_place_and_the_next_one_clears_up(
    tmp_path: Path, into: str
) -> None:
    process = begun(tmp_path, into)
    process.kill()
    process.communicate(timeout=LONGEST_S)
    left = [path.name for path in tmp_path.iterdir()]
    assert left
    assert all(name.startswith(".canmap-") for name in left)
    done = canmap("export", ROOT / DEMO, "--spec", ROOT / CART, "--into", into, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert [path.name for path in tmp_path.iterdir()] == [into.rstrip("/")]


def test_a_reader_that_hangs_up_ends_it_quietly() -> None:
    line = f"{' '.join(COMMAND)} export {DEMO} --spec {CART} --into - | head -1; echo ${{PIPESTATUS[0]}}"
    done = subprocess.run(
        ["bash", "-c", line],
        cwd=ROOT, env=environment(), capture_output=True, text=True, timeout=LONGEST_S, check=True,
    )  # fmt: skip
    first, status = done.stdout.splitlines()
    assert (json.loads(first)["record"], status, done.stderr) == ("brake", "141", "")


def test_a_pipe_gets_lines_and_stays_one(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    process = subprocess.Popen(
        [*COMMAND, "export", DEMO, *SPEC, "--into", str(pipe)],
        cwd=ROOT, env=environment(), stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    read = pipe.read_bytes()
    _, said = process.communicate(timeout=LONGEST_S)
    assert said == f"5,795 records of 14 kinds in {pipe}.\nFindings: 3 errors and 9 notes.\n".encode()
    assert len(json_lines(read)) > 5795
    assert pipe.is_fifo()


def test_without_its_library_parquet_is_refused_and_the_rest_is_written(tmp_path: Path) -> None:
    program = """
        import sys
        sys.modules["pyarrow"] = None
        from canmap.cli.main import main
        main()
    """

    def run(into: str) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-c", textwrap.dedent(program), "export", DEMO, *SPEC, "--record", "drive"]
        return subprocess.run(
            [*command, "--into", str(tmp_path / into)],
            cwd=ROOT, env=environment(), capture_output=True, text=True, timeout=LONGEST_S, check=False,
        )  # fmt: skip

    done = run("a.parquet")
    assert (done.returncode, list(tmp_path.iterdir())) == (2, [])
    assert done.stderr == "canmap: Parquet needs the extra 'tables': pip install 'canmap[tables]'.\n"
    assert [run("a.csv").returncode, run("a.jsonl").returncode] == [0, 0]


def test_lines_and_csv_import_no_heavy_library(tmp_path: Path) -> None:
    program = f"""
        import sys
        from canmap.api.export import export
        export({DEMO!r}, {CART!r}, {str(tmp_path / "a.csv")!r}, records="drive")
        assert not {{"pyarrow", "polars", "pandas"}} & sys.modules.keys()
        export({DEMO!r}, {CART!r}, {str(tmp_path / "a.parquet")!r}, records="drive")
        assert not {{"polars", "pandas"}} & sys.modules.keys()
    """
    subprocess.run(
        [sys.executable, "-c", textwrap.dedent(program)], cwd=ROOT, env=environment(), check=True, timeout=60
    )


def test_a_record_that_never_comes_is_an_empty_table(tmp_path: Path) -> None:
    part = tmp_path / "part.log"
    part.write_text("".join(demo_lines()[:3]))
    for form in ("csv", "parquet"):
        done = canmap("export", part, *SPEC, "--into", tmp_path / form, "--format", form)
        assert done.returncode == 0, done.stderr
    whole = pandas.read_parquet(tmp_path / "parquet" / "steering.parquet")
    assert len(whole) == 0
    assert whole["wheel_angle"].dtype == np.float64
    assert list(pandas.read_csv(tmp_path / "csv" / "steering.csv").columns) == list(whole.columns)
