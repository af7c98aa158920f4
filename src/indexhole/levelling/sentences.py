"""A levelled network in words: where each drive sits, what to do, what does not fit, what to measure next."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from enum import Enum
from typing import assert_never

from indexhole.levelling.blunders import Suspect
from indexhole.levelling.measurements import INDEX, NOMINAL, OFFSET, SPEED
from indexhole.levelling.quantity import MEAN, Levelled, Position
from indexhole.levelling.weakness import Wanted
from indexhole.standards.verdicts import Verdict, lies_within
from indexhole.wording import plus_minus, significant

TITLES = {OFFSET: "Where the heads stand", SPEED: "How fast they turn", INDEX: "When the index pulse comes"}
_UNIT_WORDS = {OFFSET: "um", SPEED: "%", INDEX: "us"}
_ALIKE = {OFFSET: "sits in line with", SPEED: "turns at the speed of", INDEX: "gives its index pulse with"}
MOVING_PARTS = (
    "Caution: spindle, belts and head actuator move, so no loose sleeves; a unit with its own mains supply may be live "
    "inside. Local codes and licensed practice decide who may open it."
)


def against_words(levelled: Levelled, standing: Position) -> str:
    """What a place is told against: `the others`, `alignment disk A1`, `nominal`."""
    if standing.against == MEAN:
        return "the others" if standing.others > 1 else "the other"
    if standing.against == NOMINAL:
        return {OFFSET: "the true track", SPEED: "nominal", INDEX: "nominal"}[levelled.quantity]
    return standing.against


def place_words(levelled: Levelled, standing: Position) -> str:
    """`D4.0 sits 96 +/- 14 um towards the hub of the others`."""
    told = plus_minus(abs(standing.value), standing.uncertainty)
    unit = _UNIT_WORDS[levelled.quantity]
    against = against_words(levelled, standing)
    above = standing.value > 0
    if standing.other is not None:
        return _either_words(levelled, standing, against, unit)
    if abs(standing.value) <= standing.uncertainty:
        signed = plus_minus(standing.value, standing.uncertainty, sign=True)
        alike = f"{_ALIKE[levelled.quantity]} {against}"
        if levelled.quantity == SPEED and standing.against == NOMINAL:
            alike = "turns at nominal speed"
        return f"{standing.node} {alike}, as far as is known ({signed} {unit})"
    if levelled.quantity == SPEED:
        percent = 100 * math.expm1(standing.value / 100)
        shown = plus_minus(abs(percent), standing.uncertainty * (1 + percent / 100))
        joint = "than " if standing.against != NOMINAL else ""
        word = ("faster" if above else "slower") if joint else ("fast" if above else "slow")
        return f"{standing.node} turns {shown} % {word}{' ' + joint + against if joint else ''}"
    if levelled.quantity == INDEX:
        return f"{standing.node} gives its index pulse {told} {unit} {'later' if above else 'sooner'} than {against}"
    return f"{standing.node} sits {told} {unit} towards the {'rim' if above else 'hub'} of {against}"


def _either_words(levelled: Levelled, standing: Position, against: str, unit: str) -> str:
    """Two values that fit as well, because nothing says which way some ties point."""
    u, other = standing.uncertainty, standing.other or 0.0
    settle = "one signed measurement would settle which"
    if levelled.quantity == OFFSET and abs(standing.value + other) <= 0.5 * u:
        told = plus_minus(abs(standing.value), u)
        return f"{standing.node} sits {told} {unit} to one side of {against}, towards hub or rim: {settle}"
    both = f"{plus_minus(standing.value, u, sign=True)} or {plus_minus(other, u, sign=True)} {unit}"
    return f"{standing.node} stands {both} from {against}: {settle}"


class Work(Enum):
    """What a mechanism's place asks for."""

    NOTHING = "nothing"
    LEARN_WAY = "learn which way"
    MEASURE_AGAIN = "measure again"
    WATCH = "watch it"
    ASK_A_THIRD = "ask a third"
    SET_SPEED = "set its speed"
    MOVE_SENSOR = "move its index sensor"
    MOVE_HEAD = "move its head"

    @property
    def moves_parts(self) -> bool:
        """Whether it is done at an open drive, where parts move."""
        return self in (Work.SET_SPEED, Work.MOVE_SENSOR, Work.MOVE_HEAD)


def work_due(levelled: Levelled, standing: Position) -> Work:
    """What to do about where a mechanism stands; nothing is turned before it is known that it is out, and which way."""
    known = standing.limits.known
    if standing.verdict is Verdict.WORKS or (known and standing.verdict is Verdict.UNPROVEN):
        return Work.NOTHING
    if standing.other is not None:
        return Work.LEARN_WAY
    if standing.verdict is Verdict.DOUBTFUL:
        acceptable = lies_within(standing.value, standing.uncertainty, standing.limits)
        return Work.WATCH if acceptable else Work.MEASURE_AGAIN
    if not known and abs(standing.value) <= 2 * standing.uncertainty:
        return Work.NOTHING
    if standing.others == 1 and standing.against == MEAN:
        return Work.ASK_A_THIRD
    return {OFFSET: Work.MOVE_HEAD, SPEED: Work.SET_SPEED, INDEX: Work.MOVE_SENSOR}[levelled.quantity]


def advice_words(
    work: Work,
    standing: Position,
    adjusters: Mapping[str, tuple[float, float]],
    recorded: Sequence[str],
    irreplaceable: Sequence[str],
) -> str:
    """That work in words, one sentence or more; "" for none."""
    match work:
        case Work.NOTHING:
            return ""
        case Work.LEARN_WAY:
            return "Turn nothing before it is known which way."
        case Work.MEASURE_AGAIN:
            return "A limit lies inside its uncertainty: measure again before anything is turned."
        case Work.WATCH:
            return "It is close to a limit but still acceptable: turn nothing, and measure it again in time."
        case Work.ASK_A_THIRD:
            return "Which of the two is out of place only a third, or an alignment disk, can tell: turn neither yet."
        case Work.SET_SPEED:
            return f"Set its speed {'down' if standing.value > 0 else 'up'} by as much."
        case Work.MOVE_SENSOR:
            return "Its index sensor may be moved by as much."
        case Work.MOVE_HEAD:
            known = standing.limits.known
            judged = "" if known else "No limit is known, as the shelf does not say its class: turn only what must be."
            first = _first_read(standing, recorded, irreplaceable)
            return " ".join(filter(None, (judged, first, _turn(standing, adjusters))))
        case _:
            assert_never(work)


def _first_read(standing: Position, recorded: Sequence[str], irreplaceable: Sequence[str]) -> str:
    scarce = [disk for disk in recorded if disk in irreplaceable]
    if scarce:
        return (
            f"First read {', '.join(scarce)} in it: it recorded what is irreplaceable there, and realigned it no "
            "longer meets its own tracks."
        )
    named = f" ({', '.join(recorded)})" if recorded else ""
    return f"First read in it whatever it recorded{named} and is to be kept: realigned it no longer meets those tracks."


def _turn(standing: Position, adjusters: Mapping[str, tuple[float, float]]) -> str:
    way = "hub" if standing.value > 0 else "rim"
    told = plus_minus(abs(standing.value), standing.uncertainty)
    if standing.node not in adjusters:
        return f"Then turn the adjuster until the head has moved {told} um towards the {way}."
    gain, gain_u = adjusters[standing.node]
    turns = -standing.value / gain
    u = abs(turns) * math.hypot(standing.uncertainty / standing.value, gain_u / gain)
    clock = "clockwise" if turns > 0 else "anticlockwise"
    return (
        f"Then turn the adjuster {plus_minus(abs(turns), u)} of a turn {clock}: {told} um towards the {way}, at "
        f"{abs(gain):g} um a turn."
    )


def suspect_words(levelled: Levelled, suspect: Suspect) -> str:
    """A proposed blunder in words."""
    unit = _UNIT_WORDS[levelled.quantity]
    if len(suspect.ties) == 1:
        wrong = plus_minus(suspect.error, suspect.error_uncertainty, sign=True)
        return (
            f"{suspect.ties[0]} does not fit the others (w = {suspect.w:.1f}): off by {wrong} {unit} if they are "
            "right. Nothing was left out: look into it, then measure again, or leave it out by name."
        )
    return (
        f"One of {', '.join(suspect.ties)} does not fit (|w| = {abs(suspect.w):.1f}), and nothing tells which: a "
        "further measurement between any of their ends would. Nothing was left out."
    )


def next_words(levelled: Levelled, wanted: Wanted) -> str:
    """The further measurement that helps most, in words."""
    unit = _UNIT_WORDS[levelled.quantity]
    how = {OFFSET: "on an alignment disk", SPEED: "by a capture", INDEX: "by captures of one disk"}[levelled.quantity]
    mechanisms = {standing.node for standing in levelled.positions}
    ends = sorted((wanted.start, wanted.end), key=lambda node: node not in mechanisms)
    if ends[1] == NOMINAL:
        what = f"Measure {ends[0]} {how}"
    elif ends[1] in mechanisms:
        what = f"Compare {ends[0]} with {ends[1]} {how}"
    else:
        what = f"Measure {ends[0]} on {ends[1]}"
    supposed = f"(supposed to {significant(wanted.uncertainty)} {unit})"
    if math.isinf(wanted.before):
        return f"{what} {supposed}: nothing connects them so far."
    # digits enough to tell the two apart
    digits = next((n for n in (2, 3) if f"{wanted.after:.{n}g}" != f"{wanted.before:.{n}g}"), 4)
    return (
        f"{what} {supposed}: the drives would then be known to {significant(wanted.after, digits)} instead of "
        f"{significant(wanted.before, digits)} {unit} (root mean square)."
    )


def fit_words(levelled: Levelled) -> list[str]:
    """How well the network fits together, part by part."""
    lines = []
    for part in levelled.parts:
        names = ", ".join(part.nodes[:6]) + (f" and {len(part.nodes) - 6} more" if len(part.nodes) > 6 else "")
        if not part.freedom:
            lines.append(f"{names}: nothing checks anything; a blunder would not show")
            continue
        low, high, chance = part.global_test()
        square = f"weighted square {part.weighted_square:.1f} with {part.freedom} to spare"
        if part.weighted_square > high:
            lines.append(f"{names}: does not fit together ({square}, chance {chance:.2g})")
        elif part.weighted_square < low:
            lines.append(f"{names}: fits better than its uncertainties say, which are cautious ({square})")
        else:
            lines.append(f"{names}: fits together ({square})")
    if levelled.widened > 1:
        lines.append(
            f"few blunders do not explain the misfit, so uncertainties are widened {levelled.widened:.2f} times"
        )
    return lines
