"""Photos of units and disks: the file byte for byte under the name of its SHA-256, an entry with its caption.

photos/<first 16 of the SHA-256>.<ending>
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Any

from indexhole.errors import InputFault, ShelfFault
from indexhole.shelf.additions import PHOTOS, Photo
from indexhole.shelf.captures import State
from indexhole.shelf.files import write_whole
from indexhole.shelf.records import checked
from indexhole.shelf.register import Shelf

LARGEST_PHOTO_BYTES = 64 << 20
# kind of picture: the first bytes of its files, and their ending
_KINDS = {
    "image/jpeg": (b"\xff\xd8\xff", "jpg"),
    "image/png": (b"\x89PNG\r\n\x1a\n", "png"),
    "image/webp": (b"RIFF", "webp"),
}


@dataclass(frozen=True, slots=True)
class CheckedPhoto:
    """What a check found of one photo; `what` says it in words, empty for one that is unchanged."""

    record: Photo
    state: State
    what: str = ""


def media_type_of(content: bytes) -> str:
    """The kind of picture by its first bytes. Raises InputFault for what is none that is kept."""
    for media_type, (sign, _) in _KINDS.items():
        if content.startswith(sign) and (media_type != "image/webp" or content[8:12] == b"WEBP"):
            return media_type
    raise InputFault("is no photo that can be kept", remedy="save it as JPEG, PNG or WebP")


def store_photo(shelf: Shelf, content: bytes, name: str, **about: Any) -> Photo:
    """Keep a photo on the shelf.

    Args:
        shelf: the open shelf.
        content: the file's bytes, kept as they are.
        name: the file's name as it came.
        about: `unit` or `disk` it shows, `caption`, `taken`.

    The same bytes are kept once, however many entries show them. Raises InputFault or ShelfFault; then neither
    file nor entry is left behind.
    """
    if len(content) > LARGEST_PHOTO_BYTES:
        raise InputFault(f"is larger than {LARGEST_PHOTO_BYTES >> 20} MiB", where=name, remedy="make it smaller")
    try:
        media_type = media_type_of(content)
    except InputFault as fault:
        raise InputFault(fault.what, where=name, remedy=fault.remedy) from fault
    digest = hashlib.sha256(content).hexdigest()
    record = checked(
        Photo,
        sha256=digest,
        name=name.encode("utf-8", "backslashreplace").decode(),
        media_type=media_type,
        size_bytes=len(content),
        file=f"{PHOTOS}/{digest[:16]}.{_KINDS[media_type][1]}",
        **about,
    )
    place = shelf.folder / record.file
    fresh = not place.exists()
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise ShelfFault(f"the photo cannot be kept ({fault.strerror})", where=str(place.parent)) from fault
    if fresh:
        write_whole(place, content)
    try:
        return shelf.add(record)
    except BaseException:
        if fresh:
            place.unlink(missing_ok=True)
        raise


def check_photos(shelf: Shelf) -> list[CheckedPhoto]:
    """Hash every photo again and say which are unchanged, changed or missing."""
    return [_check(shelf, record) for record in shelf.all(Photo)]


def _check(shelf: Shelf, record: Photo) -> CheckedPhoto:
    try:
        digest = hashlib.sha256((shelf.folder / record.file).read_bytes()).hexdigest()
    except FileNotFoundError:
        return CheckedPhoto(record, "missing", f"{record.file} is missing; put back a copy")
    except OSError as fault:
        return CheckedPhoto(record, "missing", f"{record.file} cannot be read ({fault.strerror})")
    if digest != record.sha256:
        return CheckedPhoto(record, "changed", f"{record.file} has changed: its SHA-256 is now {digest}")
    return CheckedPhoto(record, "unchanged")
