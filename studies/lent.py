"""What the oracle's knowledge is worth: ours again, with parts of what the generator knows lent to it.

    python -m studies.lent [--benches 1000] [--jobs 2] [--out docs/studies]

The benches are made as in `studies.causes`, with seeds of their own. Lent are how often each kind of fault is planted,
how faults act on rows (the generator's rungs instead of ours), how rows and operations stray (its tails, its stray
sectors and its luck instead of ours; that the first operation of a day goes worse is not lent), and all of it. What is
then left is how the ranking reckons, not what it knows.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import Any
from unittest.mock import patch

import numpy as np

from indexhole.causes.faults.hypotheses import Fault
from indexhole.causes.likelihood import count_law, evidence, profiles
from indexhole.causes.likelihood.history import Supposition
from indexhole.causes.likelihood.profiles import ProfileBook, Profiles
from indexhole.causes.ranking.rank import rank_causes
from studies import benches
from studies.benches import LUMPY, OPERATION_LUCK, SPECKLED, STRAY, Bench, Key, Tracks, chances, draw_bench, hazard_of
from studies.causes import MET, PLANTED, answer_of
from studies.command import run
from studies.oracle import Oracle

FIRST_SEED = 800_000
HOW_OFTEN, ACTING, STRAYING = "how often faults are met", "how faults act", "how rows stray"
WAYS: tuple[tuple[str, ...], ...] = ((), (HOW_OFTEN,), (ACTING,), (STRAYING,), (HOW_OFTEN, ACTING, STRAYING))
_LOST = {"took": "took", "left-old": "left", "spoilt": "spoilt"}


@dataclass(frozen=True)
class Case:
    """What was planted in a bench, what the oracle named first, and what ours did in each of WAYS."""

    planted: frozenset[Key]
    oracle: frozenset[Key]
    ours: tuple[frozenset[Key], ...]


@contextmanager
def acting(bench: Bench) -> Iterator[None]:
    """Let faults act on rows as the generator has them."""

    def built(book: ProfileBook, fault: Fault, supposed: Supposition) -> Profiles:
        names = book.bench.mechanisms, book.bench.leads
        dead, leads = (
            frozenset(of[i] for i in held) for of, held in zip(names, (supposed.dead, supposed.lost_leads), strict=True)
        )
        tracks = Tracks(bench.plan, dead, supposed.dead_wipes, leads, _LOST[supposed.lost])
        found = []
        for row, failed in zip(bench.plan.rows, bench.failed, strict=True):
            key = (fault.element, fault.fault, fault.side)
            found.append(chances(key, bench.plan, row, tracks.meets(row)))
            tracks.after(row, wholly_failed=failed == row.tracks * benches.SECTORS)
        severity_levels = next((len(c) for c in found if c is not None), 1)
        hazard = np.stack([hazard_of(c) if c is not None else np.zeros(severity_levels) for c in found], axis=1)
        rows = np.flatnonzero(hazard.any(axis=0))
        return Profiles(
            np.full(severity_levels, -np.log(severity_levels)), rows, hazard[:, rows], ("",) * severity_levels
        )

    with patch.object(ProfileBook, "_build", built), patch.multiple(
        profiles, _DEAD_LEAVES_OLD=dict(benches.WIPES)[False], _LAPSE_TOOK=dict(benches.LOST)["took"],
        _LAPSE_LEFT_OLD=dict(benches.LOST)["left"],
    ):  # fmt: skip
        yield


@contextmanager
def straying(_: Bench) -> Iterator[None]:
    """Let rows and operations stray as the generator has them."""

    def row_table(failed: count_law.Ints, tried: count_law.Ints, tracks: count_law.Ints) -> count_law.Floats:
        table = np.ones((len(LUMPY[0]), len(failed), len(count_law.NODES)))
        for dispersion, lumps in enumerate(LUMPY[0].tolist()):
            for i in np.flatnonzero(tried):
                table[dispersion, i] = benches.row_law(lumps, int(tracks[i]))[:, failed[i]]
        return table

    bits = np.arange(count_law.LOWEST_BITS, count_law.HIGHEST_BITS + 1, dtype=np.int64)
    nodes = benches.node_of((bits << count_law.BITS_DROPPED).view(np.float64))
    # Each rate is followed by that of speckled disks, which by itself is none.
    rates = np.stack([STRAY[0], STRAY[0] * SPECKLED[0][1]], axis=1).ravel()
    weights = np.stack([STRAY[1], np.full(len(STRAY[1]), 1e-12)], axis=1).ravel()[:-1]
    noise: dict[str, Any] = {
        "NODES": benches.NODES,
        "NODE_BY_BITS": nodes,
        "row_table": row_table,
        "DISPERSION_WEIGHT": LUMPY[1],
        "LUCK": OPERATION_LUCK[0],
        "STRAY_LUCK": np.ones(len(OPERATION_LUCK[0])),
        "LUCK_WEIGHT": np.stack([OPERATION_LUCK[1]] * len(LUMPY[1])),
        "MISHAP": 0.0,
    }
    background: dict[str, Any] = {
        "_BACKGROUND": rates,
        "_BACKGROUND_WEIGHT": weights,
        "_SPECKLED": float(SPECKLED[1][1]),
    }
    with patch.multiple(count_law, **noise), patch.multiple(evidence, **background):
        yield


def first_of(bench: Bench, lent: Sequence[str]) -> frozenset[Key]:
    """What ours names first when so much is lent to it."""
    with ExitStack() as stack:
        for way, name in ((acting, ACTING), (straying, STRAYING)):
            if name in lent:
                stack.enter_context(way(bench))
        met = MET if HOW_OFTEN in lent else {}
        return answer_of(rank_causes(bench.trials, propose=False, met=met)).faults


def case_of(number: int, first_seed: int) -> Case:
    """One bench in every way."""
    bench = draw_bench(first_seed + number, PLANTED[number % len(PLANTED)])
    best, _ = Oracle(bench).first()
    return Case(bench.planted, best, tuple(first_of(bench, lent) for lent in WAYS))


def table(found: Sequence[Case]) -> str:
    """Markdown: the difference to the oracle in points, with the standard uncertainty of pairs, for each way."""
    lines = ["| lent to ours | one fault | two faults | nothing |", "| --- | --- | --- | --- |"]
    for k, lent in enumerate(WAYS):
        cells = []
        for count in (1, 2, 0):
            here = [c for c in found if len(c.planted) == count]
            better = np.array([float(c.ours[k] == c.planted) - float(c.oracle == c.planted) for c in here])
            cells.append(f"{100 * better.mean():+.1f} +/- {100 * float(np.std(better)) / np.sqrt(len(here)):.1f}")
        lines.append(f"| {' and '.join(lent) or 'nothing'} | {' | '.join(cells)} |")
    right = [np.mean([c.oracle == c.planted for c in found if len(c.planted) == n]) for n in (1, 2, 0)]
    lines.append(f"\nThe oracle names {right[0]:.1%}, {right[1]:.1%} and {right[2]:.1%} first.")
    return "\n".join(lines) + "\n"


def main() -> None:
    """Measure and print."""
    run(
        __doc__, case_of, table, benches=1000, first_seed=FIRST_SEED, study="lent",
        title="What the oracle's knowledge is worth",
        told="what is lent is told there. Points by which ours names the planted fault first more often than the "
        "oracle.",
    )  # fmt: skip


if __name__ == "__main__":
    main()
