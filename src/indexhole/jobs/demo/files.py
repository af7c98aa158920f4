"""What is written on the demonstration disks: letters and watch lists of an invented harbour, drawn word by word."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

LETTERS_TITLE = "HARBOUR MASTER"

_VESSELS = ("AURELIE", "NORTH STAR", "GREY HERON", "TWO SISTERS", "KITTIWAKE", "LODESTONE", "ANNA B", "PATIENCE")
_TRADES = ("coaster", "ketch", "pilot cutter", "dredger", "ferry", "lighter", "trawler", "tug")
_WINDS = ("calm", "light airs", "fresh breeze", "strong breeze", "near gale", "gale", "fog", "snow")
_CARGO = ("slate", "timber", "herring in barrels", "coal", "rope and canvas", "cement", "oranges", "salt")
_PLACES = ("the inner basin", "the east quay", "the coal berth", "the dry dock", "buoy 3", "the customs steps")
_MATTERS = (
    "has not paid her dues since the spring tides",
    "asks for a berth nearer to the crane",
    "lost an anchor and would like it found",
    "must not pump her bilges at low water again",
    "is to shift before the ferry comes in",
    "reports the light on the mole as weak",
)


def _pick(rng: np.random.Generator, words: Sequence[str]) -> str:
    return words[int(rng.integers(len(words)))]


def letters(rng: np.random.Generator) -> dict[str, bytes]:
    """Letters of the harbour master by name, lines ended as its host ended them."""
    found = {}
    for number in range(1, 13):
        lines = [f"MARROWICK HARBOUR, LETTER {number} OF 1985", ""]
        for _ in range(int(rng.integers(12, 160))):
            vessel, trade = _pick(rng, _VESSELS), _pick(rng, _TRADES)
            lines.append(f"THE {trade} {vessel} AT {_pick(rng, _PLACES)} {_pick(rng, _MATTERS)}.".upper())
        found[f"LETTER {number}"] = ("\r".join(lines) + "\r").encode("ascii")
    return found


def watch_lists(rng: np.random.Generator) -> dict[str, bytes]:
    """Watch lists of the signal tower, a file a month in folders by half-year."""
    found = {"README.TXT": b"Watch lists of the signal tower. Hours are local. Copy before you sort.\r\n"}
    for month in range(1, 13):
        lines = [f"SIGNAL TOWER MARROWICK, MONTH {month} OF 1991", "day  hour   vessel, kind, wind, cargo"]
        for day in range(1, 29):
            hours = rng.choice(24, size=int(rng.integers(5, 16)), replace=False)
            lines += [
                f"{day:3}  {hour:02}.{int(rng.integers(60)):02}  {_sighting(rng)}" for hour in sorted(hours.tolist())
            ]
        half = "FIRST" if month < 7 else "SECOND"
        found[f"{half}/WATCH{month:02}.TXT"] = ("\r\n".join(lines) + "\r\n").encode("ascii")
    return found


def _sighting(rng: np.random.Generator) -> str:
    return f"{_pick(rng, _VESSELS)}, {_pick(rng, _TRADES)}, {_pick(rng, _WINDS)}, {_pick(rng, _CARGO)}"
