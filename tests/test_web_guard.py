"""Who is let in: names, origins, the password, sizes; and what every answer carries."""

from __future__ import annotations

import asyncio
import base64
import socket
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.datastructures import Headers

from indexhole.errors import InputFault
from indexhole.shelf.register import Shelf
from indexhole.web import guard
from indexhole.web.app import create_app
from indexhole.web.guard import ANSWER_HEADERS, Door, Guard, host_allowed, origin_allowed, password_given
from indexhole.web.server import Place, address_of, door_for, take_port

HERE = "http://127.0.0.1:8360"
PASSWORD = "pêche à la ligne"


def ask(app: Guard, method: str, path: str, **how: Any) -> httpx.Response:
    """One request, with the headers given and no others that matter."""

    async def send() -> httpx.Response:
        transport = httpx.ASGITransport(app=app, raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=transport, base_url=HERE) as client:
            return await client.request(method, path, **how)

    return asyncio.run(send())


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return Shelf.open(tmp_path / "shelf", create=True)


def basic(password: str, user: str = "keeper") -> dict[str, str]:
    return {"Authorization": "Basic " + base64.b64encode(f"{user}:{password}".encode()).decode()}


# names


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.1:8360", "localhost:1", "LOCALHOST", "[::1]:8360", "127.9.9.9"])
def test_the_page_answers_to_this_machine(shelf: Shelf, host: str) -> None:
    assert ask(create_app(shelf), "GET", "/", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "host",
    [
        "example.org",
        "localhost.example.org",
        "192.168.1.5:8360",
        "0.0.0.0",
        "",
        "127.0.0.1.example.org",
        "[::2]",
        "[",
        "a b",
    ],
)
def test_a_name_that_was_made_to_point_here_gets_no_answer(shelf: Shelf, host: str) -> None:
    answer = ask(create_app(shelf), "GET", "/", headers={"Host": host})
    assert answer.status_code == 403
    assert "does not answer to that name" in answer.text


def test_with_a_password_the_own_name_and_any_address_are_answered() -> None:
    door = door_for(Place("0.0.0.0", 8360, PASSWORD))
    assert host_allowed("192.168.1.5:8360", door)
    assert host_allowed(socket.gethostname(), door)
    assert not host_allowed("example.org", door)


@given(st.text())
def test_no_host_header_breaks_the_check(host: str) -> None:
    assert host_allowed(host, Door()) in (True, False)


# origins

POSTS = [
    ({"Origin": HERE}, True),
    ({"Origin": "http://127.0.0.1:9999"}, False),
    ({"Origin": "https://example.org"}, False),
    ({"Origin": "null"}, False),
    ({}, False),  # whoever sends no origin cannot be told from a page of another site
    ({"Sec-Fetch-Site": "same-origin"}, True),
    ({"Sec-Fetch-Site": "cross-site"}, False),
    ({"Sec-Fetch-Site": "none"}, False),
    ({"Origin": HERE, "Host": "localhost:8360"}, False),
]


@pytest.mark.parametrize(("headers", "let_in"), POSTS)
def test_only_this_page_may_change_anything(shelf: Shelf, headers: dict[str, str], let_in: bool) -> None:
    form = {"inventory": "D1", "kind": "host"}
    answer = ask(create_app(shelf), "POST", "/unit/new", headers=headers, data=form)
    assert answer.status_code == (303 if let_in else 403)
    assert [change.what for change in shelf.changes()] == (["add unit D1"] if let_in else [])


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 200),
        ({"Origin": HERE}, 200),
        ({"Origin": "https://example.org"}, 403),
        ({"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"}, 200),  # a link on another page
        ({"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors"}, 403),  # its picture or script
    ],
)
def test_looking_is_refused_to_scripts_of_other_sites(shelf: Shelf, headers: dict[str, str], status: int) -> None:
    assert ask(create_app(shelf), "GET", "/", headers=headers).status_code == status


@given(st.sampled_from(["GET", "POST", "PUT"]), st.text(alphabet=st.characters(codec="latin-1")))
def test_no_origin_header_breaks_the_check(method: str, origin: str) -> None:
    headers = Headers({"origin": origin, "host": "127.0.0.1"})
    assert origin_allowed(method, headers) is False or origin.endswith("//127.0.0.1")


# the password


def test_without_the_password_nothing_is_shown(shelf: Shelf) -> None:
    app = create_app(shelf, Door(password=PASSWORD))
    for path in ("/", "/recordings", "/static/page.css", "/nowhere"):
        answer = ask(app, "GET", path)
        assert answer.status_code == 401
        assert answer.headers["www-authenticate"].startswith("Basic ")
    assert ask(app, "GET", "/", headers=basic("something else")).status_code == 401
    assert ask(app, "GET", "/", headers=basic(PASSWORD, "anyone")).status_code == 200


@pytest.mark.parametrize("header", ["", "Basic", "Basic ###", "Bearer x", "Basic " + "A" * 5, "Basic eA=="])
def test_a_broken_authorization_is_no_password(header: str) -> None:
    assert not password_given(header, PASSWORD)


@given(st.text(max_size=30))
def test_only_the_password_itself_is_right(given_password: str) -> None:
    header = basic(given_password.encode("utf-8", "ignore").decode())["Authorization"]
    assert password_given(header, PASSWORD) is (given_password == PASSWORD)


@pytest.mark.parametrize("password", ["", "short"])
@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.5", "bench.local"])
def test_beyond_this_machine_a_password_is_needed(host: str, password: str) -> None:
    with pytest.raises(InputFault, match="needs a password"):
        door_for(Place(host, 0, password))


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "::1"])
def test_on_this_machine_none_is_needed(host: str) -> None:
    assert door_for(Place(host)) == Door()


# sizes


def test_a_file_over_the_limit_is_refused_before_it_is_read(shelf: Shelf) -> None:
    app = create_app(shelf, Door(most_bytes=2000))
    files = {"file": ("big.vcd", b"x" * 3000)}
    answer = ask(app, "POST", "/recordings", headers={"Origin": HERE}, files=files)
    assert answer.status_code == 413
    assert "larger than" in answer.text


def test_a_sender_that_hides_the_size_is_cut_off(shelf: Shelf) -> None:
    body = (
        b'--X\r\nContent-Disposition: form-data; name="file"; filename="a.vcd"\r\n\r\n' + b"x" * 3000 + b"\r\n--X--\r\n"
    )

    async def in_pieces() -> AsyncIterator[bytes]:
        for k in range(0, len(body), 500):
            yield body[k : k + 500]

    app = create_app(shelf, Door(most_bytes=2000))
    headers = {"Origin": HERE, "Content-Type": "multipart/form-data; boundary=X"}
    answer = ask(app, "POST", "/recordings", headers=headers, content=in_pieces())
    assert answer.status_code == 413
    assert not (shelf.folder / "captures").exists()


@pytest.mark.parametrize("length", ["-1", "ten", "1e3", "²"])
def test_a_length_that_is_no_number_is_refused(length: str) -> None:
    headers = {"host": "127.0.0.1", "content-length": length}
    seen: list[Any] = []

    async def send(message: Any) -> None:
        seen.append(message)

    async def receive() -> Any:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def never(scope: Any, receive: Any, send: Any) -> None:
        raise AssertionError("the request got through")

    scope = {
        "type": "http",
        "method": "GET",
        "headers": [(k.encode(), v.encode("latin-1")) for k, v in headers.items()],
    }
    asyncio.run(Guard(never, Door())(scope, receive, send))
    assert seen[0]["status"] == 413


# what every answer carries


@pytest.mark.parametrize("path", ["/", "/nowhere", "/unit", "/static/page.css", "/palette.css", "/recordings/image"])
def test_every_answer_carries_the_headers(shelf: Shelf, path: str) -> None:
    answer = ask(create_app(shelf), "GET", path)
    assert {name: answer.headers[name] for name in ANSWER_HEADERS} == ANSWER_HEADERS
    assert "http" not in ANSWER_HEADERS["Content-Security-Policy"]
    assert "unsafe" not in ANSWER_HEADERS["Content-Security-Policy"]
    assert "cache-control" in answer.headers
    assert "server" not in answer.headers


def test_even_a_fault_in_the_program_is_answered_in_full(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(self: Shelf) -> None:
        raise RuntimeError("secret detail")

    monkeypatch.setattr(Shelf, "trials", broken)
    answer = ask(create_app(shelf), "GET", "/")
    assert answer.status_code == 500
    assert "secret detail" not in answer.text
    assert "in the program itself" in answer.text
    assert answer.headers["x-content-type-options"] == "nosniff"


def test_there_is_nothing_for_web_sockets() -> None:
    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    async def never(*_: Any) -> None:
        raise AssertionError("it got through")

    asyncio.run(Guard(never, Door())({"type": "websocket"}, never, send))
    assert [message["type"] for message in sent] == ["websocket.close"]


@pytest.mark.parametrize("path", ["/docs", "/redoc", "/openapi.json"])
def test_nothing_describes_itself_with_scripts_of_others(shelf: Shelf, path: str) -> None:
    assert ask(create_app(shelf), "GET", path).status_code == 404


@pytest.mark.parametrize(
    "path", ["/static/../app.py", "/static/..%2fapp.py", "/static/%2e%2e/app.py", "/static//etc/passwd"]
)
def test_no_file_beside_the_static_ones_is_given_out(shelf: Shelf, path: str) -> None:
    assert ask(create_app(shelf), "GET", path).status_code == 404


# the port


def test_a_port_in_use_is_told_in_one_line() -> None:
    with take_port(Place(port=0)) as taken:
        port = taken.getsockname()[1]
        assert address_of(Place(port=0), taken) == f"http://127.0.0.1:{port}/"
        with pytest.raises(InputFault, match=f"127.0.0.1 port {port}: the port is in use; choose another with --port"):
            take_port(Place(port=port))


@pytest.mark.parametrize("host", ["no such host", "256.1.1.1", "x" * 300, "a..b"])
def test_an_address_that_is_none_is_told_in_one_line(host: str) -> None:
    with pytest.raises(InputFault) as told:
        take_port(Place(host, 0))
    assert "\n" not in told.value.line


def test_an_address_of_another_machine_cannot_be_listened_at() -> None:
    with pytest.raises(InputFault, match="cannot listen there"):
        take_port(Place("192.0.2.1", 0))  # an address kept for documentation (RFC 5737)


def test_the_limit_is_told_in_mebibytes() -> None:
    assert guard.too_large(256 * guard.MIB) == "the file is larger than 256 MiB, the most this page takes"
