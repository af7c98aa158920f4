"""Recording the outcome of the trial that was proposed: one button, and the sheet has a row more."""

from __future__ import annotations

from datetime import date
from typing import Any

from fastapi import APIRouter
from pydantic import ValidationError
from starlette.responses import Response

from indexhole.causes.likelihood.history import typical_counts
from indexhole.causes.ranking.diagnosis import NextTrial
from indexhole.errors import InputFault
from indexhole.model.trials.trial import Trial
from indexhole.shelf.sheets.sheet import SheetRow
from indexhole.web.drawing.words import query
from indexhole.web.forms.faults import fault_and_remedy
from indexhole.web.forms.fields import LOG_FIELDS
from indexhole.web.forms.forms import typed
from indexhole.web.forms.posted import Posted
from indexhole.web.serving.site import Site

OUTCOME = "/causes/outcome"
_KEPT = ("operation", "host", "lead", "mechanism", "disk", "side", "first_cylinder", "last_cylinder", "note")


def proposed_fields(trial: NextTrial) -> tuple[tuple[str, str], ...]:
    """What goes along unseen with the outcome of a proposed trial."""
    return tuple((name, str(getattr(trial, name))) for name in _KEPT)


def sectors_expected(trial: NextTrial, trials: tuple[Trial, ...]) -> int:
    """How many sectors the proposed trial will try, by what rows of that disk tried on a cylinder."""
    rows = [t for t in trials if t.disk == trial.disk and t.sectors_tried] or [t for t in trials if t.sectors_tried]
    a_cylinder = sorted(t.sectors_tried / (t.last_cylinder - t.first_cylinder + 1) for t in rows)
    if not a_cylinder:
        return typical_counts(trials)[0]
    return round(a_cylinder[len(a_cylinder) // 2] * (trial.last_cylinder - trial.first_cylinder + 1))


def free_name(trials: tuple[Trial, ...]) -> str:
    """A name no trial has yet, counting on."""
    taken = {t.trial for t in trials}
    number = len(trials) + 1
    while f"T{number}" in taken:
        number += 1
    return f"T{number}"


def counted(values: dict[str, Any], outcome: str) -> dict[str, Any]:
    """The values with the count an outcome button means."""
    if outcome == "all":
        return {**values, "sectors_failed": "0"}
    if outcome == "none":
        return {**values, "sectors_failed": values["sectors_tried"]}
    return values


def routes(site: Site) -> APIRouter:
    """The address that takes an outcome."""
    router = APIRouter()

    @router.post("/outcome")
    def outcome(sent: Posted) -> Response:
        values = {name: str(sent.get(name, "")) for name in (*_KEPT, "sectors_tried", "sectors_failed")}
        values, by = counted(values, str(sent.get("outcome", ""))), typed(LOG_FIELDS, sent)["by"]
        back = query("/causes", by=by)
        try:
            name = free_name(tuple(site.shelf.trials()))
            row = SheetRow.model_validate({"trial": name, "when": date.today().isoformat(), **values})
            site.shelf.signed(by).add_trials([row.as_trial()])
        except ValidationError as fault:
            error = fault.errors()[0]
            place = f"{error['loc'][0]}: " if error["loc"] else ""
            return site.gone_to(back, f"Nothing was recorded. {place}{error['msg']}.")
        except InputFault as fault:
            return site.gone_to(back, f"Nothing was recorded. {fault_and_remedy(fault)}")
        return site.gone_to(back, f"Trial {name} is recorded, and the causes are ranked again.")

    return router
