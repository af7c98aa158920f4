"""The Fault-finding page: causes trial by trial, the plan, and the outcome taken at one button."""

from __future__ import annotations

import re
from pathlib import Path

import httpx
import pytest
from tests.support.visiting import FROM_HERE, sent

from indexhole.jobs.faults.causes import Bench, Course, course
from indexhole.model.trials.trial import Trial
from indexhole.shelf.register.shelf import Shelf
from indexhole.web.app import create_app
from indexhole.web.pages.causes import cause_routes
from indexhole.web.pages.causes.cause_course import course_figure
from indexhole.web.pages.causes.outcome_routes import free_name


def trials() -> list[Trial]:
    """D2.0 reads badly on side 1 of whatever it meets."""
    rows = []
    for number in range(12):
        mechanism, side = ("D1.0", "D2.0")[number % 2], (number // 2) % 2
        failed = 70 if (mechanism, side) == ("D2.0", 1) else 0
        disk = f"K{number // 4 + 1}"
        rows.append(Trial(f"T{number}", "2026-03-01", "read", "H1", "L1", mechanism, disk, side, 0, 19, 180, failed))
    return rows


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shelf:
    for name in ("PATIENCE_S", "GLANCE_S"):
        monkeypatch.setattr(cause_routes, name, 300.0)
    shelf = Shelf.open(tmp_path / "shelf", create=True)
    shelf.add_trials(trials())
    return shelf


def ask(shelf: Shelf, method: str, address: str, data: dict[str, str] | None = None) -> httpx.Response:
    app = create_app(shelf)
    token = {"token": app.form_token()} if method == "POST" else {}
    held = {**token, **(data or {})}
    return sent(app, method, address, origin=FROM_HERE, raise_faults=True, data=held)


def test_the_page_tells_the_course_the_decision_and_the_plan(shelf: Shelf) -> None:
    page = ask(shelf, "GET", "/causes").text
    assert "Trial by trial" in page
    assert "whole line: D2.0 side 1 dirty-head" in page
    assert 'stroke-dasharray="14 7"' in page
    assert "style=" not in page[page.index("Trial by trial") : page.index("Try next")]
    assert "Clean the heads of D2.0." in page
    assert re.search(r"[+−][0-9]+ dB", page)


def test_one_button_records_the_outcome(shelf: Shelf) -> None:
    for trial in trials()[4:]:  # of more it is sure already what to do
        shelf.remove_trial(trial.trial)
    page = ask(shelf, "GET", "/causes").text
    form = page[page.index('action="/causes/outcome"') :]
    form = form[: form.index("</form>")]
    # the same three as on the Bench, one of them the first
    assert re.findall(r"<button([^>]*)>([^<]+)<", form) == re.findall(
        r'<button([^>]*name="outcome"[^>]*)>([^<]+)<', ask(shelf, "GET", "/bench").text
    )
    assert len(re.findall(r'<button (?!class="quiet")', form)) == 1
    sent = dict(re.findall(r'<input[^>]* name="([a-z_]+)" value="([^"]*)"', form))
    sent.pop("token", None)
    answer = ask(shelf, "POST", "/causes/outcome", {**sent, "outcome": "none", "by": "Ada"})
    assert answer.status_code == 303
    assert shelf.trial_log()[-1].logged_by == "Ada"
    assert answer.headers["location"].startswith("/causes?by=Ada&told=")
    assert 'name="by" value="Ada"' in ask(shelf, "GET", "/causes?by=Ada").text
    row = shelf.trials()[-1]
    assert (row.trial, row.operation, row.mechanism, row.disk) == (
        "T5", sent["operation"], sent["mechanism"], sent["disk"],
    )  # fmt: skip
    assert row.sectors_failed == row.sectors_tried == int(sent["sectors_tried"]) > 0


def test_what_is_sure_asks_for_no_trial(shelf: Shelf) -> None:
    page = ask(shelf, "GET", "/causes").text
    assert "No trial is needed to know what to do." in page
    assert 'action="/causes/outcome"' not in page


@pytest.mark.parametrize("broken", [{"sectors_failed": "999"}, {"sectors_failed": "many"}, {"mechanism": ""}])
def test_an_outcome_that_cannot_be_is_not_recorded(shelf: Shelf, broken: dict[str, str]) -> None:
    sent = {
        "operation": "read", "host": "H1", "lead": "L1", "mechanism": "D1.0", "disk": "K1", "side": "0",
        "first_cylinder": "0", "last_cylinder": "19", "sectors_tried": "180", "sectors_failed": "0",
    }  # fmt: skip
    assert ask(shelf, "POST", "/causes/outcome", {**sent, **broken}).status_code in (303, 422)
    assert len(shelf.trials()) == 12


def test_the_course_ends_at_the_ranking_and_its_table_holds_every_figure() -> None:
    told = course(Bench(trials(), frozenset()))
    assert told.after[-1] == "T11"
    assert len(told.after) == len(set(told.after)) <= 8
    assert told.causes[0] == "D2.0 side 1 dirty-head"
    assert told.shares[0][-1] == max(shares[-1] for shares in told.shares)
    figure = course_figure(told)
    assert figure is not None
    assert figure.columns == ("after", *told.causes)
    assert [row[0] for row in figure.rows] == list(told.after)
    assert course_figure(Course((), (), ())) is None


def test_names_count_on_past_those_taken() -> None:
    rows = tuple(trials())
    assert free_name(rows) == "T13"
    assert free_name(rows[:11]) == "T12"


def test_fewer_trials_may_be_weighed_and_the_page_says_which(shelf: Shelf) -> None:
    page = ask(shelf, "GET", "/causes?about=K1").text
    assert "From 4 trials." in page
    assert "4 of 12 trials are weighed, those about K1." in page
    assert 'name="about" value="K1"' in page
    assert "are weighed" not in ask(shelf, "GET", "/causes").text


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ("about=D9", "No trial names it"),
        ("since=soon", "Is no day"),
        ("since=2030-01-01", "No trial since 2030-01-01 is left to weigh"),
        ("about=%3Cb%3E", "No trial names it"),
    ],
)
def test_trials_that_are_none_are_told_at_once_and_what_was_typed_stays(shelf: Shelf, asked: str, told: str) -> None:
    page = ask(shelf, "GET", f"/causes?{asked}")
    assert page.status_code == 200
    assert told.casefold() in page.text.casefold()
    assert "<b>" not in page.text
    name, value = asked.split("=")
    assert f'name="{name}" value="{"&lt;b&gt;" if "%" in value else value}"' in page.text
    assert "What is at fault" not in page.text
