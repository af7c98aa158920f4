"""Value change dumps of sessions of any length, made as they are read: nothing of them is ever held or stored.

`session` is fast and holds pulses that mean nothing; `recorded` is a simulated disk with sectors to recover.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from indexhole.model.simulator.session import read_session
from indexhole.model.simulator.simulate import format_track
from indexhole.signal.captures.capture import Capture, LineTrace, Ticks
from indexhole.signal.formats.write_vcd import vcd_bytes
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import load_layouts

NS_PER_S = 1_000_000_000
TURN_NS = NS_PER_S // 5
# Times have one number of digits throughout, so that a stay is a table of bytes with new times in it.
_START_NS = 10**12
_DIGITS = 13
_LINES = {"read_data": "!", "index": '"', "step": "#", "direction": "$", "track_zero": "%", "side": "&"}
_HEADER = "\n".join(
    [
        "$timescale 1 ns $end",
        *(f"$var wire 1 {code} {name} $end" for name, code in _LINES.items()),
        "$enddefinitions $end",
        f"#{_START_NS}",
        *(f"{0 if name in ('direction', 'track_zero') else 1}{code}" for name, code in _LINES.items()),
        "",
    ]
).encode()


def _dwell(turns: int) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8]]:
    """Times (n,) from the start of a stay, and what changes then (n, 2): pulses, index, and a step at its end."""
    rng = np.random.default_rng(7)
    length = turns * TURN_NS
    falls = np.cumsum(rng.choice([4000, 6000, 8000], p=[0.5, 0.33, 0.17], size=length // 4000))
    falls = falls[falls < length - 20_000_000]
    index = np.arange(turns) * TURN_NS + 5_000_000
    changes = [(falls, "0!"), (falls + 500, "1!"), (index, '0"'), (index + 2_000_000, '1"')]
    changes += [(np.array([length - 4000 + k]), text) for k, text in ((0, "0#"), (2000, "1#"), (3000, "1%"))]
    times = np.concatenate([t for t, _ in changes])
    what = np.concatenate([np.tile(np.frombuffer(text.encode(), dtype=np.uint8), (t.size, 1)) for t, text in changes])
    order = np.argsort(times, kind="stable")
    return times[order], what[order]


def session(size: int, turns: int = 3) -> Iterator[bytes]:
    """A dump of about `size` bytes: stays of `turns` turns, one cylinder after the other from track zero on."""
    times, what = _dwell(turns)
    rows = np.empty((times.size, _DIGITS + 5), dtype=np.uint8)
    rows[:, [0, _DIGITS + 1, _DIGITS + 4]] = np.frombuffer(b"#\n\n", dtype=np.uint8)
    rows[:, _DIGITS + 2 : _DIGITS + 4] = what
    yield _HEADER
    for dwell in range(max(1, size // rows.size)):
        left = times + (_START_NS + dwell * turns * TURN_NS)
        for column in range(_DIGITS, 0, -1):
            left, digit = np.divmod(left, 10)
            rows[:, column] = digit + ord("0")
        yield rows.tobytes()


def recorded(cylinders: int, turns: int, layout_id: str = "90-dense-mfm-18x512") -> Iterator[bytes]:
    """A dump of a session over a whole simulated disk, both sides, `turns` a track; some 2.2 MB for each turn of the
    densest layout but one.
    """
    layout = load_layouts()[layout_id]
    rng = np.random.default_rng(4)
    shift = 0
    for cylinder in range(cylinders):
        tracks = []
        for head in (0, 1):
            zone = layout.zone(cylinder, head)
            assert zone is not None
            data = {n: rng.bytes(zone.sector_bytes) for n in zone.sector_ids}
            # The ids say the cylinder; the lines that move the head are put in below.
            tracks.append(replace(format_track(layout, cylinder, head, data, rng), cylinder=0))
        own = capture_of(read_session(tracks, rng, revolutions=turns), "session")
        text = vcd_bytes(_moved(own, shift, first=cylinder == 0))
        yield text if cylinder == 0 else text.split(b"\n", text[: text.index(b"#0\n")].count(b"\n") + 7)[-1]
        shift += int(own.read_ticks[-1]) + 600_000


def _moved(own: Capture, shift: int, *, first: bool) -> Capture:
    """One cylinder's part of a session, later by `shift` ticks, with a step inward at its end."""
    end = int(own.read_ticks[-1]) + 100_000

    def later(ticks: Ticks) -> Ticks:
        return np.asarray(ticks, dtype=np.int64) + shift

    def line(initial: int, *changes: tuple[int, int]) -> LineTrace:
        times = later(np.array([t for t, _ in changes], dtype=np.int64))
        return LineTrace(initial, times, np.array([level for _, level in changes], dtype=np.uint8))

    side = list(zip(own.lines["side"].ticks.tolist(), own.lines["side"].levels.tolist(), strict=True))
    lines = {
        "step": line(1, (end, 0), (end + 96, 1)),
        "direction": line(1, (1000, 0)) if first else line(0),
        "track_zero": line(0, (end + 96, 1)) if first else line(1),
        "side": line(1, *side) if first else line(0, (5, 1), *side),
    }
    index = own.index_ticks[own.index_ticks < end]
    return Capture(own.name, own.tick_s, later(own.read_ticks), later(index), lines)
