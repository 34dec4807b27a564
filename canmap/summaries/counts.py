"""How many frames came."""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canmap.stream.view import View


@dataclass(slots=True)
class FrameCount:
    """How many frames came, and of which kind; what a check counts is not counted again.

    Attributes:
        frames: Frames in all.
        error_frames: Error frames among them.
        remote_frames: Remote frames among them.
    """

    frames: int = 0
    error_frames: int = 0
    remote_frames: int = 0
    patience: int = 0

    @property
    def parts(self) -> tuple[Self]:
        """Itself."""
        return (self,)

    def fold(self, views: Sequence[View]) -> None:
        """Count the frames of some chunks."""
        for view in views:
            self.frames += len(view.prepared.chunk)
            self.error_frames += view.prepared.error_frames
            self.remote_frames += view.prepared.remote_frames

    def result(self) -> Self:
        """Return the counts, which go on."""
        return self
