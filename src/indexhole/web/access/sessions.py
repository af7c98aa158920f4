"""Signing in: the password as a slow hash, who is signed in, and how often one may try.

Argon2id with the parameters of RFC 9106, section 4, second choice (64 MiB), as argon2-cffi has them. A session is a
random number the browser keeps in a cookie no script can read; here only its hash is kept, in memory.
"""

from __future__ import annotations

import asyncio
import hashlib
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

from indexhole.web.access.addresses import sender_of

IDLE_S, LONGEST_S = 12 * 3600.0, 7 * 86400.0
# our own choice: enough for a keeper who mistypes, hopeless for one who guesses
TRIES, REFILL_S = 5, 60.0
TRIES_OF_ALL, REFILL_OF_ALL_S = 50, 10.0
# our own choice too: tries that wait for their turn, some hundredths of a second each
MOST_WAITING = 8
_MOST_SESSIONS, _MOST_ADDRESSES = 256, 4096
LONGEST_PASSWORD = 1024

Clock = Callable[[], float]


class Lock:
    """A password as its Argon2id hash; the text itself is not kept.

    Each try takes 64 MiB, so one is made at a time, in a thread of its own: whoever waits for theirs holds up none of
    the threads that answer pages.
    """

    def __init__(self, password: str) -> None:
        # costs 0.1 s to import, and only a page with a password needs it
        from argon2 import PasswordHasher

        self._hasher = PasswordHasher()
        self._hash = self._hasher.hash(password)
        self._thread = ThreadPoolExecutor(1, "sign-in")
        self._waiting = 0

    def opens(self, password: str) -> bool:
        """Whether this is the password. Takes some hundredths of a second."""
        from argon2.exceptions import VerificationError

        if len(password) > LONGEST_PASSWORD:
            return False
        try:
            return self._hasher.verify(self._hash, password)
        except (VerificationError, UnicodeEncodeError):
            return False

    @property
    def crowded(self) -> bool:
        """Whether so many tries wait that no other should join them."""
        return self._waiting >= MOST_WAITING

    async def tried(self, password: str) -> bool:
        """The same when its turn comes; for the event loop alone, and only when not crowded."""
        self._waiting += 1
        try:
            return await asyncio.get_running_loop().run_in_executor(self._thread, self.opens, password)
        finally:
            self._waiting -= 1


@dataclass
class _Bucket:
    left: float
    at_s: float


class Throttle:
    """How often a password may be tried: a few times at once, then one more each minute, counted by address.

    All addresses together have a limit too, since a guesser may have many.
    """

    def __init__(self, clock: Clock = time.monotonic) -> None:
        self._clock = clock
        self._by_address: OrderedDict[str, _Bucket] = OrderedDict()
        self._all = _Bucket(TRIES_OF_ALL, clock())
        self._lock = threading.Lock()

    def wait_s(self, address: str) -> float:
        """Take one try: 0 when it may be made, else how long to wait, and nothing is taken."""
        now = self._clock()
        with self._lock:
            own = self._by_address.setdefault(sender_of(address), _Bucket(TRIES, now))
            self._by_address.move_to_end(sender_of(address))
            while len(self._by_address) > _MOST_ADDRESSES:
                self._by_address.popitem(last=False)
            waits = [_refilled(own, TRIES, REFILL_S, now), _refilled(self._all, TRIES_OF_ALL, REFILL_OF_ALL_S, now)]
            if max(waits) > 0:
                return max(waits)
            own.left -= 1
            self._all.left -= 1
            return 0.0

    def forgive(self, address: str) -> None:
        """After the right password: what was mistyped before does not count."""
        with self._lock:
            self._by_address.pop(sender_of(address), None)


def _refilled(bucket: _Bucket, most: int, refill_s: float, now: float) -> float:
    bucket.left = min(float(most), bucket.left + (now - bucket.at_s) / refill_s)
    bucket.at_s = now
    return 0.0 if bucket.left >= 1 else (1 - bucket.left) * refill_s


@dataclass
class _Session:
    begun_s: float
    used_s: float


@dataclass
class Sessions:
    """Who is signed in. Sessions end by signing out, after twelve idle hours, after a week, or with the program."""

    clock: Clock = time.monotonic
    _held: OrderedDict[bytes, _Session] = field(default_factory=OrderedDict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def begin(self) -> str:
        """A new session's secret; the one used longest ago makes room when there are too many."""
        secret = secrets.token_urlsafe(32)
        now = self.clock()
        with self._lock:
            self._held[_digest(secret)] = _Session(now, now)
            while len(self._held) > _MOST_SESSIONS:
                self._held.popitem(last=False)
        return secret

    def holds(self, secret: str) -> bool:
        """Whether the secret is of a session that has not ended; using it keeps it."""
        now, key = self.clock(), _digest(secret)
        with self._lock:
            found = self._held.get(key)
            if found is None:
                return False
            if now - found.used_s > IDLE_S or now - found.begun_s > LONGEST_S:
                del self._held[key]
                return False
            found.used_s = now
            self._held.move_to_end(key)
            return True

    def end(self, secret: str) -> None:
        """End a session; one that has ended is left so."""
        with self._lock:
            self._held.pop(_digest(secret), None)


def _digest(secret: str) -> bytes:
    return hashlib.sha256(secret.encode("utf-8", "replace")).digest()
