"""What is on an image: finds the kind of volume from its own marks and reads it."""

from __future__ import annotations

from collections.abc import Collection

from indexhole.volumes.fat12 import read_fat12
from indexhole.volumes.fat12_geometry import find_geometry
from indexhole.volumes.linked import find_form, read_linked
from indexhole.volumes.volume import Volume


def read_volume(image: bytes, unsound: Collection[int] = ()) -> Volume | None:
    """The volume on an image (sectors in order of cylinder, head, number), None when there is no known one.

    Args:
        unsound: sectors, by number in the image, that were not read with a passing check.
    """
    form = find_form(image)
    if form is not None:
        return read_linked(image, form)
    geometry = find_geometry(image)
    return read_fat12(image, geometry, unsound) if geometry is not None else None
