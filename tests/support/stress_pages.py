"""An actor of the stress test that uses the page of a running server: fills in its forms, sends files, looks about.

python -m tests.support.stress_pages NAME SEED ADDRESS FOLDER

FOLDER holds the files it adds, and takes its log.
"""

from __future__ import annotations

import random
import re
import sys
from pathlib import Path
from typing import Any

import httpx
from tests.support.stress_acting import Made, Played, act

LONGEST_S = 60
SHEETS = 4
HEADING = "from,to,quantity,value,uncertainty,unit,note"
_TRIAL = {
    "when": "2026-03-01", "operation": "read", "mechanism": "D0.0", "disk": "K0", "side": "0", "first_cylinder": "0",
    "last_cylinder": "1", "sectors_tried": "9", "host": "", "lead": "", "note": "", "outcome": "all",
}  # fmt: skip


class Visitor:
    """Sends what a browser would send from the page itself."""

    def __init__(self, name: str, seed: int, address: str, folder: Path) -> None:
        self.name, self.folder = name, folder
        self.draw = random.Random(f"{seed} {name} files")
        self.client = httpx.Client(base_url=address, headers={"Origin": address}, timeout=LONGEST_S)
        self.token = _hidden(self.client.get("/unit/new").text, "token")
        self.plays = {
            verb.removeprefix("play_").replace("_", " "): getattr(self, verb)
            for verb in dir(self)
            if verb.startswith("play_")
        }
        self.plays |= {"send capture again": self.play_send_capture, "send photo again": self.play_send_photo}

    def send(self, address: str, made: Made = "one", file: Path | None = None, **fields: str) -> Played:
        """Send a form. What it changed is kept when the answer leads on to another page."""
        files = {"file": (file.name, file.read_bytes())} if file else None
        answer = self.client.post(address, data={"token": self.token, **fields}, files=files)
        return Played(answer.status_code, made if answer.status_code == 303 else "none", _fault(answer))

    def look(self, address: str) -> Played:
        """Look at a page."""
        answer = self.client.get(address)
        return Played(answer.status_code, "none", _fault(answer))

    def pool(self, ending: str) -> Path:
        """One of the files that all add."""
        return self.draw.choice(sorted((self.folder / "pool").glob(f"*{ending}")))

    # adding

    def play_add_unit(self, mark: str) -> Played:
        return self.send("/unit/new", inventory=mark, kind="drive unit", title="dual drive")

    def play_add_disk(self, mark: str) -> Played:
        return self.send("/disk/new", inventory=mark, importance="working")

    def play_add_event(self, mark: str) -> Played:
        return self.send("/event/new?unit=D0", what=f"cleaned, {mark}")

    def play_add_note(self, mark: str) -> Played:
        return self.send("/note/new?disk=K0", text=f"label read, {mark}")

    def play_add_part(self, mark: str) -> Played:
        return self.send("/part/new?unit=D0", name=f"board {mark}")

    def play_add_loan(self, mark: str) -> Played:
        return self.send("/loan/new?unit=D0", direction="out", party=f"the harbour office, {mark}")

    def play_send_photo(self, mark: str) -> Played:
        return self.send("/photo/new?unit=D0", file=self.pool(".jpg"), caption=mark)

    def play_send_capture(self, mark: str) -> Played:
        return self.fight(mark, "capture", self.pool(".vcd"))

    def fight(self, mark: str, kind: str, file: Path) -> Played:
        """Send a capture that others add at the same time, and that may stand on the shelf already; or measurements."""
        if kind == "measurements":
            return self.play_send_measurements(mark)
        return self.send("/recordings", "perhaps", file, disk="K0", note=mark)

    def play_send_measurements(self, mark: str) -> Played:
        """Several sheets one after the other; all are said to be kept when the last one is."""
        sheet, played = self.folder / f"{self.name}.measurements.csv", Played(303, "none")
        for number in range(SHEETS):
            sheet.write_text(f"{HEADING}\nA1,D0.0,offset,12,8,um,{mark}.{number}\n", encoding="utf-8")
            played = played if played.status != 303 else self.send("/causes/network", "none", sheet)
        return played

    def play_take_in(self, mark: str) -> Played:
        return self.send("/take-in", line="dual 130 mm drive, parallel bus, given 1998", inventory=mark)

    def play_bench(self, mark: str) -> Played:
        return self.send("/bench", trial=mark, by=self.name, **_TRIAL)

    # changing

    def play_edit_unit(self, mark: str) -> Played:
        return self._edit("/unit/edit?no=D0", mark, kind="drive unit")

    def play_edit_disk(self, mark: str) -> Played:
        return self._edit("/disk/edit?no=K0", mark, importance="working")

    def _edit(self, address: str, mark: str, **fields: str) -> Played:
        asked = self.client.get(address)
        if asked.status_code != 200:
            return Played(asked.status_code, "none", _fault(asked))
        return self.send(address, title=mark, by=self.name, revision=_hidden(asked.text, "revision"), **fields)

    def play_undo(self, mark: str) -> Played:
        asked = self.client.get("/api/changes?most=1")
        if asked.status_code != 200:
            return Played(asked.status_code, "none", asked.text)
        number: int = asked.json()["items"][0]["change"]
        played = self.send("/undo", "none", change=str(number), back="/")
        return Played(played.status, "none", played.told, number if played.status == 303 else None)

    # looking

    def play_look(self, mark: str) -> Played:
        places = ["/unit?no=D0", "/disk?no=K0", "/?words=dual", "/recordings", "/timeline", "/bench", "/api/units"]
        return self.look(self.draw.choice(places))

    def play_take_away(self, mark: str) -> Played:
        return self.look("/export?kind=disk&form=xlsx")


def _hidden(page: str, name: str) -> str:
    found = re.search(f'name="{name}" value="([^"]+)"', page)
    assert found, f"the page has no {name}"
    return found[1]


def _fault(answer: httpx.Response) -> str:
    """What a page says is wrong, without its tags."""
    if answer.status_code < 400:
        return ""
    main: Any = re.search("<main.*</main>", answer.text, re.DOTALL)
    return " ".join(re.sub("<[^>]*>", " ", main[0] if main else answer.text).split())[:400]


def main() -> None:
    """Act until told to stop."""
    name, seed, address, place = sys.argv[1:]
    visitor = Visitor(name, int(seed), address, Path(place))
    act(name, int(seed), Path(place) / f"{name}.jsonl", visitor.plays, visitor.fight)


if __name__ == "__main__":
    main()
