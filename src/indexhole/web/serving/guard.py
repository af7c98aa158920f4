"""Stands before the page: who may ask, from where, how much may be sent, and what every answer carries.

A page of another site could reach a server on this machine through the keeper's browser: by a name that is made
to point here (the Host check), or by a form or script of its own (the Origin check). Nothing here looks at what
is asked; that is the page's part. Connections, and how long one may take, are told of in connections.py.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from urllib.parse import quote, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from indexhole.web.access.addresses import host_of, ip_of
from indexhole.web.access.cookies import values_of
from indexhole.web.access.forwarded import see_through
from indexhole.web.access.sessions import Lock, Sessions, Throttle
from indexhole.web.access.visit import VISIT, Visit, token_for
from indexhole.web.forms.faults import error_page, fault_json, sentence

API = "/api/"
SIGN_IN, API_SIGN_IN = "/sign-in", "/api/sign-in"
# what the sign-in page is made of: shown to everyone who may reach the page at all
OPEN = frozenset({SIGN_IN, API_SIGN_IN, "/palette.css", "/static/page.css", "/static/page.js", "/static/mark.svg"})
TYPED, WITH_FILES = "application/x-www-form-urlencoded", "multipart/form-data"
SAFE_METHODS = frozenset({"GET", "HEAD"})
LOOPBACK_NAMES = frozenset({"localhost"})
KIB, MIB = 1 << 10, 1 << 20
JSON = "application/json"
# Nobody has signed in yet who signs in: no more is taken than the longest password (1,024 signs, each up to 12 bytes
# in a form or in JSON) and the longest address to go on to (three bytes a sign) can need, and it is kept in memory.
MOST_UNKNOWN_BYTES = 16 * KIB
LONGEST_ONWARD = 1024
# our own choice; browsers send some twenty
MOST_HEADERS, MOST_HEADER_BYTES = 100, 32 * KIB
_LENGTH_DIGITS = 20
# where a request says, for the connection it came by, that its sender is let in
LET_IN = "let_in"

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
class AccessPolicy:
    """Who is let in.

    Attributes:
        password: asked of everyone when not empty.
        names: host names the page answers to.
        outside: whether addresses beyond this machine are answered to as well.
        most_bytes: most that one request may send.
        proxy: address of the proxy that stands in front, empty for none.
    """

    password: str = ""
    names: frozenset[str] = field(default=LOOPBACK_NAMES)
    outside: bool = False
    most_bytes: int = 256 * MIB
    proxy: str = ""


def host_allowed(host: str, access_policy: AccessPolicy) -> bool:
    """Whether the page answers to this Host header. An address cannot be made to point elsewhere, a name can."""
    name = host_of(host)
    if name in access_policy.names:
        return True
    address = ip_of(name)
    return address is not None and (access_policy.outside or address.is_loopback)


@dataclass(frozen=True)
class SignIn:
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


def secrets_of(scope: Scope) -> list[str]:
    """What a request carries that may be a session's secret: a script's bearer token, else every cookie of our name."""
    headers = Headers(scope=scope)
    scheme, _, bearer = headers.get("authorization", "").partition(" ")
    if scheme.lower() == "bearer":
        return [bearer.strip()]
    name = cookie_name(scope)
    return [value for header in headers.getlist("cookie") for value in values_of(header, name)]


def session_of(scope: Scope, holds: Callable[[str], bool] = bool) -> str:
    """The first secret a request carries that is of a session; empty for none."""
    return next((secret for secret in secrets_of(scope) if secret and holds(secret)), "")


def inside(onward: str) -> str:
    """Where to go on to after signing in: an address of this page, else the Shelf."""
    plain = onward.startswith("/") and not onward.startswith("//")
    return onward if plain and len(onward) <= LONGEST_ONWARD and not set(onward) & set("\\\r\n\t") else "/"


class Guard:
    """The outermost layer; it also gives every answer its headers."""

    def __init__(self, app: ASGIApp, access_policy: AccessPolicy, signing_in: SignIn | None = None) -> None:
        self.app = app
        self.access_policy = access_policy
        self.signing_in = signing_in
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
        see_through(scope, self.access_policy.proxy)
        dressed = _dressed(send)
        session = self._session(scope)
        let_in = self.signing_in is None or bool(session)
        scope.setdefault("state", {})[LET_IN] = let_in
        VISIT.set(Visit(self.form_token(session), bool(session)))
        most_bytes = self._most_bytes(scope, let_in)
        answer = self._refusal(scope) or self._locked(scope, let_in) or _body_refusal(scope, most_bytes)
        if answer is not None:
            await answer(scope, receive, dressed)
            return
        # who went away needs no answer, and it is no fault that the terminal should tell
        with suppress(ClientDisconnect):
            await self._through(scope, _limited(receive, most_bytes), dressed, let_in)

    async def _through(self, scope: Scope, receive: Receive, send: Send, let_in: bool) -> None:
        if not let_in:
            # what a stranger begins and does not end reaches none of the page
            try:
                receive = await _gathered(receive)
            except HTTPException as fault:
                await _no(scope["path"], fault.status_code, fault.detail, "")(scope, receive, send)
                return
        await self.app(scope, receive, send)

    def _session(self, scope: Scope) -> str:
        return "" if self.signing_in is None else session_of(scope, self.signing_in.sessions.holds)

    def _most_bytes(self, scope: Scope, let_in: bool) -> int:
        if let_in and scope["path"] not in (SIGN_IN, API_SIGN_IN):
            return self.access_policy.most_bytes
        return min(self.access_policy.most_bytes, MOST_UNKNOWN_BYTES)

    def _refusal(self, scope: Scope) -> Response | None:
        access_policy, method, path = self.access_policy, scope["method"], scope["path"]
        headers = Headers(scope=scope)
        if len(headers) > MOST_HEADERS or sum(len(n) + len(v) for n, v in headers.raw) > MOST_HEADER_BYTES:
            return _no(path, 431, "the request has too many headers", "delete the cookies of this host")
        if len(headers.getlist("host")) != 1 or not host_allowed(headers["host"], access_policy):
            return _no(path, 403, "this page does not answer to that name", "open it at the address the terminal shows")
        if not origin_allowed(method, path, headers):
            return _no(path, 403, "the request came from another site", "open the page itself and try again there")
        if "content-length" in headers and "transfer-encoding" in headers:
            # two parties could read two requests into one (RFC 9112, section 6.3)
            return _no(path, 400, "the request gives its length in two ways", "")
        return None

    def _locked(self, scope: Scope, let_in: bool) -> Response | None:
        path: str = scope["path"]
        if let_in or path in OPEN:
            return None
        if path.startswith(API):
            answer = _no(path, 401, "a password is needed", "send it to /api/sign-in, and the token with every request")
            answer.headers["WWW-Authenticate"] = "Bearer"
            return answer
        if scope["method"] not in SAFE_METHODS:
            return _no(path, 401, "the session has ended", "sign in in another tab, then send this once more")
        asked = scope.get("query_string", b"").decode("latin-1")
        onward = inside(quote(path) + (f"?{asked}" if asked else ""))
        return RedirectResponse(SIGN_IN if onward == "/" else f"{SIGN_IN}?onward={quote(onward, safe='')}", 303)


def _body_refusal(scope: Scope, most_bytes: int) -> Response | None:
    headers, path = Headers(scope=scope), scope["path"]
    length = headers.get("content-length", "0")
    sound = length.isascii() and length.isdecimal() and len(length) < _LENGTH_DIGITS
    if not sound or int(length) > most_bytes:
        remedy = "read it with the command line instead" if most_bytes >= MIB else ""
        return _no(path, 413, too_large(most_bytes), remedy)
    carries, taken = length != "0" or "transfer-encoding" in headers, _taken(path)
    if scope["method"] not in SAFE_METHODS and carries and _content_type(headers) not in taken:
        return _no(path, 415, f"this address takes {' or '.join(taken)}", "")
    return None


def _no(path: str, status: int, what: str, remedy: str) -> Response:
    if path.startswith(API):
        return JSONResponse(fault_json(what, "", remedy), status)
    return error_page(status, sentence(what), remedy)


def _taken(path: str) -> tuple[str, ...]:
    if path.startswith(API):
        return (JSON,)
    # parts of a form with files are written to files, which nobody may cause before signing in
    return (TYPED,) if path == SIGN_IN else (TYPED, WITH_FILES)


def too_large(most_bytes: int) -> str:
    """The sentence for a request over the limit."""
    if most_bytes < MIB:
        return f"what was sent is larger than {most_bytes / KIB:.0f} KiB, the most this address takes"
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


async def _gathered(receive: Receive) -> Receive:
    """A receive that has the whole body already. Raises ClientDisconnect, and HTTPException (413) as `receive` does."""
    body, more = bytearray(), True
    while more:
        message = await receive()
        if message["type"] == "http.disconnect":
            raise ClientDisconnect
        body += message.get("body", b"")
        more = message.get("more_body", False)
    gathered: list[Message] = [{"type": "http.request", "body": bytes(body), "more_body": False}]

    async def given() -> Message:
        return gathered.pop() if gathered else await receive()

    return given


def _dressed(send: Send) -> Send:
    async def with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in ANSWER_HEADERS.items():
                headers[name] = value
            headers.setdefault("Cache-Control", "no-store")
        await send(message)

    return with_headers
