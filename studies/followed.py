"""How often the planted fault is named first once what is proposed has been tried, beside the same oracle.

    python -m studies.followed [--benches 400] [--jobs 2] [--out docs/studies]

Benches begin as in `studies.causes`, with 20 to 35 operations at random and seeds of their own. Then the trials that
ours proposes are made, one after the other, and the generator says how each comes out. Ours and the oracle answer from
the same sheet, before and after, and from one that goes on at random instead. All disks are scratch ones, since random
trials have written on any.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import deepcopy
from dataclasses import replace

from indexhole.causes.ranking.diagnosis import Diagnosis
from indexhole.causes.ranking.rank import rank_causes
from studies.benches import Bench, Row, World, bench_of, draw_operation, draw_world
from studies.causes import MET, PLANTED, Answer, Case, answer_of, as_proposed, calibration, rates
from studies.command import run
from studies.oracle import Oracle

FIRST_SEED = 1_000_000
STOPS = (0, 3, 6)  # operations followed at which everyone is asked
BEFORE, PROPOSED = "As they began", "After {} proposed operations"
RANDOM = f"After {STOPS[-1]} random operations instead"
_WRITES = 0.35  # share of writes among random operations, about the middle of what benches begin with


def followed(number: int, first_seed: int = FIRST_SEED) -> dict[str, Case]:
    """One bench at each of STOPS, and with as many random operations instead of the last.

    A bench on which nothing more is proposed stays as it is.
    """
    seed = first_seed + number
    world, failed = draw_world(seed, PLANTED[number % len(PLANTED)])
    other, otherwise = deepcopy((world, failed))

    def case(bench: Bench, told: Diagnosis) -> Case:
        often = answer_of(rank_causes(bench.trials, propose=False, met=MET))
        return Case(seed, bench.planted, bench.shown, answer_of(told), often, Answer(*Oracle(bench).first()))

    found = {}
    for done in range(STOPS[-1] + 1):
        bench = bench_of(world, failed)
        told = rank_causes(bench.trials, propose=done < STOPS[-1], scratch=world.plan.disks)
        if done in STOPS:
            found[PROPOSED.format(done) if done else BEFORE] = case(bench, told)
        if told.next is not None:
            last = world.plan.rows[-1]
            _go_on(world, failed, as_proposed(replace(last, operation=last.operation + 1, opens_day=False), told.next))
    for _ in range(STOPS[-1]):
        last = other.plan.rows[-1]
        drawn = draw_operation(other.rng, other.plan, last.operation + 1, last.day, False, _WRITES)
        _go_on(other, otherwise, list(drawn))
    bench = bench_of(other, otherwise)
    found[RANDOM] = case(bench, rank_causes(bench.trials, propose=False))
    return found


def _go_on(world: World, failed: list[int], rows: list[Row]) -> None:
    """Make one more operation."""
    failed += [world.outcome(row) for row in rows]
    world.plan.rows += rows


def tables(found: Sequence[dict[str, Case]]) -> str:
    """Markdown of all stops."""
    parts = []
    for name in found[0]:
        here = [cases[name] for cases in found]
        parts.append(f"## {name}\n\n{rates(here)}\n{calibration(here)}")
    return "\n".join(parts)


def main() -> None:
    """Measure and print."""
    run(
        __doc__, followed, tables, benches=400, first_seed=FIRST_SEED, study="followed",
        title="How often the planted fault is named first once proposals are followed",
        told="columns as in [causes.md](causes.md). Benches begin with 20 to 35 operations at random.",
    )  # fmt: skip


if __name__ == "__main__":
    main()
