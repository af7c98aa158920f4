"""Observations as rows: what the model needs to know of each, and how likely its counts are at each hazard."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import betaln, gammaln

from indexhole.model import kernels
from indexhole.pairing.beliefs import NO_BELIEFS
from indexhole.pairing.draws import Streams
from indexhole.pairing.evidence import OUTSIDE, Observation
from indexhole.pairing.parts import Conditions, Mechanism, Medium
from indexhole.pairing.passages import Assembly, Case, Under, outside_drive
from indexhole.pairing.tracks import layout_tracks
from indexhole.standards.layouts import Layout

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

NODES: Floats = np.geomspace(1e-6, kernels.HAZARD_CAP, 80)
# Our own choices: sectors of a track share their fate; the weather, the clamping and the noise of a visit make its
# hazard smaller or larger; and now and then something happens that nobody foresaw.
_CONCENTRATION = 8.0
_LUCK, _LUCK_WEIGHT = (0.25, 1.0, 4.0), (0.25, 0.5, 0.25)
_SURPRISE = 0.01
_TEMPLATE_DRAWS = 64


@dataclass(frozen=True, slots=True)
class Rows:
    """Observations ready for the kernel; see kernels.row_hazards.

    Attributes:
        mechanisms, disks: names by index; the last mechanism is the outside drive.
        templates, tracks, hands: see the kernel.
        log_likelihood: (rows, nodes) of the counts at each hazard of NODES.
        rewrites: rows in which the reader had rewritten sectors another had laid out: (row, reader, other, layout).
    """

    mechanisms: tuple[str, ...]
    disks: tuple[str, ...]
    templates: Floats
    tracks: Floats
    hands: Ints
    log_likelihood: Floats
    rewrites: tuple[tuple[int, str, str, Layout], ...]


def count_likelihood(failed: Ints, tried: Ints) -> Floats:
    """Log likelihood of counts at each hazard of NODES, shape (rows, nodes): beta-binomial, with luck and surprise."""
    n, k = tried[:, None].astype(float), failed[:, None].astype(float)
    law = np.zeros((len(tried), len(NODES)))
    choose = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
    for luck, weight in zip(_LUCK, _LUCK_WEIGHT, strict=True):
        mean = np.clip(-np.expm1(-NODES * luck), 1e-9, 1 - 1e-9)[None, :]
        a, b = mean * _CONCENTRATION, (1 - mean) * _CONCENTRATION
        law += weight * np.exp(choose + betaln(k + a, n - k + b) - betaln(a, b))
    found: Floats = np.log((1 - _SURPRISE) * law + _SURPRISE / (n + 1))
    return found


def make_rows(
    observed: Sequence[Observation],
    mechanisms: Mapping[str, Mechanism],
    disks: Mapping[str, Medium],
    layouts: Mapping[str, Layout],
) -> Rows:
    """Rows of those observations whose disk, layout and mechanisms are known; the others say nothing."""
    usable = [
        o
        for o in observed
        if o.disk in layouts
        and o.disk in disks
        and o.reader in mechanisms
        and o.tried > 0
        and (o.writer in mechanisms or o.writer == OUTSIDE)
        and o.first_cylinder < layouts[o.disk].cylinders
        and o.side < layouts[o.disk].heads
    ]
    names, disk_names = (*mechanisms, OUTSIDE), tuple(disks)
    at, disk_at = {n: i for i, n in enumerate(names)}, {n: i for i, n in enumerate(disk_names)}
    templates = np.empty((len(usable), kernels.DRAW_COLUMNS))
    tracks = np.empty((len(usable), 3, kernels.TRACK_COLUMNS))
    hands = np.empty((len(usable), 4), dtype=np.int64)
    made: dict[tuple[object, ...], tuple[Floats, Floats, Ints]] = {}
    rewrites = []
    for i, o in enumerate(usable):
        key = (o.writer, o.reader, o.over, o.disk, o.side, o.operation)
        if key not in made:
            made[key] = _template(o, mechanisms, disks[o.disk], layouts[o.disk])
        draw, all_tracks, cylinders = made[key]
        last = min(o.last_cylinder, layouts[o.disk].cylinders - 1)
        picked = np.searchsorted(cylinders, np.linspace(o.first_cylinder, last, 3).round())
        templates[i], tracks[i] = draw, all_tracks[picked]
        over = o.over if o.over in at else OUTSIDE
        hands[i] = at[o.writer], at[o.reader], at[over], disk_at[o.disk]
        if o.operation == "write" and o.laid_out_by != o.reader and o.laid_out_by in mechanisms:
            rewrites.append((i, o.reader, o.laid_out_by, layouts[o.disk]))
    return Rows(
        names,
        disk_names,
        templates,
        tracks,
        hands,
        count_likelihood(np.array([o.failed for o in usable], int), np.array([o.tried for o in usable], int)),
        tuple(rewrites),
    )


def _template(
    o: Observation, mechanisms: Mapping[str, Mechanism], disk: Medium, layout: Layout
) -> tuple[Floats, Floats, Ints]:
    """The middle of all that is not learnt, and the tracks of a side in order of cylinders."""
    outside = outside_drive(disk)
    writer, reader = mechanisms.get(o.writer, outside), mechanisms[o.reader]
    case = Case(writer, disk, reader, layout, "read", Conditions(), NO_BELIEFS, Streams(0, _TEMPLATE_DRAWS))
    tracks = layout_tracks(layout)
    side = tracks.only(tracks.side == o.side)
    assembly = Assembly(case, side)
    if o.writer == OUTSIDE or o.over == o.writer:
        assembly.under = None
    else:
        assembly.under = Under(mechanisms.get(o.over, outside), tracks.pitch_um, 1.0)
    (passage,) = assembly.passages()
    draw = np.median(passage.draws, axis=0)
    draw[[kernels.STRAIN, kernels.OVAL, kernels.AZIMUTH]] = 0.0
    draw[kernels.UNDER] = float(assembly.under is not None)
    if o.operation != "read":
        draw[kernels.SWING] = 0.0
    middle_loss = float(np.median(assembly.writer.loss_db))
    draw[kernels.LAID] *= 10 ** (middle_loss / 20)
    return draw, passage.tracks, side.cylinder
