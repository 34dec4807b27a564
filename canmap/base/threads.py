"""Threads, whose failure to start is known where they are started, and work that is shared with them."""

from __future__ import annotations

import contextlib
import threading
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TYPE_CHECKING, Generic, TypeVar

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


class Job(Generic[T]):
    """A task that is carried out once, by whoever comes to it first.

    Args:
        task: What to do; let go of when it is done.
    """

    def __init__(self, task: Callable[[], T]) -> None:
        self._task: Callable[[], T] | None = task
        self._begun = threading.Lock()  # never released
        self._future: Future[T] = Future()

    def do(self) -> bool:
        """Carry it out, unless somebody has begun; return whether it was done here.

        Raises:
            BaseException: What does not wait for its turn, such as Ctrl-C.
        """
        if self._task is None or not self._begun.acquire(blocking=False):
            return False
        try:
            self._future.set_result(self._task())
        except BaseException as error:
            self._future.set_exception(error)
            if not isinstance(error, Exception):
                raise
        finally:
            self._task = None
        return True

    def is_done(self) -> bool:
        """Whether `result` needs no waiting."""
        return self._future.done()

    def result(self) -> T:
        """Return the result, once it is there; carry out the task here unless somebody has begun.

        Raises:
            Exception: The task did.
        """
        self.do()
        return self._future.result()


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
