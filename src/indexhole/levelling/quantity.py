"""One quantity levelled: where every mechanism stands, what does not fit, where it is weak, what to measure next."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np
import numpy.typing as npt

from indexhole.errors import InputFault
from indexhole.kinds import in_order
from indexhole.levelling.blunders import Check, Snooping, checks, snoop
from indexhole.levelling.datum import Datum
from indexhole.levelling.directions import Settled, settle_signs
from indexhole.levelling.measurements import INDEX, NOMINAL, OFFSET, SPEED
from indexhole.levelling.network import Part, Tie, adjust
from indexhole.levelling.weakness import Wanted, WeakTie, best_next, weakest
from indexhole.model.distributions import chi2_tail
from indexhole.standards.tolerances import LIBRARY, Tolerances
from indexhole.standards.verdicts import NO_LIMITS, Limits, Verdict, judge

Floats = npt.NDArray[np.float64]

_GRAVEST_FIRST = in_order(Verdict, (Verdict.FAILS, Verdict.DOUBTFUL, Verdict.UNPROVEN, Verdict.WORKS))
UNITS = {OFFSET: "um", SPEED: "%", INDEX: "us"}
# What one further measurement is supposed to be worth when the network shows none of its kind: on an alignment disk,
# by a capture, by two captures of one disk. Our own choice.
_SUPPOSED = {OFFSET: 10.0, SPEED: 0.15, INDEX: 30.0}
# Where no limit is known, a drive so many standard uncertainties off is out of place among others. Our own choice.
_CLEARLY = 4.0
# More suspects than this share of the ties are no blunders any more. Our own choice.
_FEW = 0.05
MEAN = "mean"


@dataclass(frozen=True, slots=True)
class Position:
    """Where one mechanism stands.

    Attributes:
        node: the mechanism.
        value, uncertainty: against `against`, in the unit of the quantity.
        against: a held node, or `mean` for the mean of other mechanisms of its part.
        others: how many these are.
        other: the other value that fits as well, when a block of directions may be turned round; else None.
        limits: in the unit of the quantity, from nominal.
    """

    node: str
    value: float
    uncertainty: float
    against: str
    others: int
    other: float | None
    limits: Limits

    @property
    def verdict(self) -> Verdict:
        """By the one rule for values with uncertainties; two values that fit as well and differ in it are a doubt."""
        found = judge(self.value, self.uncertainty, self.limits)
        alike = self.other is None or judge(self.other, self.uncertainty, self.limits) is found
        return found if alike else Verdict.DOUBTFUL


@dataclass(frozen=True)
class Levelled:
    """One quantity of one bench, adjusted.

    Attributes:
        quantity, unit: `offset` in um (outward positive), `speed` in percent (100 times the log of the ratio),
            `index` in us (late positive).
        datum: what was held, and where; empty when places are told against means.
        parts: of the network, the largest first.
        standings: mechanisms, the worst first.
        checks: every tie's test, part by part.
        snooping: blunders proposed; nothing has been left out because of them.
        left_out: names of ties the keeper left out.
        signs: directions of unsigned ties.
        weak: ties, the weakest first.
        next: the measurement that would help most, None when there is nothing to measure between.
        widened: factor by which uncertainties in `standings` are widened because the network fits worse than they say
            and a few blunders do not explain it; else 1.
    """

    quantity: str
    unit: str
    datum: Datum
    parts: tuple[Part, ...]
    positions: tuple[Position, ...]
    checks: tuple[tuple[Check, ...], ...]
    snooping: Snooping
    left_out: tuple[str, ...]
    signs: Settled
    weak: tuple[WeakTie, ...]
    next: Wanted | None
    widened: float


def choose_datum(
    ties: Sequence[Tie], mechanisms: Collection[str], standards: Sequence[str], asked: str | None
) -> Datum:
    """What is held: what the keeper asks for, else nominal, else the one disk measured against, else the drives' mean.

    Raises InputFault when what is asked for is in no network.
    """
    nodes = {t.start for t in ties} | {t.end for t in ties}
    free = Datum(mean_of=frozenset(mechanisms))
    if asked is not None and asked != MEAN:
        if asked not in nodes:
            raise InputFault(f"nothing was measured against {asked!r}", remedy="name a drive or disk of the network")
        return Datum({asked: 0.0}, free.mean_of)
    if asked == MEAN:
        return free
    if NOMINAL in nodes:
        return Datum({NOMINAL: 0.0}, free.mean_of)
    known = [name for name in standards if name in nodes and name not in mechanisms]
    return Datum({known[0]: 0.0}, free.mean_of) if len(known) == 1 else free


def level(
    quantity: str,
    ties: Sequence[Tie],
    mechanisms: Collection[str],
    *,
    standards: Sequence[str] = (),
    datum: str | None = None,
    left_out: Collection[str] = (),
    classes: Mapping[str, str] | None = None,
    tolerances: Tolerances = LIBRARY,
) -> Levelled | None:
    """Level one quantity; None when there are no ties.

    Args:
        mechanisms: which of the nodes are mechanisms; the others are disks, or `nominal`.
        standards: disks that were measured against.
        datum: node to hold at 0, or `mean`; chosen when None.
        left_out: names of ties to leave out.
        classes: disk class of each mechanism, for its limits.
        tolerances: the limits to judge by.
    """
    used = [t for t in ties if t.name not in left_out]
    if not used:
        return None
    signs = settle_signs(used)
    held = choose_datum(signs.ties, mechanisms, standards, datum)
    parts = adjust(signs.ties, held)
    told = tuple(checks(part) for part in parts)
    snooping = snoop(signs.ties, held)
    widened = _widening(parts, snooping, len(used))
    limits = {m: limits_of(quantity, (classes or {}).get(m, ""), tolerances) for m in mechanisms}
    positions = [standing for part in parts for standing in _positions(part, limits, signs, widened)]
    return Levelled(
        quantity=quantity,
        unit=UNITS[quantity],
        datum=held,
        parts=parts,
        positions=tuple(sorted(positions, key=lambda s: (_GRAVEST_FIRST.index(s.verdict), -abs(s.value), s.node))),
        checks=told,
        snooping=snooping,
        left_out=tuple(sorted({t.name for t in ties} & set(left_out))),
        signs=signs,
        weak=tuple(weak for part in parts for weak in weakest(part)),
        next=best_next(
            parts,
            [m for m in sorted(mechanisms) if m not in held.held],
            _supposed(quantity, signs.ties, mechanisms, standards, classes or {}),
        ),
        widened=widened,
    )


def _widening(parts: Sequence[Part], snooping: Snooping, ties: int) -> float:
    """Root of the variance factor when the network fits worse than right uncertainties let it, blunders left out.

    A few that do not fit are blunders; when they are many, it is the uncertainties that are too small, and no tie in
    particular is to blame.
    """
    few = len(snooping.suspects) <= max(1, _FEW * ties)
    fitted = snooping.without if few and snooping.without is not None else parts
    square, freedom = sum(p.weighted_square for p in fitted), sum(p.freedom for p in fitted)
    if not freedom:
        return 1.0

    return math.sqrt(square / freedom) if chi2_tail(square, freedom) < 0.025 else 1.0


def _positions(part: Part, limits: Mapping[str, Limits], signs: Settled, widened: float) -> list[Position]:
    """Where the mechanisms of a part stand.

    In a free part a drive that is out of place would pull the mean of the others with it, so drives that fail are taken
    out of what the others are told against, the farthest from their median first, as long as more than half are left.

    Args:
        limits: of every mechanism.
        widened: factor on the uncertainties.
    """
    here = [n for n in part.nodes if n in limits and n not in part.held]
    among = list(here)

    def position(node: str) -> Position:
        others = [n for n in among if n != node]
        return _standing(part, node, others, limits[node], signs, widened)

    while not part.held and len(among) - 1 > max(1, len(here) // 2):
        middle = median(float(part.place[part.index(n)]) for n in among)
        clear = [s.node for s in map(position, among) if _out_of_place(s)]
        if not clear:
            break
        among.remove(max(clear, key=lambda n: abs(float(part.place[part.index(n)]) - middle)))
    return [position(node) for node in here]


def _out_of_place(position: Position) -> bool:
    if position.limits.known:
        return position.verdict is Verdict.FAILS
    return abs(position.value) > _CLEARLY * position.uncertainty


def _standing(part: Part, node: str, others: Sequence[str], limits: Limits, signs: Settled, widened: float) -> Position:
    if part.held:
        # a held node's own place is in the datum; several marks are one datum
        against = sorted(part.held)[0]
        weights = part.weights({node: 1.0})
    elif others:
        against = MEAN
        weights = part.weights({node: 1.0, **{n: -1 / len(others) for n in others}})
    else:
        against = next(n for n in part.nodes if n != node)
        weights = part.weights({node: 1.0, against: -1.0})
    value, u = part.contrast(weights)
    value, u, other = _either_way(part, weights, signs, value, u * widened)
    return Position(node, value, u, against, len(others), other, limits)


def _either_way(
    part: Part, weights: Floats, signs: Settled, value: float, u: float
) -> tuple[float, float, float | None]:
    """A contrast with what may be turned round in it: value, uncertainty, and the other value that fits as well.

    With several blocks to turn there are too many values to tell, and two that lie close together are one: then their
    mean, and the variance of all of them.
    """
    shares = []
    for block in signs.mirrored:
        share = sum(part.sensitivity(weights, k) * tie.value for k, tie in enumerate(part.ties) if tie.name in block)
        if abs(share) > 1e-6 * max(u, abs(value)):
            shares.append(share)
    if not shares:
        return value, u, None
    if len(shares) == 1 and 2 * abs(shares[0]) > u:
        return value, u, value - 2 * shares[0]
    return value - sum(shares), math.hypot(u, *shares), None


def limits_of(quantity: str, disk_class: str, tolerances: Tolerances = LIBRARY) -> Limits:
    """Limits of a quantity by the tolerances, in the unit of the network from nominal; none without a class."""
    name = {OFFSET: "radial_offset", SPEED: "spindle_speed", INDEX: "index_to_data"}[quantity]
    row = tolerances.find(name, disk_class) if disk_class else None
    if row is None or row.nominal is None:
        return NO_LIMITS
    nominal = row.nominal
    if quantity == SPEED:
        return row.limits.through(lambda rpm: 100 * math.log(rpm / nominal) if rpm > 0 else -math.inf)
    scale = 1e6 if quantity == INDEX else 1.0
    return row.limits.through(lambda bound: scale * (bound - nominal))


def _supposed(
    quantity: str,
    ties: Sequence[Tie],
    mechanisms: Collection[str],
    standards: Sequence[str],
    classes: Mapping[str, str],
) -> Callable[[str, str], float | None]:
    """What a further measurement between two nodes would be worth.

    With a standard at hand, each mechanism can be measured on it again, as well as before; two mechanisms compare by
    measuring both on one alignment disk (or both on one disk, for speed and index), which needs drives of one class.
    """
    marks = {NOMINAL, *(name for name in standards if name not in mechanisms)} if quantity == OFFSET else {NOMINAL}
    on_marks: dict[str, list[float]] = {}
    suit: dict[str, set[str]] = {}
    for tie in ties:
        for mark, other in ((tie.start, tie.end), (tie.end, tie.start)):
            if mark in marks and other in mechanisms:
                on_marks.setdefault(mark, []).append(tie.uncertainty)
                suit.setdefault(mark, set()).add(classes.get(other, ""))
    known = {mark: median(held) for mark, held in on_marks.items()}

    def uncertainty(one: str, other: str) -> float | None:
        ends = {one, other}
        of_mechanisms = sorted(ends & set(mechanisms))
        kinds = {classes.get(m, "") for m in of_mechanisms}
        if len(of_mechanisms) == 2:
            served = any(kinds & held for held in suit.values())
            return None if served or len(kinds) > 1 else math.sqrt(2) * _SUPPOSED[quantity]
        mark = next(iter(ends - set(of_mechanisms)), "")
        # an alignment disk serves the class it was measured in; nominal speed serves all
        suits = mark == NOMINAL or kinds <= suit.get(mark, set())
        return known.get(mark) if len(of_mechanisms) == 1 and suits else None

    return uncertainty
