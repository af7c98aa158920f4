"""Readers of volumes: any bytes as an image, and sound images with patches laid over them."""

from __future__ import annotations

from functools import cache

from fuzz.parts import Parts, patched
from fuzz.target import Target
from indexhole.volumes import read_volume, safe_paths
from indexhole.volumes.fat12.make import make_fat12
from indexhole.volumes.labelled.forms import FORMS
from indexhole.volumes.labelled.make import DataSets, make_labelled
from indexhole.volumes.linked.make import make_linked

_FILES = {"TIDES": b"high water " * 90, "LAMP": b"l" * 300, "EMPTY": b""}
_BASES = 7


@cache
def _base(number: int) -> bytes:
    """A sound image of each kind, and one of zeros."""
    folders = {**_FILES, "LOGS/MARCH.TXT": b"calm\r\n" * 200}
    match number:
        case 0:
            return make_fat12(folders, title="HARBOUR", size=163_840)
        case 1:
            return make_linked(_FILES, "HARBOUR", kinds={"TIDES": "relative"})
        case 2:
            return make_linked(_FILES, "HARBOUR", layout="zoned-77-1s")
        case 3:
            return make_labelled(_FILES, "HARBOR", data_sets=DataSets(records="B", record_bytes=30))
        case 4:
            return make_labelled(_FILES, "HARBOR", data_sets=DataSets(records="R", record_bytes=10), code="cp500")
        case 5:
            return make_labelled(_FILES, "HARBOR", form=FORMS[-1], data_sets=DataSets(record_bytes=30))
        case _:
            return bytes(163_840)


def _read(image: bytes, unsound: frozenset[int], sizes: tuple[int, ...] = ()) -> None:
    volume = read_volume(image, unsound, sizes=sizes, marked=unsound)
    if volume is None:
        return
    for path in safe_paths(file.name for file in (*volume.files, *volume.deleted_files)):
        assert not path.startswith("/"), path
        assert ".." not in path.split("/"), path


def _image(data: bytes) -> None:
    _read(data, frozenset())


def _volume(data: bytes) -> None:
    """A sound image, patched, some of its sectors not read, and perhaps cut."""
    parts = Parts(data)
    kind, cut = parts.number(), parts.number(2)
    unsound = frozenset(parts.piece(parts.number() % 8))
    image = _base(kind % _BASES)
    sizes = (512,) * (len(image) // 512) if kind & 64 else ()
    patched_up = patched(image, parts.rest())
    _read(patched_up[: len(image) - 128 * cut] if kind & 128 else patched_up, unsound, sizes)


TARGETS = (
    Target("image", "any bytes as the image of a disk", _image),
    Target("volume", "sound images of each kind of volume, patched and cut", _volume, 1024),
)
