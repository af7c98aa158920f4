"""A lead and the adapters in series with it: each is a part that may fail.

In a sheet they stand in one cell, as `L4+A1`. On the shelf a trial names its lead, and the note its adapters, as
"adapter A1" or `adapter: A1`; the two ways say the same.
"""

from __future__ import annotations

import re
from dataclasses import replace

from indexhole.model.trials.notes import turned_round
from indexhole.model.trials.trial import Trial

# Without a colon only what has a figure in it is a name: "with an adapter made here" names none.
_NOTED = re.compile(r"\badapters?\s*(?::\s*([^\s;,]+)|\s([A-Za-z]+[-._]?\d[\w.-]*))", re.IGNORECASE)


def parts_of(lead: str) -> tuple[str, ...]:
    """The names in a lead's cell, each once, in order; none for an empty cell."""
    return tuple(dict.fromkeys(name for name in (part.strip() for part in lead.split("+")) if name))


def adapters_noted(note: str) -> tuple[str, ...]:
    """Adapters that a note names."""
    found = (m for m in _NOTED.finditer(note) if not turned_round(note[: m.start()]))
    return tuple(dict.fromkeys((m[1] or m[2]).rstrip(".") for m in found))


def leads_of(trial: Trial) -> tuple[str, ...]:
    """The lead and the adapters a trial ran over."""
    return parts_of(joined(trial).lead)


def joined(trial: Trial) -> Trial:
    """The trial with the adapters of its note beside its lead, so that each is weighed; told so already, it stays."""
    if "+" not in trial.lead and "adapter" not in trial.note.casefold():
        return trial
    return replace(trial, lead="+".join(dict.fromkeys((*parts_of(trial.lead), *adapters_noted(trial.note)))))


def apart(trial: Trial) -> Trial:
    """The trial as the shelf keeps it: one lead, and further parts in the note."""
    lead, *adapters = parts_of(trial.lead) or ("",)
    new = [f"adapter: {name}" for name in adapters if name not in adapters_noted(trial.note)]
    return replace(trial, lead=lead, note="; ".join(filter(None, (trial.note, *new))))
