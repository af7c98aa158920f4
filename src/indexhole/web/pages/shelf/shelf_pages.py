"""The Shelf list as data: units and disks in stretches, what a search finds, views kept, the latest changes; labels."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import segno
from markupsafe import Markup

from indexhole.causes.ranking.diagnosis import Diagnosis
from indexhole.shelf.records.additions import View
from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.records import Disk, Mechanism, Unit
from indexhole.shelf.records.shown import grouped
from indexhole.shelf.register.journal import Change
from indexhole.shelf.views.listing import disk_keys, mechanisms_by_unit, records_of, tried_among, unit_keys
from indexhole.standards.classes import load_classes
from indexhole.web.drawing.links import disk_link, unit_link, view_link
from indexhole.web.drawing.verdict import Standing, verdict_of
from indexhole.web.drawing.view import Page
from indexhole.web.drawing.words import day, plural, query
from indexhole.web.pages.shelf.search import Hits, search_hits
from indexhole.web.serving.site import Site

R = TypeVar("R", bound=Record)
_CHANGES_SHOWN, A_PAGE = 6, 50


@dataclass(frozen=True)
class Stretch:
    """Which part of a long list is shown, and links to its neighbours; empty where there are none."""

    number: int
    pages: int
    total: int
    before: str
    after: str

    @property
    def range_text(self) -> str:
        """Where this part lies, in words; empty for a list that is whole."""
        return f"Page {self.number} of {self.pages}, {plural(self.total, 'entry')} in all." if self.pages > 1 else ""


def stretch(number: int, total: int, link: Callable[[int], str], a_page: int = A_PAGE) -> Stretch:
    """Page `number` (from 1) of a list; one that is out of it is the nearest."""
    pages = max(1, -(-total // a_page))
    at = min(max(number, 1), pages)
    return Stretch(at, pages, total, link(at - 1) if at > 1 else "", link(at + 1) if at < pages else "")


@dataclass(frozen=True)
class MechanismEntry:
    """A mechanism with its verdict."""

    name: str
    facts: str
    note: str
    standing: Standing
    edit: str


@dataclass(frozen=True)
class UnitEntry:
    """A unit in the list."""

    inventory: str
    link: str
    kind: str
    title: str
    about: str
    proven: bool
    mechanisms: tuple[MechanismEntry, ...]


@dataclass(frozen=True)
class DiskEntry:
    """A disk in the list."""

    inventory: str
    link: str
    title: str
    about: str
    irreplaceable: bool
    proven: bool


@dataclass(frozen=True)
class ChangeRow:
    """A change that can be taken back."""

    number: int
    what: str
    at: str


@dataclass(frozen=True)
class ViewEntry:
    """A view kept by name."""

    name: str
    link: str
    about: str


@dataclass(frozen=True, kw_only=True)
class ShelfPage(Page):
    """Everything on the shelf. `hits` is None when nothing was looked for."""

    units: tuple[UnitEntry, ...]
    unit_stretch: Stretch
    disks: tuple[DiskEntry, ...]
    disk_stretch: Stretch
    words: str
    kind: str
    hits: Hits | None
    views: tuple[ViewEntry, ...]
    changes: tuple[ChangeRow, ...]
    weighing: bool


@dataclass(frozen=True, kw_only=True)
class LabelPage(Page):
    """A label to stick on: a number, a name, and a square that opens the thing's page."""

    inventory: str
    name: str
    code: Markup
    address: str
    back: str


def class_title(disk_class: str) -> str:
    """The title of a disk class; one dropped since is shown by its id."""
    found = load_classes().get(disk_class)
    return found.title if found else disk_class


def shelf_page(site: Site, words: str, kind: str, pages: tuple[int, int], notices: tuple[str, ...]) -> ShelfPage:
    """The list, or with words what a search finds."""
    shelf = site.shelf
    looking = bool(words.strip())
    diagnosis, weighing = (None, False) if looking else site.diagnosis_if_ready()
    units: list[str] = [] if looking else site.held("unit keys", unit_keys)
    disks: list[str] = [] if looking else site.held("disk keys", disk_keys)
    unit_stretch = stretch(pages[0], len(units), lambda n: query("/", units=n, disks=pages[1]) + "#units")
    disk_stretch = stretch(pages[1], len(disks), lambda n: query("/", units=pages[0], disks=n) + "#disks")
    shown = _part(site, Unit, units, unit_stretch)
    own = mechanisms_by_unit(shelf, [unit.inventory for unit in shown])
    tried = tried_among(shelf, [m.mechanism for held in own.values() for m in held])
    return ShelfPage(
        title="Shelf",
        section="Shelf",
        notices=notices,
        units=tuple(_unit_entry(u, own.get(u.inventory, []), tried, diagnosis, weighing) for u in shown),
        unit_stretch=unit_stretch,
        disks=tuple(_disk_entry(disk) for disk in _part(site, Disk, disks, disk_stretch)),
        disk_stretch=disk_stretch,
        words=words,
        kind=kind,
        hits=search_hits(shelf, words, kind) if looking else None,
        views=() if looking else tuple(_view_entry(view) for view in shelf.page(View, most=100)),
        changes=tuple(change_row(change) for change in shelf.changes(_CHANGES_SHOWN)),
        weighing=weighing,
    )


def _part(site: Site, kind: type[R], keys: Sequence[str], part: Stretch) -> list[R]:
    first = (part.number - 1) * A_PAGE
    shown = keys[first : first + A_PAGE]
    found = records_of(site.shelf, kind, shown)
    return [found[key] for key in shown if key in found]


def _unit_entry(
    unit: Unit, own: Sequence[Mechanism], tried: frozenset[str], diagnosis: Diagnosis | None, weighing: bool
) -> UnitEntry:
    return UnitEntry(
        inventory=unit.inventory,
        link=unit_link(unit.inventory),
        kind=unit.kind,
        title=unit.title,
        about=", ".join(
            p for p in (unit.kind if unit.title else "", unit.maker, class_title(unit.disk_class), unit.state) if p
        ),
        proven=unit.standing == "known",
        mechanisms=tuple(mechanism_entry(m, tried, diagnosis, weighing) for m in own),
    )


def mechanism_entry(
    mechanism: Mechanism, tried: frozenset[str], diagnosis: Diagnosis | None, weighing: bool
) -> MechanismEntry:
    """A mechanism with what is known of it in a line, and what the trials say."""
    name = mechanism.mechanism
    facts = [
        f"{one.shown.label[:1].lower()}{one.shown.label[1:]} {said}"
        for one in grouped(Mechanism)
        if not (one.noted or one.once or one.name == "note") and (said := one.said(getattr(mechanism, one.name)))
    ]
    return MechanismEntry(
        name=name,
        facts=", ".join(facts),
        note=mechanism.note,
        standing=verdict_of(name, diagnosis, name in tried, weighing),
        edit=query("/mechanism/edit", no=name),
    )


def _disk_entry(disk: Disk) -> DiskEntry:
    sides = plural(disk.sides, "side") if disk.sides else ""
    return DiskEntry(
        inventory=disk.inventory,
        link=disk_link(disk.inventory),
        title=disk.title,
        about=", ".join(part for part in (class_title(disk.disk_class), sides, disk.condition) if part),
        irreplaceable=disk.irreplaceable,
        proven=disk.standing == "known",
    )


def _view_entry(view: View) -> ViewEntry:
    about = f"{view.chosen} side by side" if view.chosen else f"what holds “{view.words}”"
    return ViewEntry(view.view, view_link(view), ", ".join(p for p in (about, view.note) if p))


def change_row(change: Change) -> ChangeRow:
    """A change as it is listed."""
    return ChangeRow(change.number, change.what, day(change.at_utc))


def label_page(record: Unit | Disk, back: str, address: str) -> LabelPage:
    """The label of a unit or disk; `address` is what a camera opens."""
    made = segno.make(address, micro=False, error="m")
    rows = [(r, c) for r, row in enumerate(made.matrix) for c, dark in enumerate(row) if dark]
    size = len(made.matrix) + 8
    path = "".join(f"M{c + 4} {r + 4}h1v1h-1z" for r, c in rows)
    code = Markup(
        '<svg class="code" viewBox="0 0 {0} {0}" role="img" aria-label="{1}" shape-rendering="crispEdges">'
        '<rect class="tone-ground" width="{0}" height="{0}"/><path class="tone-line" d="{2}"/></svg>'
    ).format(size, f"A square code that opens {address}", path)
    name = record.title or (record.kind if isinstance(record, Unit) else "disk")
    return LabelPage(
        title=f"Label of {record.inventory}", section="Shelf", inventory=record.inventory, name=name, code=code,
        address=address, back=back,
    )  # fmt: skip
