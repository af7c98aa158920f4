"""Runs the page: takes the port, says where it is, ends quietly."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import ipaddress
import logging
import socket
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from indexhole.errors import InputFault
from indexhole.shelf.register.shelf import Shelf
from indexhole.web.access.addresses import host_of, ip_of
from indexhole.web.serving.connections import Callers, Limits
from indexhole.web.serving.guard import LOOPBACK_NAMES, AccessPolicy

LOOPBACK, EVERYWHERE = "127.0.0.1", "0.0.0.0"
PORT = 8360
_SHORTEST_PASSWORD = 8
# Files to ask the system for, and those of them that connections leave alone: the shelf's, those of uploads, and the
# connections that stand above their limit until they are closed.
_WANTED_FILES, _OTHER_FILES, _FEWEST = 1024, 192, 16


@dataclass(frozen=True)
class Place:
    """Where to listen; port 0 takes any free one.

    Attributes:
        proxy: address of a proxy that stands in front; empty for none.
        names: further host names the page answers to.
    """

    host: str = LOOPBACK
    port: int = PORT
    password: str = ""
    proxy: str = ""
    names: tuple[str, ...] = ()


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach that address."""
    if host in LOOPBACK_NAMES:
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def access_policy_for(place: Place) -> AccessPolicy:
    """Who is let in at that place. Raises InputFault for one that others can reach without a password."""
    proxy, names = _proxy(place.proxy), frozenset(_name(name) for name in place.names)
    outside = not is_loopback(place.host)
    others = outside or bool(proxy) or bool(names - LOOPBACK_NAMES)
    if others and len(place.password) < _SHORTEST_PASSWORD:
        how = f"at {place.host}" if outside else "through a proxy" if proxy else "by another name"
        raise InputFault(
            f"others could reach the page {how}, so it needs a password of {_SHORTEST_PASSWORD} characters or more",
            remedy="set INDEXHOLE_PASSWORD or give --password-file",
        )
    own = socket.gethostname().lower()
    known = LOOPBACK_NAMES | ({place.host.lower(), own, f"{own}.local"} if outside else frozenset())
    return AccessPolicy(password=place.password, names=known | names, outside=outside, proxy=proxy)


def _proxy(text: str) -> str:
    if text and ip_of(text) is None:
        raise InputFault(f"“{text}” is no address of a proxy", remedy="give --proxy an address such as 127.0.0.1")
    return text


def _name(text: str) -> str:
    name = host_of(text)
    # a port has no place in a name: the page answers at any
    if not name or host_of(f"{text}:1") != name:
        raise InputFault(f"“{text}” is no name of a host", remedy="give --answer-to a name such as bench.example.org")
    return name


def take_port(place: Place) -> socket.socket:
    """A socket that listens there. Raises InputFault when the port is taken or the address is not ours."""
    where = f"{place.host} port {place.port}"
    try:
        family, kind, proto, _, address = socket.getaddrinfo(
            place.host, place.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        taken = socket.socket(family, kind, proto)
    except (OSError, UnicodeError) as fault:
        raise InputFault(f"no such address ({fault})", where=where, remedy="check --host") from fault
    try:
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        taken.bind(address)
        taken.listen()
    except (OSError, OverflowError) as fault:
        taken.close()
        if getattr(fault, "errno", None) == errno.EADDRINUSE:
            raise InputFault("the port is in use", where=where, remedy="choose another with --port") from fault
        raise InputFault(
            f"cannot listen there ({getattr(fault, 'strerror', None) or fault})",
            where=where,
            remedy="choose another --host or --port",
        ) from fault
    return taken


def outward_address() -> str:
    """The address others on the network reach this machine at; the loopback one when there is no network.

    Nothing is sent: the system is only asked which of its addresses it would use (RFC 5737 keeps the far one unused).
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        try:
            asked.connect(("192.0.2.1", 9))
            return str(asked.getsockname()[0])
        except OSError:
            return LOOPBACK


def address_of(place: Place, taken: socket.socket) -> str:
    """The address to open."""
    name = outward_address() if place.host == EVERYWHERE else place.host
    host = f"[{name}]" if ":" in name else name
    return f"http://{host}:{taken.getsockname()[1]}/"


def most_files(wanted: int) -> int:
    """How many files and connections this program may have open, after asking the system for so many."""
    try:
        import resource
    except ImportError:  # a system without such a limit
        return wanted
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        asked = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
        with contextlib.suppress(OSError, ValueError):
            resource.setrlimit(resource.RLIMIT_NOFILE, (asked, hard))
        soft = resource.getrlimit(resource.RLIMIT_NOFILE)[0]
    return wanted if soft == resource.RLIM_INFINITY else soft


def limits_within(files: int) -> Limits:
    """The usual limits on connections, fewer where so many files leave no room for them beside the shelf's own."""
    usual = Limits()
    in_all = max(_FEWEST, min(usual.in_all, files - _OTHER_FILES))
    return replace(usual, in_all=in_all, of_one=in_all // 2)


@contextlib.contextmanager
def _quietly(ending: Callable[[], bool]) -> Iterator[None]:
    """Keep from the terminal what is no fault of the program: what strangers do, and what the end itself cuts off."""

    def worth_telling(record: logging.LogRecord) -> bool:
        fault = record.exc_info[1] if record.exc_info else None
        return not ending() or (fault is not None and not isinstance(fault, asyncio.CancelledError))

    def grave(record: logging.LogRecord) -> bool:
        # asyncio warns of every connection that was closed while it was written to
        return record.levelno >= logging.ERROR

    filters = ((logging.getLogger("uvicorn.error"), worth_telling), (logging.getLogger("asyncio"), grave))
    for log, kept in filters:
        log.addFilter(kept)
    try:
        yield
    finally:
        for log, kept in filters:
            log.removeFilter(kept)


def serve_page(
    open_shelf: Callable[[], Shelf], place: Place, ready: Callable[[str], None], remark: Callable[[str], None]
) -> None:
    """Serve the page until interrupted.

    Args:
        open_shelf: called once the port is taken, so that nothing is begun in vain; the shelf is closed at the end.
        ready: called with the page's address just before it is served.
        remark: called, seldom, with something the keeper may want to know meanwhile.

    Raises InputFault or ShelfFault when that is not possible, and KeyboardInterrupt at the end.
    """
    access_policy = access_policy_for(place)
    with take_port(place) as taken:
        shelf = open_shelf()
        from indexhole.web.app import create_app
        from indexhole.web.serving.speaking import server_of

        callers = Callers(limits_within(most_files(_WANTED_FILES)), remark, shared=access_policy.proxy)
        server = server_of(create_app(shelf, access_policy), callers)
        with _quietly(lambda: server.should_exit):
            ready(address_of(place, taken))
            try:
                server.run(sockets=[taken])
            finally:
                shelf.close()
