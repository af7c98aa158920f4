"""The Bench, taking in, parts and photos, late edits, views, the timeline and the comparison, in process."""

from __future__ import annotations

import html
import io
import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from tests.web.test_pages import Visitor, looked_over

from indexhole.model.trials.trial import Trial
from indexhole.shelf.records.additions import Firmware, Loan, Part, Photo, View
from indexhole.shelf.records.records import Disk, Mechanism, Note, Unit, checked, now
from indexhole.shelf.register.confidence import FieldConfidence
from indexhole.shelf.register.history import FieldChange
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.sheets.sheet import sheet_bytes
from indexhole.shelf.views.listing import TrialsOf, trial_rank, trials_with, unit_keys
from indexhole.shelf.views.next_name import next_trial
from indexhole.web.forms.forms import FormField
from indexhole.web.pages.shelf.shelf_routes import merge


@pytest.fixture
def visitor(tmp_path: Path) -> Visitor:
    shelf = Shelf.open(tmp_path / "shelf", create=True)
    shelf.add(checked(Unit, inventory="D1", kind="drive unit", title="Twin drive", weight_kg=9.5, made="1983"))
    shelf.add(checked(Mechanism, unit="D1", number=0))
    shelf.add(checked(Unit, inventory="H1", kind="host", made="about 1985", interfaces="34 way"))
    shelf.add(checked(Disk, inventory="K1", title="Tide tables"))
    return Visitor(shelf)


ATTEMPT = {
    "operation": "read", "mechanism": "D1.0", "disk": "K1", "side": "0", "first_cylinder": "0", "last_cylinder": "39",
    "sectors_tried": "360", "sectors_failed": "", "host": "H1", "lead": "", "note": "", "trial": "T1",
    "when": "2026-03-01",
}  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "values", "field", "shown"),
    [
        ("part", {"name": "main board", "marking": "B7"}, "marking", "Marking as told by a clerk"),
        ("firmware", {"version": "2.6"}, "place", "not known"),
        ("event", {"what": "belt put in", "source": "a letter"}, "when", "not known"),
        ("loan", {"party": "a school", "direction": "out"}, "purpose", "not known"),
    ],
)
def test_what_belongs_to_a_unit_says_how_it_is_known(visitor: Visitor, kind: str, values, field, shown) -> None:
    new = f"/{kind}/new?unit=D1"
    made = visitor.after(visitor.post(new, as_sent(visitor.get(new).text, **values))).text
    edit = html.unescape(re.search(rf'href="(/{kind}/edit\?[^"]+)"', made)[1])
    form = visitor.get(edit).text
    looked_over(form)
    told = {f"how__{field}": "not known"}
    if shown != "not known":
        told = {f"how__{field}": "as told", f"source__{field}": "a clerk"}
    page = visitor.after(visitor.post(edit, as_sent(form, **told))).text
    looked_over(page)
    assert shown in page[page.index(values.get("name", values.get("version", values.get("what", "a school")))) :]


@pytest.mark.parametrize(
    ("outcome", "typed", "failed"), [("all", "", 0), ("none", "", 360), ("count", "17", 17), ("", "9", 9)]
)
def test_an_outcome_is_one_button(visitor: Visitor, outcome: str, typed: str, failed: int) -> None:
    page = visitor.after(visitor.post("/bench", {**ATTEMPT, "sectors_failed": typed, "outcome": outcome})).text
    assert [(t.trial, t.sectors_failed) for t in visitor.shelf.trials()] == [("T1", failed)]
    assert f"{failed} of 360 failed" in page
    # the next attempt begins with this set-up, a new name and no outcome
    assert 'value="T2"' in page
    assert re.search(r'id="field-sectors_failed" name="sectors_failed"[^>]* value=""', page)
    assert re.search('<option value="D1.0" selected>', page)


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        ({"outcome": "count"}, "field-sectors_failed-fault"),
        ({"sectors_failed": "361"}, "sectors"),
        ({"outcome": "all", "when": "yesterday"}, "field-when-fault"),
        ({"outcome": "all", "sectors_tried": "many"}, "field-sectors_tried-fault"),
        ({"outcome": "none", "sectors_tried": ""}, "field-sectors_tried-fault"),
    ],
)
def test_an_attempt_that_does_not_fit_keeps_what_was_typed(visitor: Visitor, wrong: dict[str, str], told: str) -> None:
    answer = visitor.post("/bench", {**ATTEMPT, "note": "a note of mine", **wrong})
    assert answer.status_code == 422
    assert told in answer.text
    assert "a note of mine" in answer.text
    assert visitor.shelf.trials() == []
    looked_over(answer.text)


def test_the_log_comes_in_stretches_and_can_be_narrowed(visitor: Visitor) -> None:
    rows = [Trial(f"T{n}", "2026-03-01", "read", "H1", "", "D1.0", "K1", 0, 0, 39, 360, n % 3) for n in range(120)]
    visitor.shelf.add_trials(rows)
    first, last = visitor.get("/bench").text, visitor.get("/bench?page=3").text
    assert 'id="trial-T119"' in first
    assert 'id="trial-T69"' not in first
    assert 'id="trial-T0"' in last
    assert "Page 3 of 3" in last
    assert visitor.get("/bench?page=99").text.count("<tr id=") == 20
    assert "No trial stands here yet" in visitor.get("/bench?disk=K9").text
    assert visitor.get("/bench?with_=H1").text.count("<tr id=") == 50
    found = trials_with(visitor.shelf, TrialsOf(disk="K1"), first=100, most=50)
    assert (found.total, len(found.rows), found.rows[-1].trial) == (120, 20, "T0")
    assert (found.sectors_tried, found.sectors_failed) == (120 * 360, sum(n % 3 for n in range(120)))
    assert trial_rank(visitor.shelf, "T77") == 77
    assert trial_rank(visitor.shelf, "none") is None
    assert next_trial(visitor.shelf) == "T120"


def test_a_long_sheet_opens_at_the_trial_a_link_names(visitor: Visitor) -> None:
    rows = [Trial(f"T{n}", "2026-03-01", "read", "", "", "D1.0", "K1", 0, 0, 39, 360, 0) for n in range(950)]
    visitor.shelf.add_trials(rows)
    for trial, page in (("T5", 1), ("T401", 2), ("T949", 3)):
        text = visitor.get(f"/causes/trials?at={trial}").text
        assert f'id="trial-{trial}"' in text
        assert f"Page {page} of 3" in text
    assert 'id="trial-T949"' in visitor.get("/causes/trials").text
    assert visitor.get("/causes/trials?page=1").text.count("<tr id=") == 400


def test_one_line_becomes_a_draft_and_then_a_thing(visitor: Visitor) -> None:
    line = "dual 130 mm 48 tpi drive, 34 way, given by a pilot office 1998, mended twice with string"
    page = visitor.get(f"/take-in?line={line.replace(' ', '+')}")
    assert page.status_code == 200
    assert "D2, drive unit, 2 mechanisms" in page.text
    assert "mended twice with string" in page.text
    looked_over(page.text)
    assert visitor.shelf.find(Unit, "D2") is None
    kept = visitor.after(visitor.post("/take-in", {"line": line, "inventory": "D44"})).text
    assert "D44 is taken in" in kept
    assert visitor.shelf.get(Unit, "D44").acquired_when == "1998"
    assert [m.mechanism for m in visitor.shelf.mechanisms_of("D44")] == ["D44.0", "D44.1"]
    # it is one change, and goes as one
    visitor.shelf.undo()
    assert visitor.shelf.find(Unit, "D44") is None
    assert visitor.shelf.all(Note) == []


def test_a_thing_that_may_stand_there_already_is_told(visitor: Visitor) -> None:
    page = visitor.get("/take-in?line=D1:+Twin+drive").text
    assert "may stand on the shelf already" in page
    assert 'href="/unit?no=D1"' in page
    again = visitor.post("/take-in", {"line": "D1: Twin drive", "inventory": "D1"})
    assert again.status_code == 422
    assert "on the shelf already" in again.text


@settings(max_examples=25)
@given(line=st.text(max_size=80))
def test_no_line_breaks_the_page(line: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    visitor = _kept_visitor(tmp_path_factory)
    answer = visitor._send("GET", "/take-in", params={"line": line.encode("utf-8", "ignore").decode()})
    assert answer.status_code in (200, 422)
    looked_over(answer.text)


_VISITORS: list[Visitor] = []


def _kept_visitor(factory: pytest.TempPathFactory) -> Visitor:
    if not _VISITORS:
        _VISITORS.append(Visitor(Shelf.open(factory.mktemp("line") / "shelf", create=True)))
    return _VISITORS[0]


@pytest.mark.parametrize(
    ("address", "sent", "kind", "shown"),
    [
        ("/part/new?unit=D1", {"name": "processor", "date_code": "8332"}, Part, "week 32 of 1983"),
        ("/firmware/new?unit=D1", {"version": "2.1", "seen_how": "label"}, Firmware, "2.1"),
        ("/loan/new?disk=K1", {"direction": "out", "party": "the pilot office"}, Loan, "To the pilot office"),
        ("/loan/new?unit=D1", {"direction": "in", "party": "a collector", "returned": "2020"}, Loan, "returned 2020"),
    ],
)
def test_additions_stand_on_the_page_of_their_thing(
    visitor: Visitor, address: str, sent: dict[str, str], kind: type[Part], shown: str
) -> None:
    assert visitor.get(address).status_code == 200
    page = visitor.after(visitor.post(address, sent))
    assert shown in page.text
    looked_over(page.text)
    (kept,) = visitor.shelf.all(kind)
    edit = f"/{kind.WORD}/edit?no={kept.key}"
    assert visitor.get(edit).status_code == 200
    empty = visitor.post(edit, dict.fromkeys(sent, ""))
    assert empty.status_code == 422
    assert visitor.shelf.all(kind) == [kept]


def picture(kind: str = "JPEG") -> bytes:
    held = io.BytesIO()
    Image.new("RGB", (900, 600), (90, 80, 70)).save(held, kind)
    return held.getvalue()


def test_photos_are_drawn_anew_kept_and_shown(visitor: Visitor) -> None:
    files = [("file", ("../../front.png", picture("PNG"))), ("file", ("back.jpg", picture()))]
    page = visitor.after(visitor.post("/photo/new?unit=D1", {"caption": "Front & back"}, files))
    assert "2 photos kept" in page.text
    looked_over(page.text)
    photos = visitor.shelf.all(Photo)
    assert [p.name for p in photos] == ["front.png", "back.jpg"]
    large = visitor.get(f"/photo?no={photos[0].photo}")
    small = visitor.get(f"/photo?no={photos[0].photo}&size=small")
    assert large.headers["content-type"] == small.headers["content-type"] == "image/jpeg"
    assert Image.open(io.BytesIO(large.content)).size == (900, 600)
    assert max(Image.open(io.BytesIO(small.content)).size) == 480
    assert large.headers["x-content-type-options"] == "nosniff"
    (visitor.shelf.folder / photos[0].file).unlink()
    assert visitor.get(f"/photo?no={photos[0].photo}").status_code == 404


@pytest.mark.parametrize(
    "files",
    [None, [("file", ("a.svg", b"<svg/>"))], [("file", ("a.jpg", b"\xff\xd8\xff\xe0 cut"))], [("file", ("", b""))]],
)
def test_what_is_no_photo_is_refused_and_nothing_kept(visitor: Visitor, files: object) -> None:
    answer = visitor.post("/photo/new?unit=D1", {"caption": "my caption"}, files)
    assert answer.status_code == 422
    assert "my caption" in answer.text
    assert visitor.shelf.all(Photo) == []
    assert not list((visitor.shelf.folder).glob("photos/*"))


def test_a_late_edit_is_shown_what_changed_and_loses_nothing(visitor: Visitor) -> None:
    form = visitor.get("/unit/edit?no=D1").text
    seen = re.search('name="revision" value="([0-9]+)"', form)
    assert seen
    visitor.shelf.signed("Ada", "looked inside").update(Unit, "D1", state="seized", title="Twin unit")
    mine = {"kind": "drive unit", "title": "My title", "made": "1983", "weight_kg": "9.5", "location": "loft"}
    late = visitor.post("/unit/edit?no=D1", {**mine, "revision": seen[1]})
    assert late.status_code == 409
    looked_over(late.text)
    for words in (
        "Changed meanwhile",
        "seized",
        "Twin unit",
        "Ada",
        'value="My title"',
        'value="loft"',
        'value="seized"',
    ):
        assert words in late.text
    assert visitor.shelf.get(Unit, "D1").title == "Twin unit"
    fresh = re.search('name="revision" value="([0-9]+)"', late.text)
    assert fresh
    page = visitor.after(
        visitor.post("/unit/edit?no=D1", {**mine, "state": "seized", "revision": fresh[1], "why": "agreed"})
    )
    kept = visitor.shelf.get(Unit, "D1")
    assert (kept.title, kept.state, kept.location) == ("My title", "seized", "loft")
    assert "by Ada, looked inside" in page.text
    assert "agreed" in page.text


@pytest.mark.parametrize("revision", ["", "x", "-1", "9" * 400, "²"])
def test_a_form_that_says_not_what_it_was_made_from_is_refused(visitor: Visitor, revision: str) -> None:
    answer = visitor.post("/unit/edit?no=D1", {"kind": "drive unit", "title": "Other", "revision": revision})
    assert answer.status_code in (409, 422)
    assert visitor.shelf.get(Unit, "D1").title == "Twin drive"


@given(st.lists(st.sampled_from(["", "a", "b", "c"]), min_size=3, max_size=3))
def test_merging_takes_theirs_only_where_mine_is_untouched(values: list[str]) -> None:
    was, theirs, mine = values
    change = FieldChange("title", was, theirs, now(), "Ada", "", 1, False)
    merged, told = merge((FormField("title", "Title"),), {"title": mine}, (change,))
    assert merged["title"] == (theirs if mine == was else mine)
    assert told[0].now == theirs


def test_views_are_kept_and_lead_back(visitor: Visitor) -> None:
    page = visitor.after(visitor.post("/view/new", {"view": "tide things", "words": "tide", "what": "disk"}))
    assert "Tide tables" in page.text
    page = visitor.after(visitor.post("/view/new", {"view": "pair", "chosen": "D1, H1"}))
    assert "Weight, kg" in page.text
    assert "9.5" in page.text
    assert {v.view for v in visitor.shelf.all(View)} == {"tide things", "pair"}
    shelf = visitor.get("/").text
    assert "tide things" in shelf
    assert 'href="/compare?unit=D1&amp;unit=H1"' in shelf
    assert visitor.post("/view/new", {"view": "nothing"}).status_code == 400


def test_units_stand_side_by_side_and_along_time(visitor: Visitor) -> None:
    trial = Trial("T1", "2026-03-01", "read", "H1", "", "D1.0", "K1", 0, 0, 39, 360, 0)
    visitor.shelf.add_trials([trial])
    page = visitor.get("/compare?unit=D1&unit=H1&unit=Z9").text
    looked_over(page)
    assert "There is no unit Z9" in page
    for words in ("9.5", "34 way", "1 trial, 0 of 360 sectors failed", "D1.0 on H1"):
        assert words in page
    times = visitor.get("/timeline").text
    looked_over(times)
    assert times.index("1983") < times.index("about 1985")
    assert visitor.get("/timeline?by=acquired").text.count("Nothing on the shelf says yet") == 1
    assert visitor.get("/timeline?by=anything&page=77").status_code == 200


def test_the_label_opens_the_unit(visitor: Visitor) -> None:
    page = visitor.get("/label?unit=D1").text
    looked_over(page)
    assert "http://127.0.0.1:8360/unit?no=D1" in page
    assert visitor.get("/label?unit=none").status_code == 404


def test_the_shelf_comes_in_stretches_in_order_of_number(tmp_path: Path) -> None:
    shelf = Shelf.open(tmp_path / "shelf", create=True)
    shelf.add_together([checked(Unit, inventory=f"D{k}", kind="drive unit") for k in range(120, 0, -1)], "many")
    visitor = Visitor(shelf)
    assert unit_keys(shelf)[:3] == ["D1", "D2", "D3"]
    first, last = visitor.get("/").text, visitor.get("/?units=3").text
    assert first.index('no=D2"') < first.index('no=D10"')
    assert 'no=D120"' in last
    assert "Page 3 of 3, 120 entries in all." in last
    looked_over(last)


def as_sent(page: str, **typed: str) -> dict[str, str]:
    """What a browser sends of the form on a page: all that stands in it, and what was typed."""
    held: dict[str, str] = {}
    for tag, name, text in re.findall(r'<(input|textarea)\b[^>]*?name="([^"]+)"[^>]*>(?:([^<]*)</textarea>)?', page):
        found = re.search(rf'<{tag}\b[^>]*name="{re.escape(name)}"[^>]*?value="([^"]*)"', page)
        if not re.search(rf'type="checkbox"[^>]*name="{re.escape(name)}"', page):
            held[name] = html.unescape(text or (found[1] if found else ""))
    for name, options in re.findall(r'<select\b[^>]*?name="([^"]+)"[^>]*>(.*?)</select>', page, re.DOTALL):
        chosen = re.search('<option value="([^"]*)" selected>', options)
        held[name] = html.unescape(chosen[1]) if chosen else ""
    return {**held, **{name.replace("__", "-"): value for name, value in typed.items()}}


def test_a_form_says_how_fields_are_known(visitor: Visitor) -> None:
    address = "/unit/edit?no=D1"
    page = visitor.get(address).text
    looked_over(page)
    sent = as_sent(page, how__title="as told", source__title="a retired clerk", how__maker="not known", by="Ada")
    shown = visitor.after(visitor.post(address, sent)).text
    looked_over(shown)
    assert visitor.shelf.confidences_of(Unit, "D1") == {
        "title": FieldConfidence("title", "as told", "a retired clerk"),
        "maker": FieldConfidence("maker", "not known"),
    }
    for words in ("Twin drive (as told by a retired clerk)", "not known", "Title, how it is known", "by Ada"):
        assert words in shown
    # opened again it stands in the form, and keeping that changes nothing
    again = visitor.get(address).text
    assert as_sent(again)["source-title"] == "a retired clerk"
    changes = visitor.shelf.changes()
    visitor.after(visitor.post(address, as_sent(again)))
    assert visitor.shelf.changes() == changes
    visitor.after(visitor.post(address, as_sent(again, how__title="")))
    assert set(visitor.shelf.confidences_of(Unit, "D1")) == {"maker"}
    visitor.after(visitor.post("/undo", {"change": str(visitor.shelf.changes(1)[0].number)}))
    visitor.after(visitor.post("/undo", {"change": str(visitor.shelf.changes(1)[0].number)}))
    assert visitor.shelf.confidences_of(Unit, "D1") == {}


@pytest.mark.parametrize(
    ("kind", "key", "field"),
    [("disk", "K1", "hub_ring"), ("mechanism", "D1.0", "heads"), ("disk", "K1", "recorded_when")],
)
def test_what_is_not_known_shows_on_the_page_of_its_thing(visitor: Visitor, kind: str, key: str, field: str) -> None:
    address = f"/{kind}/edit?no={key}"
    sent = as_sent(visitor.get(address).text, **{f"how__{field}": "not known", f"source__{field}": "under the lid"})
    page = visitor.after(visitor.post(address, sent)).text
    assert "not known (under the lid)" in page
    looked_over(page)


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ({"how__title": "not known"}, "It says &#39;Twin drive&#39;, and so is known."),
        ({"how__maker": "as told", "source__maker": "a clerk"}, "It is empty, so nothing was told."),
        ({"how__title": "as told"}, "Who told it is not said."),
        ({"how__title": "rumour", "source__title": "a clerk"}, "is no standing of a field"),
        ({"how__title": "as told", "source__title": "x" * 2001}, "longer than 2000 characters"),
    ],
)
def test_how_a_field_is_known_is_checked_and_kept_as_typed(visitor: Visitor, typed: dict[str, str], told: str) -> None:
    address = "/unit/edit?no=D1"
    sent = as_sent(
        visitor.get(address).text, unfold="yes", location="loft", source__state="typed all the same", **typed
    )
    answer = visitor.post(address, sent)
    assert answer.status_code == 422
    assert told in answer.text
    looked_over(answer.text)
    kept = as_sent(answer.text)
    assert (kept["location"], kept["source-state"]) == ("loft", "typed all the same")
    assert re.search('id="unfold"[^>]* checked', answer.text)
    assert visitor.shelf.confidences_of(Unit, "D1") == {}
    assert visitor.shelf.get(Unit, "D1").location == ""


def test_two_keepers_say_how_a_field_is_known(visitor: Visitor) -> None:
    address = "/unit/edit?no=D1"
    mine = visitor.get(address).text
    theirs = {"how__title": "as told", "source__title": "a clerk", "how__maker": "not known", "by": "Ada"}
    visitor.after(visitor.post(address, as_sent(mine, **theirs)))
    late = visitor.post(address, as_sent(mine, how__title="as told", source__title="a neighbour", location="loft"))
    assert late.status_code == 409
    looked_over(late.text)
    for words in (
        "Title, how it is known",
        "as told by a clerk",
        "yours: both changed it",
        "Ada",
        "theirs: you had not",
    ):
        assert words in late.text
    kept = as_sent(late.text)
    assert (kept["source-title"], kept["how-maker"], kept["location"]) == ("a neighbour", "not known", "loft")
    visitor.after(visitor.post(address, kept))
    assert visitor.shelf.confidences_of(Unit, "D1") == {
        "title": FieldConfidence("title", "as told", "a neighbour"),
        "maker": FieldConfidence("maker", "not known"),
    }
    assert visitor.shelf.get(Unit, "D1").location == "loft"


def test_a_trial_tells_who_logged_it(visitor: Visitor) -> None:
    done = visitor.post("/bench?disk=K1", {**ATTEMPT, "outcome": "all", "by": " Ada "})
    page = visitor.after(done).text
    looked_over(page)
    (kept,) = visitor.shelf.trial_log()
    assert kept.logged_by == "Ada"
    assert kept.logged_utc is not None
    assert f"Ada, {kept.logged_utc:%Y-%m-%d %H:%M}<" in page
    # the name stands there for the next trial of this visitor, and for nobody else's
    assert as_sent(page)["by"] == "Ada"
    assert as_sent(visitor.get("/bench").text)["by"] == ""
    for address in ("/causes/trials", "/unit?no=D1", "/disk?no=K1"):
        assert f"Ada, {kept.logged_utc:%Y-%m-%d %H:%M}<" in visitor.get(address).text
    wrong = visitor.post("/bench", {**ATTEMPT, "trial": "T2", "outcome": "all", "when": "soon", "by": "Ben"})
    assert as_sent(wrong.text)["by"] == "Ben"
    long = visitor.post("/bench", {**ATTEMPT, "trial": "T2", "outcome": "all", "by": "B" * 201})
    assert long.status_code == 422
    assert "more than 200 characters" in long.text
    visitor.after(visitor.post("/causes/trials/new", {**ATTEMPT, "trial": "T2", "sectors_failed": "0", "by": "Ben"}))
    sheet = sheet_bytes([replace(visitor.shelf.trials()[0], trial="T3")])
    visitor.after(visitor.post("/causes/trials", {"by": "Cleo"}, {"file": ("sheet.csv", sheet, "text/csv")}))
    assert [trial.logged_by for trial in visitor.shelf.trial_log()] == ["Ada", "Ben", "Cleo"]
    wrong = visitor.post("/causes/trials", {"by": "Cleo"}, {"file": ("sheet.csv", b"x", "text/csv")})
    assert (wrong.status_code, 'id="sheet-by" name="by" value="Cleo"' in wrong.text) == (422, True)
    # the sheet that goes out has the columns every reader of it knows
    assert visitor.get("/causes/trials.csv").text.splitlines()[0].endswith("sectors_tried,sectors_failed,note")
