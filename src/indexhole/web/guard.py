"""Stands before the page: who may ask, from where, how much may be sent, and what every answer carries.

A page of another site could reach a server on this machine through the keeper's browser: by a name that is made
to point here (the Host check), or by a form or script of its own (the Origin check). Nothing here looks at what
is asked; that is the page's part.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import ipaddress
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from indexhole.web.faults import error_page, sentence

SAFE_METHODS = frozenset({"GET", "HEAD"})
LOOPBACK_NAMES = frozenset({"localhost"})
MIB = 1 << 20

ANSWER_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    # `no-referrer` would make browsers send `Origin: null` with our own forms; this one tells no other site either
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


@dataclass(frozen=True)
class Door:
    """Who is let in.

    Attributes:
        password: asked of everyone when not empty.
        names: host names the page answers to.
        outside: whether addresses beyond this machine are answered to as well.
        most_bytes: most that one request may send.
    """

    password: str = ""
    names: frozenset[str] = field(default=LOOPBACK_NAMES)
    outside: bool = False
    most_bytes: int = 256 * MIB


def _host_name(host: str) -> str:
    try:
        return (urlsplit(f"//{host}").hostname or "").rstrip(".")
    except ValueError:
        return ""


def host_allowed(host: str, door: Door) -> bool:
    """Whether the page answers to this Host header. An address cannot be made to point elsewhere, a name can."""
    name = _host_name(host)
    if name in door.names:
        return True
    try:
        address = ipaddress.ip_address(name)
    except ValueError:
        return False
    return door.outside or address.is_loopback


def origin_allowed(method: str, headers: Headers) -> bool:
    """Whether the request comes from this page itself or from the keeper's address bar.

    Whatever changes something must say that it comes from here; what only looks may also follow a link.
    """
    origin, site = headers.get("origin"), headers.get("sec-fetch-site")
    if origin is not None:
        parts = urlsplit(origin)
        return parts.scheme in ("http", "https") and parts.netloc == headers.get("host")
    if method in SAFE_METHODS:
        return site != "cross-site" or headers.get("sec-fetch-mode") == "navigate"
    return site == "same-origin"


def password_given(header: str, password: str) -> bool:
    """Whether an Authorization header holds the password, compared in constant time; the user name is free."""
    scheme, _, packed = header.partition(" ")
    if scheme.lower() != "basic":
        return False
    try:
        _, _, given = base64.b64decode(packed.strip(), validate=True).partition(b":")
    except (binascii.Error, ValueError):
        return False
    wanted = hashlib.sha256(password.encode()).digest()
    return hmac.compare_digest(hashlib.sha256(given).digest(), wanted)


class Guard:
    """The outermost layer; it also gives every answer its headers."""

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self.app = app
        self.door = door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it with the reason why not."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            # there is nothing here that talks over web sockets
            await send({"type": "websocket.close", "code": 1008})
            return
        dressed = _dressed(send)
        headers = Headers(scope=scope)
        refusal = self._refusal(scope["method"], headers)
        if refusal is not None:
            status, what, remedy = refusal
            answer = error_page(status, sentence(what), remedy)
            if status == 401:
                answer.headers["WWW-Authenticate"] = 'Basic realm="Indexhole", charset="UTF-8"'
            await answer(scope, receive, dressed)
            return
        await self.app(scope, _limited(receive, self.door.most_bytes), dressed)

    def _refusal(self, method: str, headers: Headers) -> tuple[int, str, str] | None:
        door = self.door
        if len(headers.getlist("host")) != 1 or not host_allowed(headers["host"], door):
            return 403, "this page does not answer to that name", "open it at the address the terminal shows"
        if not origin_allowed(method, headers):
            return 403, "the request came from another site", "open the page itself and try again there"
        if door.password and not password_given(headers.get("authorization", ""), door.password):
            return 401, "a password is needed", "any user name will do with it"
        length = headers.get("content-length", "0")
        if not length.isdecimal() or int(length) > door.most_bytes:
            return 413, too_large(door.most_bytes), "read it with the command line instead"
        return None


def too_large(most_bytes: int) -> str:
    """The sentence for a file over the limit."""
    return f"the file is larger than {most_bytes // MIB} MiB, the most this page takes"


def _limited(receive: Receive, most_bytes: int) -> Receive:
    """A receive that counts: a sender need not say beforehand how much will come."""
    seen = 0

    async def counted() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > most_bytes:
            raise HTTPException(413, too_large(most_bytes))
        return message

    return counted


def _dressed(send: Send) -> Send:
    async def with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in ANSWER_HEADERS.items():
                headers[name] = value
            headers.setdefault("Cache-Control", "no-store")
        await send(message)

    return with_headers
