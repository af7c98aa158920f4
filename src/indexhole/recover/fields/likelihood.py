"""From evidence of cells to fields in order of likelihood, and how likely a passing check deceives.

A field is a row of symbols (bits in FM and MFM, half-byte words in the group code), each with a most likely
value and rivals. Given the evidence, P(field) is the product over its symbols; fields are tried in falling
order of it. A wrong field passes a check of c bits with probability 2^-c. So when the k-th field tried passes,

    P(deceived) = R 2^-c / ( P(field) + R 2^-c ),

R being the probability of all the fields not yet tried. That one of several likely fields passes after others
failed may also mean that the evidence misleads, by a fault that all passes share; R is never less than the
chance of that then (docs/recovery.md).
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import assert_never

import numpy as np
import numpy.typing as npt

from indexhole.codes import marks
from indexhole.codes.code import Alphabet, Code
from indexhole.codes.known import CODES
from indexhole.recover.fields import kernels
from indexhole.recover.fields.evidence import TRUST, Cells, hear, joint_evidence
from indexhole.recover.fields.matching import matched_words
from indexhole.recover.fields.stretch import Stretch

# Chance that the passes share a fault they do not show, such as one pulse gone in all of them. Alone it cannot make
# the likeliest field pass: either check finds any error within one byte.
_SHARED_FAULT = 1e-3
# Symbols with rivals this unlikely are never changed.
_CERTAIN = 1e-9


@dataclass(frozen=True)
class Symbols:
    """A field as symbols.

    Attributes:
        best: (n,) most likely value of each symbol.
        rival: (n,) the next most likely value.
        log_right: (n,) log probability that `best` is right.
        log_rival: (n,) log probability of `rival`.
        scores: (n, values) log probability of every value.
    """

    best: npt.NDArray[np.int64]
    rival: npt.NDArray[np.int64]
    log_right: npt.NDArray[np.float64]
    log_rival: npt.NDArray[np.float64]
    scores: npt.NDArray[np.float64]


def _from_scores(scores: npt.NDArray[np.float64], best: npt.NDArray[np.int64] | None = None) -> Symbols:
    top = scores.max(axis=1, keepdims=True)
    logs = scores - (top + np.log(np.exp(scores - top).sum(axis=1, keepdims=True)))
    rows = np.arange(scores.shape[0])
    if best is None:
        best = np.argmax(logs, axis=1)
    others = logs.copy()
    others[rows, best] = -np.inf
    rival = np.argmax(others, axis=1)
    return Symbols(best, rival, logs[rows, best], logs[rows, rival], logs)


def _word_table() -> npt.NDArray[np.int64]:
    table = np.zeros(16, dtype=np.int64)
    for word, nibble in enumerate(marks.WORD_TO_NIBBLE.tolist()):
        if nibble >= 0:
            table[nibble] = word
    return table


_WORDS = _word_table()


def symbols_of(evidence: Cells, code: Code) -> Symbols:
    """Symbols of a field from the (cells,) log-likelihood ratios of its cells."""
    bits = evidence.size // 2
    odds = np.empty(bits)
    best = np.zeros(bits, dtype=np.int64)
    match code.alphabet:
        case Alphabet.HALF_BYTES:
            return _from_scores(_word_scores(evidence))
        case Alphabet.CHAINED_BITS:
            # The mark's last byte, A1, ends in a one.
            kernels.mfm_posteriors(evidence, bits, 1, best, odds)
        case Alphabet.LONE_BITS:
            odds[:] = evidence[1::2]
            best[:] = odds > 0
        case _:
            assert_never(code.alphabet)
    return _from_scores(np.stack((np.zeros(bits), odds), axis=1), best)


def _word_scores(evidence: Cells) -> npt.NDArray[np.float64]:
    """(words, 16) log-likelihood of each half byte, from (cells,) of the cells."""
    words = evidence.size // 5
    scores = np.empty((words, 16))
    kernels.word_scores(evidence, _WORDS, words, scores)
    return scores


def joint_symbols(stretches: Sequence[Stretch], cells: int) -> Symbols:
    """Symbols of a field of `cells` cells from its pulses in several passes, most trusted first."""
    name = stretches[0].code
    code = CODES[name]
    match code.alphabet:
        case Alphabet.HALF_BYTES:
            passes, evidence = hear(stretches, cells)
            words = matched_words(passes, name, _WORDS, _word_scores(evidence[: cells // 5 * 5]))
            return _from_scores(words * TRUST[name])
        case Alphabet.CHAINED_BITS | Alphabet.LONE_BITS:
            return symbols_of(joint_evidence(stretches, cells), code)
        case _:
            assert_never(code.alphabet)


def bytes_of(values: npt.NDArray[np.int64], code: Code) -> bytes:
    """(n,) symbols back to bytes."""
    match code.alphabet:
        case Alphabet.HALF_BYTES:
            return (values[0::2] << 4 | values[1::2]).astype(np.uint8).tobytes()
        case Alphabet.CHAINED_BITS | Alphabet.LONE_BITS:
            return np.packbits(values.astype(np.uint8)).tobytes()
        case _:
            assert_never(code.alphabet)


def values_of(field: bytes, code: Code) -> npt.NDArray[np.int64]:
    """Bytes to (n,) symbols."""
    raw = np.frombuffer(field, dtype=np.uint8)
    match code.alphabet:
        case Alphabet.HALF_BYTES:
            return np.stack((raw >> 4, raw & 15), axis=1).ravel().astype(np.int64)
        case Alphabet.CHAINED_BITS | Alphabet.LONE_BITS:
            return np.unpackbits(raw).astype(np.int64)
        case _:
            assert_never(code.alphabet)


@dataclass(frozen=True)
class Candidate:
    """A field, which symbols differ from the most likely one, and its log probability given the evidence."""

    values: npt.NDArray[np.int64]
    changed: tuple[int, ...]
    log_probability: float


def candidates(symbols: Symbols, most: int) -> Iterator[Candidate]:
    """At most `most` fields in falling order of probability, the likeliest first; each symbol takes its best or its
    rival value.
    """
    base = float(symbols.log_right.sum())
    yield Candidate(symbols.best, (), base)
    cost = symbols.log_right - symbols.log_rival
    open_to_change = np.flatnonzero(cost < -math.log(_CERTAIN))
    order = open_to_change[np.argsort(cost[open_to_change])]
    costs = np.maximum(cost[order], 0.0)
    if not order.size:
        return
    # Subsets in order of their summed cost: each is followed by "one more" and "the last one moved on".
    heap: list[tuple[float, tuple[int, ...]]] = [(float(costs[0]), (0,))]
    for _ in range(most - 1):
        if not heap:
            return
        total, chosen = heapq.heappop(heap)
        values = symbols.best.copy()
        places = order[list(chosen)]
        values[places] = symbols.rival[places]
        yield Candidate(values, tuple(sorted(int(p) for p in places)), base - total)
        last = chosen[-1]
        if last + 1 < order.size:
            step = float(costs[last + 1])
            heapq.heappush(heap, (total + step, (*chosen, last + 1)))
            heapq.heappush(heap, (total - float(costs[last]) + step, (*chosen[:-1], last + 1)))


def log_probability(values: npt.NDArray[np.int64], symbols: Symbols) -> float:
    """Natural log of the probability of a field, (n,) symbols, under the evidence."""
    return float(symbols.scores[np.arange(values.size), values].sum())


def deceived(
    log_probability_of_field: float, untried: float, check_bits: int, *, likelier_failed: bool = False
) -> float:
    """Probability that a field whose check passes is wrong all the same; formula above.

    Args:
        log_probability_of_field: given the evidence.
        check_bits: of the field's check.
        untried: probability of all fields neither this one nor tried before it.
        likelier_failed: whether likelier fields were tried and their checks failed.
    """
    rest = max(untried, _SHARED_FAULT if likelier_failed else 0.0)
    false = rest * 2.0**-check_bits
    right = math.exp(min(log_probability_of_field, 0.0))
    return false / (right + false) if right + false > 0 else 1.0
