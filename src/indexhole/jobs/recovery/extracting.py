"""Files of a volume to a folder, which they never leave whatever the disk calls them."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from indexhole.errors import InputFault
from indexhole.volumes import VolumeFile, safe_paths
from indexhole.volumes.text import as_text


def extract(files: Sequence[VolumeFile], folder: Path) -> list[Path]:
    """Write files below a folder, which is made when it is not there; nothing is replaced, no link followed.

    A file of records whose volume tells their code is written as it is and, with `.txt` behind its name, as text.

    Returns:
        Where each file lies, in order; texts are left out.

    Raises:
        InputFault: something already stands in the way, or a folder below is a link.
        OSError: the folder cannot be written.
    """
    texts = [as_text(file) for file in files]
    recorded = [file.name for file in files]
    also = [f"{name}.txt" for name, text in zip(recorded, texts, strict=True) if text is not None]
    relative = safe_paths([*recorded, *also])
    folder.mkdir(parents=True, exist_ok=True)
    paths = [_place(folder, one) for one in relative]
    contents = [file.data for file in files] + [text.encode() for text in texts if text is not None]
    for path, data in zip(paths, contents, strict=True):
        _write_new(path, data)
    return paths[: len(files)]


def _place(folder: Path, relative: str) -> Path:
    """The path below the folder, with real folders all the way."""
    *above, name = relative.split("/")
    inner = folder
    for part in above:
        inner = inner / part
        if inner.is_symlink() or (inner.exists() and not inner.is_dir()):
            raise InputFault("is a link or no folder", where=str(inner), remedy="choose an empty folder")
        inner.mkdir(exist_ok=True)
    return inner / name


def _write_new(path: Path, data: bytes) -> None:
    # O_EXCL neither replaces a file nor follows a link in its place
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)
    except FileExistsError as fault:
        raise InputFault("exists already", where=str(path), remedy="choose an empty folder") from fault
    with os.fdopen(handle, "wb") as file:
        file.write(data)
