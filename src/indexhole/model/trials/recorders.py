"""Who recorded what each trial met, as the sheet tells it: the last mechanism that wrote there, else how it came."""

from __future__ import annotations

from collections.abc import Sequence

from indexhole.model.trials.trial import Trial

Surface = tuple[str, int]  # disk, side


class Recorders:
    """The trials in order of time, replayed.

    Attributes:
        met: for each trial who recorded all its cylinders: a mechanism, or the disk's own name for what it came with;
            "" when several recorded it.
        last: by disk and side, the mechanism that last wrote each cylinder.
    """

    def __init__(self, trials: Sequence[Trial]) -> None:
        self.met: list[str] = []
        self.last: dict[Surface, dict[int, str]] = {}
        for trial in trials:
            track = self.last.setdefault((trial.disk, trial.side), {})
            cylinders = range(trial.first_cylinder, trial.last_cylinder + 1)
            if trial.writes:
                track.update(dict.fromkeys(cylinders, trial.mechanism))
            found = {track.get(cylinder, trial.disk) for cylinder in cylinders}
            self.met.append(found.pop() if len(found) == 1 else "")

    def disks_of(self, mechanism: str) -> set[str]:
        """Disks of which some cylinder was last recorded by a mechanism."""
        return {disk for (disk, _), track in self.last.items() if mechanism in track.values()}
