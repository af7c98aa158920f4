"""The check of FM and MFM fields (EDC): x^16 + x^12 + x^5 + 1, preset to ones, high byte first.

Source: CRC parameter lists. It covers the field from its mark bytes on; a field followed by its own check
leaves zero.
"""

from __future__ import annotations

from binascii import crc_hqx

PRESET = 0xFFFF


def edc(field: bytes, register: int = PRESET) -> int:
    """The check register behind `field`, mark bytes included, begun from `register`."""
    return crc_hqx(field, register)


def with_edc(field: bytes) -> bytes:
    """The field with its two check bytes behind it."""
    return field + edc(field).to_bytes(2, "big")
