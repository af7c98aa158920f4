"""What would help, each with the chance after it; never a write to an irreplaceable disk."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from indexhole.pairing.parts.answer import Remedy
from indexhole.pairing.parts.beliefs import Beliefs, MechanismBelief
from indexhole.pairing.parts.draws import draw_heads
from indexhole.pairing.parts.parts import Conditions, Host, Mechanism
from indexhole.pairing.prediction.compute import Computation, compute
from indexhole.pairing.prediction.passages import Case
from indexhole.pairing.prediction.risk import may_be_written
from indexhole.standards.layouts import Layout, load_layouts

_WORTH = 0.01
_MOST_READERS = 6
_CLEAN_DB = 0.5


def _clean(case: Case) -> Case:
    """The case with heads that are clean for certain; what was written with a dirty one stays as it is."""
    known = dict(case.beliefs.mechanisms)
    for role, m in (("writer", case.writer), ("reader", case.reader)):
        if m.name and not (role == "writer" and case.operation == "read"):
            drawn = draw_heads(m, case.beliefs, case.streams, role)
            own = MechanismBelief(drawn.offset_um, drawn.speed, drawn.loss_db, drawn.gap_2_shift)
            had = known.get(m.name, own)
            known[m.name] = replace(had, loss_db=np.minimum(had.loss_db, _CLEAN_DB))
    return replace(case, beliefs=Beliefs(known, case.beliefs.disks, case.beliefs.words))


def one_sided(layout: Layout) -> Layout | None:
    """The layout of the library that is the same on one side only, None when there is none."""
    zone = layout.zones[-1]
    for other in load_layouts().values():
        last = other.zones[-1]
        alike = (last.code, last.cell_us, last.sectors, last.sector_bytes) == (
            zone.code, zone.cell_us, zone.sectors, zone.sector_bytes,
        )  # fmt: skip
        if other.heads == 1 and other.disk_class == layout.disk_class and alike and other.cylinders == layout.cylinders:
            return other
    return None


def _candidates(computed: Computation, alternatives: tuple[Mechanism, ...]) -> Iterator[tuple[str, str, Case]]:
    case = computed.case
    conditions = case.conditions
    writable = may_be_written(case.disk)
    if case.writes_now and writable and not conditions.bulk_erased_first and case.operation != "update":
        yield (
            "bulk erase first",
            "bulk-erase the disk first (persons with heart or other implants keep well away; keep other disks metres "
            "away; local codes and licensed practice decide)",
            replace(case, conditions=replace(conditions, bulk_erased_first=True)),
        )
    if (computed.form.hindrances or computed.form.supposed) and case.operation in ("read", "exchange"):
        # a logger takes whatever passes the head; only the drive counts
        yield (
            "log the signal",
            f"log its signal with {case.reader.name or 'the reader'} and recover it: a capture needs no controller",
            replace(case, reader=replace(case.reader, host=Host())),
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
    if case.writes_now and writable and case.operation != "update" and case.layout.heads > 1:
        one = one_sided(case.layout)
        if one is not None:
            yield "format as single-sided", f"format it on one side only, as {one.id}", replace(case, layout=one)
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


def find_remedies(computed: Computation, alternatives: tuple[Mechanism, ...]) -> tuple[Remedy, ...]:
    """Remedies that raise the chance by a hundredth or more, best first."""
    before = computed.chance
    found = []
    if before < 1 - _WORTH:
        for kind, words, case in _candidates(computed, alternatives):
            after = compute(case)
            chance, error = after.chance_and_error
            if after.possible and chance > before + _WORTH:
                found.append(Remedy(kind, words, chance, error))
    return tuple(sorted(found, key=lambda r: -r.chance))
