"""Texts made to take a reader's time, which a search would go through again and again: none holds it up."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from indexhole.errors import InputFault
from indexhole.jobs.faults.repairs import Moves
from indexhole.model.trials.notes import turned_round
from indexhole.shelf.records.records import Event, checked
from indexhole.signal.formats.readers import read_capture

# each is through in some hundredths of a second, and took a minute and more before
HELD_UP_S = 10


@pytest.fixture(autouse=True)
def limit() -> Iterator[None]:
    """Fail a test that is held up."""

    def stop(*_: object) -> None:
        pytest.fail(f"held up for {HELD_UP_S} s")

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(HELD_UP_S)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


def _dump(unit: str, times: int) -> bytes:
    return f"$timescale 1 us $end\n{unit * times}$enddefinitions $end\n#0\n".encode()


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (_dump("$var wire 1 a" + " " * 20, 3000), "no read-data line"),
        (_dump("$var wire 1 a name\n", 30_000), "no read-data line"),
        (_dump("$var wire 1 a name $end\n", 30_000), r"no read-data line among name, .* and 29960 more"),
        (b"t" + b" " * 60_000 + b"!,rdata\n0,1\n1,0\n", "the first column is"),
    ],
    ids=[
        "white space in a dump's header",
        "a dump's names without end",
        "a dump's many names",
        "white space in a table's heading",
    ],
)
def test_a_capture_is_refused_at_once(content, told, tmp_path):
    path: Path = tmp_path / "log"
    path.write_bytes(content)
    with pytest.raises(InputFault, match=told) as fault:
        read_capture(path)
    assert len(fault.value.line) < 4000


def _times(word: str) -> Callable[[], object]:
    text = word * 40_000
    return lambda: [turned_round(text[: at + 1]) for at in range(0, len(text), len(word) * 4)]


@pytest.mark.parametrize("word", ["not ", "no adapter "])
def test_a_long_note_is_looked_through_at_once(word):
    assert _times(word)()
    assert turned_round(f"{'on a slope, ' * 9000}no longer ")
    assert not turned_round(f"{'no ' * 9000}. on a slope ")


def test_long_events_are_looked_through_at_once():
    text = "needs repair " * 1500
    events = [checked(Event, event=f"E{k}", unit="D1", when="2026-03-01", what=text) for k in range(40)]
    assert Moves(events).since("D1.0", "2026-02-01") is None
    events.append(checked(Event, event="E99", unit="D1", when="2026-03-01", what=f"{text}, then it was repaired"))
    assert Moves(events).since("D1.0", "2026-02-01") == events[-1]
