"""What has become of the files that entries name: every one hashed again and told, damage by file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from indexhole.errors import InputFault, ShelfFault
from indexhole.shelf.files.inside import CAPTURES, PHOTOS, open_inside, read_inside
from indexhole.shelf.records.additions import Photo
from indexhole.shelf.records.records import CaptureRecord
from indexhole.shelf.register.shelf import Shelf
from indexhole.signal.formats.readers import sha256_of_open

State = Literal["unchanged", "changed", "missing", "not kept"]
# the worst comes first
_STATES: tuple[State, ...] = ("changed", "missing", "not kept", "unchanged")


@dataclass(frozen=True, slots=True)
class CheckedFile:
    """What a check found of one file, by its path in the shelf; `what` says it in words, empty for an unchanged one."""

    file: str
    state: State
    what: str = ""

    @property
    def sound(self) -> bool:
        """Whether it is as it was kept, or was not to be kept."""
        return self.state in ("unchanged", "not kept")


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check found of one capture: the state of the worse of its files, and both in words.

    `proven` says whether the entry holds a digest of the pulses; without one, damage may pass unseen.
    """

    record: CaptureRecord
    state: State
    what: str
    files: tuple[CheckedFile, ...]
    proven: bool

    @property
    def sound(self) -> bool:
        """Whether no file is damaged or missing."""
        return all(one.sound for one in self.files)


@dataclass(frozen=True, slots=True)
class CheckedPhoto:
    """What a check found of one photo; `what` says it in words, empty for one that is unchanged."""

    record: Photo
    state: State
    what: str = ""

    @property
    def sound(self) -> bool:
        """Whether its file is as it was kept."""
        return self.state == "unchanged"


def check_captures(shelf: Shelf) -> list[Checked]:
    """Hash every file of every capture again and say which are unchanged, changed, missing, or were not kept."""
    return [check_capture(shelf, record) for record in shelf.all(CaptureRecord)]


def check_capture(shelf: Shelf, record: CaptureRecord) -> Checked:
    """The same of one capture."""
    original = check_original(shelf, record)
    files = [original]
    if record.original != record.parquet:
        files.append(check_pulses(shelf, record, anew=_anew(record, original)))
    state = min((one.state for one in files), key=_STATES.index)
    what = "; ".join(one.what for one in files if one.what)
    return Checked(record, state, what, tuple(files), proven=bool(record.parquet_sha256))


def _anew(record: CaptureRecord, original: CheckedFile) -> str:
    if record.original and original.sound:
        return "`indexhole shelf mend` makes it anew from the original"
    return f"add {record.name} again to make it anew"


def check_original(shelf: Shelf, record: CaptureRecord) -> CheckedFile:
    """Whether the original still has its SHA-256."""
    if not record.original:
        return CheckedFile("", "not kept", "the original was not kept; compare its SHA-256 where it is kept")
    return _hashed(shelf, record.original, CAPTURES, record.sha256, "put back a copy, or add the file again")


def check_pulses(shelf: Shelf, record: CaptureRecord, *, anew: str = "") -> CheckedFile:
    """Whether the file of pulses still has its SHA-256; one without is read through. `anew` says how to mend it."""
    if record.parquet_sha256:
        return _hashed(shelf, record.parquet, CAPTURES, record.parquet_sha256, anew)
    from indexhole.signal.store import parse_parquet

    try:
        parse_parquet(read_inside(shelf.folder, record.parquet, CAPTURES), record.parquet)
    except InputFault as fault:
        return CheckedFile(
            record.parquet, "changed", f"{record.parquet} cannot be read any more ({fault.what}); {anew}"
        )
    except (OSError, ShelfFault) as fault:
        return _absent(record.parquet, fault, anew)
    return CheckedFile(record.parquet, "unchanged")


def check_photos(shelf: Shelf) -> list[CheckedPhoto]:
    """Hash every photo again and say which are unchanged, changed or missing."""
    return [check_photo(shelf, record) for record in shelf.all(Photo)]


def check_photo(shelf: Shelf, record: Photo) -> CheckedPhoto:
    """The same of one photo."""
    found = _hashed(shelf, record.file, PHOTOS, record.sha256, "put back a copy, or add the photo again")
    return CheckedPhoto(record, found.state, found.what)


def _hashed(shelf: Shelf, named: str, within: str, sha256: str, remedy: str) -> CheckedFile:
    try:
        with open_inside(shelf.folder, named, within) as content:
            digest = sha256_of_open(content)
    except (OSError, ShelfFault) as fault:
        return _absent(named, fault, remedy)
    if digest != sha256:
        return CheckedFile(named, "changed", f"{named} has changed: its SHA-256 is now {digest}; {remedy}")
    return CheckedFile(named, "unchanged")


def _absent(named: str, fault: OSError | ShelfFault, remedy: str) -> CheckedFile:
    if isinstance(fault, FileNotFoundError):
        return CheckedFile(named, "missing", f"{named} is missing; {remedy}")
    why = fault.what if isinstance(fault, ShelfFault) else fault.strerror
    return CheckedFile(named, "missing", f"{named} cannot be read ({why}); {remedy}")
