"""Kinds of findings: words that know their severity, in one order."""

from __future__ import annotations

import copy
import json
import pickle

from canmap.checks.all import CHECKS, KINDS
from canmap.findings.finding import Kind, Severity
from tests.streams import ROOT

# As the JSON of an inspection has put findings of one start since its first version, with what came since.
ORDER = (
    "missing", "stale", "not_covered", "rate", "loss", "burst", "restart", "late_start", "counter",
    "relay", "not_a_number", "out_of_range", "undervoltage", "not_available", "undefined_value",
    "fault_reported", "fault_ignored", "slew", "range_by_speed", "tracking", "disagree", "frozen", "railed",
    "state", "watchdog", "stop_chain", "override", "length", "checksum", "unknown_id", "recording_gap",
    "time_order", "bad_line", "truncated", "duplicate", "bus_error", "two_senders", "spec",
)  # fmt: skip


def test_findings_of_one_start_keep_their_order() -> None:
    assert ORDER == KINDS
    assert all(check.kinds for check in CHECKS)


def test_the_readme_lists_every_kind_in_its_place() -> None:
    table = (ROOT / "README.md").read_text(encoding="utf-8").split("## What it finds")[1].split("\n## ")[0]
    listed = [line.split("`")[1] for line in table.splitlines() if line.startswith("| `")]
    assert sorted(listed) == sorted(KINDS)


def test_a_kind_is_its_word_and_survives_what_programs_do_with_words() -> None:
    kind = Kind("length", Severity.ERROR)
    assert kind == "length"
    assert json.dumps({"kind": kind}) == '{"kind": "length"}'
    for other in (pickle.loads(pickle.dumps(kind)), copy.deepcopy(kind)):
        assert (other, other.severity) == (kind, Severity.ERROR)
