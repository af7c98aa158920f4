"""Reads what a request says of hosts: the name it was sent to, and the address it came from."""

from __future__ import annotations

import ipaddress
import re

IpAddress = ipaddress.IPv4Address | ipaddress.IPv6Address

# uri-host [":" port] (RFC 9110, section 7.2), of which a name is what DNS and local networks know: labels of letters,
# digits, "-" and "_"; no user, no percent signs, nothing else that RFC 3986, section 3.2.2, would let a name hold
_LABEL = r"[A-Za-z0-9_][A-Za-z0-9_-]{0,62}"
_NAME, _LITERAL = rf"(?P<name>{_LABEL}(?:\.{_LABEL})*)\.?", r"\[(?P<literal>[0-9A-Fa-f:.]+)\]"
_HOST = re.compile(rf"(?:{_NAME}|{_LITERAL})(?::(?P<port>[0-9]{{0,5}}))?")
_LAST_PORT = 65535


def host_of(authority: str) -> str:
    """The host of a Host header, in small letters and without a last dot or brackets; empty when it is no plain one."""
    found = _HOST.fullmatch(authority)
    if found is None or int(found["port"] or 0) > _LAST_PORT:
        return ""
    literal: str | None = found["literal"]
    if literal is None:
        return str(found["name"]).lower()
    return literal.lower() if ":" in literal and ip_of(literal) is not None else ""


def ip_of(text: str) -> IpAddress | None:
    """The address a text is, None for none; an IPv4 one in the clothes of IPv6 (RFC 4291, 2.5.5.2) is the IPv4 one."""
    try:
        found = ipaddress.ip_address(text.partition("%")[0])
    except ValueError:
        return None
    mapped = found.ipv4_mapped if isinstance(found, ipaddress.IPv6Address) else None
    return mapped or found


def sender_of(text: str) -> str:
    """What counts as one sender: an IPv4 address, or the /64 an IPv6 host chooses from freely (RFC 4291, 2.5.4)."""
    found = ip_of(text)
    if found is None:
        return text
    return str(ipaddress.ip_network((found, 64), strict=False)) if found.version == 6 else str(found)
