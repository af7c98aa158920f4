"""What a request says of hosts, senders and sessions: read strictly where it decides, tolerantly where others write."""

from __future__ import annotations

import ipaddress
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from tests.support.visiting import sent

from indexhole.errors import InputFault
from indexhole.shelf.register.shelf import Shelf
from indexhole.web.access.addresses import host_of, ip_of, sender_of
from indexhole.web.access.cookies import values_of
from indexhole.web.access.forwarded import see_through
from indexhole.web.access.sessions import TRIES, Sessions
from indexhole.web.app import create_app
from indexhole.web.server import Place, access_policy_for
from indexhole.web.serving.guard import AccessPolicy, host_allowed, secrets_of, session_of

PASSWORD = "eel grass by the pier"

# hosts

HOSTS = [
    ("localhost", "localhost"),
    ("LocalHost:8360", "localhost"),
    ("bench_2.tide-office.example.", "bench_2.tide-office.example"),
    ("localhost:", "localhost"),  # a port of no figures is one (RFC 3986, section 3.2.3)
    ("127.0.0.1:65535", "127.0.0.1"),
    ("[::1]:8360", "::1"),
    ("[FE80::1]", "fe80::1"),
    ("[::ffff:127.0.0.1]", "::ffff:127.0.0.1"),
]
NO_HOSTS = [
    "", "x@localhost", "x:y@localhost:1", "@localhost", "localhost@", "localhost:65536", "localhost:8a", "localhost:-1",
    "localhost:1:2", "localhost/", "localhost/x", "localhost?x", "localhost#x", "localhost\\x", "http://localhost",
    "local host", " localhost", "localhost ", "localhost\n", "localhost\t:1", "localhost,example.org", "localhost..",
    ".localhost", "local..host", "-localhost", "%6cocalhost", "localhost%00", "ｌocalhost", "localhoſt", "127.0.0.１",
    "::1", "[::1", "::1]", "[]", "[127.0.0.1]", "[::1%25lo]", "[::1%lo]", "[v1.a]", "[::1]x", "[::g]", "x[::1]",
    "[::1]:99999", "localhost:٣",
]  # fmt: skip


@pytest.mark.parametrize(("authority", "host"), HOSTS)
def test_a_plain_host_is_read(authority: str, host: str) -> None:
    assert host_of(authority) == host


@pytest.mark.parametrize("authority", NO_HOSTS)
def test_what_is_more_or_less_than_a_host_and_a_port_is_none(authority: str) -> None:
    assert host_of(authority) == ""
    assert not host_allowed(authority, AccessPolicy())


@pytest.mark.parametrize("host", ["x@localhost", "x@127.0.0.1:8360", "localhost/x", "127.0.0.1:99999"])
def test_a_host_that_is_none_gets_no_answer(tmp_path: Path, host: str) -> None:
    answer = sent(create_app(Shelf.open(tmp_path / "s", create=True)), "GET", "/", headers={"Host": host})
    assert answer.status_code == 403


LABELS = st.from_regex(r"[A-Za-z0-9_][A-Za-z0-9_-]{0,10}", fullmatch=True)
NAMES = st.lists(LABELS, min_size=1, max_size=4).map(".".join)
PORTS = st.one_of(st.just(""), st.integers(0, 65535).map(lambda port: f":{port}"))
NOT_IN_A_NAME = st.characters(codec="utf-8").filter(lambda sign: not re.fullmatch(r"[A-Za-z0-9_.:\[\]-]", sign))


@given(NAMES, PORTS)
def test_every_name_and_port_is_read_back(name: str, port: str) -> None:
    assert host_of(name + port) == name.lower()


@given(st.ip_addresses(), PORTS)
def test_every_address_and_port_is_read_back(address: Any, port: str) -> None:
    told = host_of((f"[{address}]" if address.version == 6 else str(address)) + port)
    assert ipaddress.ip_address(told) == address


@given(NAMES, PORTS, NOT_IN_A_NAME, st.integers(0, 60))
@example("localhost", "", "@", 0)
def test_one_sign_that_no_host_has_makes_it_none(name: str, port: str, sign: str, place: int) -> None:
    authority = name + port
    place = min(place, len(authority))
    assert host_of(authority[:place] + sign + authority[place:]) == ""


@given(st.text(alphabet="az09AZ-_.:[]@/\\?#% f\n١", max_size=12))
def test_what_is_read_is_what_stands_there(authority: str) -> None:
    host = host_of(authority)
    if host:
        head, bracket, _ = authority.lower().partition("]")
        rest = head[1:] if bracket else authority.lower().partition(":")[0].removesuffix(".")
        assert host == rest


@pytest.mark.parametrize(
    ("text", "sender"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),  # as a socket for both kinds of address names it
        ("2001:db8::1", "2001:db8::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("nobody", "nobody"),
    ],
)
def test_what_counts_as_one_sender(text: str, sender: str) -> None:
    assert sender_of(text) == sender


# cookies: those of other programs on this machine come along

ODD = [
    'theme="a b"',
    'theme="unclosed',
    "näme=1",
    "a b=c d",
    "=x",
    "x",
    "",
    "{}[]()<>@,:\\/?=1",
    "indexhole-8360",
    "indexhole-83600=x",
    "Indexhole-8360=x",
    "x-indexhole-8360=x",
    '"indexhole-8360=x"',
    "$Version=1",
    "expires=Thu, 01 Jan 1970",
    "a=b=c==",
    "\t",
]


def _scope(*cookies: bytes) -> dict[str, Any]:
    return {
        "type": "http",
        "server": ("127.0.0.1", 8360),
        "headers": [(b"cookie", cookie) for cookie in cookies],
    }


@pytest.mark.parametrize("odd", ODD)
def test_an_odd_cookie_hides_nothing(tmp_path: Path, odd: str) -> None:
    app = create_app(Shelf.open(tmp_path / "s", create=True), AccessPolicy(password=PASSWORD))
    assert app.signing_in is not None
    secret = app.signing_in.sessions.begin()
    for cookie in (
        f"{odd}; indexhole-8360={secret}",
        f"indexhole-8360={secret}; {odd}",
        f"{odd};indexhole-8360={secret};{odd}",
    ):
        assert sent(app, "GET", "/unit/new", headers={"Cookie": cookie.encode("utf-8")}).status_code == 200, cookie


# what a header may hold (RFC 9110, section 5.5), but for the sign that ends a cookie
OTHERS = st.binary(max_size=30).map(
    lambda given: bytes(byte for byte in given if (byte >= 0x20 or byte == 0x09) and byte not in b"\x7f;")
)


@given(st.lists(OTHERS, max_size=5), st.lists(OTHERS, max_size=5), st.sampled_from([b"; ", b";", b" ;\t"]))
def test_no_other_cookies_hide_ours(before: list[bytes], after: list[bytes], between: bytes) -> None:
    sessions = Sessions()
    secret = sessions.begin()
    ours = f"indexhole-8360={secret}".encode()
    assert session_of(_scope(between.join([*before, ours, *after])), sessions.holds) == secret


@given(st.text(alphabet=st.characters(codec="latin-1"), max_size=60), st.text("ab=; \t\"'", max_size=5))
def test_reading_cookies_never_breaks_and_invents_nothing(header: str, name: str) -> None:
    for value in values_of(header, name):
        assert value in header
        assert ";" not in value


def test_each_cookie_of_our_name_is_tried(tmp_path: Path) -> None:
    app = create_app(Shelf.open(tmp_path / "s", create=True), AccessPolicy(password=PASSWORD))
    assert app.signing_in is not None
    secret = app.signing_in.sessions.begin()
    for cookie in (f"indexhole-8360=old; indexhole-8360={secret}", f"indexhole-8360={secret}; indexhole-8360=old"):
        assert sent(app, "GET", "/unit/new", headers={"Cookie": cookie}).status_code == 200
    # though browsers send one such header only (RFC 6265, section 5.4), a proxy may part it
    assert secrets_of(_scope(b"indexhole-8360=a", b"x=y; indexhole-8360=b")) == ["a", "b"]
    assert session_of(_scope(b"indexhole-8360=; indexhole-8360=old")) == "old"


# forwarded addresses


def _seen(proxy: str, client: str, *headers: tuple[str, str]) -> tuple[str, str]:
    scope: dict[str, Any] = {
        "type": "http",
        "client": (client, 5000),
        "scheme": "http",
        "headers": [(name.encode(), value.encode("latin-1")) for name, value in headers],
    }
    see_through(scope, proxy)
    return scope["client"][0], scope["scheme"]


FOR, PROTO = "x-forwarded-for", "x-forwarded-proto"


@pytest.mark.parametrize(
    ("proxy", "client", "headers", "seen"),
    [
        ("", "127.0.0.1", [(FOR, "192.0.2.1"), (PROTO, "https")], ("127.0.0.1", "http")),
        ("192.0.2.9", "127.0.0.1", [(FOR, "192.0.2.1"), (PROTO, "https")], ("127.0.0.1", "http")),
        ("127.0.0.1", "127.0.0.1", [(FOR, "192.0.2.1"), (PROTO, "https")], ("192.0.2.1", "https")),
        ("127.0.0.1", "::ffff:127.0.0.1", [(FOR, "192.0.2.1")], ("192.0.2.1", "http")),
        ("127.0.0.1", "127.0.0.1", [(FOR, "10.1.1.1, 192.0.2.1")], ("192.0.2.1", "http")),
        ("127.0.0.1", "127.0.0.1", [(FOR, "10.1.1.1"), (FOR, "192.0.2.1")], ("192.0.2.1", "http")),
        ("127.0.0.1", "127.0.0.1", [(FOR, "192.0.2.1:4711")], ("192.0.2.1", "http")),
        ("127.0.0.1", "127.0.0.1", [(FOR, "[2001:db8::1]:4711")], ("2001:db8::1", "http")),
        ("127.0.0.1", "127.0.0.1", [(FOR, "2001:db8::1")], ("2001:db8::1", "http")),
        ("127.0.0.1", "127.0.0.1", [(FOR, "192.0.2.1, nobody")], ("127.0.0.1", "http")),
        ("127.0.0.1", "127.0.0.1", [(PROTO, "https, gopher")], ("127.0.0.1", "http")),
        ("127.0.0.1", "127.0.0.1", [], ("127.0.0.1", "http")),
    ],
)
def test_only_the_named_proxy_is_believed_and_only_its_own_word(
    proxy: str, client: str, headers: list[tuple[str, str]], seen: tuple[str, str]
) -> None:
    assert _seen(proxy, client, *headers) == seen


@given(st.text(alphabet=st.characters(codec="latin-1"), max_size=40), st.ip_addresses())
def test_whatever_comes_before_the_last_word_counts_for_nothing(before: str, last: Any) -> None:
    seen, _ = _seen("127.0.0.1", "127.0.0.1", (FOR, f"{before},{last}"))
    assert ip_of(seen) == ip_of(str(last))


def test_with_a_proxy_each_sender_has_tries_of_their_own(tmp_path: Path) -> None:
    access_policy = AccessPolicy(password=PASSWORD, proxy="127.0.0.1", names=frozenset({"bench.example.org"}))
    app = create_app(Shelf.open(tmp_path / "s", create=True), access_policy)

    def status(forwarded: str) -> int:
        headers = {"Host": "bench.example.org", "X-Forwarded-For": forwarded}
        return sent(app, "POST", "/api/sign-in", json={"password": "no"}, headers=headers).status_code

    assert [status(f"10.0.0.{k}, 192.0.2.1") for k in range(TRIES + 1)] == [401] * TRIES + [429]
    assert status("192.0.2.2") == 401


# what the keeper says of it


def test_a_proxy_and_its_name_are_taken_over() -> None:
    access_policy = access_policy_for(
        Place(password=PASSWORD, proxy="127.0.0.1", names=("Bench.example.org", "[2001:db8::1]"))
    )
    assert access_policy.proxy == "127.0.0.1"
    assert not access_policy.outside
    assert host_allowed("bench.example.org:443", access_policy)
    assert host_allowed("[2001:db8::1]", access_policy)
    assert host_allowed("localhost", access_policy)
    assert not host_allowed("example.org", access_policy)


@pytest.mark.parametrize("place", [Place(proxy="127.0.0.1"), Place(names=("bench.example.org",))])
def test_whom_others_can_reach_that_way_needs_a_password(place: Place) -> None:
    with pytest.raises(InputFault, match="needs a password"):
        access_policy_for(place)


@pytest.mark.parametrize("proxy", ["localhost", "127.0.0.1:80", "127.0.0.0/8", "*", "300.1.1.1"])
def test_a_proxy_that_is_no_address_is_told_in_one_line(proxy: str) -> None:
    with pytest.raises(InputFault, match="--proxy") as told:
        access_policy_for(Place(password=PASSWORD, proxy=proxy))
    assert "\n" not in told.value.line


@pytest.mark.parametrize("name", ["", "a b", "http://bench", "bench:80", "bench/", "x@bench", "*", "::1"])
def test_a_name_that_is_no_host_is_told_in_one_line(name: str) -> None:
    with pytest.raises(InputFault, match="--answer-to") as told:
        access_policy_for(Place(password=PASSWORD, names=(name,)))
    assert "\n" not in told.value.line
