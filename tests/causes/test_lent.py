"""Ours against a second reckoning: lent what the generator of `studies.benches` knows, it must sum what that sums."""

from __future__ import annotations

from itertools import combinations

import pytest
from scipy.special import logsumexp
from studies import benches, lent
from studies.benches import Bench, Key, draw_bench
from studies.oracle import Oracle

from indexhole.causes.faults.hypotheses import Fault
from indexhole.causes.likelihood.evidence import Evidence
from indexhole.causes.likelihood.history import lay_out

# Luck does not bear on these in the generator, and its leads lapse by another law.
UNLIKE = (*benches.LUCKLESS, "bad-lead")
# Ours looks a hazard up by its leading bits, to one part in 256, so now and then the node next door is taken.
NATS = 0.5


def ours(bench: Bench, faults: frozenset[Key]) -> float:
    return Evidence(lay_out(bench.trials)).log_likelihood(frozenset(Fault(*key) for key in faults))  # type: ignore[arg-type]


@pytest.mark.parametrize(("seed", "planted"), [(800_000, 1), (800_006, 2), (800_011, 2), (800_003, 0)])
def test_lent_all_it_sums_as_the_generator_does(seed: int, planted: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(benches, "FIRST_OF_DAY", 1.0)  # the one thing that is not lent
    bench = draw_bench(seed, planted)
    own = ours(bench, frozenset())
    exact = Oracle(bench)
    alike = [key for key in bench.plan.faults() if key[1] not in UNLIKE]
    of_interest = [*(key for key in alike if key in bench.planted), *alike[::9]]
    pairs = [pair for pair in combinations(dict.fromkeys(of_interest), 2) if pair[0][0] != pair[1][0]]
    supposed = [frozenset(), *(frozenset({key}) for key in alike), *map(frozenset, pairs[:4])]
    with lent.acting(bench), lent.straying(bench):
        weighed = Evidence(lay_out(bench.trials))
        for faults in supposed:
            told = weighed.log_likelihood(frozenset(Fault(*key) for key in faults))  # type: ignore[arg-type]
            assert told == pytest.approx(float(logsumexp(exact.by_setting(faults))), abs=NATS)
    # what was lent is given back
    assert ours(bench, frozenset()) == own


def test_the_table_counts_pairs_of_answers() -> None:
    one, other = frozenset({("D1.0", "misaligned", None)}), frozenset({("K1", "worn-surface", 0)})
    never, always = (other,) * len(lent.WAYS), (one,) * len(lent.WAYS)
    found = [lent.Case(one, one, never), lent.Case(one, one, always), lent.Case(one, other, never)]
    found += [lent.Case(one | other, one, (one | other,) * len(lent.WAYS)), lent.Case(frozenset(), frozenset(), always)]
    lines = lent.table(found).splitlines()
    assert lines[2] == "| nothing | -33.3 +/- 27.2 | +100.0 +/- 0.0 | -100.0 +/- 0.0 |"
    assert lines[-1] == "The oracle names 66.7%, 0.0% and 100.0% first."
