"""How long a connection may take, who goes to make room, and what strangers send that is no request."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.support.apart import run_apart
from tests.support.visiting import sent

from indexhole.shelf.register.shelf import Shelf
from indexhole.web.access.sessions import LONGEST_PASSWORD, MOST_WAITING
from indexhole.web.app import create_app
from indexhole.web.server import Place, limits_within, most_files, take_port
from indexhole.web.serving.connections import Caller, Callers, Limits, Phase, Standing
from indexhole.web.serving.guard import LONGEST_ONWARD, MOST_HEADERS, MOST_UNKNOWN_BYTES, OPEN, AccessPolicy, Guard
from indexhole.web.serving.speaking import server_of

PASSWORD = "eel grass by the pier"
LONGEST_S = 60.0

# the policy, by a clock set by hand


@dataclass
class Hall:
    """Callers by name, with a clock set by hand."""

    limits: Limits = field(default_factory=lambda: Limits(in_all=4, of_one=3))
    shared: str = ""
    now_s: float = 1000.0
    stands: dict[str, Standing] = field(default_factory=dict)
    gone: list[str] = field(default_factory=list)
    told: list[str] = field(default_factory=list)
    by_name: dict[str, Caller] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.callers = Callers(self.limits, self.told.append, shared=self.shared, clock=lambda: self.now_s)

    def come(self, name: str, address: str = "192.0.2.1", **standing: Any) -> bool:
        self.now_s += 0.01
        self.stands[name] = Standing(**standing)
        caller = self.callers.come(address, lambda: self.stands[name], lambda: self.gone.append(name))
        if caller is not None:
            self.by_name[name] = caller
        return caller is not None

    def turn(self, name: str, **standing: Any) -> None:
        self.stands[name] = replace(self.stands[name], **standing)
        self.callers.heard(self.by_name[name])

    def answer(self, name: str, **standing: Any) -> None:
        self.stands[name] = replace(self.stands[name], phase=Phase.HEAD, **standing)
        self.callers.answered(self.by_name[name])

    def wait(self, pause_s: float) -> list[str]:
        before = len(self.gone)
        self.now_s += pause_s
        self.callers.hang_up_late()
        return self.gone[before:]


def test_the_one_waited_for_longest_goes_for_a_newcomer_of_the_same_address() -> None:
    hall = Hall()
    assert all(hall.come(name) for name in "abcde")
    assert hall.gone == ["a", "b"]
    assert len(hall.callers) == 3


def test_one_address_cannot_use_up_what_all_have() -> None:
    hall = Hall()
    hall.come("keeper", "192.0.2.9")
    assert all(hall.come(f"{k}") for k in range(9))
    assert "keeper" not in hall.gone


def test_in_all_there_are_no_more_than_may_be() -> None:
    hall = Hall()
    for k in range(20):
        assert hall.come(f"{k}", f"192.0.2.{k}")
        assert len(hall.callers) <= 4
    assert hall.gone == [f"{k}" for k in range(16)]


def test_addresses_one_host_chooses_from_count_as_one() -> None:
    hall = Hall()
    assert all(hall.come(f"{k}", f"2001:db8::{k}") for k in range(5))
    assert hall.gone == ["0", "1"]


def test_a_proxy_is_no_single_sender() -> None:
    hall = Hall(shared="192.0.2.1")
    assert all(hall.come(name) for name in "abcd")
    assert hall.gone == []


def test_an_answer_begins_the_wait_anew() -> None:
    hall = Hall()
    for name in "abc":
        hall.come(name)
    hall.turn("a", phase=Phase.ANSWER)
    hall.answer("a")
    hall.come("d")
    assert hall.gone == ["b"]


def test_whoever_is_answered_or_was_let_in_stays_before_others() -> None:
    hall = Hall()
    for name in ("answered", "keeper", "stranger"):
        hall.come(name)
    hall.turn("answered", phase=Phase.ANSWER)
    hall.turn("keeper", phase=Phase.ANSWER, let_in=True)
    hall.answer("keeper")
    hall.come("d")
    assert hall.gone == ["stranger"]
    hall.come("e")
    assert hall.gone == ["stranger", "d"], "the keeper's stays, though it was waited for longer"
    hall.turn("e", phase=Phase.ANSWER)
    hall.come("f")
    assert hall.gone == ["stranger", "d", "keeper"], "when nobody else can go"


@pytest.mark.parametrize(
    "standing",
    [
        {"phase": Phase.ANSWER},
        {"phase": Phase.BODY, "let_in": True},
        {"phase": Phase.REST, "let_in": True},
        {"phase": Phase.ANSWER, "let_in": True, "stuck": True},
        {"phase": Phase.HEAD, "let_in": True, "left_bytes": 10},
    ],
)
def test_where_nobody_can_go_the_newcomer_does(standing: dict[str, Any]) -> None:
    hall = Hall()
    for name in "abc":
        hall.come(name, **standing)
    assert not hall.come("d")
    assert hall.gone == []


@pytest.mark.parametrize(
    "standing",
    [{"phase": Phase.BODY}, {"phase": Phase.REST}, {"phase": Phase.ANSWER, "stuck": True}, {"left_bytes": 10}],
)
def test_a_stranger_in_the_middle_of_something_can_go(standing: dict[str, Any]) -> None:
    hall = Hall()
    for name in "abc":
        hall.come(name, **standing)
    assert hall.come("d")
    assert hall.gone == ["a"]


def test_that_it_is_crowded_is_told_seldom() -> None:
    hall = Hall()
    for k in range(500):
        hall.come(f"{k}")
    assert len(hall.told) == 1
    hall.wait(700)
    for k in range(500):
        hall.come(f"again {k}")
    assert len(hall.told) == 2
    assert all("\n" not in line for line in hall.told)


LIMITS = Limits()
LATE = [
    ({"phase": Phase.HEAD}, LIMITS.head_s),
    ({"phase": Phase.HEAD, "let_in": True}, LIMITS.head_s),
    ({"phase": Phase.HEAD, "left_bytes": 5}, LIMITS.head_s),
    ({"phase": Phase.BODY}, LIMITS.body_s),
    ({"phase": Phase.REST}, LIMITS.rest_s),
    ({"phase": Phase.ANSWER}, LIMITS.answer_s),
    ({"phase": Phase.ANSWER, "stuck": True}, LIMITS.answer_s),
]


@pytest.mark.parametrize(("standing", "limit_s"), LATE)
def test_pieces_gain_a_stranger_no_time(standing: dict[str, Any], limit_s: float) -> None:
    hall = Hall(LIMITS)
    hall.come("a")
    hall.turn("a", **standing)
    for _ in range(9):
        assert hall.wait(limit_s / 10) == []
        hall.turn("a")
    assert hall.wait(limit_s / 5) == ["a"]
    assert len(hall.callers) == 0


@pytest.mark.parametrize("phase", [Phase.BODY, Phase.REST])
def test_whoever_is_let_in_may_send_as_long_as_something_comes(phase: Phase) -> None:
    hall = Hall(LIMITS)
    hall.come("a")
    hall.turn("a", phase=phase, let_in=True)
    for _ in range(50):
        assert hall.wait(LIMITS.piece_s * 0.9) == []
        hall.turn("a")
    assert hall.wait(LIMITS.piece_s * 1.1) == ["a"]


@pytest.mark.parametrize("phase", [Phase.HEAD, Phase.ANSWER])
def test_whoever_is_let_in_may_take_an_answer_as_long_as_some_of_it_goes(phase: Phase) -> None:
    hall = Hall(LIMITS)
    hall.come("a")
    for left in range(50, 0, -1):
        hall.stands["a"] = Standing(phase, True, left)
        assert hall.wait(LIMITS.piece_s * 0.9) == []
    assert hall.wait(LIMITS.piece_s * 1.1) == ["a"]


def test_an_answer_that_is_worked_on_for_long_is_waited_for() -> None:
    hall = Hall(LIMITS)
    hall.come("a")
    hall.turn("a", phase=Phase.ANSWER, let_in=True)
    assert hall.wait(3600) == []


@given(
    st.lists(st.tuples(st.sampled_from("abcdefgh"), st.sampled_from(["come", "go", "answer", "body", "keep", "wait"])))
)
def test_the_books_are_right_whatever_happens(steps: list[tuple[str, str]]) -> None:
    hall = Hall()
    for name, step in steps:
        there = hall.by_name.get(name) in hall.callers._all
        if step == "come" and not there:
            hall.come(name, f"192.0.2.{ord(name) % 3}")
        elif step == "wait":
            hall.wait(4.0)
        elif there and step == "go":
            hall.callers.go(hall.by_name[name])
        elif there and step == "answer":
            hall.answer(name)
        elif there:
            hall.turn(name, phase=Phase.BODY, let_in=step == "keep")
        everyone = list(hall.callers._all)
        assert len(everyone) == len(hall.callers) <= 4
        assert {id(c) for own in hall.callers._of.values() for c in own} == {id(c) for c in everyone}
        assert all(0 < len(own) <= 3 for own in hall.callers._of.values())


def test_limits_leave_files_for_the_shelf() -> None:
    assert limits_within(1024) == Limits()
    assert limits_within(256).in_all == 64
    assert limits_within(0).in_all == 16
    assert most_files(16) >= 16


# the real thing, within this process and with short limits

SHORT = Limits(in_all=40, of_one=40, head_s=1.0, body_s=1.0, piece_s=1.0, answer_s=3.0, rest_s=1.0)


@dataclass
class Page:
    """A page that is being served to strangers."""

    app: Guard
    port: int

    def call(self) -> socket.socket:
        return socket.create_connection(("127.0.0.1", self.port), timeout=LONGEST_S)

    def ask(self, *pieces: bytes) -> bytes:
        """All that comes back until the page closes the connection."""
        with self.call() as line:
            for piece in pieces:
                line.sendall(piece)
            return everything(line)


def everything(line: socket.socket) -> bytes:
    """What comes until the other side closes; that it closes roughly says nothing against it."""
    got = b""
    with contextlib.suppress(ConnectionError):
        while piece := line.recv(1 << 16):
            got += piece
    return got


@contextlib.contextmanager
def served(app: Guard, limits: Limits) -> Iterator[int]:
    """The port at which an application is served by a thread."""
    with take_port(Place(port=0)) as taken:
        server = server_of(app, Callers(limits, lambda line: None))
        thread = threading.Thread(target=lambda: asyncio.run(server._serve(sockets=[taken])))
        thread.start()
        try:
            yield taken.getsockname()[1]
        finally:
            server.should_exit = True
            thread.join(LONGEST_S)
    assert not thread.is_alive()


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    app = create_app(Shelf.open(tmp_path_factory.mktemp("p") / "shelf", create=True), AccessPolicy(password=PASSWORD))
    with served(app, SHORT) as port:
        yield Page(app, port)


class Heard(logging.Handler):
    """Keeps what is told."""

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.lines.append(self.format(record))


@pytest.fixture(autouse=True)
def nothing_told() -> Iterator[None]:
    """Nothing any stranger does here is worth a line on the terminal."""
    heard = Heard()
    logs = [logging.getLogger(name) for name in ("uvicorn.error", "asyncio", "")]
    for log in logs:
        log.addHandler(heard)
    yield
    for log in logs:
        log.removeHandler(heard)
    assert heard.lines == []


def secret_of(page: Page) -> bytes:
    """A session's cookie."""
    assert page.app.signing_in is not None
    return f"Cookie: indexhole-{page.port}={page.app.signing_in.sessions.begin()}\r\n".encode()


GET = b"GET /sign-in HTTP/1.1\r\nHost: localhost\r\n"
POST = b"POST /sign-in HTTP/1.1\r\nHost: localhost\r\nOrigin: http://localhost\r\n"
TYPED = b"Content-Type: application/x-www-form-urlencoded\r\n"


@pytest.mark.parametrize("words", [b"", b"GET", GET, GET + b"X: y", b"\r\n" * 3], ids=str)
def test_half_a_head_is_not_waited_for_long(page: Page, words: bytes) -> None:
    assert b" 200 " not in page.ask(words)


def test_a_head_that_grows_slowly_is_not_waited_for_long(page: Page) -> None:
    begun = time.monotonic()
    with page.call() as line:
        line.sendall(GET)
        line.settimeout(0.1)
        closed = False
        while not closed and time.monotonic() - begun < LONGEST_S:
            try:
                line.sendall(b"x")
                closed = not line.recv(100)
            except TimeoutError:
                continue
            except ConnectionError:
                closed = True
    assert closed


@pytest.mark.parametrize("length", [b"Content-Length: 100\r\n\r\n", b"Transfer-Encoding: chunked\r\n\r\n5\r\n"])
def test_half_a_body_of_a_stranger_is_not_waited_for_long(page: Page, length: bytes) -> None:
    assert b" 200 " not in page.ask(POST + TYPED + length + b"tok")


def test_a_body_of_somebody_let_in_that_stops_is_not_waited_for_long(page: Page) -> None:
    head = POST.replace(b"/sign-in", b"/undo") + secret_of(page) + TYPED
    assert b" 303 " not in page.ask(head + b"Content-Length: 100\r\n\r\ntok")


def test_an_idle_connection_ends(page: Page) -> None:
    assert page.ask(GET + b"\r\n").count(b"HTTP/1.1 200 ") == 1


def test_one_request_after_another_is_answered(page: Page) -> None:
    assert page.ask((GET + b"\r\n") * 20).count(b"HTTP/1.1 200 ") == 20


@pytest.mark.parametrize(
    "words",
    [
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" * 9,
        b"hello\r\n\r\n",
        b"GET / HTTP/9.9\r\n\r\n",
        b"GET /\xff HTTP/1.1\r\nHost: localhost\r\n\r\n",
        GET + b"X" * 100_000,
        GET + b"Content-Length: 5\r\nContent-Length: 6\r\n\r\nhello",
        GET + b"Content-Length: -5\r\n\r\n",
        GET + b"Content-Length: " + b"9" * 5000 + b"\r\n\r\n",
        GET + b"Transfer-Encoding: gzip\r\n\r\n",
        GET + b"Upgrade: websocket\r\nConnection: upgrade\r\n\r\n",
        POST + TYPED + b"Transfer-Encoding: chunked\r\n\r\nzz\r\n",
        POST + TYPED + b"Transfer-Encoding: chunked\r\n\r\n1;" + b"e" * 40_000,
        GET + b"\r\n" + b"nonsense\r\n\r\n",
        GET + b"Transfer-Encoding: chunked\r\n\r\nnonsense\r\n",
        b"CONNECT localhost:1 HTTP/1.1\r\nHost: localhost\r\n\r\n",
        b"GET //[ HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n",
        b"GET /sign-in?onward=//[ HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n",
        b"GET http://[/ HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n",
        b"OPTIONS * HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n",
        b"GET /static/page.css HTTP/1.1\r\nHost: localhost\r\nRange: bytes=" + b"0-0," * 2000 + b"\r\n\r\n",
        b"GET /static/page.css HTTP/1.1\r\nHost: localhost\r\nIf-Modified-Since: " + b"x" * 99 + b"\r\n\r\n",
    ],
    ids=lambda words: str(words[-40:]),
)  # fmt: skip
def test_what_is_no_request_is_refused_and_told_to_nobody(page: Page, words: bytes) -> None:
    page.ask(words)
    assert page.ask(GET + b"Connection: close\r\n\r\n").startswith(b"HTTP/1.1 200 ")


def test_nonsense_behind_an_answer_is_told_to_nobody(page: Page) -> None:
    with page.call() as line:
        line.sendall(POST + b"Content-Type: text/plain\r\nTransfer-Encoding: chunked\r\n\r\n")
        # refused before its body came, which now is none
        assert line.recv(1000).startswith(b"HTTP/1.1 415 ")
        line.sendall(b"zz\r\n")
        assert b"HTTP/1.1 400 " not in everything(line)


def test_going_away_in_the_middle_is_told_to_nobody(page: Page) -> None:
    for head in (POST + TYPED, POST.replace(b"/sign-in", b"/undo") + secret_of(page) + TYPED):
        for _ in range(20):
            with page.call() as line:
                line.sendall(head + b"Content-Length: 100\r\n\r\ntok")
    for _ in range(20):
        with page.call() as line:
            line.sendall((GET + b"\r\n") * 50)
    assert page.ask(GET + b"Connection: close\r\n\r\n").startswith(b"HTTP/1.1 200 ")


def test_a_length_given_in_two_ways_is_refused(page: Page) -> None:
    both = b"Content-Length: 4\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n"
    assert page.ask(POST + TYPED + both).startswith(b"HTTP/1.1 400 ")


def test_more_headers_than_anyone_needs_are_refused(page: Page) -> None:
    many = b"".join(b"X-%d: y\r\n" % k for k in range(MOST_HEADERS))
    assert page.ask(GET + many + b"\r\n").startswith(b"HTTP/1.1 431 ")


def test_a_refusal_comes_before_the_body_is_asked_for(page: Page) -> None:
    told = page.ask(POST + TYPED + b"Expect: 100-continue\r\nContent-Length: 999999\r\n\r\n")
    assert told.startswith(b"HTTP/1.1 413 ")


def test_a_body_is_asked_for_where_one_is_taken(page: Page) -> None:
    with page.call() as line:
        line.sendall(POST + TYPED + b"Expect: 100-continue\r\nContent-Length: 3\r\n\r\n")
        assert line.recv(1000).startswith(b"HTTP/1.1 100 ")
        line.sendall(b"a=b")
        assert everything(line).startswith(b"HTTP/1.1 403 ")


def test_tiny_pieces_count_like_large_ones(page: Page) -> None:
    pieces = b"1\r\na\r\n" * (MOST_UNKNOWN_BYTES + 1)
    told = page.ask(POST + TYPED + b"Transfer-Encoding: chunked\r\n\r\n" + pieces + b"0\r\n\r\n")
    assert told.startswith(b"HTTP/1.1 413 ")


def test_an_answer_that_nobody_takes_is_not_kept_for_ever(page: Page) -> None:
    with socket.socket() as line:
        line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
        line.settimeout(LONGEST_S)
        line.connect(("127.0.0.1", page.port))
        line.sendall(b"GET /static/page.css HTTP/1.1\r\nHost: localhost\r\n\r\n" * 300)
        # the page ends it, though not one byte of the answers was read
        begun = time.monotonic()
        ended = False
        while not ended and time.monotonic() - begun < LONGEST_S:
            try:
                line.send(b"GET /")
            except TimeoutError:
                continue
            except ConnectionError:
                ended = True
    assert ended


# before signing in


def test_a_sign_in_takes_typed_fields_and_nothing_else(page: Page) -> None:
    for kind in (b"multipart/form-data; boundary=X", b"application/json", b"text/plain"):
        told = page.ask(POST + b"Content-Type: " + kind + b"\r\nContent-Length: 4\r\n\r\nabcd")
        assert told.startswith(b"HTTP/1.1 415 "), kind


def test_the_longest_password_and_way_on_can_be_sent(tmp_path: Path) -> None:
    password = "𝄞" * LONGEST_PASSWORD
    app = create_app(Shelf.open(tmp_path / "shelf", create=True), AccessPolicy(password=password))
    onward = "/" + "?" * (LONGEST_ONWARD - 1)
    given = {"token": app.form_token(), "password": password, "onward": onward}
    told = sent(app, "POST", "/sign-in", origin={"Origin": "http://127.0.0.1:8360"}, data=given)
    assert (told.status_code, told.headers["location"]) == (303, onward)
    told = sent(app, "POST", "/api/sign-in", content=b'{"password": "' + b"\\ud834\\udd1e" * LONGEST_PASSWORD + b'"}',
                headers={"Content-Type": "application/json"})  # fmt: skip
    assert told.status_code == 200


def test_a_way_on_that_is_too_long_leads_to_the_shelf(tmp_path: Path) -> None:
    app = create_app(Shelf.open(tmp_path / "shelf", create=True), AccessPolicy(password=PASSWORD))
    assert sent(app, "GET", "/unit?no=" + "x" * 3000).headers["location"] == "/sign-in"


def test_those_who_wait_to_sign_in_hold_up_nobody(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = create_app(Shelf.open(tmp_path / "shelf", create=True), AccessPolicy(password=PASSWORD, proxy="127.0.0.1"))
    assert app.signing_in is not None
    cookie = {"Cookie": f"indexhole-8360={app.signing_in.sessions.begin()}"}
    turn = threading.Event()

    def slow(password: str) -> bool:
        assert turn.wait(LONGEST_S)
        return False

    monkeypatch.setattr(app.signing_in.lock, "opens", slow)

    async def asked(method: str, path: str, **headers: str) -> int:
        return (await _answer(app, method, path, headers)).status_code

    async def crowd() -> tuple[int, list[int]]:
        tries = [
            asyncio.create_task(asked("POST", "/api/sign-in", **{"X-Forwarded-For": f"192.0.2.{k}"})) for k in range(45)
        ]
        while sum(task.done() for task in tries) < len(tries) - MOST_WAITING:
            await asyncio.sleep(0)
        # while all who may wait do so, the keeper's page comes
        page = await asyncio.wait_for(asked("GET", "/unit/new", **cookie), LONGEST_S)
        turn.set()
        return page, list(await asyncio.gather(*tries))

    page, statuses = run_apart(asyncio.wait_for(crowd(), LONGEST_S))
    assert page == 200
    assert statuses.count(429) == 45 - MOST_WAITING
    assert statuses.count(401) == MOST_WAITING


async def _answer(app: Guard, method: str, path: str, headers: dict[str, str]) -> httpx.Response:
    transport = httpx.ASGITransport(app=app)
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8360") as client:
        body = {"json": {"password": "no"}} if method == "POST" else {}
        return await client.request(method, path, headers=headers, **body)


HEADER_VALUES = st.text(alphabet=st.characters(min_codepoint=0x20, max_codepoint=0xFF, exclude_characters="\x7f"))
HEADERS = st.sampled_from(
    ["Cookie", "Range", "If-Modified-Since", "If-None-Match", "If-Range", "Authorization", "Accept", "Origin",
     "Content-Type", "Content-Length", "Sec-Fetch-Site", "X-Forwarded-For"]
)  # fmt: skip


@pytest.fixture(scope="module")
def quiet(tmp_path_factory: pytest.TempPathFactory) -> Guard:
    return create_app(Shelf.open(tmp_path_factory.mktemp("q") / "shelf", create=True), AccessPolicy(password=PASSWORD))


@given(
    st.sampled_from(["GET", "HEAD", "POST", "DELETE", "OPTIONS"]),
    st.one_of(st.sampled_from(sorted(OPEN)), st.text(alphabet="/\\.[]%a?#=&:@\0é", max_size=8).map("/{}".format)),
    st.dictionaries(HEADERS, HEADER_VALUES, max_size=4),
    st.binary(max_size=30),
)
def test_no_request_of_a_stranger_breaks_the_program(
    quiet: Guard, method: str, path: str, headers: dict[str, str], body: bytes
) -> None:
    seen: list[Any] = []

    coming: list[Any] = [{"type": "http.request", "body": body, "more_body": False}]

    async def receive() -> Any:
        # behind the body comes nothing until the sender goes away
        return coming.pop() if coming else await asyncio.Event().wait()

    async def send(message: Any) -> None:
        seen.append(message)

    where, _, asked = path.partition("?")
    own = {"Host": "localhost", "Origin": "http://localhost", **headers}
    scope = {
        "type": "http", "method": method, "path": where, "raw_path": where.encode(), "root_path": "", "scheme": "http",
        "query_string": asked.encode(), "server": ("127.0.0.1", 8360), "client": ("192.0.2.1", 1),
        "headers": [(name.lower().encode(), value.strip().encode("latin-1")) for name, value in own.items()],
    }  # fmt: skip
    run_apart(quiet(scope, receive, send))
    assert 200 <= seen[0]["status"] < 500
