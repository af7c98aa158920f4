"""What is written beside a shelf's register, and killed amid it: other shelves, recovered disks, measurements.

Each play is one life, and then says what is wrong with what it left.
"""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from tests.shelf.test_old import SHELVES, VERSIONS
from tests.support.afterwards import sound
from tests.support.browsing import LAYOUT
from tests.support.mortal import Mortal
from tests.support.stress_pages import HEADING

from indexhole.errors import IndexholeError
from indexhole.jobs.demo.run import state_of
from indexhole.levelling.measurements import KEPT, parse_measurements
from indexhole.model.simulator.simulate import format_track, read_track
from indexhole.shelf.care.captures import store_capture
from indexhole.shelf.exchange.backup import back_up, check_backup
from indexhole.shelf.records.records import Unit
from indexhole.shelf.register.database import REGISTER
from indexhole.shelf.register.shelf import Shelf
from indexhole.signal.formats.readers import read_capture
from indexhole.signal.formats.write_vcd import vcd_bytes
from indexhole.signal.simulated import capture_of


class Apart:
    """Plays beside the shelf; `often` in every round, `seldom` what takes long."""

    def __init__(self, mortal: Mortal, folder: Path) -> None:
        self.mortal, self.shelf = mortal, Path(mortal.shelf)
        self.folder = folder / "apart"
        self.folder.mkdir()
        self.often = {
            "restore": self.restore,
            "start": self.start,
            "bring up to date": self.bring_up_to_date,
            "recover": self.recover,
            "recover over": self.recover_over,
            "measurements": self.measurements,
            "mend what is damaged": self.mend,
        }
        self.seldom = {"demo": self.demo}
        self.backup, self.track = folder / "whole.backup", folder / "track.vcd"
        self.rows = back_up(Shelf.open(mortal.shelf), self.backup).rows
        _track_file(self.track)
        mortal.server.live(["recover", str(self.track)], "here")
        self.damaged = _damaged_shelf(folder)
        self.recovered: dict[str, str] = {}
        self.measured: list[str] = []

    def play(self, verb: str, mark: str) -> list[str]:
        """Play one, and say what is wrong with what it left."""
        play = {**self.often, **self.seldom}[verb]
        try:
            return [f"{verb} {mark}: {fault}" for fault in play(mark)]
        except IndexholeError as fault:
            return [f"{verb} {mark}: {fault.line}"]

    def _life(self, *words: str) -> tuple[bool, list[str]]:
        """Whether it said that it is done, and that it was refused, for which there is no reason here."""
        told = self.mortal.life(words)
        return told["status"] is not None, [told["said"]] if told["status"] else []

    def restore(self, mark: str) -> Iterator[str]:
        """A backup to a new folder, which appears whole or not at all."""
        place = self.folder / mark
        done, refused = self._life("shelf", "restore", str(self.backup), "--shelf", str(place))
        yield from refused
        if place.exists():
            shelf = Shelf.open(place)
            yield from sound(shelf)
            if sum(check_backup(self.backup).rows.values()) != back_up(shelf, self.folder / "again.backup").rows:
                yield "a part of the rows is there"
        elif done:
            yield "it said it is restored"

    def start(self, mark: str) -> Iterator[str]:
        """A shelf that is started: there is a whole one or none, and starting it again works."""
        place = self.folder / mark
        words = ["shelf", "add", "unit", "D1", "--shelf", str(place)]
        done, refused = self._life(*words)
        yield from refused
        if done and not (place / REGISTER).exists():
            yield "it said it is started"
        if (place / REGISTER).exists():
            shelf = Shelf.open(place)
            yield from sound(shelf)
            if done and shelf.find(Unit, "D1") is None:
                yield "it said it is added"
        elif self.mortal.server.live(words, None)["status"] != 0:
            yield "it cannot be started again"

    def bring_up_to_date(self, mark: str) -> Iterator[str]:
        """A shelf of an older version, of which all stays as it was or becomes as it is now."""
        place = self.folder / mark
        shutil.copytree(SHELVES / VERSIONS[0], place)
        done, refused = self._life("shelf", "add", "note", mark, "--shelf", str(place))
        yield from refused
        shelf = Shelf.open(place)
        yield from shelf.inspect()
        if [unit.inventory for unit in shelf.all(Unit)] != ["D1", "H1", "L1", "D2"] or len(shelf.trials()) != 2:
            yield "something of the older shelf is gone"
        if done and not shelf.search(mark):
            yield "it said it is added"

    def recover(self, mark: str) -> Iterator[str]:
        """What is recovered from a capture, in a new folder."""
        place = self.folder / mark
        done, refused = self._life("recover", str(self.track), "--out", str(place))
        yield from refused
        if place.exists():
            yield from self._recovered(place)
        elif done:
            yield "it said it is written"

    def recover_over(self, mark: str) -> Iterator[str]:
        """The same in place of an earlier one, which is there until the new one is."""
        place = self.folder / "recovered"
        there = place.exists()
        done, refused = self._life("recover", str(self.track), "--out", str(place), "--overwrite")
        yield from refused
        if place.exists():
            yield from self._recovered(place)
        elif there or done:
            yield "neither the old folder nor the new one is there"

    def _recovered(self, place: Path) -> Iterator[str]:
        try:
            json.loads((place / "report.json").read_text(encoding="utf-8"))
        except (OSError, ValueError) as fault:
            yield f"the report is not whole ({fault})"
        held = {
            path.relative_to(place).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
            for path in place.rglob("*")
            if path.is_file() and path.name != "report.json"
        }
        self.recovered = self.recovered or held
        if held != self.recovered:
            yield "a part is there"

    def measurements(self, mark: str) -> Iterator[str]:
        """A sheet of measurements, added to those kept with the shelf."""
        sheet, kept = self.folder / f"{mark}.csv", self.shelf / KEPT
        sheet.write_text(f"{HEADING}\nA1,D0.0,offset,12,8,um,{mark}\n", encoding="utf-8")
        done, refused = self._life("measurements", str(self.shelf), str(sheet))
        yield from refused
        self.measured += [mark] if done else []
        text = kept.read_text(encoding="utf-8") if kept.exists() else ""
        if text:
            parse_measurements(text, where=KEPT)
        yield from (f"{one} was said to be kept" for one in self.measured if one not in text)

    def demo(self, mark: str) -> Iterator[str]:
        """The demonstration in place of an earlier one, which is there until the new one is."""
        place = self.folder / "demonstration"
        there = place.exists()
        done, refused = self._life("demo", str(place))
        yield from refused
        if state_of(place) != ("as made" if there or done or place.exists() else "nothing"):
            yield "neither the old demonstration nor the new one is there"

    def mend(self, mark: str) -> Iterator[str]:
        """A shelf with a capture whose pulses are gone, which can be mended until they are there again."""
        place = self.folder / mark
        shutil.copytree(self.damaged, place)
        words = ("shelf", "mend", "--shelf", str(place))
        done, refused = self._life(*words)
        yield from refused
        if not done and self.mortal.server.live(words, None)["status"] != 0:
            yield "it cannot be mended after all"
        yield from sound(Shelf.open(place))


def _damaged_shelf(folder: Path) -> Path:
    """A shelf with one capture, whose pulses are gone."""
    shelf = Shelf.open(folder / "damaged", create=True)
    source = folder / "pool" / "0.vcd"
    record = store_capture(shelf, source, read_capture(source)).record
    (shelf.folder / record.parquet).unlink()
    return shelf.folder


def _track_file(path: Path) -> None:
    """A capture of one track of a simulated disk."""
    rng = np.random.default_rng(1)
    zone = LAYOUT.zone(12, 0)
    assert zone is not None
    data = {number: rng.bytes(zone.sector_bytes) for number in zone.sector_ids}
    path.write_bytes(vcd_bytes(capture_of(read_track(format_track(LAYOUT, 12, 0, data, rng), rng, revolutions=2), "t")))
