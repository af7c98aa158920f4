"""Value change dumps of sessions of any length, made as they are read: nothing of them is ever held or stored."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

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


def _stay(turns: int) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8]]:
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
    times, what = _stay(turns)
    rows = np.empty((times.size, _DIGITS + 5), dtype=np.uint8)
    rows[:, [0, _DIGITS + 1, _DIGITS + 4]] = np.frombuffer(b"#\n\n", dtype=np.uint8)
    rows[:, _DIGITS + 2 : _DIGITS + 4] = what
    yield _HEADER
    for stay in range(max(1, size // rows.size)):
        left = times + (_START_NS + stay * turns * TURN_NS)
        for column in range(_DIGITS, 0, -1):
            left, digit = np.divmod(left, 10)
            rows[:, column] = digit + ord("0")
        yield rows.tobytes()
