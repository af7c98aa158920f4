"""Code, rates, sectors and gaps: what the controllers can do, and what a rewrite in place leaves between the fields.

A controller that rewrites a sector counts a gap of its own after the header before it writes. Where the other one
counts another gap, a stretch of the old sync is left in front of the break, or the new field ends elsewhere. Counts
are in cells; where the figures come from stands in docs/pairing.md.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from indexhole.codes.code import CodeName
from indexhole.codes.known import CODES
from indexhole.kinds import every
from indexhole.model.index_to_data import first_header_s, room_s
from indexhole.pairing.parts.answer import Fact
from indexhole.pairing.parts.draws import Heads
from indexhole.pairing.parts.parts import Mechanism, Medium, Operation
from indexhole.pairing.parts.rates import choose_rate
from indexhole.pairing.parts.tracks import Tracks
from indexhole.pairing.prediction.fit import USUAL_LAYOUT, as_usual, fact
from indexhole.standards.layouts import Layout
from indexhole.standards.tolerances import find_tolerance

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Sync:
    """How a code finds its fields: cells a gap byte, sync and mark bytes, and what its reader bears.

    `need` and `spread` are bytes of sync a clock follower takes to catch (our own choice: sync is three deviations
    long); `false_cells` is a run of sync cells that counts as a sync by itself (group code: ten, arithmetic).
    """

    cells_a_byte: float
    sync: float
    mark: float
    trailer: float
    need: float
    spread: float
    false_cells: float | None


SYNCS: Mapping[CodeName, Sync] = every(
    CodeName,
    {
        "fm": Sync(16, 6, 1, 2, 3.0, 1.0, None),
        "mfm": Sync(16, 12, 4, 2, 6.0, 2.0, None),
        "group45": Sync(8, 5, 1.25, 3.75, 1.0, 0.5, 10.0),
    },
)
# Our own choices: the moment write current comes on, and how far behind its own break a reader opens its gate.
_TURN_ON_CELLS = 0.5
_GATE_BYTES = 0.5
_SEEN_BREAK = 0.5


@dataclass(frozen=True, slots=True)
class Format:
    """What the controllers make of a layout.

    Attributes:
        hindrances: what they cannot do at all.
        supposed: what they cannot do if something nobody noted is as it is taken, each with its "if".
        notes: what to expect.
        hazard: added hazard of a sector by a rewrite in place, shape (draws, tracks); zero for other operations.
        margin_bytes: room left by gap 2 and gap 3 at a rewrite, shape (draws,), None for other operations.
        difference_bytes: by how much the two count gap 2 differently, mean over draws.
        facts: figures it rests on.
    """

    hindrances: tuple[str, ...]
    notes: tuple[str, ...]
    hazard: Floats
    margin_bytes: Floats | None
    difference_bytes: float
    facts: tuple[Fact, ...]
    supposed: tuple[str, ...] = ()


def gap_2_of(mechanism: Mechanism, code: CodeName, laid_out: float) -> float:
    """The gap a mechanism counts between header and data, bytes: its own, the controller's, else the layout's."""
    if mechanism.gap_2_bytes is not None:
        return mechanism.gap_2_bytes
    controller = mechanism.host.controller
    if controller is not None and code in controller.gap_2:
        return controller.gap_2[code].value
    return laid_out


def cannot(mechanism: Mechanism, tracks: Tracks, disk: Medium) -> tuple[list[str], list[str]]:
    """What keeps a mechanism's controller from this layout, for certain and on suppositions."""
    controller = mechanism.host.controller
    who = mechanism.host.name or mechanism.name or "the controller"
    found: list[str] = []
    by_speed: list[str] = []
    for code in sorted(set(tracks.code.tolist())):
        here = tracks.code == code
        if controller is not None and code not in controller.codes:
            found.append(f"{who} does not know the code {code}")
            continue
        for cell_s in sorted(set(tracks.cell_s[here].tolist())):
            rate = choose_rate(mechanism, code, cell_s, tracks.speed_rpm)
            if not rate.suits:
                passing = cell_s * tracks.speed_rpm / rate.speed_rpm
                by_speed.append(
                    f"{who} has no rate near a cell of {passing * 1e6:.3f} us, which is what passes at "
                    f"{rate.speed_rpm:.0f} r/min"
                )
        sizes = sorted(set(tracks.sector_bytes[here].tolist()))
        if controller is not None:
            found += [
                f"{who} does not know sectors of {s:.0f} bytes" for s in sizes if s not in controller.sector_bytes
            ]
    if_speed, if_layout = as_usual(mechanism, "class"), USUAL_LAYOUT if "layout" in disk.supposed else ""
    certain, supposed = [], []
    for text, ifs in [*((t, [if_layout]) for t in found), *((t, [if_speed, if_layout]) for t in by_speed)]:
        said = [one for one in ifs if one]
        if said:
            supposed.append(f"if {' and '.join(said)}, {text}")
        else:
            certain.append(text)
    return certain, supposed


def rewrite(
    sync: Sync, difference: Floats, gap: Floats, mismatch: Floats, room: float, field: float
) -> tuple[Floats, Floats]:
    """Chance that a sector is lost by a rewrite in place, and the room left in bytes, both (draws,).

    Args:
        difference: how many bytes one counts more than the other, taken in the direction that hurts.
        gap: bytes counted between header and data; mismatch: speed of one over the other, less 1.
        room: gap behind the data, bytes; field: bytes of sync, mark, data and checks.
    """
    off = np.abs(mismatch)
    left = (np.abs(difference) + off * gap) * sync.cells_a_byte
    turn_on = _TURN_ON_CELLS
    if sync.false_cells is not None:
        # a run of old sync long enough to be taken for one, then a break that shows a zero
        false = _SEEN_BREAK * ndtr((left - sync.false_cells) / turn_on)
        spare = (sync.false_cells - left) / sync.cells_a_byte
        in_gate = np.zeros_like(false)
    else:
        # the break falls into the open gate, and what sync is left may not do to catch again
        gate = _GATE_BYTES * sync.cells_a_byte
        in_gate = ndtr((left - gate) / (4 * turn_on)) * ndtr((sync.need - sync.sync) / sync.spread)
        spare = (gate - left) / sync.cells_a_byte
        # beyond the whole sync the old mark itself is left, and old data behind it
        false = ndtr(left / sync.cells_a_byte - (sync.sync + sync.mark / 2))
    end = np.abs(difference) + off * (field + gap)
    over = ndtr((end + 1.0 - room) * sync.cells_a_byte / turn_on)
    kept = (1 - false) * (1 - in_gate) * (1 - over)
    return 1 - kept, np.minimum(spare, room - 1.0 - end)


def check_format(
    writer: Mechanism,
    reader: Mechanism,
    w: Heads,
    r: Heads,
    tracks: Tracks,
    layout: Layout,
    operation: Operation,
    disk: Medium,
) -> Format:
    """What both controllers make of the layout, and what a rewrite in place costs."""
    busy = every(
        Operation, {"read": [reader], "format": [writer], "update": [reader, writer], "exchange": [writer, reader]}
    )[operation]
    each = [cannot(m, tracks, disk) for m in busy]
    hindrances, supposed = (tuple(dict.fromkeys(text for one in each for text in one[k])) for k in (0, 1))
    notes = []
    for m in busy:
        controller = m.host.controller
        if controller is not None and controller.probes_sides and m.heads > 1 and int(tracks.side.max()) == 0:
            who = m.name or "the unit"
            notes.append(
                f"the first access may fail while {who}, which has two heads, finds out that the disk is single-sided; "
                "ask again"
            )
    limit = next((f for f in _index_fact(busy, layout) if f.value is not None and f.value < 0), None)
    if limit is not None:
        notes.append("the first sector of a turn may pass before the reader looks, and is met on the next turn")
    hazard = np.zeros((len(w.speed), len(tracks)))
    if operation != "update":
        return Format(hindrances, tuple(notes), hazard, None, 0.0, _facts(busy, tracks, layout), supposed)
    mismatch = w.speed / r.speed - 1
    margin = np.full(len(w.speed), np.inf)
    widest = 0.0
    kinds = sorted(
        set(zip(*(a.tolist() for a in (tracks.code, tracks.sector_bytes, tracks.gap_2, tracks.gap_3)), strict=True))
    )
    for code, size, gap_2, gap_3 in kinds:
        here = (tracks.code == code) & (tracks.sector_bytes == size) & (tracks.gap_2 == gap_2) & (tracks.gap_3 == gap_3)
        sync = SYNCS[code]
        ours = gap_2_of(reader, code, gap_2) + r.gap_2_shift
        theirs = gap_2_of(writer, code, gap_2) + w.gap_2_shift
        data = size * CODES[code].cells_per_byte / CODES[code].gap_byte_cells
        field = sync.sync + sync.mark + data + sync.trailer
        chance, spare = rewrite(sync, ours - theirs, np.maximum(ours, theirs), mismatch, gap_3, field)
        hazard[:, here] = np.minimum(60.0, -np.log1p(-np.minimum(chance, 1 - 1e-15)))[:, None]
        margin = np.minimum(margin, spare)
        difference = float(np.mean(np.abs(ours - theirs)))
        widest = max(widest, difference)
    return Format(hindrances, tuple(notes), hazard, margin, widest, _facts(busy, tracks, layout), supposed)


def first_header_room_us(layout: Layout, late_s: float) -> float:
    """Room before the first header of a turn, us, when the writer's index came early and the reader's comes late.

    Negative: a reader that begins at the index meets that sector only on its next turn.
    """
    found = []
    for zone in layout.zones:
        gaps, sync = layout.gaps_of(zone), SYNCS[zone.code]
        mark = sync.sync + sync.mark if gaps.index_mark else 0.0
        first = first_header_s(gaps.gap_4a + mark + gaps.gap_1, sync.cells_a_byte, zone.cell_s)
        found.append(room_s(first, -late_s, late_s) * 1e6)
    return min(found)


def _index_fact(busy: list[Mechanism], layout: Layout) -> list[Fact]:
    limit = find_tolerance("index_to_data", layout.disk_class)
    if limit is None or limit.high is None or limit.low is None or not any(_uses_index(m) for m in busy):
        return []
    room = first_header_room_us(layout, (limit.high - limit.low) / 2)
    return [Fact("room before the first header, index off by the limit", room, "us", limit.mark, limit.source)]


def _uses_index(m: Mechanism) -> bool:
    return m.host.controller is None or m.host.controller.uses_index


def _facts(busy: list[Mechanism], tracks: Tracks, layout: Layout) -> tuple[Fact, ...]:
    found = _index_fact(busy, layout)
    for m in busy:
        controller = m.host.controller
        if controller is None:
            found.append(Fact(f"controller of {m.name or 'the outside drive'}", None, "", "?", "not on the shelf"))
            continue
        for code in sorted(set(tracks.code.tolist())):
            if code in controller.gap_2:
                found.append(fact(f"gap 2 of {controller.title}", controller.gap_2[code], "bytes"))
    return tuple(dict.fromkeys(found))
