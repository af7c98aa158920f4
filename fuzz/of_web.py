"""Readers of what a browser sends: cookies, whole requests to the page and its API, and photos."""

from __future__ import annotations

import asyncio
import re
import zlib
from functools import cache
from typing import Any
from urllib.parse import quote, unquote_to_bytes

from fuzz.target import Target, scratch
from indexhole.shelf.register.database import REGISTER
from indexhole.shelf.register.shelf import Shelf
from indexhole.web.pages.shelf.pictures import redrawn
from indexhole.web.serving.guard import Guard, cookie_name, session_of

_PNG = b"\x89PNG\r\n\x1a\n"
_TOKEN = b"TOKEN"
_PRINTABLE = "".join(map(chr, range(0x21, 0x7F)))
_HEADER = re.compile(rb"([-!#$%&'*+.^_`|~0-9A-Za-z]+):([\t \x21-\x7e\x80-\xff]*)")


class Answered(Exception):
    """A request that the page did not bear."""


def _scope(headers: list[tuple[bytes, bytes]], method: str = "GET", path: str = "/", query: bytes = b"") -> Any:
    return {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": method,
        "scheme": "http",
        "path": path,
        "raw_path": path.encode("utf-8", "surrogateescape"),
        "query_string": query,
        "root_path": "",
        "headers": headers,
        "client": ("127.0.0.1", 5),
        "server": ("127.0.0.1", 80),
    }


def _headers(lines: list[bytes]) -> list[tuple[bytes, bytes]]:
    # the server refuses others (RFC 9112), and gives names in small letters
    pairs = (_HEADER.fullmatch(line) for line in lines)
    return [(pair[1].lower(), pair[2].strip()) for pair in pairs if pair]


def _cookie(data: bytes) -> None:
    """The session a request carries: the first line as its cookies, the second, if there is one, as authorization."""
    cookies, line, bearer = data.partition(b"\n")
    scope = _scope([(b"cookie", cookies), *([(b"authorization", bearer)] if line else [])])
    session = session_of(scope)
    assert cookie_name(scope).encode() in cookies or session in bearer.decode("latin-1")


@cache
def _page() -> tuple[Guard, bytes, Shelf]:
    """The page on a shelf of its own, and that shelf's register as it is put back for each request."""
    # it brings everything along, which takes long to follow
    from indexhole.web.app import create_app

    shelf = Shelf.open(scratch() / "page", create=True)
    return create_app(shelf), (shelf.folder / REGISTER).read_bytes(), shelf


def _request(data: bytes) -> None:
    """A request: its line, its headers, an empty line, its body, in which TOKEN stands for the form's token."""
    app, register, shelf = _page()
    (shelf.folder / REGISTER).write_bytes(register)
    head, _, body = data.partition(b"\n\n")
    first, *lines = head.split(b"\n")
    method, _, target = first.partition(b" ")
    # the server takes printable signs of ASCII alone
    place, _, query = quote(target, safe=_PRINTABLE).encode().partition(b"?")
    body = body.replace(_TOKEN, app.form_token().encode())
    headers = [(b"host", b"127.0.0.1"), (b"content-length", b"%d" % len(body)), *_headers(lines)]
    path = unquote_to_bytes(place).decode("utf-8", "replace")
    scope = _scope(headers, method.decode("latin-1").upper(), path or "/", query)
    asyncio.run(_answered(app, scope, body))


async def _answered(app: Guard, scope: Any, body: bytes) -> None:
    sent: list[Any] = []
    coming = [{"type": "http.request", "body": body, "more_body": False}]

    async def receive() -> Any:
        return coming.pop() if coming else {"type": "http.disconnect"}

    async def send(message: Any) -> None:
        sent.append(message)

    await app(scope, receive, send)
    status = sent[0]["status"]
    if status >= 500 and status != 503:
        raise Answered(f"status {status}")


def _photo(data: bytes) -> None:
    """A photo; the check sums of a PNG are mended first, so that what stands behind them is looked at."""
    redrawn(_mended(data) if data.startswith(_PNG) else data, "photo")


def _mended(png: bytes) -> bytes:
    made, at = bytearray(png), len(_PNG)
    while at + 12 <= len(made):
        size = int.from_bytes(made[at : at + 4], "big")
        end = at + 8 + size
        made[end : end + 4] = zlib.crc32(made[at + 4 : end]).to_bytes(4, "big")
        at = end + 4
    return bytes(made[: len(png)])


TARGETS = (
    Target("cookie", "the cookies and the authorization of a request", _cookie, 512),
    Target("request", "a request to the page or its API", _request, 2048),
    Target("photo", "a photo", _photo, 4096),
)
