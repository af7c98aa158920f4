"""Long work behind the page: one job at a time, its result kept, its progress told."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Any, Generic, TypeVar

T = TypeVar("T")
Progress = Callable[[int, int], None]


class Task(Generic[T]):
    """A job in the making: wait for it, see how far it is, take its result."""

    def __init__(self) -> None:
        self._ended = threading.Event()
        self._result: T | None = None
        self._fault: BaseException | None = None
        self.done, self.total = 0, 0

    def progress(self, done: int, total: int) -> None:
        """Note how far the job is."""
        self.done, self.total = done, total

    def run(self, job: Callable[[Progress], T]) -> None:
        """Do the job and keep what came of it."""
        try:
            self._result = job(self.progress)
        except BaseException as fault:  # handed to whoever asks for the result
            self._fault = fault
        finally:
            self._ended.set()

    def wait(self, seconds: float) -> bool:
        """Whether the job has ended, waiting at most so long."""
        return self._ended.wait(seconds)

    @property
    def failed(self) -> bool:
        """Whether the job ended with a fault."""
        return self._fault is not None

    def result(self) -> T:
        """What came of an ended job. Raises what the job raised."""
        if self._fault is not None:
            raise self._fault
        assert self._ended.is_set()
        return self._result  # type: ignore[return-value]


class JobQueue:
    """Keeps the latest results by key and does jobs one after the other: several at once would only share the cores."""

    def __init__(self, keep: int = 12) -> None:
        self._keep = keep
        self._tasks: OrderedDict[Hashable, Task[Any]] = OrderedDict()
        self._lock = threading.Lock()
        self._turn = threading.Lock()

    def ask(self, key: Hashable, job: Callable[[Progress], T]) -> Task[T]:
        """The task of that key, begun now unless it stands already. One that failed is begun anew."""
        with self._lock:
            task = self._tasks.get(key)
            if task is None or task.failed:
                task = self._tasks[key] = Task()
                threading.Thread(target=self._do, args=(task, job), daemon=True).start()
            self._tasks.move_to_end(key)
            while len(self._tasks) > self._keep:
                self._tasks.popitem(last=False)
        return task

    def known(self, key: Hashable) -> Task[Any] | None:
        """The task of that key if it was asked for before, and nothing is begun."""
        with self._lock:
            return self._tasks.get(key)

    def _do(self, task: Task[T], job: Callable[[Progress], T]) -> None:
        with self._turn:
            task.run(job)
