"""Who a request really comes from when the keeper has put a proxy in front of the page.

`X-Forwarded-For` and `X-Forwarded-Proto` are common practice, without a standard (RFC 7239 has another header, which
few proxies write). Anyone can write them, so they count in a request of the named proxy alone, and of them only the
last entry: the proxy wrote that one, and whatever stands before it came from outside.
"""

from __future__ import annotations

from starlette.datastructures import Headers
from starlette.types import Scope

from indexhole.web.access.addresses import IpAddress, host_of, ip_of

SCHEMES = frozenset({"http", "https"})


def is_from(proxy: str, client: str) -> bool:
    """Whether a connection from that address is the proxy's; empty stands for no proxy."""
    own = ip_of(proxy)
    return own is not None and ip_of(client) == own


def see_through(scope: Scope, proxy: str) -> None:
    """Put the sender's own address and scheme into the scope of a request that the proxy passes on."""
    client = scope.get("client")
    if client is None or not is_from(proxy, client[0]):
        return
    headers = Headers(scope=scope)
    sender = _sender(_last(headers.getlist("x-forwarded-for")))
    if sender is not None:
        scope["client"] = (str(sender), 0)
    scheme = _last(headers.getlist("x-forwarded-proto")).lower()
    if scheme in SCHEMES:
        scope["scheme"] = scheme


def _last(values: list[str]) -> str:
    return values[-1].rpartition(",")[2].strip() if values else ""


def _sender(entry: str) -> IpAddress | None:
    # some proxies write the port as well
    return ip_of(entry) or ip_of(host_of(entry))
