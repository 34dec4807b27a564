"""How many frames and bad lines came."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canmap.stream.view import View


@dataclass(slots=True)
class FrameCount:
    """How many frames came, and of which kind and channel.

    Attributes:
        frames: Frames in all.
        error_frames: Error frames among them.
        remote_frames: Remote frames among them.
        bad_lines: Lines that could not be read, without captures that end too early.
        channels: Frames of each channel that has any.
    """

    frames: int = 0
    error_frames: int = 0
    remote_frames: int = 0
    bad_lines: int = 0
    channels: Counter[str] = field(default_factory=Counter)
    patience: int = 0

    @property
    def parts(self) -> tuple[Self]:
        """Itself."""
        return (self,)

    def fold(self, views: Sequence[View]) -> None:
        """Count the frames of some chunks."""
        for view in views:
            prepared, chunk = view.prepared, view.prepared.chunk
            self.frames += len(chunk)
            self.error_frames += prepared.error_frames
            self.remote_frames += prepared.remote_frames
            self.bad_lines += chunk.bad_count - sum(bad.truncated for bad in chunk.bad)
            for name, count in zip(chunk.channels, prepared.channel_counts.tolist(), strict=True):
                if count:
                    self.channels[name] += count

    def result(self) -> Self:
        """Return the counts, which go on."""
        return self
