"""Runs the page: takes the port, says where it is, ends quietly."""

from __future__ import annotations

import asyncio
import errno
import ipaddress
import logging
import socket
from collections.abc import Callable
from dataclasses import dataclass

from indexhole.errors import InputFault
from indexhole.shelf.register import Shelf
from indexhole.web.guard import LOOPBACK_NAMES, Door

LOOPBACK, EVERYWHERE = "127.0.0.1", "0.0.0.0"
PORT = 8360
_SHORTEST_PASSWORD = 8


@dataclass(frozen=True)
class Place:
    """Where to listen; port 0 takes any free one."""

    host: str = LOOPBACK
    port: int = PORT
    password: str = ""


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach that address."""
    if host in LOOPBACK_NAMES:
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def door_for(place: Place) -> Door:
    """Who is let in at that place. Raises InputFault for one that others can reach without a password."""
    if is_loopback(place.host):
        return Door(password=place.password)
    if len(place.password) < _SHORTEST_PASSWORD:
        raise InputFault(
            f"others could reach the page at {place.host}, so it needs a password of {_SHORTEST_PASSWORD} "
            "characters or more",
            remedy="set INDEXHOLE_PASSWORD or give --password-file",
        )
    own = socket.gethostname().lower()
    return Door(password=place.password, names=LOOPBACK_NAMES | {place.host.lower(), own, f"{own}.local"}, outside=True)


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


def serve_page(open_shelf: Callable[[], Shelf], place: Place, ready: Callable[[str], None]) -> None:
    """Serve the page until interrupted.

    Args:
        open_shelf: called once the port is taken, so that nothing is begun in vain; the shelf is closed at the end.
        ready: called with the page's address just before it is served.

    Raises InputFault or ShelfFault when that is not possible, and KeyboardInterrupt at the end.
    """
    door = door_for(place)
    with take_port(place) as taken:
        shelf = open_shelf()
        import uvicorn

        from indexhole.web.app import create_app

        config = uvicorn.Config(
            create_app(shelf, door),
            log_level="warning",
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=2,
            lifespan="off",
            ws="none",
        )
        server = uvicorn.Server(config)

        def worth_telling(record: logging.LogRecord) -> bool:
            # at the end, requests still under way are cut off: what the keeper asked for, and no fault
            fault = record.exc_info[1] if record.exc_info else None
            return not server.should_exit or (fault is not None and not isinstance(fault, asyncio.CancelledError))

        log = logging.getLogger("uvicorn.error")
        log.addFilter(worth_telling)
        ready(address_of(place, taken))
        try:
            server.run(sockets=[taken])
        finally:
            log.removeFilter(worth_telling)
            shelf.close()
