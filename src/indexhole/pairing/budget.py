"""The margin budget of a writer, a disk and a reader.

What others call, here and in the modules beside it:

    parts      mechanism(name, drive_class, controller, ...) -> Mechanism; medium(name, disk_class, ...) -> Medium;
               Host, Climate, Conditions, WhatIf, OPERATIONS
    answer     Budget, Term, Fact, Curve, Remedy, Risk, GROUPS
    budget     budget(writer, disk, reader, layout, operation, conditions, beliefs, rng_seed, ...) -> Budget
    evidence   observations(trials) -> Observation...; GaugeReading
    beliefs    Beliefs, NO_BELIEFS, learn(mechanisms, disks, layouts, observed, gauges, rng_seed) -> Beliefs
    matrix     matrix(writers, disks, readers, layouts, operation, conditions, beliefs, rng_seed) -> Matrix
    proof      proofs(observed) -> Proof by (writer, disk, reader); check_plan(steps, proofs, today, months)

`layout` is a Layout of standards/layouts.py. Everything is pure: the same arguments give the same answer.
"""

from __future__ import annotations

import numpy as np

from indexhole.pairing.answer import GROUPS, Budget, Curve, Risk, Term
from indexhole.pairing.beliefs import NO_BELIEFS, Beliefs
from indexhole.pairing.fit import check_fit
from indexhole.pairing.parts import Conditions, Mechanism, Medium, Operation
from indexhole.pairing.tracks import head_places_um, layout_tracks
from indexhole.standards.layouts import Layout

_LEAST_SHARE = 0.35


def budget(
    writer: Mechanism,
    disk: Medium,
    reader: Mechanism,
    layout: Layout,
    operation: Operation = "exchange",
    conditions: Conditions | None = None,
    beliefs: Beliefs = NO_BELIEFS,
    rng_seed: int = 0,
    *,
    samples: int = 400,
    remedies: bool = True,
    alternatives: tuple[Mechanism, ...] = (),
) -> Budget:
    """Will it work, and by what margin?

    Args:
        alternatives: other mechanisms that a remedy may propose as the reader.
        remedies: leave them out for answers in a hurry.
    """
    rng = np.random.default_rng(rng_seed)
    tracks = layout_tracks(layout)
    fit = check_fit(reader, disk, tracks, writes=operation in ("format", "update"))
    places = head_places_um(reader, tracks) - head_places_um(writer, tracks)
    spread = np.hypot(writer.drive.offset_limit_um.value, reader.drive.offset_limit_um.value) / 2
    aside = np.abs(rng.normal(0, spread, (samples, 1)) + places)
    width_w = writer.drive.write_width_um.value if writer.drive.write_width_um else 150.0
    width_r = reader.drive.read_width_um.value if reader.drive.read_width_um else 150.0
    room = (width_w + width_r) / 2 - _LEAST_SHARE * width_r - aside
    whole = (room > 0).all(axis=1)
    chance = 0.0 if fit.hindrances else float(whole.mean())
    error = float(np.sqrt(max(chance * (1 - chance), 0.0) / samples))
    words = {
        "fit": "; ".join(fit.hindrances) or "goes in and is reached",
        "position": f"heads stand {float(aside.mean()):.0f} um apart, mean over tracks",
    }
    terms = tuple(
        Term(
            group=g,
            margin=float(room.min(axis=1).mean()) if g == "position" else None,
            uncertainty=float(room.min(axis=1).std()) if g == "position" else None,
            unit="um" if g == "position" else "",
            cost=(1.0 if fit.hindrances else 0.0)
            if g == "fit"
            else (1 - float(whole.mean())) * (not fit.hindrances)
            if g == "position"
            else 0.0,
            verdict="unproven",
            words=words.get(g, ""),
        )
        for g in GROUPS
    )
    still = np.zeros(len(tracks))
    return Budget(
        operation=operation,
        verdict="works" if chance > 0.95 else "fails" if chance < 0.05 else "doubtful",
        why=words["fit"] if fit.hindrances else words["position"],
        chance=chance,
        chance_error=error,
        samples=samples,
        limiting="fit" if fit.hindrances else "position",
        terms=terms,
        curve=Curve(
            tracks.cylinder,
            tracks.side,
            1 - (room > 0).mean(axis=0),
            room.mean(axis=0),
            room.std(axis=0),
            still,
            still,
        ),
        remedies=(),
        risk=Risk("never" if disk.importance == "irreplaceable" else "ask", "none", ()),
    )
