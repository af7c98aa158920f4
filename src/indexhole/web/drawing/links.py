"""Where things stand on the page."""

from __future__ import annotations

from indexhole.shelf.records.additions import View
from indexhole.shelf.records.records import words_of
from indexhole.web.drawing.trial_view import anchor
from indexhole.web.drawing.words import query

# of a capture's SHA-256, as in the names of its files
KEY_LENGTH = 16


def unit_link(inventory: str) -> str:
    """A unit's page."""
    return query("/unit", no=inventory)


def disk_link(inventory: str) -> str:
    """A disk's page."""
    return query("/disk", no=inventory)


def mechanism_link(mechanism: str) -> str:
    """The page of the unit a mechanism belongs to."""
    return unit_link(mechanism.rpartition(".")[0])


def trial_link(trial: str) -> str:
    """A trial's row on the sheet."""
    return f"{query('/causes/trials', at=trial)}#{anchor(trial)}"


def capture_link(sha256: str) -> str:
    """A capture by itself."""
    return query("/recordings/read", capture=sha256[:KEY_LENGTH])


def view_link(view: View) -> str:
    """What a saved view shows: chosen units side by side, else a search."""
    if view.chosen:
        return query("/compare", unit=list(words_of(view.chosen)))
    return query("/", words=view.words, kind=next(iter(words_of(view.what)), ""))
