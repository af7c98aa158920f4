"""One sector: from what its passes say to a state, bytes, and how they were got.

The plain case needs no computing: every pass agrees and its check passes. Otherwise all passes are joined pulse by
pulse (recover.evidence), and a field is believed only when its check passes and the chance that the check deceives,
given the evidence (recover.likelihood), is small enough.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median

from indexhole.codes.code import Alphabet, Code, CodeName
from indexhole.codes.known import CODES
from indexhole.kinds import every
from indexhole.recover.fields.likelihood import (
    Symbols,
    bytes_of,
    candidates,
    deceived,
    joint_symbols,
    log_probability,
    values_of,
)
from indexhole.recover.fields.reads import SectorRead
from indexhole.recover.shapes.result import Sector, SectorState
from indexhole.wording import count_of

# A pulse this far from the middle of its cell could nearly as well belong to the next.
_NEAR_EDGE = 0.34
# The chance of deception at which a field that passed as read is no longer believed, and one that was put together.
_SOUND_CHANCE: Mapping[CodeName, float] = every(CodeName, {"fm": 2e-6, "mfm": 2e-6, "group45": 2e-5})
_MENDED_CHANCE = 5e-7
# Share of fields with a broken rule up to which a short check passed once is believed. Pulses lost without breaking a
# rule are about as common; it takes two of them in a field, and then the check must still be deceived.
_QUIET = 0.05
# Fields tried at most. A field is believed only with some probability of its own, and so many cannot have that.
_TRIED = 64


@dataclass(frozen=True)
class _Joined:
    """All passes of a sector joined: symbols, and how many passes had pulses to give."""

    symbols: Symbols
    passes: int
    code: Code
    mark: bytes

    def field(self, values_bytes: bytes) -> bytes:
        """Whole field from decoded bytes: an FM mark is known from its pattern, the others are decoded."""
        return self.mark + values_bytes

    def values_bytes(self, field: bytes) -> bytes:
        """The decoded part of a whole field."""
        return field[len(self.mark) :]


def median_angle(angles: Sequence[float]) -> float:
    """Middle of angles that lie close together, the index in between or not."""
    first = angles[0]
    return (first + median((a - first + 0.5) % 1.0 - 0.5 for a in angles)) % 1.0


def resolve_sector(
    number: int, size: int, own: Sequence[SectorRead], placed: Sequence[SectorRead], *, id_seen: bool
) -> tuple[Sector, list[str]]:
    """Resolve one sector.

    Args:
        number, size: what its ids say.
        own: reads behind a legible id.
        placed: reads without one, given to this sector by their place on the turn.
        id_seen: whether any id of it was legible.

    Returns:
        The sector, and warnings.
    """
    whole = [r for r in own if not r.cut]
    own = whole or own
    every = [*own, *placed]
    if not every:
        how = "its id was read, but no data field behind it" if id_seen else "no id field of this number was legible"
        return Sector(number, size, SectorState.LOST, b"", 0, how), []
    angle = median_angle([r.angle for r in every])
    deleted = Counter(r.deleted for r in every).most_common(1)[0][0]
    base = Sector(number, size, SectorState.SUSPECT, b"", 0, "", angle, deleted)
    good = Counter(r.field for r in own if r.passed)
    if len(good) > 1:
        return _disagreeing(base, good, every)
    contradicted = any(r.passed and r.field not in good for r in placed)
    if good and plain(own) and not contradicted:
        field, votes = next(iter(good.items()))
        return _with(base, SectorState.SOUND, field, CODES[every[0].code], votes, _tally(votes, len(own))), []
    proven = [r for r in own if r.passed and r.source is None]
    if proven:
        # Its own dwell resolved it plainly, and its pulses were discarded.
        votes = good[proven[0].field]
        how = _tally(votes, len(own))
        return _with(base, SectorState.SOUND, proven[0].field, CODES[proven[0].code], votes, how), []
    joined = _join(every, size)
    if joined is None:
        how = f"the check failed in {count_of(len(every), 'pass')}"
        return _with(base, SectorState.SUSPECT, every[0].field, CODES[every[0].code], 0, how), []
    return _computed(base, joined, good, own, placed), []


def _with(base: Sector, state: SectorState, field: bytes, code: Code, votes: int, how: str) -> Sector:
    data = field[1 : 1 + base.size]
    return Sector(base.id, base.size, state, data, votes, how, base.angle, code.is_deleted(field[0]))


def _tally(votes: int, tried: int) -> str:
    return "read once" if tried == 1 else f"check passed in {votes} of {count_of(tried, 'pass')}"


def plain(own: Sequence[SectorRead]) -> bool:
    """Whether nothing needs computing: all passes agree, with no pulse near the edge of its window; or so many
    agree that chance is out of the question. A short check passed once counts on a track without dropouts only.
    """
    short_check = CODES[own[0].code].short_check
    votes = sum(r.passed for r in own)
    if votes == len(own) and all(r.worst < _NEAR_EDGE for r in own):
        return votes > 1 or not short_check or own[0].rough <= _QUIET
    return votes > (2 if short_check else 1)


def _disagreeing(base: Sector, good: Counter[bytes], every: Sequence[SectorRead]) -> tuple[Sector, list[str]]:
    """Passes that passed the check with different bytes: a sector rewritten in between, or a check deceived."""
    (field, votes), (_, others) = good.most_common(2)
    warning = f"sector {base.id}: passes with a passing check disagree ({len(good)} different contents)"
    code = CODES[every[0].code]
    if votes >= 3 * others and votes > 2:
        how = f"{votes} of {count_of(len(every), 'pass')} agree; {others} passed the check with other bytes"
        return _with(base, SectorState.SOUND, field, code, votes, how), [warning]
    return _with(base, SectorState.SUSPECT, field, code, votes, "passes with a passing check disagree"), [warning]


def _join(every: Sequence[SectorRead], size: int) -> _Joined | None:
    """Join the reads that still have their pulses, most trusted first."""
    code = CODES[every[0].code]
    trusted = sorted((r for r in every if r.code == code.name), key=lambda r: (not r.passed, r.faults, r.worst))
    found = [(r, r.stretch()) for r in trusted]
    # An FM mark is told by its pattern, not decoded: fields behind different marks begin alike all the same.
    stretches = [s for _, s in found if s is not None]
    if not stretches:
        return None
    symbols = joint_symbols(stretches, code.decoded_cells(size))
    mark = bytes([Counter(r.field[0] for r in trusted).most_common(1)[0][0]]) if not code.mark_is_decoded else b""
    return _Joined(symbols, len(stretches), code, mark)


def _computed(
    base: Sector, joined: _Joined, good: Counter[bytes], own: Sequence[SectorRead], placed: Sequence[SectorRead]
) -> Sector:
    """Believe, mend or doubt, by the chance that a passing check deceives."""
    if good:
        field, votes = next(iter(good.items()))
        certain = log_probability(values_of(joined.values_bytes(field), joined.code), joined.symbols)
        chance = deceived(certain, 1 - math.exp(certain), joined.code.check.bits)
        # What a pass read with every pulse in place counts for more than the rest, but not behind a short check.
        calm = not joined.code.short_check and joined.passes > 1 and any(r.passed and r.worst < _NEAR_EDGE for r in own)
        likeliest = joined.field(bytes_of(joined.symbols.best, joined.code))
        likely_enough = chance <= _SOUND_CHANCE[joined.code.name]
        if likeliest == field and (likely_enough or calm):
            sound = _with(base, SectorState.SOUND, field, joined.code, votes, _tally(votes, len(own)))
            return replace(sound, false_chance=chance)
    mended = _mended(base, joined, [*own, *placed])
    if mended is not None:
        return mended
    likeliest = joined.field(bytes_of(joined.symbols.best, joined.code))
    if good:
        field, votes = next(iter(good.items()))
        how = f"{_tally(votes, len(own))}, but over a signal too weak for the check to prove it; read it again"
        return _with(base, SectorState.SUSPECT, field, joined.code, votes, how)
    how = f"the check failed in {count_of(len(own) + len(placed), 'pass')} and combined"
    return _with(base, SectorState.SUSPECT, likeliest, joined.code, 0, how)


def _mended(base: Sector, joined: _Joined, every: Sequence[SectorRead]) -> Sector | None:
    """The first of the likeliest fields whose check passes, if that can be believed."""
    untried = 1.0
    first = math.nan
    for candidate in candidates(joined.symbols, _TRIED):
        if candidate.changed and _hopeless(candidate.log_probability, joined.code):
            return None
        untried -= math.exp(candidate.log_probability)
        first = candidate.log_probability if math.isnan(first) else first
        field = joined.field(bytes_of(candidate.values, joined.code))
        if not joined.code.check.whole(field):
            continue
        chance = deceived(
            candidate.log_probability, untried, joined.code.check.bits, likelier_failed=bool(candidate.changed)
        )
        if chance > _MENDED_CHANCE or field[0] not in joined.code.data_field.marks:
            return None
        nearest = min((r for r in every), key=lambda r: _bits_apart(field, r.field))
        changed = _changed_bits(field, nearest.field, base.size)
        given_up = first - candidate.log_probability
        agreeing = [r for r in every if r.passed and r.field == field]
        how = _how_mended(joined, len(agreeing), len(changed), candidate.changed, given_up)
        mended = _with(base, SectorState.MENDED, field, joined.code, len(agreeing), how)
        return replace(mended, changed=changed, given_up=given_up, false_chance=chance)
    return None


def _hopeless(log_probability_of_field: float, code: Code) -> bool:
    """Whether neither this field nor a less likely one could be believed even if it were the last."""
    return deceived(log_probability_of_field, 0.0, code.check.bits, likelier_failed=True) > _MENDED_CHANCE


def _how_mended(joined: _Joined, agreeing: int, changed: int, flipped: tuple[int, ...], given_up: float) -> str:
    if agreeing:
        return f"data field read {agreeing} times without a legible id; given to this sector by its place on the turn"
    bits = f"{count_of(changed, 'bit')} {'differs' if changed == 1 else 'differ'}"
    how = f"{count_of(joined.passes, 'pass')} combined pulse by pulse; {bits} from the nearest pass"
    if flipped:
        what = "half-byte" if joined.code.alphabet is Alphabet.HALF_BYTES else "bit"
        how += f"; {count_of(len(flipped), f'least certain {what}')} turned, {given_up:.1f} nats given up"
    return how


def _bits_apart(one: bytes, other: bytes) -> int:
    if len(one) != len(other):
        return 8 * max(len(one), len(other))
    return (int.from_bytes(one) ^ int.from_bytes(other)).bit_count()


def _changed_bits(field: bytes, nearest: bytes, size: int) -> tuple[int, ...]:
    """Bits of the contents in which a field differs from a pass."""
    difference = int.from_bytes(field[1 : 1 + size]) ^ int.from_bytes(nearest[1 : 1 + size].ljust(size, b"\0"))
    bits = format(difference, f"0{8 * size}b")
    return tuple(k for k, bit in enumerate(bits) if bit == "1")
