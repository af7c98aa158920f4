"""Derived results kept in the user's cache folder, by what they were made from and by which version.

The cache can be thrown away at any time: whatever is wrong with it, the results are made anew.
"""

from __future__ import annotations

import hashlib
from contextlib import suppress
from pathlib import Path

from indexhole import __version__
from indexhole.errors import IndexholeError
from indexhole.shelf.files.writing import write_whole


def place_of(kind: str, form: int, made_from: object, ending: str) -> Path:
    """Where a result of a kind is kept, by what it was made from.

    Args:
        form: another way of keeping or of making it gets another number, so that what was kept before is made anew.
    """
    from platformdirs import user_cache_path

    told = hashlib.sha256(repr((__version__, form, made_from)).encode()).hexdigest()[:32]
    return user_cache_path("indexhole", appauthor=False) / f"{kind}-{told}{ending}"


def keep(place: Path, content: bytes, most: int) -> None:
    """Keep a result for the next time, and let the oldest of its kind go. A folder that cannot be written is let be."""
    with suppress(OSError, IndexholeError):
        place.parent.mkdir(parents=True, exist_ok=True)
        write_whole(place, content)
        alike = place.parent.glob(f"{place.name.partition('-')[0]}-*{place.suffix}")
        kept = sorted(alike, key=lambda path: path.stat().st_mtime_ns)
        for path in kept[:-most]:
            path.unlink()
