"""The scheduler's jobs, each in a thread of its own.

The standard library's thread pools wait, when the main thread ends, for all that they have begun, before anything that
was asked to follow is told. A pass over a long backlog would so go on to its end while the process waits. A plain
thread is waited for only after that, and can be told to stop.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor, Future
from threading import Lock, Thread
from typing import ParamSpec, TypeVar

from apscheduler.executors.pool import BasePoolExecutor

P = ParamSpec("P")
T = TypeVar("T")


class _Threads(Executor):
    """As many threads as there are jobs under way."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._threads: list[Thread] = []

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """Begin now. Raises RuntimeError when no thread can be started."""
        future: Future[T] = Future()
        future.set_running_or_notify_cancel()

        def run() -> None:
            try:
                found = fn(*args, **kwargs)
            except BaseException as fault:
                future.set_exception(fault)
            else:
                future.set_result(found)

        thread = Thread(target=run, name="job")
        thread.start()
        with self._lock:
            self._threads = [*(each for each in self._threads if each.is_alive()), thread]
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Wait for what is under way; nothing ever waits to begin."""
        with self._lock:
            threads = self._threads
        for thread in threads if wait else ():
            thread.join()


class JobThreads(BasePoolExecutor):  # type: ignore[misc]
    """The same, as the scheduler knows it."""

    def __init__(self) -> None:
        super().__init__(_Threads())
