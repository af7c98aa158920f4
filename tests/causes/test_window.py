"""Which trials are weighed: about something, since a day, the latest of very many; who wrote before stays known."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from indexhole.cli import main as edge
from indexhole.errors import InputFault
from indexhole.jobs.faults.causes import diagnose, sheet_bench
from indexhole.jobs.faults.window import begins, window
from indexhole.model.trials.recorders import Recorders
from indexhole.model.trials.trial import Trial

MECHANISMS, DISKS = ["D1.0", "D2.0", "D3.0", "D3.1"], ["K1", "K2", "K3"]


def row(number: int, operation: str, mechanism: str, disk: str, first: int = 0, day: int = 1) -> Trial:
    return Trial(f"T{number}", f"2026-03-{day:02d}", operation, "H1", "L1", mechanism, disk, 0, first, first + 9, 90, 0)  # type: ignore[arg-type]


@st.composite
def sheets(draw) -> list[Trial]:
    rows = draw(
        st.lists(
            st.tuples(
                st.sampled_from(["read", "write"]), st.sampled_from(MECHANISMS), st.sampled_from(DISKS),
                st.sampled_from([0, 10, 20]),
            ),
            min_size=1, max_size=30,
        )
    )  # fmt: skip
    return [row(number, *told, day=1 + number // 4) for number, told in enumerate(rows, start=1)]


@given(sheets(), st.integers(1, 40), st.integers(4, 12))
def test_who_wrote_what_is_known_whatever_is_left_out(trials: list[Trial], most: int, elements: int) -> None:
    chosen = window(trials, most_trials=most, most_elements=elements)
    kept = chosen.trials[chosen.carried :]
    assert list(kept) == trials[len(trials) - len(kept) :]
    assert all(t.sectors_tried == 0 and not t.lead and not t.host for t in chosen.trials[: chosen.carried])
    disks = {t.disk for t in kept}
    whole, part = Recorders(trials), Recorders(chosen.trials)
    assert part.met[chosen.carried :] == whole.met[len(trials) - len(kept) :]
    assert part.last == {key: track for key, track in whole.last.items() if key[0] in disks}
    first = len(trials) - len(kept)
    assert first == 0 or begins(trials[first - 1], trials[first])
    assert bool(chosen.told) == (first > 0)


@given(sheets(), st.sampled_from(["D3", "D3.1", "K2", "L1"]))
def test_about_keeps_its_trials_and_those_of_its_disks(trials: list[Trial], name: str) -> None:
    direct = [t for t in trials if name in (t.mechanism, t.mechanism.split(".")[0], t.disk, t.lead)]
    if not direct:
        with pytest.raises(InputFault, match="no trial names it"):
            window(trials, [name])
        return
    chosen = window(trials, [name])
    disks = {t.disk for t in direct}
    assert list(chosen.trials[chosen.carried :]) == [t for t in trials if t in direct or t.disk in disks]


def test_the_latest_operation_is_kept_however_large() -> None:
    trials = [row(1, "read", "D1.0", "K1"), *(row(k, "read", "D2.0", "K2", first=10 * (k - 2)) for k in (2, 3, 4))]
    chosen = window(trials, most_trials=1)
    assert [t.trial for t in chosen.trials] == ["T2", "T3", "T4"]
    assert chosen.told == "The latest 3 of 4 trials are weighed"


def test_a_day_parts_what_is_weighed_and_says_so() -> None:
    trials = [row(1, "write", "D1.0", "K1"), row(2, "read", "D2.0", "K2"), row(3, "read", "D2.0", "K1", day=2)]
    chosen = window(trials, since="2026-03-02")
    assert [(t.trial, t.sectors_tried) for t in chosen.trials] == [("T1", 0), ("T3", 90)]
    assert chosen.told == "1 of 3 trials are weighed, those since 2026-03-02"
    for day in ("soon", "2026-3-2", "2026-13-01"):
        with pytest.raises(InputFault, match="is no day"):
            window(trials, since=day)
    with pytest.raises(InputFault, match="no trial since 2026-04-01 is left"):
        window(trials, since="2026-04-01")


def test_a_fault_is_found_in_what_is_about_it() -> None:
    plan = [(m, d) for d in DISKS for m in MECHANISMS] * 2
    trials = [row(k, "read", m, d) for k, (m, d) in enumerate(plan, start=1)]
    trials = [replace(t, sectors_failed=t.sectors_tried if t.mechanism == "D3.1" else 0) for t in trials]
    far = [replace(t, trial=f"F{t.trial}", mechanism="D9.0", disk="K9") for t in trials]
    found = diagnose(sheet_bench([*far, *trials], about=["D3.1"]))
    assert found.trials == len(trials)
    assert found.scope == f"{len(trials)} of {2 * len(trials)} trials are weighed, those about D3.1"
    assert found.causes[0].faults[0].element == "D3.1"
    assert "D9.0" not in (*found.sound, *found.unproven)


def test_the_command_says_what_it_left_out(tmp_path, capsys) -> None:
    from indexhole.shelf.sheets.sheet import write_sheet

    sheet = tmp_path / "bench.csv"
    write_sheet([row(1, "read", "D1.0", "K1"), row(2, "read", "D2.0", "K2")], sheet)
    assert edge.run(["causes", str(sheet), "--about", "D2.0"]) == 0
    assert "1 of 2 trials are weighed, those about D2.0." in capsys.readouterr().out
    assert edge.run(["causes", str(sheet), "--about", "D7"]) == 2
    assert "D7: no trial names it" in capsys.readouterr().err
