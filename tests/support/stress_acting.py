"""How an actor of the stress test lives: it deals itself verbs until it is told to stop, and logs what each one said.

It says `ready`, is told what to do by lines on stdin, and answers with lines on stdout:

    fight KIND FILE DELAY   `here`; then, at the line `go`, it adds that file after so many seconds: `done STATUS`
    stop                    it ends, when all verbs of this round are played
"""

from __future__ import annotations

import json
import random
import select
import sys
import time
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

Made = Literal["one", "none", "perhaps"]


@dataclass(frozen=True, slots=True)
class Played:
    """How one verb ended.

    Attributes:
        status: the exit status, or that of the answer.
        made: as `Said` of afterwards.py has it.
        told: what it said, where there was a fault.
        undone: the number of the change that was taken back.
        file: a file that it said it wrote.
    """

    status: int
    made: Made
    told: str = ""
    undone: int | None = None
    file: str = ""


Play = Callable[[str], Played]


def act(name: str, seed: int, log: Path, plays: Mapping[str, Play], fight: Callable[[str, str, Path], Played]) -> None:
    """Deal verbs and play them, each with a mark of its own, until told to stop.

    Args:
        name: a letter and a digit.
        plays: what is dealt: every verb once, in an order that is drawn, then all of them again.
        fight: plays one add of a file that others add at the same time, by mark and kind.
    """
    draw, number = random.Random(f"{seed} {name}"), 0
    deck: list[str] = []
    with log.open("w", encoding="utf-8") as lines:

        def play(verb: str, one: Callable[[str], Played]) -> int:
            nonlocal number
            number += 1
            mark = f"{name}-{number:04}"
            played = one(mark)
            lines.write(json.dumps({"mark": mark, "verb": verb, **asdict(played)}) + "\n")
            lines.flush()
            return played.status

        _answer("ready")
        stopping, rounds = False, 0
        # on a machine that is busy with other things every verb is played once all the same
        while not (stopping and rounds and not deck):
            order = [] if stopping else _order()
            if order == ["stop"]:
                stopping = True
            elif order:
                _, kind, file, delay = order
                _answer("here")
                assert sys.stdin.readline() == "go\n"
                time.sleep(float(delay))  # the stagger is the point: one gives up while another still waits
                status = play(f"fight {kind}", lambda mark, k=kind, f=file: fight(mark, k, Path(f)))
                _answer(f"done {status}")
            else:
                if not deck:
                    deck, rounds = draw.sample(sorted(plays), len(plays)), rounds + 1
                verb = deck.pop()
                play(verb, plays[verb])


def _order() -> list[str]:
    """What is asked now; empty when nothing is. One line is sent at a time, so none waits behind it unseen."""
    ready, _, _ = select.select([sys.stdin], [], [], 0)
    return sys.stdin.readline().split() or ["stop"] if ready else []


def _answer(word: str) -> None:
    sys.stdout.write(f"{word}\n")
    sys.stdout.flush()


def read_log(log: Path) -> list[dict[str, Any]]:
    """What an actor logged."""
    return [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
