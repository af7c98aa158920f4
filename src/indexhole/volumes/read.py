"""What is on an image: finds the kind of volume from its own marks and reads it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from itertools import accumulate, pairwise

from indexhole.volumes.fat12.fat12 import read_fat12
from indexhole.volumes.fat12.geometry import Geometry, find_geometry
from indexhole.volumes.labelled import forms as labelled_forms
from indexhole.volumes.labelled.labelled import read_labelled
from indexhole.volumes.linked import forms as linked_forms
from indexhole.volumes.linked.linked import read_linked
from indexhole.volumes.volume import Volume, VolumeFile


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
    linked_form = linked_forms.find_form(image)
    if linked_form is not None:
        return read_linked(image, linked_form, unsound)
    labelled_form = labelled_forms.find_form(image)
    if labelled_form is not None:
        return read_labelled(image, labelled_form, unsound, marked)
    geometry = find_geometry(image, unsound)
    if geometry is None:
        return None
    if not sizes or set(sizes) == {geometry.sector_bytes}:
        return read_fat12(image, geometry, unsound)
    return _read_by_bytes(image, geometry, unsound, sizes)


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
