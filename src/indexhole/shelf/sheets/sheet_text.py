"""What all sheets have in common: a file of text in UTF-8, its faults told in one line."""

from __future__ import annotations

from pathlib import Path

from indexhole.errors import InputFault


def sheet_text(path: Path, *, named: str, largest_bytes: int, remedy: str = "split it") -> str:
    """The text of a sheet's file; arguments and faults as those of `sheet_content`."""
    content = sheet_content(path, named=named, largest_bytes=largest_bytes, remedy=remedy)
    return decode_sheet(content, where=str(path))


def sheet_content(path: Path, *, named: str, largest_bytes: int, remedy: str = "split it") -> bytes:
    """The bytes of a sheet's file. Raises InputFault, also for what is no file: a device may have no end.

    Args:
        named: what the file should be, with its article.
        remedy: what to do with a larger one.
    """
    try:
        if path.exists() and not path.is_file():
            raise InputFault("is not a file", where=str(path), remedy=f"give {named} itself")
        if path.stat().st_size > largest_bytes:
            raise InputFault(f"is larger than {largest_bytes >> 20} MiB", where=str(path), remedy=remedy)
        return path.read_bytes()
    except (OSError, ValueError) as fault:
        raise InputFault(
            f"cannot be read ({getattr(fault, 'strerror', None) or fault})",
            where=str(path),
            remedy="check the name and that you may read it",
        ) from fault


def decode_sheet(content: bytes, *, where: str) -> str:
    """The sheet's text. Raises InputFault for bytes that are no UTF-8 text, with the place of the first."""
    remedy = "save the sheet as CSV in UTF-8"
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputFault("is in UTF-16, not UTF-8", where=where, remedy=remedy)
    if b"\0" in content:
        raise InputFault(f"holds a NUL byte at byte {content.index(0)}", where=where, remedy=remedy)
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        row = content[: fault.start].count(b"\n") + 1
        raise InputFault(f"is not UTF-8 at byte {fault.start}, line {row}", where=where, remedy=remedy) from fault
