"""Reads the Cookie header as tolerantly as browsers fill it.

Cookies are shared by all ports of a host (RFC 6265, section 8.5), so those of any other program on this machine come
along, with values this page would never write. One that is odd must not hide ours: pieces are told apart as in
RFC 6265, section 5.2, and only the name that is asked for matters.
"""

from __future__ import annotations

_BLANKS = " \t"


def values_of(header: str, name: str) -> list[str]:
    """Every value that stands under exactly that name, in order; cookies of other paths or hosts may share it."""
    pairs = (piece.partition("=") for piece in header.split(";"))
    return [value.strip(_BLANKS) for found, equals, value in pairs if equals and found.strip(_BLANKS) == name]
