"""A trial as the page shows it."""

from __future__ import annotations

import re
from dataclasses import dataclass

from indexhole.shelf.register.trials import LoggedTrial
from indexhole.web.drawing.words import count, percent


@dataclass(frozen=True)
class TrialRow:
    """One row of the trial sheet."""

    trial: str
    anchor: str
    when: str
    operation: str
    host: str
    lead: str
    mechanism: str
    disk: str
    side: int
    cylinders: str
    tried: str
    failed: str
    share: float
    percent: str
    note: str
    logged: str


def anchor(trial: str) -> str:
    """An id for a trial's row: whatever a name holds, letters, digits and hyphens stand for it."""
    return "trial-" + re.sub(r"[^A-Za-z0-9]", lambda found: f"-{ord(found[0]):x}-", trial)


def trial_row(trial: LoggedTrial) -> TrialRow:
    """A trial with its outcome as a share."""
    share = trial.sectors_failed / trial.sectors_tried if trial.sectors_tried else 0.0
    first, last = trial.first_cylinder, trial.last_cylinder
    return TrialRow(
        trial=trial.trial,
        anchor=anchor(trial.trial),
        when=trial.when,
        operation=trial.operation,
        host=trial.host,
        lead=trial.lead,
        mechanism=trial.mechanism,
        disk=trial.disk,
        side=trial.side,
        cylinders=str(first) if first == last else f"{first} to {last}",
        tried=count(trial.sectors_tried),
        failed=count(trial.sectors_failed),
        share=share,
        percent=percent(share) if trial.sectors_tried else "none tried",
        note=trial.note,
        logged=", ".join(
            p for p in (trial.logged_by, f"{trial.logged_utc:%Y-%m-%d %H:%M}" if trial.logged_utc else "") if p
        ),
    )


def _minute(trial: LoggedTrial) -> str:
    return f"{trial.logged_utc:%Y-%m-%d %H:%M}" if trial.logged_utc else ""
