"""What may happen to the disk itself, apart from whether it works."""

from __future__ import annotations

from typing import Literal

from indexhole.pairing.parts.answer import Risk
from indexhole.pairing.parts.parts import Medium
from indexhole.pairing.prediction.passages import Case, bears_recording

_STOP = {
    "shedding": "the coating comes off: every turn takes recording with it and fouls the head; stop at the first sign",
    "sticky": "the coating sticks: it may tear off under the head; ask a conservator first",
    "mould": (
        "mould: gloves, mask and a separate work place; do not turn it before it is cleaned, clean the head after "
        "each disk; ask a conservator; local codes and licensed practice decide"
    ),
}
_SOME = {
    "creased": "a crease may hit the head or tear",
    "scratched": "a scratch collects debris under the head",
    "warped": "a warped disk rubs in its jacket",
    "dusty": "dust is dragged under the head: clean the head between suspect disks",
}


def risk_of(case: Case) -> Risk:
    """The risk of this operation to this disk. Handling order: common practice, no source."""
    disk = case.disk
    words = [_STOP[w] for w in disk.condition if w in _STOP] + [_SOME[w] for w in disk.condition if w in _SOME]
    stop = any(w in _STOP for w in disk.condition)
    some = any(w in _SOME for w in disk.condition)
    write: Literal["free", "ask", "never"] = "free"
    if disk.importance == "irreplaceable":
        write = "never"
        words.append("irreplaceable: write-protect it first, and write to another disk only")
        if case.writes_now:
            words.append(f"{case.operation} would write to it: do not")
    elif disk.importance == "working" and bears_recording(disk) is not False:
        write = "ask"
        if case.writes_now:
            words.append("what is on it now is lost by writing")
    return Risk(write, "stop" if stop else "some" if some else "none", tuple(words))


def may_be_written(disk: Medium) -> bool:
    """Whether a remedy may propose to write to it."""
    return disk.importance != "irreplaceable"
