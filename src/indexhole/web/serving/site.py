"""What the pages share: the open shelf, the desk for long work, and notices that outlive a redirect."""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, TypeVar
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import RedirectResponse

from indexhole.causes.ranking.diagnosis import Diagnosis
from indexhole.jobs.faults.causes import Bench, Course, course, diagnose, gauge_shelf, shelf_bench
from indexhole.jobs.faults.measurement_sheet import kept_sheet
from indexhole.shelf.records.records import CaptureRecord
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.views.listing import more_trials_than, state_of
from indexhole.web.serving.job_queue import JobQueue, Task

# a page that waits longer than this shows that it waits
PATIENCE_S = 0.7
# and one that only shows it by the way waits no longer than this
GLANCE_S = 0.05
# more trials than this take minutes to weigh, and would slow every page meanwhile
MOST_BY_THE_WAY = 20_000
_MOST_NOTICES = 64

T = TypeVar("T")


class Memory:
    """What was made from one state of the shelf, by name; another state drops it."""

    def __init__(self) -> None:
        self._state = -1
        self._held: dict[str, Any] = {}
        self._lock = threading.Lock()

    def of(self, name: str, state: int, make: Callable[[], T]) -> T:
        """What is held under that name for that state, made now if there is none."""
        with self._lock:
            if state != self._state:
                self._state, self._held = state, {}
            if name in self._held:
                found: T = self._held[name]
                return found
        made = make()
        with self._lock:
            if state == self._state:
                self._held[name] = made
        return made


class Notices:
    """What there is to tell on the next page, by a token that stands in its address."""

    def __init__(self) -> None:
        self._held: OrderedDict[str, tuple[str, ...]] = OrderedDict()
        self._lock = threading.Lock()

    def keep(self, lines: tuple[str, ...]) -> str:
        """Keep the lines and return their token."""
        token = secrets.token_urlsafe(9)
        with self._lock:
            self._held[token] = lines
            while len(self._held) > _MOST_NOTICES:
                self._held.popitem(last=False)
        return token

    def of(self, token: str) -> tuple[str, ...]:
        """The lines of a token, none for one not known."""
        return self._held.get(token, ())


@dataclass(frozen=True)
class Site:
    """The shelf and what is being worked out from it.

    Captures are gauged at a desk of their own: many take long, and nothing else is to wait for that.
    """

    shelf: Shelf
    largest_upload_bytes: int
    job_queue: JobQueue = field(default_factory=JobQueue)
    gauging_queue: JobQueue = field(default_factory=JobQueue)
    notices: Notices = field(default_factory=Notices)
    memory: Memory = field(default_factory=Memory)

    def notices_for(self, request: Request) -> tuple[str, ...]:
        """What the change that led to this page has to tell."""
        return self.notices.of(request.query_params.get("told", ""))

    def gone_to(self, address: str, *lines: str) -> RedirectResponse:
        """After a change: on to the page that shows it, with something to tell."""
        if lines:
            address += ("&" if "?" in address else "?") + f"told={quote(self.notices.keep(lines))}"
        return RedirectResponse(address, 303)

    def held(self, name: str, make: Callable[[Shelf], T]) -> T:
        """What is made from the shelf, kept until the shelf changes."""
        return self.memory.of(name, state_of(self.shelf), lambda: make(self.shelf))

    def gauging(self) -> Task[int] | None:
        """The shelf's captures being gauged, each once, or gauged; None when there are none."""
        captures = self.held("captures", lambda shelf: tuple(record.sha256 for record in shelf.all(CaptureRecord)))
        if not captures:
            return None
        return self.gauging_queue.ask(captures, lambda progress: gauge_shelf(self.shelf, progress))

    def diagnosis(self, about: tuple[str, ...] = (), since: str = "") -> Task[Diagnosis] | None:
        """What is at fault, being worked out or ready, by trials about something or since a day; None without trials.

        While captures are still being gauged it is worked out without them.
        """
        if not more_trials_than(self.shelf, 0):
            return None
        made_from = self._weighed_from("causes", about, since)
        return self.job_queue.ask(made_from, lambda _: diagnose(self._bench(about, since)))

    def course(self, about: tuple[str, ...] = (), since: str = "") -> Task[Course]:
        """How the causes stood trial by trial, being worked out or ready."""
        made_from = self._weighed_from("course", about, since)
        return self.job_queue.ask(made_from, lambda progress: course(self._bench(about, since), progress))

    def _weighed_from(
        self, name: str, about: tuple[str, ...] = (), since: str = ""
    ) -> tuple[str, tuple[str, ...], str, int, bytes, bool]:
        """What a weighing is made from: the register, the measurements beside it, and whether captures are gauged."""
        measured = kept_sheet(self.shelf)
        gauging = self.gauging()
        return name, about, since, state_of(self.shelf), measured, gauging is None or gauging.wait(0)

    def _bench(self, about: tuple[str, ...], since: str) -> Bench:
        made_from = self._weighed_from("bench", about, since)
        recordings = made_from[-1]
        if about or since:  # as many as there are names and days, so none is kept
            return shelf_bench(self.shelf, recordings=recordings, about=about, since=since)
        return self.held(f"{made_from}", lambda shelf: shelf_bench(shelf, recordings=recordings))

    def diagnosis_if_ready(self) -> tuple[Diagnosis | None, bool]:
        """The diagnosis, None when there is none yet, and whether it is still being worked out.

        Of very many trials it is not begun by the way: only the Fault-finding page does that.
        """
        many = more_trials_than(self.shelf, MOST_BY_THE_WAY)
        task = self.job_queue.known(self._weighed_from("causes")) if many else self.diagnosis()
        if task is None:
            return None, False
        if not task.wait(GLANCE_S):
            return None, True
        return (None if task.failed else task.result()), False
