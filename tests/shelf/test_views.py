"""The collection along time, and units side by side with what was proven between them."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from indexhole.errors import InputFault
from indexhole.model.trials.trial import Trial
from indexhole.shelf.records.additions import Firmware, Part
from indexhole.shelf.records.records import Disk, Mechanism, Unit, checked
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.views.compare_units import MOST_UNITS, compare_units
from indexhole.shelf.views.listing import choices_of, natural, number_of_trials, tried_among
from indexhole.shelf.views.timeline import dating_of, timeline

TODAY = date(2026, 3, 1)
TRIAL = Trial("T1", "2026-03-01", "write", "", "", "D1.0", "K1", 0, 0, 12, 117, 0, "")


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    held = Shelf.open(tmp_path / "shelf", create=True)
    held.add(checked(Unit, inventory="D1", kind="drive unit", made="1984", acquired="about 1998, from the tide office"))
    held.add(checked(Unit, inventory="D2", kind="drive unit", date_codes="8332 on the board", acquired="with D1"))
    held.add(
        checked(Unit, inventory="D3", kind="drive unit", acquired_when="1985 to 1988", acquired="2001, it is said")
    )
    held.add(checked(Part, unit="D2", name="processor", date_code="8723", marking="8-bit"))
    held.add(checked(Disk, inventory="K1", recorded_when="1986-05", acquired_when="after 1990"))
    held.add(checked(Disk, inventory="K2"))
    for name in ("D1.0", "D2.0", "D3.0"):
        held.add(checked(Mechanism, mechanism=name))
    return held


def along(shelf: Shelf, by: str) -> list[tuple[str, date | None, date | None]]:
    return [(moment.key, moment.earliest, moment.latest) for moment in timeline(shelf, by, today=TODAY).moments]


def test_things_stand_in_order_of_when_they_were_made(shelf):
    assert along(shelf, "made") == [("D1", date(1984, 1, 1), date(1984, 12, 31)), ("D2", date(1987, 5, 25), None)]
    told = timeline(shelf, "made", today=TODAY).moments[1]
    assert (told.told, told.basis) == ("not before 1987-05-25", "date code 8723 on P1 processor")
    assert dating_of(shelf, "D2", today=TODAY).no_earlier_than == date(1987, 5, 25)
    assert "P1 processor carries 8723" in dating_of(shelf, "D2", today=TODAY).remarks[0]


def test_things_stand_in_order_of_when_they_came(shelf):
    assert along(shelf, "acquired") == [
        ("D3", date(1985, 1, 1), date(1988, 12, 31)),
        ("K1", date(1990, 1, 1), None),
        ("D1", date(1996, 1, 1), date(2000, 12, 31)),
    ]
    assert along(shelf, "recorded") == [("K1", date(1986, 5, 1), date(1986, 5, 31))]


def test_a_stretch_of_the_line_is_the_part_of_the_whole(shelf):
    whole = timeline(shelf, "acquired", today=TODAY)
    assert (whole.total, whole.unknown) == (3, 2)
    for first in range(4):
        part = timeline(shelf, "acquired", first=first, most=2, today=TODAY)
        assert part.moments == whole.moments[first : first + 2]
        assert (part.total, part.unknown) == (3, 2)


def test_of_one_day_a_lower_number_comes_first(shelf):
    for key in ("D10", "D4"):
        shelf.add(checked(Unit, inventory=key, kind="drive unit", made="1984"))
    assert [key for key, _, _ in along(shelf, "made")] == ["D1", "D4", "D10", "D2"]


def rows(shelf: Shelf, *keys: str) -> dict[str, tuple[str, ...]]:
    return dict(compare_units(shelf, keys).rows)


def test_units_stand_side_by_side_and_rows_that_say_nothing_are_left_out(shelf):
    shelf.update(Unit, "D1", disk_class="90", weight_kg=1.5, interfaces="parallel bus")
    shelf.add(checked(Firmware, unit="D2", version="2.6"))
    told = rows(shelf, "D2", "D1")
    assert told["made"] == ("not before 1987-05-25", "1984")
    assert told["weight, kg"] == ("", "1.5")
    assert told["interface"] == ("", "parallel bus")
    assert told["processors"] == ("processor (8-bit)", "")
    assert told["firmware"] == ("2.6", "")
    # 80 cylinders, two sides: 15 x 128 bytes a track is the least of the layouts, 5 x 1024 the most
    assert told["capacity of a disk"] == ("", "300 to 800 KiB, by layout")
    assert "power input" not in told
    assert "proven pairings" not in told


def test_a_pairing_is_proven_by_reading_what_another_wrote_last(shelf):
    shelf.add_trials(
        [
            TRIAL,
            replace(TRIAL, trial="T2", operation="read", mechanism="D2.0"),
            replace(TRIAL, trial="T3", operation="read", mechanism="D3.0", sectors_failed=1),
            replace(TRIAL, trial="T4", operation="read", mechanism="D1.0"),
        ]
    )
    assert rows(shelf, "D1", "D2", "D3")["proven pairings"] == ("D1.0 read by D2.0", "D1.0 read by D2.0", "")
    assert "proven pairings" not in rows(shelf, "D1", "D3")
    # written over by a unit that is not compared, it proves nothing of those that are
    shelf.add_trials(
        [
            replace(TRIAL, trial="T5", mechanism="D9.0", disk="K2"),
            replace(TRIAL, trial="T6", mechanism="D2.0", disk="K2"),
            replace(TRIAL, trial="T7", mechanism="D9.0", disk="K2"),
            replace(TRIAL, trial="T8", operation="read", mechanism="D3.0", disk="K2"),
        ]
    )
    assert "proven pairings" not in rows(shelf, "D2", "D3")
    assert rows(shelf, "D9", "D3")["proven pairings"] == ("D9.0 read by D3.0", "D9.0 read by D3.0")


def test_what_trials_say_of_a_unit_stands_beside_it(shelf):
    over = replace(TRIAL, host="H1", lead="L1")
    shelf.add_trials(
        [
            over,
            replace(over, trial="T2", operation="read", mechanism="D2.0"),
            replace(over, trial="T3", operation="read", mechanism="D3.0", lead="L2", sectors_failed=4),
        ]
    )
    told = rows(shelf, "D1", "H1", "D3")
    assert told["trials"] == (
        "1 trial, 0 of 117 sectors failed", "3 trials, 4 of 351 sectors failed", "1 trial, 4 of 117 sectors failed",
    )  # fmt: skip
    assert told["proven pairings"] == ("D1.0 on H1", "D1.0 on H1", "")
    assert told["proven with others"] == ("D1.0 over L1, D1.0 read by D2.0", "D2.0 on H1", "")


@pytest.mark.parametrize(
    ("keys", "told"),
    [
        ([], "0 units cannot be compared; name 1 to 20, each once"),
        (["D1"] * 2, "2 units cannot be compared"),
        ([f"D{k}" for k in range(MOST_UNITS + 1)], "21 units cannot be compared"),
        (["D1", "D7"], "there is no unit D7 on the shelf"),
    ],
)
def test_what_cannot_be_compared_is_told(shelf, keys, told):
    with pytest.raises(InputFault) as fault:
        compare_units(shelf, keys)
    assert told in fault.value.line


def numbers_and_words(key: str) -> list[tuple[int, str]]:
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in re.split("([0-9]+)", key)]


@given(st.lists(st.from_regex(r"[A-Z]{1,2}[0-9]{1,9}(/[0-9]{1,9}[a-z]?)?", fullmatch=True), max_size=12))
def test_keys_stand_in_order_of_their_numbers(keys):
    assert sorted(keys, key=lambda key: (natural(key), key)) == sorted(
        keys, key=lambda key: (numbers_and_words(key), key)
    )


def test_what_trials_name_is_told_apart(shelf):
    shelf.add_trials([replace(TRIAL, host="H1", lead="L1")])
    assert tried_among(shelf, ["D1.0", "D2.0", "H1", "L1", "K1", "nothing"]) == {"D1.0", "H1", "L1"}
    assert tried_among(shelf, []) == frozenset()
    assert number_of_trials(shelf) == 1
    held = choices_of(shelf, 2)
    assert held.mechanisms == (("D1.0", "D1.0"), ("D2.0", "D2.0"))
    assert (held.hosts, held.leads) == ((("H1", "H1"),), (("L1", "L1"),))
    assert [key for key, _ in held.disks] == ["K1", "K2"]
