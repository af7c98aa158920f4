"""The HTTP side of a connection: uvicorn's protocol over h11, with limits and without a word on the terminal.

The parser itself bounds what it holds: a head, or the head of a chunk, that is not complete after 16 KiB ends the
connection. uvicorn stops reading at 64 KiB of a body that nobody has fetched. What neither bounds is time and number:
that is told to Callers (connections.py), which closes connections by what it is told.
"""

from __future__ import annotations

import asyncio
import errno
import logging
import socket
from collections.abc import Callable
from typing import Any

import h11
import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from indexhole.web.serving.connections import Caller, Callers, Phase, Standing
from indexhole.web.serving.guard import LET_IN

HEAD_BYTES = 16 << 10
# connections taken in before those taken in earlier are looked at: so many may stand above the limit for a moment
AT_ONCE = 16
_QUEUE = 1024
# Data are read into one place for all connections, and handled before the next are: hundreds of them need no more.
_READ = memoryview(bytearray(32 << 10))
_NO_MORE_FILES = frozenset({errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM})


class Speaking(H11Protocol, asyncio.BufferedProtocol):
    """One connection."""

    def __init__(self, callers: Callers, *given: Any, **named: Any) -> None:
        super().__init__(*given, **named)
        self._callers = callers
        self._caller: Caller | None = None

    def standing(self) -> Standing:
        """How this connection stands."""
        request, over = self.cycle, self.cycle is None or self.cycle.response_complete
        if not over:
            phase = Phase.BODY if request.more_body else Phase.ANSWER
        else:
            phase = Phase.REST if self.conn.their_state is h11.SEND_BODY else Phase.HEAD
        let_in = request is not None and bool(request.scope["state"].get(LET_IN))
        return Standing(phase, let_in, self.transport.get_write_buffer_size(), self.flow.write_paused)

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Come in, where there is room or room can be made."""
        super().connection_made(transport)
        self._caller = self._callers.come(self.client[0] if self.client else "", self.standing, transport.abort)
        if self._caller is None:
            transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        """Go, also where the other side went without a word."""
        if self._caller is not None:
            self._callers.go(self._caller)
        super().connection_lost(exc)

    def get_buffer(self, sizehint: int) -> memoryview:
        """Where the next data go."""
        return _READ

    def buffer_updated(self, nbytes: int) -> None:
        """The next data are there."""
        self.data_received(bytes(_READ[:nbytes]))

    def data_received(self, data: bytes) -> None:
        """Take in what came."""
        if self.transport.is_closing():
            return
        super().data_received(data)
        if self._caller is not None:
            self._callers.heard(self._caller)

    def on_response_complete(self) -> None:
        """Wait for the next request."""
        super().on_response_complete()
        if self._caller is not None:
            self._callers.answered(self._caller)

    def send_400_response(self, msg: str) -> None:
        """Answer what is no HTTP, unless an answer is under way already; then nothing more can be said."""
        try:
            super().send_400_response(msg)
        except h11.LocalProtocolError:
            self.transport.abort()


class Server(uvicorn.Server):
    """A server of such connections."""

    def __init__(self, config: uvicorn.Config, callers: Callers) -> None:
        super().__init__(config)
        self._callers = callers

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begin to listen, a few connections at a time out of a long queue."""
        await super().startup(sockets)
        for listening in sockets or []:
            # set to AT_ONCE meanwhile: asyncio takes in as many at once as it lets wait
            listening.listen(_QUEUE)
        asyncio.get_running_loop().set_exception_handler(self._fault)

    async def on_tick(self, counter: int) -> bool:
        """Ten times a second; every tenth time what took too long is closed."""
        if counter % 10 == 0:
            self._callers.hang_up_late()
        return await super().on_tick(counter)

    def _fault(self, loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        fault = context.get("exception")
        if isinstance(fault, OSError) and fault.errno in _NO_MORE_FILES:
            # the system has no file left for a connection; asyncio itself tries again after a second
            self._callers.crowded()
        else:
            loop.default_exception_handler(context)


def server_of(app: Any, callers: Callers) -> Server:
    """The server of an application; it takes no forwarded address at its word (forwarded.py)."""
    made: Callable[..., Speaking] = lambda *given, **named: Speaking(callers, *given, **named)  # noqa: E731
    config = uvicorn.Config(
        app,
        http=made,  # type: ignore[arg-type]
        log_level=logging.ERROR,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=2,
        lifespan="off",
        ws="none",
        backlog=AT_ONCE,
        h11_max_incomplete_event_size=HEAD_BYTES,
    )
    return Server(config, callers)
