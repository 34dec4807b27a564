"""Threads, whose failure to start is known where they are started."""

from __future__ import annotations

import contextlib
import threading
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TYPE_CHECKING, TypeVar

from canmap.base.errors import CanmapError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from typing import ParamSpec

    P = ParamSpec("P")
T = TypeVar("T")


class NoThreadError(CanmapError, RuntimeError):
    """The system lets no more threads be started."""


class Pool(ThreadPoolExecutor):
    """A pool of threads; a task for one that cannot be started raises `NoThreadError`.

    Nothing is submitted after its end, the only other cause that a pool has to refuse a task.
    """

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """Have a thread carry out a task."""
        with _starting():
            return super().submit(fn, *args, **kwargs)


def start_daemon(task: Callable[[], object], name: str) -> None:
    """Start a thread that does not keep the program from ending.

    Raises:
        NoThreadError: It cannot be started.
    """
    with _starting():
        threading.Thread(target=task, name=name, daemon=True).start()


@contextlib.contextmanager
def _starting() -> Iterator[None]:
    try:
        yield
    except RuntimeError as error:
        raise NoThreadError(
            "no thread can be started; end other programs, or raise the limit of processes."
        ) from error
