"""Strangers who hold a page's connections half open, as a program of its own: `strangers.py PORT NUMBER`.

A third send half a head, a third half a body, each with one more byte now and then, and a third nothing at all. Who is
turned away comes again a little later. It says `ready` once all have come, and goes on until its input ends.
"""

from __future__ import annotations

import contextlib
import resource
import selectors
import socket
import sys
import threading
import time
from collections import deque

_HEAD = b"POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nOrigin: http://127.0.0.1\r\n"
_BODY = b"Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 4000\r\n\r\ntoken=1"
_WORDS = (_HEAD, _HEAD + _BODY, b"")
_PAUSE_S, _AWAY_S = 0.5, 2.0


class Strangers:
    """So many connections to one port."""

    def __init__(self, port: int) -> None:
        self._port = port
        self._watched = selectors.DefaultSelector()
        self._held: dict[socket.socket, int] = {}
        self._away: deque[tuple[float, int]] = deque()

    def come(self, nth: int) -> None:
        """The nth of them connects and says what it says."""
        one = socket.create_connection(("127.0.0.1", self._port), timeout=30)
        with contextlib.suppress(OSError):
            one.sendall(_WORDS[nth % len(_WORDS)])
        one.setblocking(False)
        self._held[one] = nth
        self._watched.register(one, selectors.EVENT_READ)

    def go_on(self) -> None:
        """Every one that says something says a little more."""
        for one, nth in self._held.items():
            if _WORDS[nth % len(_WORDS)]:
                with contextlib.suppress(OSError):
                    one.send(b"x")

    def look(self, longest_s: float) -> None:
        """See who was turned away, and let those come again who have been away long enough."""
        for key, _ in self._watched.select(longest_s):
            one: socket.socket = key.fileobj  # type: ignore[assignment]
            with contextlib.suppress(OSError):
                if one.recv(1 << 16):
                    continue
            self._watched.unregister(one)
            one.close()
            self._away.append((time.monotonic() + _AWAY_S, self._held.pop(one)))
        while self._away and self._away[0][0] < time.monotonic():
            self.come(self._away.popleft()[1])


def besiege(port: int, number: int, over: threading.Event) -> None:
    """Hold that many connections until it is over."""
    strangers = Strangers(port)
    for nth in range(number):
        strangers.come(nth)
    print("ready", flush=True)
    last_s = time.monotonic()
    while not over.is_set():
        strangers.look(0.05)
        if time.monotonic() - last_s > _PAUSE_S:
            last_s = time.monotonic()
            strangers.go_on()


if __name__ == "__main__":
    port, number = (int(text) for text in sys.argv[1:])
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, min(hard, number + 64)), hard))
    over = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), over.set()), daemon=True).start()
    besiege(port, number, over)
