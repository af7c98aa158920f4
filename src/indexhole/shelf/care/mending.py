"""Files of captures made anew: pulses from the original, proven equal; an original from the same file added again.

What is damaged is not written over unless the same bytes come back: pulses of other bytes get a name of their own.
"""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO, Literal

from indexhole.errors import IndexholeError
from indexhole.shelf.care.condition import check_original, check_pulses
from indexhole.shelf.files.inside import CAPTURES, ORIGINALS, folder_inside, pulses_place, read_inside
from indexhole.shelf.files.writing import give_name, in_the_making, refusals_told, sync
from indexhole.shelf.records.records import CaptureRecord
from indexhole.shelf.register.shelf import Shelf
from indexhole.signal.captures.capture import Capture
from indexhole.signal.formats.readers import read_capture, sha256_of
from indexhole.signal.store import parse_parquet, pulses_digest, write_parquet

Outcome = Literal["made anew", "put back", "proven", "other pulses", "taken as it stands", "not mended"]
_WORDS: dict[Outcome, str] = {
    "made anew": "made anew from the original, and proven equal to what was kept",
    "put back": "put back, and proven by its SHA-256",
    "proven": "proven equal to what the original gives",
    "other pulses": "made anew from the original; what was kept in its place cannot be compared",
    "taken as it stands": "taken as it stands: there is no original to prove it by",
    "not mended": "not mended",
}
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Mended:
    """What was done about one file of a capture, and why nothing could be done where that is so."""

    record: CaptureRecord
    file: str
    outcome: Outcome
    why: str = ""

    @property
    def summary(self) -> str:
        """The outcome in words."""
        return f"{self.file}: {_WORDS[self.outcome]}" + (f" ({self.why})" if self.why else "")


def mend_captures(shelf: Shelf, progress: Progress | None = None) -> list[Mended]:
    """Mend what can be mended of all captures, and prove pulses kept by an older version against their originals."""
    mending = _Mending(shelf)
    records = shelf.all(CaptureRecord)
    for number, record in enumerate(records):
        mending.mend(record, None)
        if progress is not None:
            progress(number + 1, len(records))
    return mending.done()


def mend_capture(shelf: Shelf, record: CaptureRecord, source: Path | None = None) -> tuple[Mended, ...]:
    """Mend the files of one capture; nothing is told of files that need it not.

    Args:
        source: a file with the SHA-256 of the original, where the keeper has one.
    """
    mending = _Mending(shelf)
    mending.mend(record, source)
    return tuple(mending.done())


class _Mending:
    """Files are mended one by one, each a change; digests that only had to be entered are one change together."""

    def __init__(self, shelf: Shelf) -> None:
        self._shelf = shelf
        self._told: list[Mended] = []
        self._proofs: list[tuple[CaptureRecord, dict[str, str]]] = []

    def done(self) -> list[Mended]:
        if self._proofs:
            self._shelf.renew_files(f"enter digests of the pulses of {len(self._proofs)} captures", self._proofs)
        return self._told

    def _tell(self, record: CaptureRecord, file: str, outcome: Outcome, why: str = "") -> None:
        self._told.append(Mended(record, file, outcome, why))

    def mend(self, record: CaptureRecord, source: Path | None) -> None:
        with refusals_told(f"the files of {record.name} cannot be mended", self._shelf.folder):
            self._mend(record, source)

    def _mend(self, record: CaptureRecord, source: Path | None) -> None:
        whole = check_original(self._shelf, record).sound or self._put_back(record, source)
        if record.original == record.parquet:
            return
        damaged = not check_pulses(self._shelf, record).sound
        if not damaged and record.pulses_sha256:
            return
        origin = self._shelf.folder / record.original if whole and record.original else source
        if origin is not None:
            self._from_original(record, origin, damaged)
        elif damaged:
            self._tell(record, record.parquet, "not mended", "there is no whole original")
        else:
            self._prove(record, pulses_digest(self._stored(record)), "taken as it stands")

    def _put_back(self, record: CaptureRecord, source: Path | None) -> bool:
        """Whether the original is whole again."""
        if source is None or record.original == record.parquet:
            self._tell(record, record.original, "not mended", "put back a copy, or add the file again")
            return False
        with in_the_making(folder_inside(self._shelf.folder, ORIGINALS)) as copy, source.open("rb") as content:
            shutil.copyfileobj(content, copy)
            sync(copy)
            if sha256_of(Path(copy.name)) != record.sha256:
                self._tell(record, record.original, "not mended", "the file given is another one")
                return False
            target = self._shelf.folder / record.original
            self._shelf.renew_files(f"put back the original of {record.name}", [(record, {})], _namer(copy, target))
        self._tell(record, record.original, "put back")
        return True

    def _from_original(self, record: CaptureRecord, origin: Path, damaged: bool) -> None:
        try:
            capture = replace(read_capture(origin), name=record.name)
        except IndexholeError as fault:
            self._tell(record, record.parquet, "not mended", fault.what)
            return
        digest = pulses_digest(capture)
        if capture.sha256 != record.sha256:
            self._tell(record, record.parquet, "not mended", "the file given is another one")
        elif record.pulses_sha256 not in ("", digest):
            self._tell(record, record.parquet, "not mended", "the original gives other pulses to this version")
        elif not damaged and pulses_digest(self._stored(record)) == digest:
            self._prove(record, digest, "proven")
        else:
            self._anew(record, capture, digest)

    def _anew(self, record: CaptureRecord, capture: Capture, digest: str) -> None:
        with in_the_making(folder_inside(self._shelf.folder, CAPTURES)) as pulses:
            write_parquet(capture, pulses)
            sync(pulses)
            sha256 = sha256_of(Path(pulses.name))
            if sha256 == record.parquet_sha256:
                parquet, values = record.parquet, {}
            else:
                parquet = pulses_place(self._shelf.folder, record.sha256, sha256)
                values = {"parquet": parquet, "parquet_sha256": sha256, "pulses_sha256": digest}
            what = f"make the pulses of {record.name} anew"
            self._shelf.renew_files(what, [(record, values)], _namer(pulses, self._shelf.folder / parquet))
        self._tell(record, parquet, "made anew" if record.pulses_sha256 else "other pulses")

    def _stored(self, record: CaptureRecord) -> Capture:
        return parse_parquet(read_inside(self._shelf.folder, record.parquet, CAPTURES), record.parquet)

    def _prove(self, record: CaptureRecord, digest: str, outcome: Outcome) -> None:
        content = read_inside(self._shelf.folder, record.parquet, CAPTURES)
        sums = {"pulses_sha256": digest, "parquet_sha256": hashlib.sha256(content).hexdigest()}
        self._proofs.append((record, sums))
        self._tell(record, record.parquet, outcome)


def _namer(part: BinaryIO, target: Path) -> Callable[[], None]:
    return lambda: give_name(part, target)
