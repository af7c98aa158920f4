"""How often the planted fault is named first once what is proposed has been tried, beside the same oracle.

    python -m studies.followed [--benches 400] [--jobs 2] [--out docs/studies]

Benches begin as in `studies.causes`, with 20 to 35 operations at random and seeds of their own. Then the trials that
ours proposes are made, one after the other, and the generator says how each comes out. Ours and the oracle answer from
the same sheet, before and after, and from one that goes on at random instead. All disks are scratch ones, since random
trials have written on any.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from copy import deepcopy
from dataclasses import replace
from functools import partial
from multiprocessing import Pool
from pathlib import Path

import numpy as np

from indexhole.causes.diagnosis import Diagnosis, NextTrial
from indexhole.causes.trials import rank_causes
from studies.benches import Bench, Row, World, draw_faults, draw_operation, draw_plan, trial_of
from studies.causes import MET, PLANTED, Answer, Case, answer_of, calibration, rates, thirds
from studies.oracle import Oracle

FIRST_SEED = 1_000_000
STOPS = (0, 3, 6)  # operations followed at which everyone is asked
BEFORE, PROPOSED = "As they began", "After {} proposed operations"
RANDOM = f"After {STOPS[-1]} random operations instead"
_WRITES = 0.35  # share of writes among random operations, about the middle of what benches begin with


def _best(bench: Bench) -> Answer:
    weighed = Oracle(bench).posterior()
    first = max(weighed, key=lambda hypothesis: weighed[hypothesis])
    return Answer(first, weighed[first])


def _proposed(trial: NextTrial, last: Row) -> list[Row]:
    """The rows of a proposed trial, made on the day of the last one."""
    of = replace(
        last, operation=last.operation + 1, opens_day=False, host=trial.host, lead=trial.lead,
        mechanism=trial.mechanism, disk=trial.disk, side=trial.side, writes=trial.operation != "read",
    )  # fmt: skip
    return [replace(of, first=a, last=b) for a, b in thirds(trial.first_cylinder, trial.last_cylinder)]


def followed(number: int, first_seed: int = FIRST_SEED) -> dict[str, Case]:
    """One bench at each of STOPS, and with as many random operations instead of the last.

    A bench on which nothing more is proposed stays as it is.
    """
    seed, faults = first_seed + number, PLANTED[number % len(PLANTED)]
    rng = np.random.default_rng([seed, faults])
    plan = draw_plan(rng)
    world = World(rng, plan, draw_faults(rng, plan, faults))
    failed = [world.outcome(row) for row in plan.rows]
    other, otherwise = deepcopy((world, failed))

    def case(world: World, failed: list[int], told: Diagnosis) -> Case:
        bench = Bench(world.plan, failed, frozenset(world.planted), frozenset(world.shown))
        often = answer_of(rank_causes(bench.trials, propose=False, met=MET))
        return Case(seed, bench.planted, bench.shown, answer_of(told), often, _best(bench))

    found = {}
    for done in range(STOPS[-1] + 1):
        trials = [trial_of(row, k, n) for k, (row, n) in enumerate(zip(plan.rows, failed, strict=True))]
        told = rank_causes(trials, propose=done < STOPS[-1], scratch=plan.disks)
        if done in STOPS:
            found[PROPOSED.format(done) if done else BEFORE] = case(world, failed, told)
        if told.next is not None:
            rows = _proposed(told.next, plan.rows[-1])
            failed += [world.outcome(row) for row in rows]
            plan.rows += rows
    plan = other.plan
    for _ in range(STOPS[-1]):
        last = plan.rows[-1]
        rows = list(draw_operation(other.rng, plan, last.operation + 1, last.day, False, _WRITES))
        otherwise += [other.outcome(row) for row in rows]
        plan.rows += rows
    trials = [trial_of(row, k, n) for k, (row, n) in enumerate(zip(plan.rows, otherwise, strict=True))]
    found[RANDOM] = case(other, otherwise, rank_causes(trials, propose=False))
    return found


def tables(found: Sequence[dict[str, Case]]) -> str:
    """Markdown of all stops."""
    parts = []
    for name in found[0]:
        here = [cases[name] for cases in found]
        parts.append(f"## {name}\n\n{rates(here)}\n{calibration(here)}")
    return "\n".join(parts)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--benches", type=int, default=400)
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    with Pool(asked.jobs) as pool:
        found = pool.map(partial(followed, first_seed=asked.first_seed), range(asked.benches), chunksize=5)
    text = tables(found)
    print(text)
    if asked.out is not None:
        head = (
            "# How often the planted fault is named first once proposals are followed\n\n"
            f"Made by `python -m studies.followed --benches {asked.benches} --first-seed {asked.first_seed}`;\n"
            "columns as in [causes.md](causes.md). Benches begin with 20 to 35 operations at random.\n\n"
        )
        (asked.out / "causes-followed.md").write_text(head + text)


if __name__ == "__main__":
    main()
