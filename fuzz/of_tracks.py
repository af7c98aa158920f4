"""What is read out of a capture: pulses of the first sector of a track, some of its cells changed."""

from __future__ import annotations

import json
from contextlib import suppress
from functools import cache

import numpy as np
import numpy.typing as npt

from fuzz.parts import Parts
from fuzz.target import Target
from indexhole.errors import IndexholeError
from indexhole.jobs.recovery import gauging, recovering
from indexhole.model.simulator.track_cells import track_cells
from indexhole.signal.captures.capture import Capture
from indexhole.standards.layouts import load_layouts

_LAYOUTS = ("130-fm-16x128", "130-48-mfm-16x256", "zoned-35-1s", "130-48-mfm-9x512")
# before and behind the first sector; no more, for kernels run uncompiled here
_AROUND = 200
_TICK_S = 1e-7


@cache
def _cells(layout: str) -> npt.NDArray[np.uint8]:
    track = track_cells(load_layouts()[layout], 0, 0, {})
    span = min(track.spans.values(), key=lambda span: span.header)
    return track.cells[max(0, span.header - _AROUND) : span.end + _AROUND]


def _capture(parts: Parts) -> Capture:
    layout = _LAYOUTS[parts.number() % len(_LAYOUTS)]
    # a tick of a cell more or less: another speed
    cell = round(load_layouts()[layout].zones[0].cell_us * 10) + parts.number() % 3 - 1
    cells = _cells(layout)
    index = np.array([5, 5 + cell * (cells.size - parts.number())][: parts.number() % 3], dtype=np.int64)
    packed = np.packbits(cells)
    while parts:
        at = parts.number(2) % packed.size
        piece = np.frombuffer(parts.piece(1 + parts.number() % 32), dtype=np.uint8)[: packed.size - at]
        packed[at : at + piece.size] ^= piece
    places = np.flatnonzero(np.unpackbits(packed))
    return Capture("track", _TICK_S, (places * cell).astype(np.int64), index)


def _track(data: bytes) -> None:
    capture = _capture(Parts(data))
    with suppress(IndexholeError):
        json.dumps(recovering.report_json(recovering.recover_captures([capture])))
    json.dumps(gauging.report_json(gauging.gauge_captures([capture])))


TARGETS = (Target("track", "pulses of a sector, some of its cells changed", _track, 256),)
