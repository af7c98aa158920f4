"""Search across everything: words and their starts, accents, points inside words, pages, and an index that keeps up."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import text

from indexhole.errors import InputFault
from indexhole.model.trials.trial import Trial
from indexhole.shelf.records.additions import Part
from indexhole.shelf.records.records import Disk, Mechanism, Unit, checked
from indexhole.shelf.register.database import OUT_OF_STEP, transaction
from indexhole.shelf.register.search import KIND_WORDS, asked_words, beginning, plain_words
from indexhole.shelf.register.shelf import Shelf

TRIAL = Trial("T1", "2026-03-01", "read", "H1", "L1", "D1.0", "K1", 0, 0, 12, 117, 3, "read in the tide office")


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return furnish(Shelf.open(tmp_path / "shelf", create=True))


def furnish(held: Shelf) -> Shelf:
    """What stands on the shelf of these tests."""
    held.add(checked(Unit, inventory="D1", kind="drive unit", title="Twin unit, Übersee tide-office"))
    held.add(checked(Unit, inventory="D10", kind="drive unit", title="Number 0 of the quay"))
    held.add(checked(Mechanism, mechanism="D1.0"))
    held.add(checked(Mechanism, mechanism="D1.1", note="0 lamps lit"))
    held.add(checked(Disk, inventory="K1", title="Tide tables 1986", importance="irreplaceable"))
    held.add_trials([TRIAL, replace(TRIAL, trial="T2", mechanism="D1.1", note="")])
    return held


def keys(found) -> list[str]:
    return [entry.key for entry in found]


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ("tide", ["D1", "K1", "T1"]),
        ("TIDE office", ["D1", "T1"]),
        ("tide-office", ["D1"]),
        ("ubersee", ["D1"]),
        ("ÜBER", ["D1"]),
        ("tab", ["K1"]),
        ("ables", []),
        ("irrepl", ["K1"]),
        ("d1.0", ["D1.0", "T1"]),
        ("D1.1", ["D1.1", "T2"]),
        ("d1", ["D1", "D10", "D1.0", "D1.1", "T1", "T2"]),
        ("2026-03", ["T1", "T2"]),
        ("2026-04", []),
        ("'tide\" OR *", []),
        ("tide AND", []),
    ],
)
def test_every_word_must_be_there_or_begin_there(shelf, words, found):
    assert keys(shelf.search(words)) == found


@pytest.mark.parametrize("words", ["", "  ", "- . !", "\u02d1"])
def test_what_holds_no_word_is_refused(shelf, words):
    with pytest.raises(InputFault, match="nothing to look for; give a word or two"):
        shelf.search(words)


def test_kinds_pages_and_counts(shelf):
    whole = keys(shelf.search("d1"))
    assert keys(shelf.search("d1", ["trial", "unit"])) == ["D1", "D10", "T1", "T2"]
    assert shelf.search_counts("d1") == {"unit": 2, "mechanism": 2, "trial": 2}
    assert shelf.search_counts("d1", most=5) == {"unit": 2, "mechanism": 2, "trial": 1}
    for size in (1, 2, 4):
        pages = [keys(shelf.search("d1", first=first, most=size)) for first in range(0, 6, size)]
        assert [key for page in pages for key in page] == whole
    assert shelf.search("d1", first=6) == []
    with pytest.raises(InputFault, match="'lamp' is no kind of entry; use unit, mechanism"):
        shelf.search("d1", ["lamp"])


def test_kinds_asked_for_together_are_those_of_the_whole_in_order(shelf):
    shelf.add(checked(Part, unit="D1", name="tide gauge"))
    for words in ("tide", "d1"):
        whole, counted = shelf.search(words), shelf.search_counts(words)
        for size in range(1, 4):
            for kinds in combinations(KIND_WORDS, size):
                assert shelf.search(words, kinds) == [one for one in whole if one.kind in kinds]
                told = {kind: number for kind, number in counted.items() if kind in kinds}
                assert shelf.search_counts(words, kinds) == told
                assert shelf.search_counts(words, kinds, most=1) == dict.fromkeys(list(told)[:1], 1)


def test_the_beginning_is_what_search_and_counts_tell(shelf):
    shelf.add_trials([replace(TRIAL, trial=f"T{k}") for k in range(3, 12)])
    with shelf.reading() as connection:
        for words in ("tide", "d1", "read", "zeppelin"):
            for kind in ("", *KIND_WORDS):
                # fewer counted than there are, so that a kind may lie behind, or partly
                for most, counted in ((1, 2), (2, 2), (3, 5), (3, 100), (100, 5)):
                    told = beginning(connection, words, kind, most=most, counted=counted)
                    found = shelf.search(words, (kind,) if kind else (), most=most)
                    assert told == (found, shelf.search_counts(words, most=counted))
        with pytest.raises(InputFault, match="'lamp' is no kind of entry"):
            beginning(connection, "d1", "lamp", most=1, counted=1)


def test_the_index_keeps_up_with_every_change(shelf):
    shelf.update(Unit, "D1", title="Crate")
    assert keys(shelf.search("crate")) == ["D1"]
    assert keys(shelf.search("übersee")) == []
    shelf.undo()
    assert keys(shelf.search("crate")) == []
    assert keys(shelf.search("übersee")) == ["D1"]
    part = shelf.add(checked(Part, unit="D1", name="controller", date_code="8332"))
    assert keys(shelf.search("8332")) == [part.key]
    shelf.remove(Part, part.key)
    assert keys(shelf.search("8332")) == []
    shelf.undo()
    assert keys(shelf.search("8332")) == [part.key]
    shelf.undo()
    assert keys(shelf.search("8332")) == []
    shelf.remove_trial("T1")
    assert keys(shelf.search("d1.0")) == ["D1.0"]
    assert shelf.inspect() == []


def test_an_index_out_of_step_is_told_and_made_anew(shelf):
    with transaction(shelf._engine, writing=True, where="") as connection:
        connection.execute(text("DELETE FROM search_words"))
    assert shelf.search("tide") == []
    assert shelf.inspect() == [OUT_OF_STEP]
    shelf.rebuild_search()
    assert shelf.inspect() == []
    assert keys(shelf.search("tide")) == ["D1", "K1", "T1"]


def test_every_kind_of_entry_has_its_word():
    assert len(KIND_WORDS) == len(set(KIND_WORDS)) == 12


@given(st.text(max_size=60))
def test_whatever_stands_in_a_text_is_asked_for_as_it_is_kept(told):
    kept = set(plain_words(told))
    try:
        asked = asked_words(told)
    except InputFault:
        assert not kept
    else:
        assert set(asked) <= kept


@given(st.text(max_size=30))
def test_any_words_are_looked_for_or_refused(tmp_path_factory, words):
    shelf = _one(tmp_path_factory)
    try:
        found = shelf.search(words)
    except InputFault as fault:
        assert fault.what == "nothing to look for"
    else:
        assert len(found) <= 1


_HELD: list[Shelf] = []


def _one(tmp_path_factory) -> Shelf:
    if not _HELD:
        _HELD.append(Shelf.open(tmp_path_factory.mktemp("search") / "shelf", create=True))
        _HELD[0].add(checked(Unit, inventory="D1", kind="host", title="a b c"))
    return _HELD[0]
