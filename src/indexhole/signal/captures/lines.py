"""Which logged line is which: names as people write them, mapped to our own."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from indexhole.errors import Do, InputFault, Way

READ_DATA, INDEX = "read_data", "index"
_MOST_TOLD = 40
CONTROL_LINES = ("step", "direction", "track_zero", "side")

# Spellings met on drive connectors and loggers (common practice, no source), compared without case and punctuation.
_SPELLINGS: dict[str, frozenset[str]] = {
    READ_DATA: frozenset({"rdata", "readdata", "rd", "read", "rddata", "rawread", "dataread"}),
    INDEX: frozenset({"index", "idx", "ix", "ind", "indexpulse"}),
    "step": frozenset({"step", "stp", "steppulse"}),
    "direction": frozenset({"dir", "direction", "dirc", "stepdir", "directionselect"}),
    "track_zero": frozenset({"trk00", "trk0", "track0", "track00", "tr00", "trackzero", "tk00", "tk0"}),
    "side": frozenset({"side1", "side", "head", "headselect", "sideselect", "hdsel", "side1select", "hd", "ss"}),
}


def plain_name(name: str) -> str:
    """A name without case, punctuation, path and the signs of an active-low line."""
    leaf = re.split(r"[./\\]", name.strip())[-1] if re.search(r"[./\\]\w", name.strip()) else name
    plain = re.sub(r"[^a-z0-9]", "", leaf.lower())
    return re.sub(r"(?<=[a-z0-9]{2})(_n|bar)$", "", plain)


def _told(names: Sequence[str]) -> str:
    """Names in a row, no more than somebody would read: a damaged header may declare thousands."""
    more = len(names) - _MOST_TOLD
    return ", ".join(name[:80] for name in names[:_MOST_TOLD]) + (f" and {more} more" if more > 0 else "")


def named_lines(names: Sequence[str], given: Mapping[str, str], where: str) -> dict[str, int]:
    """Position in `names` of each line told by its name or by the keeper.

    Args:
        names: line names as the file has them.
        given: the keeper's own choice, our name -> the file's name; it goes before the spellings.
        where: the file, for the fault.

    Raises:
        InputFault: a chosen name is absent, or two lines claim one meaning.
    """
    found: dict[str, int] = {}
    for ours, theirs in given.items():
        if ours not in _SPELLINGS:
            raise InputFault(
                f"there is no line called {ours!r}", where=where, remedy=f"lines are {', '.join(_SPELLINGS)}"
            )
        if theirs not in names:
            raise InputFault(
                f"no line {theirs!r} in the file",
                where=where,
                remedy=f"it has {_told(names) or 'no lines'}",
            )
        found[ours] = list(names).index(theirs)
    for position, name in enumerate(names):
        plain = plain_name(name)
        for ours, spellings in _SPELLINGS.items():
            if (
                ours in given
                or position in found.values()
                or not (plain in spellings or plain.rstrip("n") in spellings)
            ):
                continue
            if ours in found:
                raise InputFault(
                    f"lines {names[found[ours]]!r} and {name!r} could both be {ours}",
                    where=where,
                    remedy=Way(Do.NAME_LINE, ours),
                )
            found[ours] = position
    return found


def match_lines(names: Sequence[str], given: Mapping[str, str], where: str) -> dict[str, int]:
    """Position in `names` of each line of a logic log; arguments and faults as `named_lines`.

    Raises:
        InputFault: besides, there is no read-data line.
    """
    found = named_lines(names, given, where)
    if READ_DATA not in found:
        raise InputFault(
            f"no read-data line among {_told(names) or 'no lines at all'}",
            where=where,
            remedy=Way(Do.NAME_LINE, READ_DATA),
        )
    return found


def match_channels(names: Sequence[str], given: Mapping[str, str], where: str) -> dict[str, int]:
    """Position in `names` of each channel of a waveform; arguments and faults as `named_lines`.

    A probe has no name of its own: of the channels that are not named, the first is the head signal, the
    second the index.
    """
    found = named_lines(names, given, where)
    free = [position for position in range(len(names)) if position not in found.values()]
    for ours in (READ_DATA, INDEX):
        if ours not in found and free:
            found[ours] = free.pop(0)
    if READ_DATA not in found:
        raise InputFault(
            "every channel is named for something else than the head signal",
            where=where,
            remedy=Way(Do.NAME_LINE, READ_DATA),
        )
    return found
