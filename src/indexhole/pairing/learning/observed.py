"""Observations as rows: what the model needs to know of each, and how likely its counts are at each hazard.

Observations of the same hands, disk, side and thirds of the cylinders make one row: they have one hazard, so their log
likelihoods at each hazard add up, and however often a pairing is tried it is reckoned once.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from indexhole.model import kernels
from indexhole.model.trials.counts import VISIT, VISIT_LUCK
from indexhole.pairing.learning.evidence import OUTSIDE, Observation
from indexhole.pairing.parts.beliefs import NO_BELIEFS
from indexhole.pairing.parts.draws import Streams
from indexhole.pairing.parts.parts import Conditions, Mechanism, Medium
from indexhole.pairing.parts.tracks import layout_tracks
from indexhole.pairing.prediction.passages import Assembly, Case, Under, outside_drive
from indexhole.standards.layouts import Layout

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

NODES: Floats = np.geomspace(1e-6, kernels.HAZARD_CAP, 80)
_TEMPLATE_DRAWS = 64
_BANDS = 3
# Tracks of a band count as alike when the heads' places change less than this along it; our own choice.
_STEADY_UM = 3.0
_SAME = [kernels.RPM, kernels.CELL, kernels.RATE, kernels.SHORTEST, kernels.LONGEST, kernels.TRANSITIONS]


@dataclass(frozen=True, slots=True)
class Rows:
    """Observations ready for the kernel; see kernels.row_hazards.

    Attributes:
        mechanisms, disks: names by index; the last mechanism is the outside drive.
        templates, tracks, spans, hands: see the kernel.
        log_likelihood: (rows, nodes) of the counts of all its observations at each hazard of NODES.
        seen: the observations of each row.
        rewrites: rows in which the reader had rewritten sectors another had laid out: (row, reader, other, layout).
    """

    mechanisms: tuple[str, ...]
    disks: tuple[str, ...]
    templates: Floats
    tracks: Floats
    spans: Ints
    participants: Ints
    log_likelihood: Floats
    seen: tuple[tuple[Observation, ...], ...]
    rewrites: tuple[tuple[int, str, str, Layout], ...]


def count_likelihood(failed: Ints, tried: Ints) -> Floats:
    """Log likelihood of counts at each hazard of NODES, shape (rows, nodes): beta-binomial, with luck and surprise."""
    k, n = failed[:, None], tried[:, None]
    foreseen = np.zeros((len(tried), len(NODES)))
    for luck, chance in VISIT_LUCK:
        foreseen += chance * VISIT.foreseen(k, n, -np.expm1(-NODES * luck)[None, :])
    found: Floats = np.log(VISIT.joined(foreseen, k, n))
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
    alike: dict[tuple[object, ...], list[Observation]] = defaultdict(list)
    for o in usable:
        over = o.over if o.over in at else OUTSIDE
        rewritten = o.operation == "write" and o.laid_out_by != o.reader and o.laid_out_by in mechanisms
        first, last = (c * _BANDS // layouts[o.disk].cylinders for c in (o.first_cylinder, _last(o, layouts)))
        laid_out_by = o.laid_out_by if rewritten else None
        alike[o.writer, o.reader, over, o.disk, o.side, o.operation, laid_out_by, first, last].append(o)
    templates = np.empty((len(alike), kernels.DRAW_COLUMNS))
    tracks = np.empty((len(alike), 3, kernels.TRACK_COLUMNS))
    spans, participants = np.empty(len(alike), dtype=np.int64), np.empty((len(alike), 4), dtype=np.int64)
    log_likelihood = np.empty((len(alike), len(NODES)))
    made: dict[object, tuple[Floats, Floats, Ints]] = {}
    rewrites = []
    for i, (key, seen) in enumerate(alike.items()):
        o = seen[0]
        over = o.over if o.over in at else OUTSIDE
        kind = _kind_of(o, over, mechanisms, disks[o.disk], layouts[o.disk])
        if kind not in made:
            made[kind] = _template(o, mechanisms, disks[o.disk], layouts[o.disk])
        templates[i], all_tracks, cylinders = made[kind]
        ends = min(s.first_cylinder for s in seen), max(_last(s, layouts) for s in seen)
        tracks[i] = all_tracks[np.searchsorted(cylinders, np.linspace(*ends, 3).round())]
        spans[i] = 3
        if key[7] == key[8] and _steady(tracks[i]):
            tracks[i], spans[i] = tracks[i, 1], 1
        participants[i] = at[o.writer], at[o.reader], at[over], disk_at[o.disk]
        counts = np.array([(s.failed, s.tried) for s in seen])
        log_likelihood[i] = count_likelihood(counts[:, 0], counts[:, 1]).sum(axis=0)
        if key[6] is not None:
            rewrites.append((i, o.reader, o.laid_out_by, layouts[o.disk]))
    kept = tuple(map(tuple, alike.values()))
    return Rows(names, disk_names, templates, tracks, spans, participants, log_likelihood, kept, tuple(rewrites))


def _last(o: Observation, layouts: Mapping[str, Layout]) -> int:
    return min(o.last_cylinder, layouts[o.disk].cylinders - 1)


def _steady(tracks: Floats) -> bool:
    """Whether one track can stand for these: the same format, and heads that do not drift apart along them."""
    apart = tracks[:, kernels.W_PLACE] - tracks[:, kernels.R_PLACE]
    places = (apart, tracks[:, kernels.U_PLACE])
    return not np.ptp(tracks[:, _SAME], axis=0).any() and all(np.ptp(p) < _STEADY_UM for p in places)


def _kind_of(
    o: Observation, over: str, mechanisms: Mapping[str, Mechanism], disk: Medium, layout: Layout
) -> tuple[object, ...]:
    """What tells one template from another: classes, not names."""
    participants = [mechanisms.get(n) for n in (o.writer, o.reader, over)]
    kinds = [_mechanism_kind(m) if m else None for m in participants]
    plain = (disk.disk_class.id, disk.sides, disk.hub_ring, disk.condition)
    same = (o.writer == OUTSIDE or o.over == o.writer, o.operation == "read")
    return (*kinds, plain, layout.id, o.side, same)


def _mechanism_kind(m: Mechanism) -> tuple[object, ...]:
    drive, controller = m.drive, m.host.controller
    widths = tuple(w.value if w else None for w in (drive.write_width_um, drive.read_width_um))
    return drive.id, widths, tuple(s.value for s in drive.speeds_rpm), controller.id if controller else ""


def _template(
    o: Observation, mechanisms: Mapping[str, Mechanism], disk: Medium, layout: Layout
) -> tuple[Floats, Floats, Ints]:
    """The middle of all that is not learnt, and the tracks of a side in order of cylinders."""
    outside = outside_drive(disk)
    # without names: what is drawn of a name is learnt or must not count
    writer, reader = (replace(mechanisms.get(n, outside), name="") for n in (o.writer, o.reader))
    disk = replace(disk, name="")
    case = Case(writer, disk, reader, layout, "read", Conditions(), NO_BELIEFS, Streams(0, _TEMPLATE_DRAWS))
    tracks = layout_tracks(layout)
    side = tracks.only(tracks.side == o.side)
    assembly = Assembly(case, side)
    if o.writer == OUTSIDE or o.over == o.writer:
        assembly.under = None
    else:
        assembly.under = Under(replace(mechanisms.get(o.over, outside), name=""), tracks.pitch_um, 1.0)
    (passage,) = assembly.passages()
    draw = np.median(passage.draws, axis=0)
    draw[[kernels.STRAIN, kernels.OVAL, kernels.AZIMUTH]] = 0.0
    draw[kernels.UNDER] = float(assembly.under is not None)
    if o.operation != "read":
        draw[kernels.SWING] = 0.0
    middle_loss = float(np.median(assembly.writer.loss_db))
    draw[kernels.LAID] *= 10 ** (middle_loss / 20)
    return draw, passage.tracks, side.cylinder
