"""Forms of labelled volumes: how many sectors of how many bytes each track has, and where each lies in an image.

ECMA-58 (ISO 7665) from memory: the labels stand on cylinder 00, whose side 0 always has the shortest sectors, the
volume label in its sector 07, file labels from sector 08 on. That 130 mm disks are labelled alike is unproven.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from indexhole.volumes.labelled.labels import LABEL_BYTES, Address, Label, label_code, volume_label

ERMAP_SECTOR, VOLUME_SECTOR, FIRST_FILE_SECTOR = 5, 7, 8


@dataclass(frozen=True, slots=True)
class Form:
    """Sectors and bytes a sector of cylinder 00 side 0, of its side 1, and of all other tracks.

    `surface` and `length_code` are what VOL1 says of it. An image of 130 mm disks is told by its size alone.
    """

    cylinders: int
    heads: int
    first: tuple[int, int]
    second: tuple[int, int]
    others: tuple[int, int]
    surface: str
    length_code: str
    proven: bool = True


_FM = (26, 128)
FORMS = (
    Form(77, 1, _FM, _FM, _FM, "", ""),
    Form(77, 1, _FM, _FM, (15, 256), "", "1"),
    Form(77, 1, _FM, _FM, (8, 512), "", "2"),
    Form(77, 2, _FM, _FM, _FM, "2", ""),
    Form(77, 2, _FM, _FM, (15, 256), "2", "1"),
    Form(77, 2, _FM, (26, 256), (26, 256), "M", "1"),
    Form(77, 2, _FM, (26, 256), (15, 512), "M", "2"),
    Form(77, 2, _FM, (26, 256), (8, 1024), "M", "3"),
    Form(35, 1, (16, 128), (16, 128), (16, 128), "", "", proven=False),
    Form(40, 1, (16, 128), (16, 128), (16, 128), "", "", proven=False),
    Form(40, 2, (16, 128), (16, 256), (16, 256), "M", "1", proven=False),
    Form(77, 2, (16, 128), (16, 256), (16, 256), "M", "1", proven=False),
)


class Places:
    """Where each sector lies in an image: sectors in order of cylinder, head and number.

    Attributes:
        number: number in image order by address.
        starts: (n + 1,) first byte of each sector, and the end.
    """

    def __init__(self, form: Form) -> None:
        self.form = form
        self.number: dict[Address, int] = {}
        self.starts = [0]
        for cylinder in range(form.cylinders):
            for head in range(form.heads):
                sectors, length = form.others if cylinder else (form.second if head else form.first)
                for sector in range(1, sectors + 1):
                    self.number[cylinder, head, sector] = len(self.starts) - 1
                    self.starts.append(self.starts[-1] + length)
        self.first_data = self.number[1, 0, 1]

    def behind(self, address: Address) -> int | None:
        """The number of the sector at an address, which may also be the one behind the last of a track."""
        if address in self.number:
            return self.number[address]
        cylinder, head, sector = address
        before = self.number.get((cylinder, head, sector - 1))
        if before is None and sector == 1 and head == 0 and cylinder == self.form.cylinders:
            return len(self.starts) - 1
        return None if before is None else before + 1


@cache
def places_of(form: Form) -> Places:
    """The places of a form."""
    return Places(form)


def label_at(image: bytes, sector: int) -> bytes:
    """The label in a sector of cylinder 00 side 0."""
    return image[(sector - 1) * LABEL_BYTES : sector * LABEL_BYTES]


def find_form(image: bytes) -> Form | None:
    """The form of a labelled volume, None when the image is none.

    An image of the size of a form needs a volume label or a file label where the first of them stands; one of any
    other size needs the volume label, which says how it is laid out.
    """
    volume = label_at(image, VOLUME_SECTOR)
    code = label_code(volume, "VOL1")
    for form in FORMS:
        if len(image) == places_of(form).starts[-1] and (
            code or label_code(label_at(image, FIRST_FILE_SECTOR), "HDR1", "DDR1")
        ):
            return form
    if not code or len(volume) < LABEL_BYTES:
        return None
    label = volume_label(Label(volume, code))
    fits = [f for f in FORMS if f.proven and (f.surface, f.length_code) == (label.surface, label.length_code)]
    return fits[0] if fits else None
