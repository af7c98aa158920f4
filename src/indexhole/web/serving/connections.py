"""Who may stay connected when many come: how long each may take, and who goes to make room.

Strangers and the keeper may share one address (one machine, a router's, a proxy's), so nobody is turned away for an
address alone. Where it is full, the newcomer comes in, and the one goes that has been waited for longest without
having sent a whole request; one that has carried a session goes last, and one that is being answered, or that sends
something after signing in, stays. Someone who holds connections half open so holds up others of the same kind only.
All times and numbers here are our own choice; that there be some is common practice.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import Enum, auto

from indexhole.web.access.addresses import sender_of

Clock = Callable[[], float]
CROWDED = "many connections come at once; those that wait longest without asking anything are closed"
_SELDOM_S = 600.0


@dataclass(frozen=True)
class Limits:
    """How many connections there may be, and how long each may take, in seconds.

    Attributes:
        in_all, of_one: most connections in all, and of one address.
        head_s: from the connection, or from the last answer, to the whole head of a request.
        body_s: from there to the end of its body, before signing in.
        piece_s: longest pause in what somebody signed in sends or takes.
        answer_s: longest an answer takes, before signing in.
        rest_s: how long what still comes after an answer is thrown away, so that the answer can be read (RFC 9112,
            section 9.6).
    """

    in_all: int = 256
    of_one: int = 128
    head_s: float = 15.0
    body_s: float = 10.0
    piece_s: float = 30.0
    answer_s: float = 30.0
    rest_s: float = 5.0


class Phase(Enum):
    """What is waited for: the head of a request, its body, the answer, or the rest of a body already answered."""

    HEAD = auto()
    BODY = auto()
    ANSWER = auto()
    REST = auto()


@dataclass(frozen=True)
class Standing:
    """How a connection stands at this moment.

    Attributes:
        let_in: whether its request is of somebody who may use the page.
        left_bytes: what of an answer is made and not yet sent.
        stuck: whether an answer waits for its taker.
    """

    phase: Phase = Phase.HEAD
    let_in: bool = False
    left_bytes: int = 0
    stuck: bool = False


@dataclass(eq=False)
class Caller:
    """A connection, as far as it matters who may stay; `known` is one that has carried a session."""

    sender: str
    standing: Callable[[], Standing]
    hang_up: Callable[[], None]
    since_s: float
    moved_s: float
    last: Standing = Standing()
    known: bool = False


class Callers:
    """The connections there are. For one thread: that of the event loop."""

    def __init__(
        self, limits: Limits, remark: Callable[[str], None], *, shared: str = "", clock: Clock = time.monotonic
    ) -> None:
        """`remark` tells the keeper something, seldom; `shared` is the address of a proxy that many come through."""
        self.limits = limits
        self._remark = remark
        self._shared = sender_of(shared) if shared else ""
        self._clock = clock
        self._told_s = -_SELDOM_S
        # in the order in which they began to be waited for
        self._all: dict[Caller, None] = {}
        self._of: dict[str, dict[Caller, None]] = {}

    def __len__(self) -> int:
        return len(self._all)

    def come(self, address: str, standing: Callable[[], Standing], hang_up: Callable[[], None]) -> Caller | None:
        """Take a connection in, room being made for it; None when nobody can go for it."""
        sender, now = sender_of(address), self._clock()
        own = self._of.get(sender, {})
        full_of_one = sender != self._shared and len(own) >= self.limits.of_one
        if (full_of_one or len(self._all) >= self.limits.in_all) and not self._make_room(
            own if full_of_one else self._all
        ):
            return None
        caller = Caller(sender, standing, hang_up, now, now)
        self._add(caller)
        return caller

    def go(self, caller: Caller) -> None:
        """A connection is closed; one that is gone already is left so."""
        self._all.pop(caller, None)
        own = self._of.get(caller.sender, {})
        own.pop(caller, None)
        if not own:
            self._of.pop(caller.sender, None)

    def heard(self, caller: Caller) -> None:
        """Something came from there."""
        caller.moved_s = self._clock()
        self._look(caller)

    def answered(self, caller: Caller) -> None:
        """An answer is complete: from now on the next request is waited for."""
        if caller in self._all:
            self._look(caller)
            caller.since_s = caller.moved_s = self._clock()
            self.go(caller)
            self._add(caller)

    def hang_up_late(self) -> None:
        """Close what has taken too long; to be called about every second."""
        now = self._clock()
        for caller in list(self._all):
            self._look(caller)
            if self._late(caller, now):
                self._hang_up(caller)

    def crowded(self) -> None:
        """Tell that there are too many, unless it was told lately."""
        now = self._clock()
        if now - self._told_s >= _SELDOM_S:
            self._told_s = now
            self._remark(CROWDED)

    def _add(self, caller: Caller) -> None:
        self._all[caller] = None
        self._of.setdefault(caller.sender, {})[caller] = None

    def _hang_up(self, caller: Caller) -> None:
        self.go(caller)
        caller.hang_up()

    def _make_room(self, among: Iterable[Caller]) -> bool:
        self.crowded()
        second: Caller | None = None
        for caller in among:
            self._look(caller)
            if not _may_go(caller):
                continue
            if not caller.known:
                self._hang_up(caller)
                return True
            second = second or caller
        if second is None:
            return False
        self._hang_up(second)
        return True

    def _look(self, caller: Caller) -> None:
        now, before, standing = self._clock(), caller.last, caller.standing()
        if standing.phase is not before.phase:
            caller.since_s = caller.moved_s = now
        elif standing.left_bytes != before.left_bytes:
            caller.moved_s = now
        caller.last = standing
        caller.known = caller.known or standing.let_in

    def _late(self, caller: Caller, now: float) -> bool:
        limits, last = self.limits, caller.last
        since, still = now - caller.since_s, now - caller.moved_s
        if last.let_in and (last.left_bytes or last.phase in (Phase.BODY, Phase.REST)):
            return still > limits.piece_s
        if last.phase is Phase.ANSWER:
            return not last.let_in and since > limits.answer_s
        return since > {Phase.HEAD: limits.head_s, Phase.BODY: limits.body_s, Phase.REST: limits.rest_s}[last.phase]


def _may_go(caller: Caller) -> bool:
    last = caller.last
    if last.phase is Phase.HEAD:
        return not (last.let_in and last.left_bytes)
    return not last.let_in and (last.phase is not Phase.ANSWER or last.stuck)
