"""Stands before the page: who may ask, from where, how much may be sent, and what every answer carries.

A page of another site could reach a server on this machine through the keeper's browser: by a name that is made
to point here (the Host check), or by a form or script of its own (the Origin check). Nothing here looks at what
is asked; that is the page's part.
"""

from __future__ import annotations

import ipaddress
import secrets
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from urllib.parse import quote, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from indexhole.web.faults import error_page, fault_json, sentence
from indexhole.web.sessions import Lock, Sessions, Throttle
from indexhole.web.visit import VISIT, Visit, token_for

API = "/api/"
# what the sign-in page is made of: shown to everyone who may reach the page at all
OPEN = frozenset(
    {"/sign-in", "/api/sign-in", "/palette.css", "/static/page.css", "/static/page.js", "/static/mark.svg"}
)
FORMS = ("application/x-www-form-urlencoded", "multipart/form-data")
SAFE_METHODS = frozenset({"GET", "HEAD"})
LOOPBACK_NAMES = frozenset({"localhost"})
MIB = 1 << 20
JSON = "application/json"

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


@dataclass(frozen=True)
class Entrance:
    """What it takes to sign in where a password is asked."""

    lock: Lock
    sessions: Sessions = field(default_factory=Sessions)
    throttle: Throttle = field(default_factory=Throttle)


def origin_allowed(method: str, path: str, headers: Headers) -> bool:
    """Whether the request comes from this page itself, from the keeper's address bar, or from a script of theirs.

    Whatever changes something must say that it comes from here; what only looks may also follow a link. A script
    says nothing of where it comes from, so it may change something only by a message that browsers let no other
    site send: JSON, which they would ask leave for first (Fetch standard, CORS-safelisted request headers).
    """
    origin, site = headers.get("origin"), headers.get("sec-fetch-site")
    if origin is not None:
        try:
            parts = urlsplit(origin)
        except ValueError:
            return False
        return parts.scheme in ("http", "https") and parts.netloc == headers.get("host")
    if method in SAFE_METHODS:
        return site != "cross-site" or headers.get("sec-fetch-mode") == "navigate"
    return site == "same-origin" or (site is None and path.startswith(API) and _content_type(headers) == JSON)


def _content_type(headers: Headers) -> str:
    return headers.get("content-type", "").partition(";")[0].strip().lower()


def cookie_name(scope: Scope) -> str:
    """The session's cookie. Cookies are shared by all ports of a host, so the name holds the port."""
    server = scope.get("server") or ("", 0)
    return f"indexhole-{server[1] or 0}"


def session_of(scope: Scope) -> str:
    """The session's secret a request carries, as a cookie or for a script as a bearer token; empty for none."""
    headers = Headers(scope=scope)
    scheme, _, bearer = headers.get("authorization", "").partition(" ")
    if scheme.lower() == "bearer":
        return bearer.strip()
    jar = SimpleCookie()
    try:
        jar.load(headers.get("cookie", ""))
    except CookieError:
        return ""
    found = jar.get(cookie_name(scope))
    return found.value if found else ""


class Guard:
    """The outermost layer; it also gives every answer its headers."""

    def __init__(self, app: ASGIApp, door: Door, entrance: Entrance | None = None) -> None:
        self.app = app
        self.door = door
        self.entrance = entrance
        self._key = secrets.token_bytes(32)

    def form_token(self, session: str = "") -> str:
        """The token that forms of a session carry; without a password there is one for all."""
        return token_for(self._key, session)

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
        session = self._session(scope)
        VISIT.set(Visit(self.form_token(session), bool(session)))
        answer = self._refusal(scope) or self._locked(scope, session)
        if answer is not None:
            await answer(scope, receive, dressed)
            return
        await self.app(scope, _limited(receive, self.door.most_bytes), dressed)

    def _session(self, scope: Scope) -> str:
        if self.entrance is None:
            return ""
        secret = session_of(scope)
        return secret if secret and self.entrance.sessions.holds(secret) else ""

    def _refusal(self, scope: Scope) -> Response | None:
        door, method, path = self.door, scope["method"], scope["path"]
        headers = Headers(scope=scope)
        if len(headers.getlist("host")) != 1 or not host_allowed(headers["host"], door):
            return _no(path, 403, "this page does not answer to that name", "open it at the address the terminal shows")
        if not origin_allowed(method, path, headers):
            return _no(path, 403, "the request came from another site", "open the page itself and try again there")
        length = headers.get("content-length", "0")
        if not (length.isascii() and length.isdecimal()) or int(length) > door.most_bytes:
            return _no(path, 413, too_large(door.most_bytes), "read it with the command line instead")
        carries = length != "0" or "transfer-encoding" in headers
        taken = (JSON,) if path.startswith(API) else FORMS
        if method not in SAFE_METHODS and carries and _content_type(headers) not in taken:
            return _no(path, 415, f"this address takes {' or '.join(taken)}", "")
        return None

    def _locked(self, scope: Scope, session: str) -> Response | None:
        path: str = scope["path"]
        if self.entrance is None or session or path in OPEN:
            return None
        if path.startswith(API):
            answer = _no(path, 401, "a password is needed", "send it to /api/sign-in, and the token with every request")
            answer.headers["WWW-Authenticate"] = "Bearer"
            return answer
        if scope["method"] not in SAFE_METHODS:
            return _no(path, 401, "the session has ended", "sign in in another tab, then send this once more")
        asked = scope.get("query_string", b"").decode("latin-1")
        onward = quote(path) + (f"?{asked}" if asked else "")
        return RedirectResponse("/sign-in" if onward == "/" else f"/sign-in?onward={quote(onward, safe='')}", 303)


def _no(path: str, status: int, what: str, remedy: str) -> Response:
    if path.startswith(API):
        return JSONResponse(fault_json(what, "", remedy), status)
    return error_page(status, sentence(what), remedy)


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
