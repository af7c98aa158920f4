"""Evidence that is not a trial: gauges of a mechanism, who recorded a stretch, where round the turn sectors failed.

Both come from captures and measurements (`jobs/gauged_shelf.py` gathers them). A gauge weighs the magnitudes a fault
may have, so it tells misaligned from off-speed, which counts never do; an attribution weighs what became of writes.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.causes.likelihood.angle_counts import AngleCount
from indexhole.causes.likelihood.angles import count_words, tells
from indexhole.errors import InputFault
from indexhole.model.trials.trial import cylinder_words

Floats = npt.NDArray[np.float64]

# How far sound mechanisms lie from nominal: half the usual tolerance of speed (facts: 1.5 %, common practice) and of
# radial place at 48 tpi (25 to 38 um, common practice). OWN use of both as standard deviations.
_SOUND_SPEED, _SOUND_OFFSET_UM = 0.0075, 15.0
# An error that is known by its effect alone may have any size up to about this.
_UNKNOWN_OFFSET_UM = 100.0


@dataclass(frozen=True, slots=True)
class SpeedGauge:
    """Spindle speed over nominal, less one, with its standard uncertainty; both fractions. `source` is in words."""

    mechanism: str
    error: float
    uncertainty: float
    source: str = ""

    @property
    def words(self) -> str:
        """As a keeper would say it."""
        way = "fast" if self.error >= 0 else "slow"
        turns = f"{self.mechanism} turns {100 * abs(self.error):.2f} +/- {100 * self.uncertainty:.2f} % {way}"
        return turns + _by(self.source)


@dataclass(frozen=True, slots=True)
class OffsetGauge:
    """Radial place of a head against the true centre line, um, with its standard uncertainty; `source` in words."""

    mechanism: str
    offset_um: float
    uncertainty_um: float
    source: str = ""

    @property
    def words(self) -> str:
        """As a keeper would say it."""
        way = "towards the rim" if self.offset_um >= 0 else "towards the hub"
        stands = f"the head of {self.mechanism} stands {abs(self.offset_um):.0f} +/- {self.uncertainty_um:.0f} um {way}"
        return stands + _by(self.source)


@dataclass(frozen=True, slots=True)
class Attribution:
    """Who recorded a stretch last, as its signal shows after all trials; `writer` "" is a drive from outside."""

    disk: str
    side: int
    first_cylinder: int
    last_cylinder: int
    writer: str
    probability: float
    source: str = ""

    @property
    def words(self) -> str:
        """As a keeper would say it."""
        who = self.writer or "a drive from outside"
        where = f"{self.disk} side {self.side}, {cylinder_words(self.first_cylinder, self.last_cylinder)}"
        return f"{where}, was recorded by {who} with probability {self.probability:.2f}{_by(self.source)}"


def _by(source: str) -> str:
    return f" ({source})" if source else ""


@dataclass(frozen=True, slots=True)
class Gauged:
    """All evidence of other kinds. Raises InputFault where a figure cannot be."""

    speeds: tuple[SpeedGauge, ...] = ()
    offsets: tuple[OffsetGauge, ...] = ()
    attributions: tuple[Attribution, ...] = ()
    angles: tuple[AngleCount, ...] = ()
    left_out: tuple[str, ...] = ()  # what was not weighed, a line each

    def __post_init__(self) -> None:
        for speed in self.speeds:
            if not (speed.uncertainty > 0 and abs(speed.error) < 1):
                raise InputFault(
                    "a speed gauge needs an uncertainty above 0 and an error below 1", where=speed.mechanism
                )
        for offset in self.offsets:
            if not (offset.uncertainty_um > 0 and np.isfinite(offset.offset_um)):
                raise InputFault("an offset gauge needs an uncertainty above 0", where=offset.mechanism)
        for told in self.attributions:
            if not 0 < told.probability < 1 or told.first_cylinder > told.last_cylinder:
                raise InputFault("an attribution needs a probability between 0 and 1", where=told.disk)

    @property
    def words(self) -> tuple[str, ...]:
        """All of it, a line each."""
        told = (*(words for _, words in self._of_drives()), *(told.words for told in self.attributions))
        return (*told, *(count_words(count) for count in self.angles if tells(count)), *self.left_out)

    def _of_drives(self) -> list[tuple[str, str]]:
        return [*((g.mechanism, g.words) for g in self.speeds), *((g.mechanism, g.words) for g in self.offsets)]

    def words_about(self, mechanisms: Collection[str]) -> tuple[str, ...]:
        """The gauges of some mechanisms, a line each."""
        return tuple(words for mechanism, words in self._of_drives() if mechanism in mechanisms)

    def about(self, mechanism: str) -> bool:
        """Whether any gauge is of this mechanism."""
        return mechanism in {g.mechanism for g in self.speeds} | {g.mechanism for g in self.offsets}

    def log_ratio(self, mechanism: str, offset_um: Floats, speed: Floats) -> Floats:
        """Log likelihood of the gauges of a mechanism for each supposed error, less that of a sound mechanism.

        Args:
            offset_um, speed: (rungs,) supposed errors; nought in one of them where the other is at fault, and nan in
                `offset_um` where the size is not known.
        """
        total = np.zeros(len(offset_um))
        for gauge in self.speeds:
            if gauge.mechanism == mechanism:
                wide = np.hypot(gauge.uncertainty, _SOUND_SPEED)
                close = np.where(speed == 0, wide, np.hypot(gauge.uncertainty, np.abs(speed) / 4))
                total += _log_normal(gauge.error - speed, close) - _log_normal(np.asarray(gauge.error), wide)
        for place in self.offsets:
            if place.mechanism == mechanism:
                sound = np.hypot(place.uncertainty_um, _SOUND_OFFSET_UM)
                size = np.nan_to_num(np.abs(offset_um))
                unknown = np.hypot(place.uncertainty_um, _UNKNOWN_OFFSET_UM)
                spread = np.full(len(offset_um), sound)
                spread[np.isnan(offset_um)] = unknown
                # The sign of a supposed offset is open.
                either = np.logaddexp(
                    _log_normal(place.offset_um - size, spread), _log_normal(place.offset_um + size, spread)
                ) - np.log(2)
                total += either - _log_normal(np.asarray(place.offset_um), np.asarray(sound))
        return total


NO_GAUGES = Gauged()


def _log_normal(difference: Floats, spread: Floats | float) -> Floats:
    found: Floats = -0.5 * (difference / spread) ** 2 - np.log(spread)
    return found
