"""Numbers and names as the page writes them: rounding, units, plurals, links."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime
from urllib.parse import urlencode

from indexhole.jobs.typography import MINUS
from indexhole.kinds import every
from indexhole.recover.shapes.result import SectorState
from indexhole.signal.gauges.gauge import GaugeName
from indexhole.standards.verdicts import Verdict
from indexhole.wording import plural_of, time_unit, with_uncertainty

SPACE = "\u202f"
_UNITS = {"1": "", "1/rev": "per turn", "half window": "of the half window"}

GAUGE_TITLES: Mapping[GaugeName, str] = every(
    GaugeName,
    {
        "spindle_speed": "Spindle speed",
        "speed_variation": "Speed variation",
        "speed_wander_orders": "Strongest order of speed wander",
        "index_to_data": "Index to data",
        "index_jitter": "Index jitter",
        "writer_speed_ratio": "Writer’s speed ratio",
        "timing_margin": "Timing margin",
        "peak_shift": "Peak shift",
        "pulse_asymmetry": "Pulse asymmetry",
        "noise_jitter": "Noise jitter",
        "dropouts": "Dropouts",
        "writers": "Writers on the track",
    },
)

# how dark each word is marked: open, diagonal, cross, solid; dots where nothing is known
TONES: Mapping[str, str] = every(
    (*SectorState, *Verdict),
    {
    "sound": "open", "mended": "diagonal", "suspect": "cross", "lost": "solid",
    "works": "open", "doubtful": "diagonal", "fails": "solid", "unproven": "dots",
    },
)  # fmt: skip


def tone(word: str) -> str:
    """The pattern a state or verdict is marked with."""
    return TONES[word]


def gauge_title(name: GaugeName) -> str:
    """A gauge's name in plain words."""
    return GAUGE_TITLES[name]


def count(number: int) -> str:
    """A whole number with its thousands set apart."""
    return f"{number:,}".replace(",", SPACE).replace("-", MINUS)


def plural(number: int, noun: str) -> str:
    """`1 pass`, `3 passes`, the thousands set apart."""
    return f"{count(number)} {plural_of(noun, number)}"


def size(number: int) -> str:
    """Bytes, with KiB or MiB behind where that says more."""
    for unit, name in ((1 << 20, "MiB"), (1 << 10, "KiB")):
        if number >= 10 * unit:
            return f"{count(round(number / unit))}{SPACE}{name}"
    return plural(number, "byte")


def percent(share: float) -> str:
    """A share of one in percent, never rounded to 0 or 100 unless it is that."""
    if 0 < share < 0.001:
        return f"under 0.1{SPACE}%"
    if 0.999 < share < 1:
        return f"over 99.9{SPACE}%"
    places = 1 if share < 0.1 or 0.99 < share < 1 else 0
    return f"{number(100 * share, places).removesuffix('.0')}{SPACE}%"


def number(value: float, decimals: int = 0) -> str:
    """A number with a true minus sign; none before what rounds to nothing."""
    places = max(0, decimals)
    return f"{round(value, places) + 0.0:.{places}f}".replace("-", MINUS)


def _scaled(unit: str, largest: float) -> tuple[float, str]:
    """What to divide by, and the unit to write."""
    if unit == "s":
        scale, name = time_unit(largest)
        return scale, name.replace("u", "µ")
    return 1.0, _UNITS.get(unit, unit)


def measured(value: float, uncertainty: float, unit: str) -> str:
    """`299.72 ± 0.02 rpm`; without an uncertainty four digits, and `not measured` for none."""
    if not math.isfinite(value):
        return "not measured"
    spread = uncertainty if math.isfinite(uncertainty) else 0.0
    scale, name = _scaled(unit, max(abs(value), spread))
    value, spread = value / scale, spread / scale
    if spread > 0:
        text = " ± ".join(with_uncertainty(value, spread)).replace("-", MINUS)
    elif value == round(value):
        text = number(value)
    else:
        text = number(value, 3 - math.floor(math.log10(abs(value))))
    return f"{text} {name}".rstrip()


def limits(low: float | None, high: float | None, unit: str) -> str:
    """`295.5 to 304.5 rpm`, `at least 0`, `no limit known`."""
    scale, name = _scaled(unit, max((abs(v) for v in (low, high) if v is not None), default=1.0) or 1.0)
    shown = [None if v is None else f"{v / scale:.6g}".replace("-", MINUS) for v in (low, high)]
    if shown == [None, None]:
        return "no limit known"
    if None not in shown:
        return f"{shown[0]} to {shown[1]} {name}".rstrip()
    return f"at {'least' if shown[0] is not None else 'most'} {shown[0] or shown[1]} {name}".rstrip()


def speed(rpm: float) -> str:
    """Revolutions a minute, or that they are not known."""
    return f"{rpm:.2f} rpm" if math.isfinite(rpm) else "speed not known"


def day(moment: datetime) -> str:
    """A moment to the minute, UTC."""
    return f"{moment:%Y-%m-%d %H:%M} UTC"


def query(path: str, **values: object) -> str:
    """A link within the page; lists give a parameter several times, None and empty text give none."""
    kept = {name: value for name, value in values.items() if value not in (None, "", (), [])}
    return f"{path}?{urlencode(kept, doseq=True)}" if kept else path
