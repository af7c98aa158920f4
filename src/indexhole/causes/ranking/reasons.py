"""Reasons in words: what a fault does, how often the trials show it, what else would do the same."""

from __future__ import annotations

from collections.abc import Mapping
from typing import assert_never

import numpy as np
import numpy.typing as npt

from indexhole.causes.faults.hypotheses import KINDS, MECHANISM_FAULTS, Fault, FaultWord
from indexhole.causes.faults.magnitude import Aside, Band, Loss, Magnitude, OffSpeed, WorstAt
from indexhole.causes.likelihood.conditions import of_element, set_up_so, stands_on
from indexhole.causes.likelihood.gauged import NO_GAUGES, Gauged
from indexhole.causes.likelihood.history import Bench, Supposition, written_by
from indexhole.kinds import every
from indexhole.model.trials.trial import cylinder_words

_PLAIN: Mapping[FaultWord, str] = every(
    FaultWord,
    {
        "misaligned": "{e} and the other mechanisms do not read each other's tracks",
        "off-speed": "{e} and the other mechanisms do not read each other's tracks",
        "dirty-head": "{e} reads badly on side {s} whoever wrote the track",
        "dead-write": "{e} does not record: what it wrote fails at once, and reading is another matter",
        "dead-read": "{e} reads nothing, whoever wrote it",
        "worn-surface": "side {s} of {e} reads badly in every mechanism, all over",
        "damaged-band": "a stretch of side {s} of {e} reads badly in every mechanism",
        "bad-lead": "whole operations over {e} fail now and then, whatever is at its end",
        "wrong-medium": "{e} does not hold what is recorded on it here, on either side",
        "old-recording-underneath": (
            "others do not read what {e} wrote over older recordings, while {e} reads theirs: the old edges may be "
            "left; erase in bulk, then record again"
        ),
        "set-up": "everything on {e} fails alike: check cabling, layout and settings before blaming a mechanism",
    },
)


def _touched(bench: Bench, fault: Fault) -> npt.NDArray[np.bool_]:
    """Done rows that a fault bears on directly, shape (done,)."""
    written = written_by(bench, Supposition())
    match fault.fault:
        case "misaligned" | "off-speed":
            me = bench.mechanisms.index(fault.element)
            touched = (written[:, me] > 0.5) != (bench.mechanism == me)
        case "old-recording-underneath":
            me = bench.mechanisms.index(fault.element)
            touched = (written[:, me] > 0.5) & (bench.mechanism != me)
        case "dead-write":
            touched = (bench.mechanism == bench.mechanisms.index(fault.element)) & bench.writes
        case "dirty-head" | "dead-read":
            touched = bench.mechanism == bench.mechanisms.index(fault.element)
        case "worn-surface" | "damaged-band":
            touched = bench.disk == bench.disks.index(fault.element)
        case "wrong-medium":
            touched = (bench.disk == bench.disks.index(fault.element)) & (written[:, :-2].sum(axis=1) > 0.5)
        case "bad-lead":
            touched = bench.over[:, bench.leads.index(fault.element)]
        case "set-up" if fault.condition:
            touched = set_up_so(bench, fault.element, fault.condition)
        case "set-up":
            touched = stands_on(bench, fault.element)
        case _:
            assert_never(fault.fault)
    if fault.side is not None:
        touched = touched & (bench.side == fault.side)
    found: npt.NDArray[np.bool_] = touched[: bench.done]
    return found


def _failed_rows(bench: Bench) -> npt.NDArray[np.bool_]:
    # More than one sector in twenty is more than pinholes do on a sound bench.
    found: npt.NDArray[np.bool_] = bench.failed[: bench.done] > 0.05 * bench.tried[: bench.done]
    return found


def _count(bench: Bench, touched: npt.NDArray[np.bool_]) -> str:
    touched = touched & (bench.tried[: bench.done] > 0)
    bad = touched & _failed_rows(bench)
    failed, tried = (int(of[: bench.done][touched].sum()) for of in (bench.failed, bench.tried))
    if failed and not bad.any():
        return f"{failed} of {tried} sectors failed, in no row more than 1 in 20"
    return f"{int(bad.sum())} of {int(touched.sum())} such rows failed"


def _own_tracks(bench: Bench, mechanism: str) -> str:
    """How a mechanism did on its own tracks: that is what tells disagreement from plain bad reading."""
    me = bench.mechanisms.index(mechanism)
    own = (written_by(bench, Supposition())[:, me] > 0.5) & (bench.mechanism == me)
    own = own[: bench.done]
    return f", its own tracks: {_count(bench, own)}" if own.any() else ", its own tracks were never tried"


def fault_words(fault: Fault) -> str:
    """One fault in the keeper's words, as `D2.0 misaligned` or `K6 side 0 damaged-band since T33`."""
    side = "" if fault.side is None else f" side {fault.side}"
    time = f" since {fault.since}" if fault.since else f" until {fault.until}" if fault.until else ""
    noted = f" ({fault.condition})" if fault.condition else ""
    return f"{fault.element}{side} {fault.fault}{noted}{time}"


def hypothesis_words(faults: frozenset[Fault]) -> str:
    """All faults of a hypothesis in one phrase."""
    words = [fault_words(f) + (" or off-speed" if f.fault == "misaligned" else "") for f in sorted(faults)]
    return " and ".join(words) or "nothing at fault"


def why_fault(bench: Bench, fault: Fault, magnitude: Magnitude | None) -> str:
    """One clause for one fault: what it does, how often that was seen, and how bad it must be."""
    if fault.condition:
        return _why_set_up(bench, fault)
    clause = _PLAIN[fault.fault].format(e=fault.element, s=fault.side)
    touched = _touched(bench, fault)
    met = touched & (bench.tried[: bench.done] > 0)
    if fault.fault == "bad-lead" and met.any() and bench.whole_failures()[: bench.done][met].all():
        clause = f"nothing passes {fault.element}, whatever is at its end"
    own = _own_tracks(bench, fault.element) if KINDS[fault.fault].own_tracks else ""
    clause = f"{clause} ({_count(bench, touched)}{own})"
    clause += _magnitude_words(bench, magnitude)
    if fault.since:
        clause += f"; it came just before {fault.since}, and the trials before that show nothing of it"
    if fault.until:
        clause += f"; from {fault.until} on the trials show nothing of it, as after a repair"
    return clause


def _magnitude_words(bench: Bench, magnitude: Magnitude | None) -> str:
    match magnitude:
        case Band(first, last) if (first, last) != (0, bench.cylinders - 1):
            return f", most likely {cylinder_words(first, last)}"
        case Loss(db):
            return f", as about {db} dB of lost signal would do"
        case WorstAt(inner):
            return f", worst at the {'inner' if inner else 'outer'} cylinders"
        case Band() | Aside() | OffSpeed() | None:
            # a band that may lie anywhere is told without a place; how far aside trials hardly say
            return ""
        case _:
            assert_never(magnitude)


def _why_set_up(bench: Bench, fault: Fault) -> str:
    """As `D4.0 fails only when it stood on a slope: 3 of 3 such rows failed, none of 9 others`."""
    noted = _touched(bench, fault)
    others = of_element(bench, fault.element)[: bench.done] & ~noted & (bench.tried[: bench.done] > 0)
    bad = int((others & _failed_rows(bench)).sum())
    only = "only " if not bad and others.any() else ""
    beside = f"{bad or 'none'} of {int(others.sum())} others" if others.any() else "and it was never tried otherwise"
    return f"{fault.element} fails {only}when it {fault.condition}: {_count(bench, noted)}, {beside}"


def reason(bench: Bench, faults: tuple[Fault, ...], magnitudes: Mapping[Fault, Magnitude | None]) -> str:
    """The reasons that trials give for a cause, as a sentence."""
    if not faults:
        failed = int(bench.failed[: bench.done].sum())
        tried = int(bench.tried[: bench.done].sum())
        return f"Nothing need be at fault: {failed} of {tried} sectors failed, and what failed shows no pattern."
    return "; ".join(why_fault(bench, f, magnitudes.get(f)) for f in faults) + "."


def gauge_notes(faults: tuple[Fault, ...], gauged: Gauged = NO_GAUGES) -> tuple[str, ...]:
    """What gauges say of the faults that trials alone cannot tell apart, and what to gauge where none says it."""
    out_of_step = {f.element for f in faults if f.fault in ("misaligned", "off-speed")}
    notes = []
    if parted := gauged.words_about(out_of_step):
        notes.append(f"Gauges tell misaligned from off-speed: {'; '.join(parted)}.")
    if any(not gauged.about(element) for element in out_of_step):
        notes.append(
            "Trials alone cannot tell misaligned from off-speed: gauge the spindle speed, and if it is right "
            "the head is out of place."
        )
    return tuple(notes)


OPEN_QUESTION: Mapping[FaultWord, str] = every(
    MECHANISM_FAULTS,
    {
        "misaligned": "whether it and the others read each other's tracks",
        "dirty-head": "whether its head of side {s} is clean",
        "dead-write": "whether it records",
        "dead-read": "whether it reads",
    },
)


def open_questions(faults: list[Fault]) -> str:
    """What the trials leave open about one mechanism."""
    asked = [OPEN_QUESTION[f.fault].format(s=f.side) for f in faults]
    return "not yet shown: " + ", ".join(dict.fromkeys(asked))
