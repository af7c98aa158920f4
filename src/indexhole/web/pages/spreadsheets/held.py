"""Sheets that were sent and looked through, until they are put in: held in memory, never by a name a browser gives.

A sheet is known by a random word and belongs to the visit that sent it. What is put in is the plan that was shown,
made from the very bytes that were sent.
"""

from __future__ import annotations

import hmac
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from indexhole.errors import IndexholeError, InputFault
from indexhole.shelf.exchange.exchange import Plan, carry_out, plan_import
from indexhole.shelf.records.entry import Record
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.sheets.spreadsheet import read_cells
from indexhole.web.access.visit import token
from indexhole.web.serving.job_queue import JobQueue, Task

# our own choice: ten thousand units are a twentieth of it
LARGEST_BYTES = 16 << 20
LARGEST_UNPACKED_BYTES = 64 << 20
MOST_HELD, LONGEST_S = 8, 3600.0


@dataclass
class Sheet:
    """A sheet that was sent: what it would do, and once it is put in, what came of that.

    Attributes:
        looked: how often it was looked through; what is put in must be what was seen.
        carried: its end is the number of the change, None when there was nothing to do.
        refused: why the last try to put it in was refused.
    """

    word: str
    visit: str
    kind: type[Record]
    name: str
    content: bytes
    sent_s: float
    plan: Task[Plan[Any]]
    looked: int = 1
    carried: Task[int | None] | None = None
    refused: IndexholeError | None = None
    lock: threading.Lock = field(default_factory=threading.Lock)


class Sheets:
    """The sheets that are held; the oldest makes room, and after an hour each is forgotten."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._held: OrderedDict[str, Sheet] = OrderedDict()
        self._lock = threading.Lock()
        # a job queue of its own: a sheet need not wait until the trials are weighed
        self._job_queue = JobQueue(keep=2 * MOST_HELD)

    def hold(self, shelf: Shelf, kind: type[Record], name: str, content: bytes) -> Sheet:
        """Take a sheet and begin to look it through."""
        word = secrets.token_urlsafe(16)
        plan = self._look(shelf, word, 1, kind, name, content)
        sheet = Sheet(word, token(), kind, name, content, self._clock(), plan)
        with self._lock:
            self._held[word] = sheet
            while len(self._held) > MOST_HELD:
                self._held.popitem(last=False)
        return sheet

    def of(self, word: str) -> Sheet | None:
        """The sheet of that word, None for one not held or sent by another visit."""
        with self._lock:
            for old in [w for w, sheet in self._held.items() if self._clock() - sheet.sent_s > LONGEST_S]:
                del self._held[old]
            found = self._held.get(word)
        return found if found is not None and hmac.compare_digest(found.visit, token()) else None

    def forget(self, sheet: Sheet) -> None:
        """Forget a sheet."""
        with self._lock:
            self._held.pop(sheet.word, None)

    def carry(self, shelf: Shelf, sheet: Sheet, looked: int) -> None:
        """Begin to put in what was shown, unless that is done already.

        Raises InputFault when what was seen is not what would be put in.
        """
        with sheet.lock:
            if sheet.carried is not None:
                return
            if looked != sheet.looked or not sheet.plan.wait(0):
                raise InputFault("the sheet was looked through anew since", remedy="look at it again")
            plan = sheet.plan.result()
            sheet.refused = None
            sheet.carried = self._job_queue.ask(
                (sheet.word, "carried", looked), lambda progress: carry_out(shelf, plan, sheet.name, progress)
            )

    def finish(self, shelf: Shelf, sheet: Sheet) -> None:
        """Once it was tried: drop its bytes, or note why it was refused and look it through again."""
        with sheet.lock:
            if sheet.carried is None or not sheet.carried.wait(0):
                return
            try:
                sheet.carried.result()
                sheet.content = b""
            except IndexholeError as fault:
                sheet.refused = fault
                sheet.carried = None
                sheet.looked += 1
                sheet.plan = self._look(shelf, sheet.word, sheet.looked, sheet.kind, sheet.name, sheet.content)

    def _look(
        self, shelf: Shelf, word: str, looked: int, kind: type[Record], name: str, content: bytes
    ) -> Task[Plan[Any]]:
        def look(progress: Callable[[int, int], None]) -> Plan[Any]:
            rows = read_cells(content, where=name, largest_unpacked_bytes=LARGEST_UNPACKED_BYTES)
            return plan_import(shelf, kind, rows, where=name, progress=progress)

        return self._job_queue.ask((word, "plan", looked), look)
