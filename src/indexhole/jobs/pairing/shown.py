"""What trials that worked show of a mechanism, over what was only supposed of it by its disk class."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from indexhole.model.trials.trial import Trial
from indexhole.pairing.parts.parts import Mechanism, Medium
from indexhole.pairing.parts.rates import choose_rate
from indexhole.pairing.parts.tracks import layout_tracks, steps_a_track
from indexhole.pairing.prediction.fit import sees_index, windows
from indexhole.standards.figures import Figure
from indexhole.standards.layouts import Layout


def as_tried(
    mechanism: Mechanism, trials: Sequence[Trial], disks: Mapping[str, Medium], layouts: Mapping[str, Layout]
) -> tuple[Mechanism, tuple[str, ...]]:
    """The mechanism as its trials show it, and what they showed that was not expected, in words.

    A trial worked when fewer than half of its sectors failed; our own choice.
    """
    told: list[str] = []
    for trial in trials:
        worked = trial.sectors_tried > 0 and 2 * trial.sectors_failed < trial.sectors_tried
        if trial.mechanism == mechanism.name and trial.disk in disks and worked:
            for better, what in _shown(mechanism, trial, disks[trial.disk], layouts[trial.disk]):
                mechanism = better
                told.append(f"trial {trial.trial} with {trial.disk} shows that it {what}, which its class would not")
    return mechanism, tuple(told)


def _shown(mechanism: Mechanism, trial: Trial, disk: Medium, layout: Layout) -> Iterator[tuple[Mechanism, str]]:
    """The mechanism with one more ability at a time."""
    tracks = layout_tracks(layout)
    if "heads" in mechanism.supposed and trial.side >= mechanism.heads:
        mechanism = replace(mechanism, heads=trial.side + 1)
        yield mechanism, f"has a head on side {trial.side}"
    last = trial.last_cylinder * steps_a_track(mechanism, tracks.pitch_um)
    if "cylinders" in mechanism.supposed and last >= mechanism.cylinders:
        mechanism = replace(mechanism, cylinders=last + 1)
        yield mechanism, f"reaches cylinder {last}"
    drive, controller = mechanism.drive, mechanism.host.controller
    # where the window lies is itself supposed, so this may be the jacket's doing; either way the two go together
    if (controller is None or controller.uses_index) and not sees_index(mechanism, disk):
        drive = drive.model_copy(update={"index_places": (*drive.index_places, *sorted(windows(disk)))})
        mechanism = replace(mechanism, drive=drive)
        yield mechanism, f"sees the index of such a disk ({disk.sides}-side, {disk.disk_class.diameter_mm} mm)"
    if "class" in mechanism.supposed:
        for zone in layout.zones:
            if choose_rate(mechanism, zone.code, zone.cell_s, layout.speed_rpm).suits:
                continue
            speed = Figure(value=layout.speed_rpm, source=f"trial {trial.trial}", mark="OWN")
            faster = replace(mechanism, drive=drive.model_copy(update={"speeds_rpm": (*drive.speeds_rpm, speed)}))
            if choose_rate(faster, zone.code, zone.cell_s, layout.speed_rpm).suits:
                yield faster, f"turns at {layout.speed_rpm:.0f} r/min"
                return
