"""Photos of units and disks: the file byte for byte under the name of its SHA-256, an entry with its caption.

photos/<first 16 of the SHA-256>.<ending>
"""

from __future__ import annotations

import hashlib
from typing import Any

from indexhole.errors import InputFault, ShelfFault
from indexhole.shelf.files.inside import PHOTOS, folder_inside, read_inside
from indexhole.shelf.files.writing import give_name, in_the_making, refusals_told, sync
from indexhole.shelf.records.additions import Photo
from indexhole.shelf.records.records import checked
from indexhole.shelf.register.shelf import Shelf

LARGEST_PHOTO_BYTES = 64 << 20
# kind of picture: the first bytes of its files, and their ending
_KINDS = {
    "image/jpeg": (b"\xff\xd8\xff", "jpg"),
    "image/png": (b"\x89PNG\r\n\x1a\n", "png"),
    "image/webp": (b"RIFF", "webp"),
}
MEDIA_TYPES = frozenset(_KINDS)


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

    The same bytes are kept once, however many entries show them; where those that stand there are damaged, they are
    whole again. The file gets its name under the register's lock, just before the entry is kept. Raises InputFault
    or ShelfFault; then no entry is left behind.
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
    with (
        refusals_told("the photo cannot be kept", shelf.folder),
        in_the_making(folder_inside(shelf.folder, PHOTOS)) as part,
    ):
        part.write(content)
        sync(part)
        return shelf.add_with_files(record, lambda: give_name(part, shelf.folder / record.file))[0]


def read_photo(shelf: Shelf, record: Photo) -> tuple[bytes, str]:
    """The bytes of a kept photo, proven to be those that were kept, and the kind of picture that they show.

    Raises InputFault for a file that is missing, has changed, is no photo, or is none of this shelf's.
    """
    try:
        content = read_inside(shelf.folder, record.file, PHOTOS, largest_bytes=LARGEST_PHOTO_BYTES)
    except (OSError, ShelfFault) as fault:
        why = fault.what if isinstance(fault, ShelfFault) else "it is missing"
        raise InputFault(
            f"the file of photo {record.photo} cannot be read ({why})", remedy="put back a copy"
        ) from fault
    if hashlib.sha256(content).hexdigest() != record.sha256:
        raise InputFault(f"the file of photo {record.photo} has changed since it was kept", remedy="put back a copy")
    return content, media_type_of(content)
