"""Labelled volumes (ECMA-58, ISO 7665): files as extents of sectors, named by labels on cylinder 00.

From memory of the standard and of the trade, as `labels` says; nothing here was checked against another reader.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator

from indexhole.volumes.image import Claims, some_of, spans
from indexhole.volumes.labelled.forms import (
    ERMAP_SECTOR,
    FIRST_FILE_SECTOR,
    VOLUME_SECTOR,
    Form,
    places_of,
)
from indexhole.volumes.labelled.labels import (
    LABEL_BYTES,
    FileLabel,
    Label,
    VolumeLabel,
    defective_cylinders,
    file_label,
    label_code,
    volume_label,
)
from indexhole.volumes.volume import Volume, VolumeFile, with_shared
from indexhole.wording import count_of

_ATTRIBUTES = {"": "one record a block", "B": "blocked records", "R": "spanned records"}
_PARTS = {"C": "goes on on another disk", "L": "is the last part of a file"}


class _Reader:
    """One image under its form."""

    def __init__(self, image: bytes, form: Form, unsound: Collection[int], marked: Collection[int]) -> None:
        self.form = form
        self.places = places_of(form)
        starts = self.places.starts
        self.count = len(starts) - 1
        self.image = image.ljust(starts[-1], b"\0")
        self.held = sum(end <= len(image) for end in starts[1:])
        self.unsound = frozenset(unsound)
        self.marked = frozenset(marked)
        self.problems: list[str] = []
        self.system: list[int] = []
        self.claims = Claims(self.count)
        self.gone = Claims(self.count)
        self.extents: list[range] = []
        if self.held < self.count:
            self.problems.append(f"the image holds {self.held} of {self.count} sectors")
        if not form.proven:
            self.problems.append("read as a 200 mm volume is: that 130 mm disks are labelled alike is unproven")

    def sector(self, number: int) -> bytes:
        return self.image[self.places.starts[number] : self.places.starts[number + 1]]

    def sound(self, number: int) -> bool:
        return number < self.held and number not in self.unsound

    def labels(self) -> Iterator[tuple[Label, int]]:
        """File labels and the sector each stands in, on both sides of cylinder 00."""
        for address, number in self.places.number.items():
            cylinder, head, sector = address
            if cylinder or (head == 0 and sector < FIRST_FILE_SECTOR):
                continue
            self.system.append(number)
            data = self.sector(number)
            # a longer sector may hold a second label (less sure)
            for at in range(0, len(data), LABEL_BYTES):
                raw = data[at : at + LABEL_BYTES]
                code = label_code(raw, "HDR1", "DDR1")
                if code:
                    yield Label(raw, code), number

    def volume_label(self) -> VolumeLabel | None:
        """VOL1, and what is wrong with it and with ERMAP."""
        first = {name: self.places.number[0, 0, name] for name in (ERMAP_SECTOR, VOLUME_SECTOR)}
        self.system += first.values()
        raw = self.sector(first[ERMAP_SECTOR])
        code = label_code(raw, "ERMAP")
        bad = defective_cylinders(Label(raw, code)) if code else []
        if bad:
            self.problems.append(f"ERMAP calls defective: cylinder {spans(bad)}")
        raw = self.sector(first[VOLUME_SECTOR])
        code = label_code(raw, "VOL1")
        if not code:
            self.problems.append("the volume label was not found, sector 07 of cylinder 00")
            return None
        label = volume_label(Label(raw, code))
        if (label.surface, label.length_code) != (self.form.surface, self.form.length_code):
            self.problems.append(
                f"the volume label says surface {label.surface!r} and sector length {label.length_code!r}, the image's "
                f"size says {self.form.surface!r} and {self.form.length_code!r}"
            )
        return label

    def extent(self, label: FileLabel) -> tuple[range, range, list[str]]:
        """Sectors of a file's extent, by number, those of them in use, and what is wrong with it."""
        begin, end = (self.places.number.get(a) if a else None for a in (label.begin, label.end))
        nothing = range(0)
        if begin is None or end is None:
            return nothing, nothing, ["its label names an extent that is not on the disk"]
        if begin > end:
            return nothing, nothing, ["its label names an extent that ends before it begins"]
        if begin < self.places.first_data:
            return nothing, nothing, ["its label names an extent among the labels"]
        whole = range(begin, end + 1)
        free = self.places.behind(label.free) if label.free else None
        if free is None:
            return whole, whole, ["its label does not say where its data end: its whole extent is taken"]
        if not begin <= free <= end + 1:
            return whole, whole, ["its data end outside its extent: its whole extent is taken"]
        return whole, range(begin, free), []

    def file(self, label: FileLabel, where: int, code: str, claims: Claims) -> VolumeFile:
        """The file of a label; what its extent holds is cut into blocks and records."""
        extent, used, problems = self.extent(label)
        whole = not problems
        if not label.deleted:
            self.extents.append(extent)
        taken = [number for number in used if claims.take(number, label.name)]
        if len(taken) < len(used):
            problems.append("not followed: the extents of this volume overlap too much")
            whole = False
        missing = sum(number >= self.held for number in taken)
        if missing:
            problems.append(f"{missing} of its sectors lie beyond the image")
            whole = False
        passed = [number for number in taken if number in self.marked]
        if passed:
            problems.append(f"{count_of(len(passed), 'sector')} with a deleted-data mark passed over: {spans(passed)}")
        if not self.sound(where):
            problems.append("its label was not soundly read")
            whole = False
        data, record_bytes, odd = self._records(label, [n for n in taken if n not in self.marked])
        if label.part in _PARTS:
            problems.append(f"its label says that it {_PARTS[label.part]}")
        if label.deleted:
            problems.insert(0, "deleted: its sectors may have been given to others")
        kind = ["data set", _ATTRIBUTES.get(label.attribute, ""), "write-protected" if label.protected else ""]
        return VolumeFile(
            name=label.name or "unnamed",
            data=data,
            size=len(data),
            sectors=tuple(taken),
            kind=", ".join(word for word in kind if word),
            modified=_date(label.created),
            whole=whole and not odd and not label.deleted,
            problems=(*problems, *odd),
            deleted=label.deleted,
            record_bytes=record_bytes,
            code=code,
        )

    def _records(self, label: FileLabel, numbers: list[int]) -> tuple[bytes, int, list[str]]:
        """Data of the records in these sectors, bytes a record, and what is wrong. A block begins each sector."""
        sectors = [self.sector(number) for number in numbers]
        block, record = label.block_bytes or 0, label.record_bytes or label.block_bytes or 0
        fits = 0 < block <= self.form.others[1] and record > 0 and (label.attribute == "R" or record <= block)
        if label.attribute not in _ATTRIBUTES or not fits:
            text = f"its label tells a block of {block}, a record of {record}, kind {label.attribute!r}"
            return b"".join(sectors), 0, [f"{text}, which do not fit: whole sectors are taken"]
        # without an attribute one record fills a block, and it may be shorter
        used = {"": record, "B": block // record * record, "R": block}[label.attribute]
        data = b"".join(sector[:used] for sector in sectors)
        unused = label.unused_bytes or 0
        if label.attribute and 0 < unused < block:
            data = data[: max(0, len(data) - (unused if label.attribute == "R" else unused // record * record))]
        rest = len(data) % record
        odd = [f"its last {count_of(rest, 'byte')} fill no record"] if rest else []
        return data, record, odd

    def note_problems(self) -> None:
        """Note what is wrong with the labels and the extents as a whole."""
        unread = [number for number in self.system if not self.sound(number)]
        if unread:
            self.problems.append(f"{count_of(len(unread), 'label sector')} not soundly read, files may be missing")
        twice = sum(map(len, self.extents)) - len(self.in_extents())
        if twice:
            self.problems.append(f"the extents of files overlap in {count_of(twice, 'sector')}")

    def in_extents(self) -> set[int]:
        """Sectors that lie in the extent of a file that is not deleted."""
        return {number for extent in self.extents for number in extent}


def _date(recorded: str) -> str:
    """YYMMDD as a date of the last century, "" when it is none."""
    if len(recorded) != 6 or not recorded.isdigit():
        return ""
    year, month, day = int(recorded[:2]) + 1900, int(recorded[2:4]), int(recorded[4:])
    return f"{year}-{month:02}-{day:02}" if 1 <= month <= 12 and 1 <= day <= 31 else ""


def read_labelled(image: bytes, form: Form, unsound: Collection[int] = (), marked: Collection[int] = ()) -> Volume:
    """Read a labelled volume; never raises whatever the image holds.

    Args:
        unsound: sectors, by number in image order, that were not read with a passing check.
        marked: sectors recorded with the deleted-data mark: their records are passed over.
    """
    reader = _Reader(image, form, unsound, marked)
    volume_label = reader.volume_label()
    files, gone = [], []
    for label, where in reader.labels():
        fields = file_label(label)
        if fields.unused:
            continue
        if fields.deleted:
            gone.append(reader.file(fields, where, label.code, reader.gone))
        else:
            files.append(reader.file(fields, where, label.code, reader.claims))
    reader.note_problems()
    return Volume(
        kind="labelled",
        title=volume_label.name if volume_label else "",
        free=reader.count - reader.places.first_data - len(reader.in_extents()),
        unit_bytes=form.others[1],
        sector_bytes=form.others[1],
        files=tuple(with_shared(file, reader.claims.shared, "sector") for file in files),
        system_sectors=tuple(sorted(set(reader.system))),
        problems=some_of(reader.problems),
        deleted_files=tuple(with_shared(file, reader.gone.shared, "sector") for file in gone),
    )
