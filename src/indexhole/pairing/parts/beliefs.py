"""What is believed of each mechanism and disk: draws of the unknowns, before and after the evidence.

Beliefs are draws kept together: row i of every array is one way the whole shelf may be, so that what two
mechanisms have in common stays in common.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class MechanismBelief:
    """Draws for one mechanism, each of shape (draws,): head offset, speed over nominal, loss by dirt, gap-2 habit."""

    offset_um: Floats
    speed_ratio: Floats
    loss_db: Floats
    gap_2_shift: Floats


@dataclass(frozen=True, slots=True)
class Quality:
    """What trials counted of a disk, one failed read of a sector being one sector lost.

    Attributes:
        tried, lost: sectors, in trials whose drives do not lose them by themselves.
        read_elsewhere: of those lost, how many lie in tracks that another trial read without a loss.
        aside: sectors tried by drives that do lose them by themselves, which say nothing of the disk.
    """

    tried: int
    lost: int
    read_elsewhere: int = 0
    aside: int = 0

    @property
    def words(self) -> str:
        """`1 of 720 sectors was lost in its trials`, as a clause."""
        count = f"{self.lost if self.lost else 'none'} of {self.tried} sectors {'were' if self.lost > 1 else 'was'}"
        return f"{count} lost in its trials"


@dataclass(frozen=True, slots=True)
class DiskBelief:
    """Draws for one disk, each of shape (draws,): loss of signal by wear, chance of a sector to be defective."""

    loss_db: Floats
    defect_rate: Floats
    quality: Quality | None = None


@dataclass(frozen=True, slots=True)
class Beliefs:
    """What the evidence says, by name. What is not named is drawn from its class.

    `words` tells the evidence used for each name.
    """

    mechanisms: Mapping[str, MechanismBelief] = field(default_factory=dict)
    disks: Mapping[str, DiskBelief] = field(default_factory=dict)
    words: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


NO_BELIEFS = Beliefs()
