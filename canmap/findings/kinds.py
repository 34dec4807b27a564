"""The kinds of findings that several checks report, or none."""

from __future__ import annotations

from canmap.findings.finding import Kind, Severity

MISSING = Kind("missing", Severity.ERROR)  # a warning where it only came late


STALE = Kind("stale", Severity.ERROR)  # a warning for a demand judged by half its watchdog


RECORDING_GAP = Kind("recording_gap", Severity.WARNING)


RATE = Kind("rate", Severity.WARNING)


COUNTER = Kind("counter", Severity.ERROR)  # a receiver rejects the frame; one jump is a warning


LOSS = Kind("loss", Severity.WARNING)  # an error where it is more in a row than the receiver accepts


BURST = Kind("burst", Severity.WARNING)  # late, and not lost


RESTART = Kind("restart", Severity.WARNING)


TWO_SENDERS = Kind("two_senders", Severity.ERROR)  # a warning where only the addresses differ


UNKNOWN_ID = Kind("unknown_id", Severity.NOTE)


DUPLICATE = Kind("duplicate", Severity.WARNING)  # of the recorder; what the messages say is not touched


SPEC = Kind("spec", Severity.NOTE)
