"""What would help, each with the chance after it; never a write to an irreplaceable disk."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from indexhole.pairing.answer import Remedy, Term
from indexhole.pairing.beliefs import Beliefs, MechanismBelief
from indexhole.pairing.budget import Reckoning, reckon
from indexhole.pairing.outcome import mean_and_error
from indexhole.pairing.parts import Conditions, Mechanism
from indexhole.pairing.passages import Case
from indexhole.pairing.risk import may_be_written

_WORTH = 0.01
_MOST_READERS = 6


def _clean(case: Case) -> Case:
    """The case with heads that are clean for certain."""
    import numpy as np

    from indexhole.pairing.draws import draw_heads

    known = dict(case.beliefs.mechanisms)
    for role, m in (("writer", case.writer), ("reader", case.reader)):
        if not m.name or (role == "writer" and case.operation == "read"):
            continue
        drawn = draw_heads(m, case.beliefs, case.streams, role)
        had = known.get(m.name)
        if had is None:
            # the beliefs' draws are picked anew, so ours are given once for every pick
            pick = case.streams.rng("beliefs").integers(0, case.streams.size, case.streams.size)
            spread = np.empty(case.streams.size, int)
            spread[:] = np.arange(case.streams.size)
            had = MechanismBelief(drawn.offset_um, drawn.speed, drawn.loss_db, drawn.gap_2_shift)
            del pick, spread
        known[m.name] = replace(had, loss_db=np.minimum(had.loss_db, 0.5))
    return replace(case, beliefs=Beliefs(known, case.beliefs.disks, case.beliefs.words))


def _candidates(reckoned: Reckoning, alternatives: tuple[Mechanism, ...]) -> Iterator[tuple[str, str, Case]]:
    case = reckoned.case
    conditions = case.conditions
    writable = may_be_written(case.disk)
    if case.writes_now and writable and not conditions.bulk_erased_first and case.operation != "update":
        yield (
            "bulk erase first",
            "bulk-erase the disk first (persons with heart or other implants keep well away; keep other disks metres "
            "away; local codes and licensed practice decide)",
            replace(case, conditions=replace(conditions, bulk_erased_first=True)),
        )
    for other in alternatives[:_MOST_READERS]:
        if other in (case.reader, case.writer):
            continue
        yield "use another reader", f"read it with {other.name} instead", replace(case, reader=other)
    if case.operation in ("exchange", "update") and case.writer != case.reader:
        yield (
            "read where it was written",
            f"read it with {case.writer.name or 'the drive that wrote it'}, which wrote it",
            replace(case, reader=case.writer, operation="exchange" if case.operation == "exchange" else "read"),
        )
    if case.operation in ("update", "format", "exchange"):
        what = "only read it, do not write"
        yield "read only", what, replace(case, operation="read")
    yield "clean and retry", "clean the heads, then try again", _clean(case)
    then = case.disk.recorded
    if case.operation == "read" and then.temperature_c is not None:
        today = Conditions(reading=then, writing=then, shift=conditions.shift)
        yield (
            "same weather",
            f"bring disk and drive to the day of writing: {then.temperature_c:.0f} C"
            + (f", {then.humidity_pct:.0f} % RH" if then.humidity_pct is not None else ""),
            replace(case, conditions=today),
        )


def find_remedies(
    reckoned: Reckoning, told: tuple[Term, ...], alternatives: tuple[Mechanism, ...]
) -> tuple[Remedy, ...]:
    """Remedies that raise the chance by a hundredth or more, best first."""
    before = reckoned.chance
    found = []
    if before < 1 - _WORTH:
        for kind, words, case in _candidates(reckoned, alternatives):
            after = reckon(case)
            chance, error = mean_and_error(after.whole)
            if after.possible and chance > before + _WORTH:
                found.append(Remedy(kind, words, chance, error))
    return tuple(sorted(found, key=lambda r: -r.chance))
