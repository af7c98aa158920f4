"""How often the planted fault is named first, beside an oracle that knows how the benches were made.

    python -m studies.causes [--benches 400] [--long 400] [--state FILE] [--out docs/studies]

Of five benches three have one fault, one has two, one has none. The oracle (`studies.oracle`) knows how likely the
generator makes every sheet, and how often it plants each kind of fault. Ours is asked twice: as it is, and told that
too (`met`), which parts what the likelihood costs from what the prior does. Answers are kept in the state file, so that
a run cut off goes on. The benches of these seeds were never looked at while the likelihood was made.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from indexhole.causes.ranking.diagnosis import Diagnosis, NextTrial
from indexhole.causes.ranking.rank import rank_causes
from studies.benches import (
    SECTORS,
    WORD_WEIGHT,
    WORDS,
    Bench,
    Key,
    Plan,
    Row,
    World,
    draw_bench,
    draw_operation,
    trial_of,
)
from studies.oracle import Oracle

FIRST_SEED = 600_000
# Benches with about twice as many operations have seeds of their own.
FIRST_LONG_SEED, MANY_OPERATIONS = 650_000, 56
PLANTED = (1, 2, 1, 0, 1)
# One fault is planted on a bench on average, so that often each kind is met.
MET = dict(zip(WORDS, WORD_WEIGHT.tolist(), strict=True))
BINS = (0.0, 0.3, 0.5, 0.7, 0.9, 1.0)
_KEPT = 6


@dataclass(frozen=True)
class Answer:
    """What was named first, and how sure."""

    faults: frozenset[Key]
    probability: float


@dataclass(frozen=True)
class Case:
    """One bench: its truth, what of it shows, and the answers: ours, ours told how often, the oracle's."""

    seed: int
    planted: frozenset[Key]
    shown: frozenset[Key]
    ours: Answer
    told: Answer
    oracle: Answer


def as_key(element: str, word: str, side: int | None) -> Key:
    """A fault as the generator counts it: off-speed leaves the counts of misaligned."""
    return element, "misaligned" if word == "off-speed" else word, side


def answer_of(told: Diagnosis) -> Answer:
    """The first cause of a ranking."""
    first = told.causes[0]
    return Answer(frozenset(as_key(f.element, f.fault, f.side) for f in first.faults), first.kind_probability)


def oracle_answer(bench: Bench, kept: dict[str, list[object]], name: str) -> Answer:
    """The oracle's first, from the state where it is there."""
    if name not in kept:
        weighed = sorted(Oracle(bench).posterior().items(), key=lambda item: -item[1])[:_KEPT]
        kept[name] = [[sorted(h, key=str), p] for h, p in weighed]
    faults, probability = kept[name][0]  # type: ignore[misc]
    return Answer(frozenset(as_key(*key) for key in faults), float(probability))


def cases(
    count: int,
    kept: dict[str, list[object]],
    save: Callable[[], None] = lambda: None,
    *,
    first_seed: int = FIRST_SEED,
    operations: int | None = None,
) -> Iterator[Case]:
    """So many benches with both answers; `save` is called after each."""
    for i in range(count):
        seed, faults = first_seed + i, PLANTED[i % len(PLANTED)]
        bench = draw_bench(seed, faults, operations)
        best = oracle_answer(bench, kept, f"{seed}-{faults}")
        save()
        ours = answer_of(rank_causes(bench.trials, propose=False))
        told = answer_of(rank_causes(bench.trials, propose=False, met=MET))
        yield Case(seed, bench.planted, bench.shown, ours, told, best)


def rates(found: Sequence[Case]) -> str:
    """Markdown: how often each names first just what was planted, and how far ours is behind the oracle.

    The standard uncertainty of a difference is that of pairs: only benches on which one of the two is right count.
    """
    lines = [
        "| planted | benches | oracle first | ours first | difference, points | told how often | difference, points |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for count, words in ((1, "one fault"), (2, "two faults"), (0, "nothing")):
        for shows in (False, True) if count else (False,):
            here = [c for c in found if len(c.planted) == count and (not shows or c.shown == c.planted)]
            if not here:
                continue
            best = np.array([c.oracle.faults == c.planted for c in here], dtype=float)
            name = f"{words}, {'each of which shows' if count > 1 else 'which shows'}" if shows else words
            line = f"| {name} | {len(here)} | {best.mean():.1%} |"
            for answers in ([c.ours for c in here], [c.told for c in here]):
                right = np.array([a.faults == c.planted for a, c in zip(answers, here, strict=True)], dtype=float)
                spread = 100 * float(np.std(right - best)) / np.sqrt(len(here))
                line += f" {right.mean():.1%} | {100 * (right - best).mean():+.1f} +/- {spread:.1f} |"
            lines.append(line)
    return "\n".join(lines) + "\n"


def calibration(found: Sequence[Case]) -> str:
    """Markdown: the probability stated for the first cause against how often it was just what shows."""
    lines = [
        "| stated | benches | mean stated | right, of what shows | +/- | right, of all planted |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for low, high in pairwise(BINS):
        here = [c for c in found if low < c.ours.probability <= high]
        if not here:
            continue
        stated = np.mean([c.ours.probability for c in here])
        right = np.mean([c.ours.faults == c.shown for c in here])
        planted = np.mean([c.ours.faults == c.planted for c in here])
        # Half a case is added, so that none wrong does not claim to be exact.
        spread = np.sqrt(right * (1 - right) * len(here) + 0.25) / len(here)
        lines.append(
            f"| {low:.1f} to {high:.1f} | {len(here)} | {stated:.3f} | {right:.3f} | {spread:.3f} | {planted:.3f} |"
        )
    return "\n".join(lines) + "\n"


def misses(found: Sequence[Case]) -> str:
    """What ours named for each kind of fault that it missed and the oracle did not, for whoever improves it."""

    def words(faults: frozenset[Key]) -> str:
        return " + ".join(sorted(word for _, word, _ in faults)) or "nothing"

    counted = Counter(
        (words(c.planted), words(c.ours.faults))
        for c in found
        if c.ours.faults != c.planted and c.oracle.faults == c.planted
    )
    return "\n".join(f"{number} x planted {one}, named {other}" for (one, other), number in counted.most_common())


SURE, MOST_TRIALS = 0.95, 30
_LONGEST_START = 400
_BADLY = 0.03  # share of sectors that fail in an operation that went badly


def trials_needed(seed: int, *, planned: bool) -> int | None:
    """Operations after the first bad one until the planted fault is named with 0.95; None when that takes too many.

    Both ways start where a keeper would: things were tried at random until an operation went badly. From there on
    trials are those proposed, or again random ones. The planted fault is bad: with a mild one neither way gets there.
    All disks are scratch ones, as random trials write on any.
    """
    rng = np.random.default_rng([seed, 77])
    plan = Plan([f"D{i}.0" for i in range(1, 6)], [f"K{i}" for i in range(1, 7)], ["L1", "L2"], ["H1"])
    named = _plantable(plan)
    chance = np.array(list(named.values()))
    planted = list(named)[int(rng.choice(len(named), p=chance / chance.sum()))]
    world = World(rng, plan, [planted])
    world.worst()
    # Everything stands on the bench from the start, so that all of it may be proposed.
    sheet = [
        trial_of(
            Row(-1, 1, False, "H1", plan.leads[k % 2], plan.mechanisms[k % 5], plan.disks[k % 6], k % 2, False, 0, 39),
            k,
            0,
        )
        for k in range(10)
    ]
    sheet = [replace(t, sectors_tried=0) for t in sheet]
    operation, started = 0, 0
    proposed: NextTrial | None = None
    while not started or operation - started <= MOST_TRIALS:
        rows = list(draw_operation(rng, plan, operation, 1 + operation // 12, operation % 12 == 0, 0.35))
        if proposed is not None:
            rows = as_proposed(rows[0], proposed)
        failed = [world.outcome(row) for row in rows]
        sheet += [trial_of(row, len(sheet) + k, n) for k, (row, n) in enumerate(zip(rows, failed, strict=True))]
        operation += 1
        if not started:
            tried = SECTORS * sum(row.tracks for row in rows)
            started = operation if sum(failed) > _BADLY * tried else 0
            if not started:
                if operation > _LONGEST_START:
                    raise ValueError(f"nothing went badly on the bench of seed {seed}")
                continue
        told = rank_causes(sheet, propose=planned, scratch=plan.disks)
        first = answer_of(told)
        if first.faults == frozenset([planted]) and first.probability >= SURE:
            return operation - started
        proposed = told.next if planned else None
    return None


def _plantable(plan: Plan) -> dict[Key, float]:
    rows = [Row(0, 1, False, "H1", "L1", plan.mechanisms[0], plan.disks[0], side, False, 0, 39) for side in (0, 1)]
    every = Plan(plan.mechanisms, plan.disks, plan.leads, plan.hosts, rows).faults()
    return {k: p for k, p in every.items() if k[1] not in ("set-up", "wrong-medium", "old-recording-underneath")}


def as_proposed(row: Row, trial: NextTrial) -> list[Row]:
    """The rows of a proposed trial, for the rest as the row given."""
    made = replace(
        row, lead=trial.lead, mechanism=trial.mechanism, disk=trial.disk, side=trial.side, host=trial.host,
        writes=trial.operation != "read",
    )  # fmt: skip
    return [replace(made, first=a, last=b) for a, b in _thirds(trial.first_cylinder, trial.last_cylinder)]


def _thirds(first: int, last: int) -> list[tuple[int, int]]:
    bounds = np.linspace(first, last + 1, 4).astype(int)
    return [(int(a), int(b) - 1) for a, b in pairwise(bounds) if b > a]


def planning(count: int, kept: dict[str, list[object]], save: Callable[[], None] = lambda: None) -> str:
    """Markdown: how many operations planned and random trials need, over benches; what was found is kept."""
    lines = [
        "| trials | benches | reached 0.95 | operations, median | mean |",
        "| --- | --- | --- | --- | --- |",
    ]
    for planned in (True, False):
        words = "planned" if planned else "random"
        needed = []
        for seed in range(FIRST_SEED, FIRST_SEED + count):
            name = f"{seed}-{words}"
            if name not in kept:
                kept[name] = [trials_needed(seed, planned=planned)]
                save()
            needed.append(kept[name][0])
        # Who never gets there counts as one more than were tried.
        counted = [MOST_TRIALS + 1 if n is None else int(n) for n in needed]  # type: ignore[call-overload]
        reached = sum(n is not None for n in needed)
        lines.append(f"| {words} | {count} | {reached} | {np.median(counted):.1f} | {np.mean(counted):.1f} |")
    return "\n".join(lines) + "\n"


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--benches", type=int, default=400)
    parser.add_argument("--long", type=int, default=400, help=f"benches with {MANY_OPERATIONS} operations")
    parser.add_argument("--planned", type=int, default=40, help="benches for the study of planned trials")
    parser.add_argument("--state", type=Path)
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    kept = json.loads(asked.state.read_text()) if asked.state and asked.state.exists() else {}

    def save() -> None:
        if asked.state is not None:
            asked.state.parent.mkdir(parents=True, exist_ok=True)
            asked.state.with_suffix(".new").write_text(json.dumps(kept))
            asked.state.with_suffix(".new").replace(asked.state)

    found = list(cases(asked.benches, kept, save))
    longer = list(cases(asked.long, kept, save, first_seed=FIRST_LONG_SEED, operations=MANY_OPERATIONS))
    parts = {
        "Named first": rates(found),
        f"Named first after {MANY_OPERATIONS} operations": rates(longer),
        "Calibration": calibration(found),
        f"Calibration after {MANY_OPERATIONS} operations": calibration(longer),
        "Planned trials": planning(asked.planned, kept, save),
    }
    text = "".join(f"## {title}\n\n{table}\n" for title, table in parts.items())
    print(text, misses(found), sep="")
    if asked.out is not None:
        head = (
            "# How often the planted fault is named first\n\n"
            f"Made by `python -m studies.causes --benches {asked.benches} --long {asked.long}"
            f" --planned {asked.planned}`;\n"
            "how the benches are made and weighed is told in `docs/causes.md`. `Told how often` is ours when it knows\n"
            "how often the generator plants each kind of fault. Differences are to the oracle, with their standard\n"
            "uncertainty. Benches have 20 to 35 operations where nothing else is said.\n\n"
        )
        (asked.out / "causes.md").write_text(f"{head}{text}".rstrip() + "\n")


if __name__ == "__main__":
    main()
