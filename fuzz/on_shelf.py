"""A small sound shelf, and everything a shelf says read once; and readers of what is looked for on it."""

from __future__ import annotations

import shutil
from functools import cache

from fuzz.parts import patched
from fuzz.target import Target, scratch
from indexhole.jobs.demo.things import demo_records
from indexhole.model.trials.trial import Trial
from indexhole.shelf.care.photos import store_photo
from indexhole.shelf.exchange.linked_data import json_ld
from indexhole.shelf.records.records import Note, Unit
from indexhole.shelf.register.database import REGISTER
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.register.tables import TABLES

_TRIAL = Trial("T1", "2026-03-01", "read", "H1", "", "D1.0", "K1", 0, 0, 12, 117, 3, "as found")


@cache
def sound_shelf() -> Shelf:
    """A shelf of some things, with a row in most tables; it is read only."""
    shelf = Shelf.open(scratch() / "sound", create=True)
    shelf.signed("Anna", "the first day").add_together(demo_records(), "demonstration")
    shelf.add_trials([_TRIAL])
    shelf.put_standing(Unit, "D2", "state", "as told", "the teacher")
    store_photo(shelf, b"\xff\xd8\xff picture", "a.jpg", unit="D1")
    shelf.remove(Note, "N1")
    return shelf


def read_through(shelf: Shelf) -> None:
    """Read everything a shelf says."""
    for kind in TABLES:
        shelf.all(kind)
        shelf.revisions(kind)
    shelf.trial_log()
    shelf.changes()
    for unit in shelf.all(Unit)[:2]:
        shelf.confidences_of(Unit, unit.key)
        shelf.field_history(Unit, unit.key)
    shelf.search("tide")
    shelf.inspect()
    json_ld(shelf)


@cache
def _register() -> bytes:
    return (sound_shelf().folder / REGISTER).read_bytes()


def _damaged(data: bytes) -> None:
    """The register's file with patches laid over it, opened and read."""
    folder = scratch() / "damaged"
    folder.mkdir(exist_ok=True)
    try:
        (folder / REGISTER).write_bytes(patched(_register(), data))
        read_through(Shelf.open(folder))
    finally:
        shutil.rmtree(folder)


def _search(data: bytes) -> None:
    words = data.decode("utf-8", "surrogateescape")
    found = sound_shelf().search(words)
    assert sum(sound_shelf().search_counts(words).values()) == len(found)


TARGETS = (
    Target("register", "a register's file, damaged", _damaged, 256),
    Target("search", "words looked for on the shelf", _search, 256),
)
