"""A levelled bench as lines of text and as JSON; the page takes the same sentences."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from indexhole.jobs.faults.levelling import LevelledBench
from indexhole.levelling.blunders import Check
from indexhole.levelling.network import Part
from indexhole.levelling.quantity import Levelled, Position
from indexhole.levelling.sentences import (
    MOVING_PARTS,
    TITLES,
    advice_words,
    fit_words,
    next_words,
    place_words,
    suspect_words,
    work_due,
)
from indexhole.levelling.weakness import Wanted
from indexhole.wording import plus_minus, significant

_TIES_SHOWN = 12


@dataclass(frozen=True)
class Report:
    """One quantity in sentences.

    Attributes:
        standings: (standing, where it stands, what to do about it), the worst first.
        caution: beside work that can hurt someone; "" when nothing need be turned.
        suspects, fit, weak: as lines.
        next: the measurement that would help most; "" for none.
    """

    title: str
    datum: str
    positions: tuple[tuple[Position, str, str], ...]
    caution: str
    suspects: tuple[str, ...]
    fit: tuple[str, ...]
    weak: tuple[str, ...]
    next: str


def told(bench: LevelledBench, levelled: Levelled) -> Report:
    """The sentences of one quantity."""
    positions, moving = [], False
    scarce = sorted(bench.evidence.irreplaceable)
    for standing in levelled.positions:
        work = work_due(levelled, standing)
        recorded = bench.evidence.recorded.get(standing.node, ())
        advice = advice_words(work, standing, bench.adjusters, recorded, scarce)
        positions.append((standing, place_words(levelled, standing), advice))
        moving |= work.moves_parts
    return Report(
        title=TITLES[levelled.quantity],
        datum=_datum_words(levelled),
        positions=tuple(positions),
        caution=MOVING_PARTS if moving else "",
        suspects=tuple(suspect_words(levelled, s) for s in levelled.snooping.suspects),
        fit=tuple(fit_words(levelled)),
        weak=_weak_words(levelled),
        next=next_words(levelled, levelled.next) if levelled.next else "",
    )


def _datum_words(levelled: Levelled) -> str:
    if levelled.datum.held:
        held = ", ".join(levelled.datum.held)
        loose = [p for p in levelled.parts if not p.held]
        more = f"; {len(loose)} parts are not tied to it and stand for themselves" if len(loose) > 1 else ""
        more = "; one part is not tied to it and stands for itself" if len(loose) == 1 else more
        return f"counted from {held}{more}"
    parts = f" of each of {len(levelled.parts)} parts that nothing ties together" if len(levelled.parts) > 1 else ""
    return f"counted from the mean of the drives{parts}: no standard, so all may be off alike"


def _weak_words(levelled: Levelled) -> tuple[str, ...]:
    lines = []
    for weak in levelled.weak[:3]:
        known = f"known to {significant(weak.uncertainty)} {levelled.unit}"
        checked = ", and nothing else checks it" if weak.unchecked else ""
        lines.append(f"{weak.tie.start} to {weak.tie.end} ({weak.tie.name}): {known}{checked}")
    return tuple(lines)


def _tie_line(check: Check, levelled: Levelled) -> str:
    tie = check.tie
    fit = "unchecked"
    if check.redundancy > 1e-7:
        w = round(check.w, 1) + 0.0
        blunder = significant(check.smallest_found)
        fit = f"residual {check.residual:+.3g}, w {w:{'+' if w else ''}.1f}, a blunder from {blunder} shows"
    turnable = any(tie.name in block for block in levelled.signs.mirrored)
    unsure = ", which way is not known" if turnable or tie.name in levelled.signs.unsure else ""
    value = plus_minus(tie.value, tie.uncertainty, sign=True)
    return f"  {tie.name}: {tie.start} to {tie.end} {value} {levelled.unit} ({tie.source}){unsure}; {fit}"


def report_lines(bench: LevelledBench) -> list[str]:
    """The outcome as lines of plain text."""
    lines: list[str] = []
    for levelled in bench.levels.values():
        say = told(bench, levelled)
        lines.append(f"{say.title}, {say.datum}")
        for standing, place, advice in say.positions:
            lines.append(f"- {standing.verdict}: {place}. {advice}".rstrip())
        lines += [line for line in (say.caution,) if line]
        lines += [f"Blunder? {line}" for line in say.suspects]
        lines += [f"Left out: {name}" for name in levelled.left_out]
        lines += [f"Fit: {line}" for line in say.fit]
        lines += [f"Weak: {line}" for line in say.weak]
        lines.append(f"Next: {say.next or 'nothing that can be supposed would help'}")
        ties = [check for part in levelled.checks for check in part]
        lines.append("Ties:")
        lines += [_tie_line(check, levelled) for check in ties[:_TIES_SHOWN]]
        if len(ties) > _TIES_SHOWN:
            lines.append(f"  and {len(ties) - _TIES_SHOWN} more; the JSON has them all")
        lines.append("")
    lines += [f"Not told: {remark}" for remark in bench.remarks]
    return lines if bench.remarks else lines[:-1]


def report_json(bench: LevelledBench) -> dict[str, Any]:
    """The part `network` of `level --json`; lengths in um, speeds in percent of log ratio, times in us."""
    return {
        "network": {quantity: _level_json(bench, levelled) for quantity, levelled in bench.levels.items()},
        "remarks": list(bench.remarks),
    }


def _level_json(bench: LevelledBench, levelled: Levelled) -> dict[str, Any]:
    say = told(bench, levelled)
    without = levelled.snooping.without
    return {
        "unit": levelled.unit,
        "datum": dict(levelled.datum.held) or "mean",
        "standings": [
            {
                "mechanism": s.node,
                "value": s.value,
                "uncertainty": s.uncertainty,
                "against": s.against,
                "or_value": s.other,
                "limit_low": s.limits.low,
                "limit_high": s.limits.high,
                "verdict": s.verdict,
                "source": s.limits.source,
                "words": place,
                "advice": advice,
            }
            for s, place, advice in say.positions
        ],
        "caution": say.caution,
        "parts": [_part_json(part) for part in levelled.parts],
        "ties": [_check_json(check, levelled) for checks in levelled.checks for check in checks],
        "blunders": [
            {"ties": list(s.ties), "w": s.w, "error": s.error, "uncertainty": s.error_uncertainty}
            for s in levelled.snooping.suspects
        ],
        "without_blunders": [_part_json(part) for part in without] if without else None,
        "left_out": list(levelled.left_out),
        "widened": levelled.widened,
        "weakest": [
            {"tie": weak.tie.name, "uncertainty": weak.uncertainty, "unchecked": weak.unchecked}
            for weak in levelled.weak
        ],
        "next": _wanted_json(levelled.next, say.next) if levelled.next else None,
    }


def _part_json(part: Part) -> dict[str, Any]:
    low, high, chance = part.global_test()
    return {
        "nodes": list(part.nodes),
        "held": sorted(part.held),
        "place": part.place.tolist(),
        "uncertainty": part.uncertainty.tolist(),
        "covariance": part.covariance.tolist(),
        "weighted_square": part.weighted_square,
        "freedom": part.freedom,
        "variance_factor": part.variance_factor,
        "bounds": [low, high],
        "chance": chance,
    }


def _check_json(check: Check, levelled: Levelled) -> dict[str, Any]:
    tie = check.tie
    return {
        "name": tie.name,
        "from": tie.start,
        "to": tie.end,
        "value": tie.value,
        "uncertainty": tie.uncertainty,
        "source": tie.source,
        "sense_known": not (
            tie.name in levelled.signs.unsure or any(tie.name in block for block in levelled.signs.mirrored)
        ),
        "residual": check.residual,
        "redundancy": check.redundancy,
        "w": check.w,
        "smallest_blunder_found": check.smallest_found,
    }


def _wanted_json(wanted: Wanted, words: str) -> dict[str, Any]:
    return {
        "between": [wanted.start, wanted.end],
        "supposed_uncertainty": wanted.uncertainty,
        "before": wanted.before,
        "after": wanted.after,
        "words": words,
    }
