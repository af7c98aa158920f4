"""Who changed what, when and why; edits that come late; fields that are not known or only told; what leaves a copy."""

from __future__ import annotations

import json
import threading
from pathlib import Path

import pytest
from sqlalchemy import select

from indexhole.errors import InputFault, ShelfFault
from indexhole.model.trials.trial import Trial
from indexhole.shelf.records.records import Disk, Note, Unit, checked
from indexhole.shelf.register.confidence import FieldConfidence
from indexhole.shelf.register.database import transaction
from indexhole.shelf.register.history import StaleEdit
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.register.tables import changed_rows

TRIAL = Trial("T1", "2026-03-01", "read", "", "", "D1.0", "K1", 0, 0, 12, 117, 3, "as found")


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return furnish(Shelf.open(tmp_path / "shelf", create=True))


def furnish(held: Shelf) -> Shelf:
    """What stands on the shelf of these tests."""
    held.signed("Anna", "inventory day").add(checked(Unit, inventory="D1", kind="drive unit", title="Box"))
    return held


def test_each_field_tells_who_changed_it_when_and_why(shelf):
    shelf.signed("Bruno", "label read").update(Unit, "D1", title="Twin unit", weight_kg=4.2)
    shelf.update(Unit, "D1", title="Twin unit, grey")
    told = shelf.field_history(Unit, "D1", "title")
    assert [(c.was, c.now, c.who, c.why) for c in told] == [
        (None, "Box", "Anna", "inventory day"),
        ("Box", "Twin unit", "Bruno", "label read"),
        ("Twin unit", "Twin unit, grey", "", ""),
    ]
    assert [c.now for c in shelf.field_history(Unit, "D1", "weight_kg")] == [4.2]
    assert {c.field for c in shelf.field_history(Unit, "D1")} == {"inventory", "kind", "title", "standing", "weight_kg"}
    assert [(c.who, c.why) for c in shelf.changes()] == [("", ""), ("Bruno", "label read"), ("Anna", "inventory day")]
    shelf.undo()
    assert [c.undone for c in shelf.field_history(Unit, "D1", "title")] == [False, False, True]
    with pytest.raises(InputFault, match="there is no unit D2"):
        shelf.field_history(Unit, "D2")


def test_a_number_given_again_does_not_mix_two_histories(shelf):
    shelf.remove(Unit, "D1")
    shelf.add(checked(Unit, inventory="D2", kind="host", title="Other"))
    assert [c.now for c in shelf.field_history(Unit, "D2", "title")] == ["Other"]


def test_an_edit_that_changes_nothing_leaves_no_change(shelf):
    before = shelf.get_revised(Unit, "D1")
    shelf.update(Unit, "D1", title="Box")
    assert shelf.get_revised(Unit, "D1") == before
    assert len(shelf.changes()) == 1


def test_the_second_of_two_editors_sees_what_changed_and_loses_nothing(shelf):
    """Two open shelves, each with a connection of its own, as two browsers or two programs have."""
    anna, bruno = Shelf.open(shelf.at).signed("Anna"), Shelf.open(shelf.at).signed("Bruno", "weighed")
    (_, seen_by_anna), (_, seen_by_bruno) = anna.get_revised(Unit, "D1"), bruno.get_revised(Unit, "D1")
    bruno.update(Unit, "D1", weight_kg=4.2, title="Twin unit", revision=seen_by_bruno)
    with pytest.raises(StaleEdit) as stale:
        anna.update(Unit, "D1", title="Grey box", state="dusty", revision=seen_by_anna)
    assert {(c.field, c.was, c.now, c.who, c.why) for c in stale.value.changed} == {
        ("title", "Box", "Twin unit", "Bruno", "weighed"),
        ("weight_kg", None, 4.2, "Bruno", "weighed"),
    }
    assert stale.value.line == (
        "unit D1 was changed since you read it: title ('Box' became 'Twin unit', by Bruno), weight_kg (nothing became "
        "4.2, by Bruno); look at it again, then make your change"
    )
    assert bruno.get(Unit, "D1").state == ""
    kept = anna.update(Unit, "D1", state="dusty", revision=stale.value.revision)
    assert (kept.title, kept.weight_kg, kept.state) == ("Twin unit", 4.2, "dusty")


def test_of_many_editors_at_once_one_is_taken_and_each_other_is_told(shelf):
    _, revision = shelf.get_revised(Unit, "D1")
    outcome: list[str] = []

    def edit(name: str) -> None:
        try:
            Shelf.open(shelf.at).signed(name).update(Unit, "D1", title=f"by {name}", revision=revision)
            outcome.append("taken")
        except StaleEdit as stale:
            outcome.append(stale.changed[0].now)

    threads = [threading.Thread(target=edit, args=(name,)) for name in "abcd"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    title = shelf.get(Unit, "D1").title
    assert sorted(outcome) == sorted([title] * 3 + ["taken"])


def test_an_edit_of_what_was_changed_and_changed_back_loses_nothing_and_is_taken(shelf):
    _, revision = shelf.get_revised(Unit, "D1")
    shelf.update(Unit, "D1", title="Crate")
    shelf.update(Unit, "D1", title="Box")
    assert shelf.update(Unit, "D1", state="dusty", revision=revision).state == "dusty"


def test_undo_counts_as_a_change_like_any_other(shelf):
    shelf.update(Unit, "D1", title="Crate")
    _, revision = shelf.get_revised(Unit, "D1")
    shelf.undo()
    with pytest.raises(StaleEdit, match="title \\('Crate' became 'Box'"):
        shelf.update(Unit, "D1", state="dusty", revision=revision)
    shelf.update(Unit, "D1", title="Trunk")
    with pytest.raises(StaleEdit, match="title \\('Crate' became 'Trunk'"):
        shelf.update(Unit, "D1", state="dusty", revision=revision)


def test_an_entry_taken_out_and_added_anew_is_another_one(shelf):
    _, revision = shelf.get_revised(Unit, "D1")
    shelf.remove(Unit, "D1")
    shelf.add(checked(Unit, inventory="D1", kind="host", title="Not the box"))
    with pytest.raises(StaleEdit, match="title \\('Box' became 'Not the box'"):
        shelf.update(Unit, "D1", state="dusty", revision=revision)


@pytest.mark.parametrize("told", ["{", "[]", "7", "[" * 9000, '{"inventory": "D1", "title": "\t"}'])
def test_a_damaged_journal_is_told(shelf, told):
    shelf.put_standing(Unit, "D1", "title", "as told", "Bruno")
    with transaction(shelf._engine, writing=True, where="") as connection:
        connection.execute(changed_rows.update().values(after=told))
    for ask in (shelf.field_history, lambda *of: shelf.update(*of, revision=0, title="x")):
        with pytest.raises(ShelfFault, match="the register's journal is damaged; put back a copy of the folder"):
            ask(Unit, "D1")
    with pytest.raises(ShelfFault, match=r"journal is damaged|was changed by other means"):
        shelf.undo()
    assert shelf.get(Unit, "D1").title == "Box"


@pytest.mark.parametrize("lacking", ["kind", "field", "source"])
def test_a_journal_that_lacks_a_name_is_told(shelf, lacking):
    shelf.put_standing(Unit, "D1", "title", "as told", "Bruno")
    with transaction(shelf._engine, writing=True, where="") as connection:
        of_standing = changed_rows.c.table_name == "field_standings"
        held = json.loads(connection.execute(select(changed_rows.c.after).where(of_standing)).scalar_one())
        connection.execute(changed_rows.update().where(of_standing).values(after=json.dumps({**held, lacking: 1})))
    shelf.field_history(Unit, "D1")
    del held[lacking]
    with transaction(shelf._engine, writing=True, where="") as connection:
        connection.execute(changed_rows.update().where(of_standing).values(after=json.dumps(held)))
    with pytest.raises(ShelfFault, match="journal is damaged"):
        shelf.field_history(Unit, "D1")


def test_a_row_that_neither_was_nor_is_tells_nothing(shelf):
    with transaction(shelf._engine, writing=True, where="") as connection:
        connection.execute(changed_rows.update().values(before=None, after=None))
    assert shelf.field_history(Unit, "D1") == []


def test_a_revision_the_journal_does_not_know_is_stale(shelf):
    with pytest.raises(StaleEdit, match="title \\(nothing became 'Box', by Anna\\)"):
        shelf.update(Unit, "D1", state="dusty", revision=999)


def test_a_field_may_be_not_known_without_being_empty_or_be_as_told(shelf):
    shelf.put_standing(Unit, "D1", "maker", "not known", "looked inside and under the lid")
    shelf.put_standing(Unit, "D1", "title", "as told", "the previous owner")
    told = shelf.confidences_of(Unit, "D1")
    assert {(s.field, s.standing, s.source) for s in told.values()} == {
        ("maker", "not known", "looked inside and under the lid"),
        ("title", "as told", "the previous owner"),
    }
    shelf.update(Unit, "D1", maker="Ostrel Werke", state="dusty")
    assert set(shelf.confidences_of(Unit, "D1")) == {"title"}
    shelf.undo()
    assert set(shelf.confidences_of(Unit, "D1")) == {"maker", "title"}
    shelf.put_standing(Unit, "D1", "title", None)
    assert set(shelf.confidences_of(Unit, "D1")) == {"maker"}
    shelf.remove(Unit, "D1")
    shelf.undo()
    assert set(shelf.confidences_of(Unit, "D1")) == {"maker"}


@pytest.mark.parametrize(
    ("field", "standing", "source", "told"),
    [
        ("colour", "not known", "", "a unit has no field colour that could be doubted"),
        ("inventory", "as told", "him", "a unit has no field inventory that could be doubted"),
        ("title", "not known", "", "unit D1 title: it says 'Box', and so is known; empty it first"),
        ("maker", "as told", "him", "unit D1 maker: it is empty, so nothing was told; fill it in first"),
        ("title", "as told", "", "unit D1 title: who told it is not said; name the source"),
        ("title", "rumour", "him", "'rumour' is no standing of a field; use not known or as told"),
    ],
)
def test_a_standing_that_says_nothing_is_refused(shelf, field, standing, source, told):
    with pytest.raises(InputFault) as fault:
        shelf.put_standing(Unit, "D1", field, standing, source)
    assert fault.value.line == told
    assert shelf.confidences_of(Unit, "D1") == {}


def test_how_fields_stand_goes_with_what_they_say(shelf):
    told, unknown = FieldConfidence("title", "as told", "a clerk"), FieldConfidence("maker", "not known")
    shelf.signed("Ada").update(Unit, "D1", title="Chest", stands={"title": told, "maker": unknown})
    assert shelf.confidences_of(Unit, "D1") == {"title": told, "maker": unknown}
    # a form says what it was opened with: what was not known and now says something is known, told words stay told
    shelf.update(Unit, "D1", title="Chests", maker="Ostrel Werke", stands={"title": told, "maker": unknown})
    assert shelf.confidences_of(Unit, "D1") == {"title": told}
    # what is told of a field that is emptied goes with it
    shelf.update(Unit, "D1", title="", stands={"title": told})
    assert shelf.confidences_of(Unit, "D1") == {}
    shelf.undo()
    shelf.undo()
    assert shelf.confidences_of(Unit, "D1") == {"title": told, "maker": unknown}
    shelf.undo()
    assert (shelf.get(Unit, "D1").title, shelf.confidences_of(Unit, "D1")) == ("Box", {})
    # nothing is kept where one of them does not fit
    with pytest.raises(InputFault, match="unit D1 maker: it is empty"):
        shelf.update(Unit, "D1", title="Chest", stands={"maker": FieldConfidence("maker", "as told", "a clerk")})
    assert shelf.get(Unit, "D1").title == "Box"


def test_how_fields_stand_has_a_history(shelf):
    shelf.signed("Ada", "asked").put_standing(Unit, "D1", "title", "as told", "a clerk")
    shelf.signed("Ben").update(Unit, "D1", title="Chest")
    shelf.put_standing(Unit, "D1", "maker", "not known")
    shelf.undo()
    told = [c for c in shelf.field_history(Unit, "D1") if c.standing]
    assert [(c.field, *c.in_words, c.who, c.why, c.undone) for c in told] == [
        ("title", "plain", "as told by a clerk", "Ada", "asked", False),
        ("title", "as told by a clerk", "plain", "Ben", "", False),
        ("maker", "plain", "not known", "", "", True),
    ]
    assert [c.standing for c in shelf.field_history(Unit, "D1", "title")] == [False, True, False, True]


def test_a_late_edit_is_told_how_fields_stand_now(shelf):
    _, revision = shelf.get_revised(Unit, "D1")
    shelf.signed("Ada").put_standing(Unit, "D1", "title", "as told", "a clerk")
    with pytest.raises(StaleEdit, match=r"how title stands \(plain became as told by a clerk, by Ada\)") as late:
        shelf.update(Unit, "D1", state="dusty", revision=revision)
    assert late.value.revision == shelf.get_revised(Unit, "D1")[1]
    shelf.undo()
    # it stands again as it was read
    shelf.update(Unit, "D1", state="dusty", revision=revision)
    # and one that was read with what was taken back since is late too
    shelf.put_standing(Unit, "D1", "maker", "not known")
    _, revision = shelf.get_revised(Unit, "D1")
    shelf.undo()
    with pytest.raises(StaleEdit, match=r"how maker stands \(not known became plain"):
        shelf.update(Unit, "D1", state="clean", revision=revision)
    shelf.update(Unit, "D1", title="Chest")
    with pytest.raises(StaleEdit) as late:
        shelf.update(Unit, "D1", state="clean", revision=revision)
    assert [(one.field, one.standing) for one in late.value.changed] == [("title", False), ("maker", True)]


def test_what_is_taken_out_leaves_a_copy_first(shelf):
    shelf.put_standing(Unit, "D1", "maker", "not known", "looked")
    shelf.signed("Anna", "given to the school").remove(Unit, "D1")
    (copy,) = (shelf.folder / "removed").iterdir()
    held = json.loads(copy.read_text())
    assert copy.name.endswith("Z-unit-D1.json")
    assert (held["kind"], held["entry"]["title"], held["who"], held["why"]) == (
        "unit", "Box", "Anna", "given to the school",
    )  # fmt: skip
    assert held["standings"] == [{"field": "maker", "standing": "not known", "source": "looked"}]
    shelf.add_trials([TRIAL])
    shelf.remove_trial("T1")
    assert (
        json.loads(next((shelf.folder / "removed").glob("*-trial-T1.json")).read_text())["entry"]["note"] == "as found"
    )


def test_what_cannot_leave_a_copy_stays(shelf):
    (shelf.folder / "removed").write_text("in the way")
    with pytest.raises(ShelfFault, match="no copy of unit D1 can be left"):
        shelf.remove(Unit, "D1")
    assert shelf.get(Unit, "D1").title == "Box"


def test_two_copies_of_one_moment_both_stay(shelf):
    for text in ("a", "b", "c"):
        shelf.add(checked(Note, text=text))
        shelf.remove(Note, "N1")
    texts = sorted(json.loads(path.read_text())["entry"]["text"] for path in (shelf.folder / "removed").iterdir())
    assert texts == ["a", "b", "c"]


def test_pages_of_entries_follow_one_another(shelf):
    for k in range(25):
        shelf.add(checked(Disk, inventory=f"K{k}", importance="scratch" if k % 2 else "working"))
    assert shelf.count(Disk) == 25
    assert shelf.count(Disk, importance="scratch") == 12
    pages = [shelf.page(Disk, first=first, most=10) for first in (0, 10, 20)]
    assert [disk for page in pages for disk in page] == shelf.all(Disk)
    assert [d.inventory for d in shelf.page(Disk, importance="scratch", sides=None, first=1, most=2)] == ["K3", "K5"]
    with pytest.raises(InputFault, match="a disk has no field colour"):
        shelf.count(Disk, colour="grey")
    assert [change.what for change in shelf.changes(2)] == ["add disk K24", "add disk K23"]
