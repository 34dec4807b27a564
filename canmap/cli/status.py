"""Exit statuses; nothing that can fail is imported here."""

from __future__ import annotations

import signal

FAILED = 2  # the command could not do its work
INTERRUPTED = 128 + signal.SIGINT  # as a shell tells which signal ended a command
PIPE_CLOSED = 128 + signal.SIGPIPE
