"""A shared page against strangers without the password: the keeper works on, and the machine stays up."""

from __future__ import annotations

import contextlib
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.support.sharing import LONGEST_S, PASSWORD, Shared, sharing

from indexhole.web.access.sessions import TRIES
from indexhole.web.serving.connections import CROWDED

STRANGERS = 1100
MIB = 1 << 20
SHARED_HINT = "others on the network can reach the page"
# what a few hundred connections may take; the attack of each test asks for a gigabyte and more
MOST_MORE_KIB = 64 << 10
MOST_KIB = 250 << 10

pytestmark = pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="memory is read from /proc (Linux)")


@contextlib.contextmanager
def besieged(page: Shared, number: int) -> Iterator[None]:
    """So many strangers at the page, all of whom have come."""
    program = Path(__file__).parents[1] / "support" / "strangers.py"
    command = [sys.executable, str(program), str(page.port), str(number)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as strangers:
        assert strangers.stdin is not None
        assert strangers.stdout is not None
        try:
            assert strangers.stdout.readline() == "ready\n"
            yield
        finally:
            strangers.stdin.close()
            strangers.wait(LONGEST_S)
    assert strangers.returncode == 0


def _told(page: Shared) -> list[str]:
    return [line for line in page.lines() if SHARED_HINT not in line]


def test_eleven_hundred_strangers_keep_nobody_out(tmp_path: Path) -> None:
    with sharing(tmp_path, "--share") as page:
        keeper = {"Authorization": f"Bearer {page.sign_in()}"}
        assert page.ask("GET", "/", **keeper).status == 200
        idle_kib, most_kib = page.held_kib(), page.held_kib("VmHWM")
        with besieged(page, STRANGERS):
            answers = []
            # longer than each limit on a stranger's time, so that those who stay are closed and come again
            end_s = time.monotonic() + 20
            while time.monotonic() < end_s:
                answers.append(page.ask("GET", "/", **keeper))
                time.sleep(0.2)
            assert {answer.status for answer in answers} == {200}
            assert max(answer.took_s for answer in answers) < 1.0
            assert page.held_kib() < MOST_KIB
            assert page.held_kib() - idle_kib < MOST_MORE_KIB
            assert page.held_kib("VmHWM") - most_kib < MOST_MORE_KIB
            assert page.try_password(PASSWORD).status == 200, "another keeper may sign in meanwhile"
        assert page.ask("GET", "/", **keeper).status == 200
        assert _told(page) == [f"indexhole: {CROWDED}"]


def test_where_the_system_gives_few_files_strangers_keep_nobody_out_either(tmp_path: Path) -> None:
    with sharing(tmp_path, "--share", files=40) as page:
        keeper = {"Authorization": f"Bearer {page.sign_in()}"}
        with besieged(page, 100):
            assert [page.ask("GET", "/", **keeper).status for _ in range(5)] == [200] * 5
        assert _told(page) == [f"indexhole: {CROWDED}"]


PARTS = b"multipart/form-data; boundary=b"
A_FILE = b'--b\r\nContent-Disposition: form-data; name="f"; filename="f"\r\n\r\n'
BODIES = [
    ("/sign-in", PARTS, A_FILE),
    ("/api/sign-in", b"application/json", b'{"password": "'),
    ("/sign-in", b"application/x-www-form-urlencoded", b"token=" + b"x" * 5000 + b"&"),
    ("/recordings", PARTS, A_FILE),
]


@pytest.mark.parametrize("length", [b"Content-Length: %d\r\n" % (255 * MIB), b"Transfer-Encoding: chunked\r\n"])
def test_unfinished_bodies_of_strangers_are_kept_nowhere(tmp_path: Path, length: bytes) -> None:
    with sharing(tmp_path, "--share") as page, contextlib.ExitStack() as stack:
        idle_kib = page.held_kib()
        piece = b"x" * MIB
        for path, kind, begin in BODIES * 2:
            line = stack.enter_context(socket.create_connection(("127.0.0.1", page.port), timeout=LONGEST_S))
            head = f"POST {path} HTTP/1.1\r\nHost: localhost\r\nOrigin: http://localhost\r\n".encode()
            line.sendall(head + b"Content-Type: " + kind + b"\r\n" + length + b"\r\n")
            chunked = b"chunked" in length
            # as far as it is taken
            with contextlib.suppress(ConnectionError):
                for data in (begin, *[piece] * 60):
                    line.sendall(b"%x\r\n%b\r\n" % (len(data), data) if chunked else data)
            assert page.spooled() == []
            assert page.held_kib() - idle_kib < MOST_MORE_KIB
            with contextlib.suppress(ConnectionError):
                assert line.recv(12) in (b"HTTP/1.1 401", b"HTTP/1.1 413", b"HTTP/1.1 415")
        assert page.ask("GET", "/sign-in").status == 200
        assert _told(page) == []


def test_no_address_that_is_only_claimed_gives_more_tries(tmp_path: Path) -> None:
    with sharing(tmp_path, "--share") as page:
        statuses = [page.try_password("no", X_Forwarded_For=f"192.0.2.{k}").status for k in range(TRIES + 3)]
        assert statuses == [401] * TRIES + [429] * 3


def test_behind_a_proxy_each_sender_is_counted_and_the_name_is_answered(tmp_path: Path) -> None:
    with sharing(tmp_path, "--proxy", "127.0.0.1", "--answer-to", "bench.example.org") as page:
        outside = {"Host": "bench.example.org", "X_Forwarded_Proto": "https"}

        def status(forwarded: str) -> int:
            return page.try_password("no", X_Forwarded_For=forwarded, **outside).status

        assert [status(f"10.0.0.{k}, 192.0.2.1") for k in range(TRIES + 1)] == [401] * TRIES + [429]
        assert status("192.0.2.1, 192.0.2.2") == 401
        assert page.ask("GET", "/sign-in", Host="elsewhere.example.org").status == 403
        form = page.ask("GET", "/sign-in", **outside).body.decode()
        token = form.partition('name="token" value="')[2].partition('"')[0]
        signed = page.ask(
            "POST", "/sign-in", f"token={token}&password={PASSWORD.replace(' ', '+')}".encode(),
            Origin="https://bench.example.org", Content_Type="application/x-www-form-urlencoded",
            X_Forwarded_For="192.0.2.3", **outside,
        )  # fmt: skip
        assert signed.status == 303
        # what the proxy says of how it was reached holds: the cookie goes back encrypted only
        assert "Secure" in signed.headers["Set-Cookie"]


def test_a_proxy_without_a_password_is_refused(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "indexhole", "serve", "--shelf", str(tmp_path / "s"), "--proxy", "127.0.0.1"]
    ended = subprocess.run(command, check=False, capture_output=True, text=True, timeout=LONGEST_S)
    assert ended.returncode == 2
    assert len(ended.stderr.splitlines()) == 1
    assert "through a proxy, so it needs a password" in ended.stderr
    assert not (tmp_path / "s").exists()
