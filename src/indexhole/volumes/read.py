"""What is on an image: finds the kind of volume from its own marks and reads it."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate, pairwise

from indexhole.kinds import every
from indexhole.volumes.fat12.fat12 import read_fat12
from indexhole.volumes.fat12.geometry import Geometry, find_geometry
from indexhole.volumes.labelled import forms as labelled_forms
from indexhole.volumes.labelled.labelled import read_labelled
from indexhole.volumes.linked import forms as linked_forms
from indexhole.volumes.linked.linked import read_linked
from indexhole.volumes.volume import Volume, VolumeFile, VolumeKind


def read_volume(
    image: bytes, unsound: Collection[int] = (), *, sizes: Sequence[int] = (), marked: Collection[int] = ()
) -> Volume | None:
    """The volume on an image (sectors in order of cylinder, head, number), None when there is no known one.

    Args:
        unsound: sectors, by number in the image, that were not read with a passing check.
        sizes: bytes of each sector of the image, in order, where they are known; the volume's sectors are then
            numbered as those of the image are, also where tracks differ in sector length.
        marked: sectors that were recorded with the deleted-data mark.
    """
    held = _Held(image, unsound, sizes, marked)
    return next((found for read in _READERS.values() if (found := read(held)) is not None), None)


@dataclass(frozen=True)
class _Held:
    """An image with what is known of its sectors, as `read_volume` takes it."""

    image: bytes
    unsound: Collection[int]
    sizes: Sequence[int]
    marked: Collection[int]


def _linked(held: _Held) -> Volume | None:
    form = linked_forms.find_form(held.image)
    return None if form is None else read_linked(held.image, form, held.unsound)


def _labelled(held: _Held) -> Volume | None:
    form = labelled_forms.find_form(held.image)
    return None if form is None else read_labelled(held.image, form, held.unsound, held.marked)


def _fat12(held: _Held) -> Volume | None:
    geometry = find_geometry(held.image, held.unsound)
    if geometry is None:
        return None
    if not held.sizes or set(held.sizes) == {geometry.sector_bytes}:
        return read_fat12(held.image, geometry, held.unsound)
    return _read_by_bytes(held.image, geometry, held.unsound, held.sizes)


# Tried in this order: an image with the marks of two kinds is of the first.
_READERS: Mapping[VolumeKind, Callable[[_Held], Volume | None]] = every(
    VolumeKind, {"linked": _linked, "labelled": _labelled, "fat12": _fat12}
)


def _read_by_bytes(image: bytes, geometry: Geometry, unsound: Collection[int], sizes: Sequence[int]) -> Volume:
    """A FAT12 volume on sectors of other sizes than its own, numbered as the image's sectors are."""
    size = geometry.sector_bytes
    edges = list(accumulate(sizes, initial=0))
    held: dict[int, list[int]] = {}
    for number, (start, end) in enumerate(pairwise(edges)):
        for own in range(start // size, -(-end // size)):
            held.setdefault(own, []).append(number)
    unread = {own for own, numbers in held.items() if not set(numbers).isdisjoint(unsound)}
    volume = read_fat12(image, geometry, unread)

    def numbered(own: Sequence[int]) -> tuple[int, ...]:
        beyond = len(sizes)
        return tuple(dict.fromkeys(n for sector in own for n in held.get(sector, [beyond + sector])))

    def file(one: VolumeFile) -> VolumeFile:
        return replace(one, sectors=numbered(one.sectors))

    return replace(
        volume,
        files=tuple(map(file, volume.files)),
        deleted_files=tuple(map(file, volume.deleted_files)),
        system_sectors=tuple(sorted(numbered(volume.system_sectors))),
    )
