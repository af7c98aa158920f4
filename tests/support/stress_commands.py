"""An actor of the stress test that types commands; now and then each is a process of its own.

python -m tests.support.stress_commands NAME SEED SHELF FOLDER

FOLDER holds the files it adds, and takes its log and what it writes.
"""

from __future__ import annotations

import functools
import io
import json
import random
import subprocess
import sys
import traceback
from contextlib import redirect_stderr, redirect_stdout
from itertools import count
from pathlib import Path

from tests.support.stress_acting import Made, Played, act

import indexhole.shelf.exchange.backup
import indexhole.shelf.exchange.exchange
import indexhole.signal.store  # noqa: F401 - what commands load when they need it, loaded before the time counts
from indexhole.cli import main as edge

OWN_PROCESS = 25  # one in so many
_HEAD = "trial,when,operation,host,lead,mechanism,disk,side,first_cylinder,last_cylinder,sectors_tried,sectors_failed"


class Typist:
    """Types commands against one shelf, and remembers what it has added."""

    rows = 2  # of a trial sheet

    def __init__(self, name: str, seed: int, shelf: str, folder: Path) -> None:
        self.name, self.shelf, self.folder = name, shelf, folder
        self.draw = random.Random(f"{seed} {name} files")
        self.own: dict[str, list[str]] = {}
        self.fighting = False
        self.mechanisms = count(1 + 240 * int(name[1:]))  # numbers no other takes; the highest is 999
        self.plays = {
            verb.removeprefix("play_").replace("_", " "): getattr(self, verb)
            for verb in dir(self)
            if verb.startswith("play_")
        }
        # more than one of what makes and takes away the same files
        self.plays |= {"add capture again": self.play_add_capture, "add photo again": self.play_add_photo}

    # one command

    def run(self, mark: str, *words: str) -> tuple[int, str, str]:
        """Exit status, stdout and stderr of one command, signed with the mark."""
        line = ["shelf", "--who", self.name, "--why", mark, *words, "--shelf", self.shelf]
        if not self.fighting and self.draw.randrange(OWN_PROCESS) == 0:
            done = subprocess.run([sys.executable, "-m", "indexhole", *line], capture_output=True, check=False)
            return done.returncode, done.stdout.decode(), done.stderr.decode()
        out, err = io.TextIOWrapper(io.BytesIO(), "utf-8"), io.StringIO()
        with redirect_stdout(out), redirect_stderr(err):
            try:
                status = edge.run(line)
            except BaseException:
                traceback.print_exc(file=err)
                status = -1
        out.flush()
        return status, out.buffer.getvalue().decode(), err.getvalue()  # type: ignore[attr-defined]

    def write(self, mark: str, *words: str, keeps: str = "", made: Made = "one") -> Played:
        """A command that changes something; with `keeps` the key it tells is remembered as one of that kind."""
        status, out, err = self.run(mark, *words, "--json")
        if status == 0 and keeps:
            told = json.loads(out)[keeps]
            self.own.setdefault(keeps, []).append(told[_KEYS.get(keeps, keeps)])
        return Played(status, made if status == 0 else "none", err)

    def look(self, mark: str, *words: str, file: Path | None = None) -> Played:
        """A command that changes nothing in the register."""
        status, out, err = self.run(mark, *words)
        return Played(
            status, "none", out if status == 1 else err, file=str(file) if file is not None and status == 0 else ""
        )

    def pool(self, ending: str) -> str:
        """One of the files that all add."""
        return str(self.draw.choice(sorted((self.folder / "pool").glob(f"*{ending}"))))

    def out(self, ending: str) -> Path:
        """A file this actor writes again and again."""
        return self.folder / f"{self.name}{ending}"

    # adding

    def play_add_unit(self, mark: str) -> Played:
        return self.write(mark, "add", "unit", mark, "--title", "dual drive", keeps="unit")

    def play_add_disk(self, mark: str) -> Played:
        return self.write(mark, "add", "disk", mark, keeps="disk")

    def play_add_mechanism(self, mark: str) -> Played:
        return self.write(mark, "add", "mechanism", f"D0.{next(self.mechanisms)}", keeps="mechanism")

    def play_add_event(self, mark: str) -> Played:
        return self.write(mark, "add", "event", "D0", f"cleaned, {mark}", "--when", "about 1987", keeps="event")

    def play_add_note(self, mark: str) -> Played:
        return self.write(mark, "add", "note", f"label read, {mark}", "--disk", "K0", keeps="note")

    def play_add_part(self, mark: str) -> Played:
        return self.write(mark, "add", "part", "D0", f"board {mark}", keeps="part")

    def play_add_firmware(self, mark: str) -> Played:
        return self.write(mark, "add", "firmware", "D0", mark, keeps="firmware")

    def play_add_loan(self, mark: str) -> Played:
        return self.write(mark, "add", "loan", f"the harbour office, {mark}", "--unit", "D0", keeps="loan")

    def play_add_view(self, mark: str) -> Played:
        return self.write(mark, "add", "view", mark, "--words", "dual", keeps="view")

    def play_add_quick(self, mark: str) -> Played:
        return self.write(mark, "add", "quick", f"dual 130 mm drive, given 1998, {mark}")

    def play_add_photo(self, mark: str) -> Played:
        return self.photo(mark, self.pool(".jpg"))

    def photo(self, mark: str, file: str) -> Played:
        """Keep a photo."""
        return self.write(mark, "add", "photo", file, "--unit", "D0", "--caption", mark, keeps="photo")

    def play_add_capture(self, mark: str) -> Played:
        return self.capture(mark, self.pool(".vcd"))

    def play_add_capture_bare(self, mark: str) -> Played:
        return self.capture(mark, self.pool(".vcd"), "--no-original")

    def capture(self, mark: str, file: str, *more: str) -> Played:
        """Keep a capture, which may stand on the shelf already."""
        status, out, err = self.run(mark, "add", "capture", file, "--disk", "K0", "--note", mark, *more, "--json")
        if status != 0:
            return Played(status, "none", err)
        told = json.loads(out)["captures"][0]
        self.own.setdefault("capture", []).append(told["sha256"])
        return Played(status, "one" if told["new"] else "none", err)

    # changing

    def play_change(self, mark: str) -> Played:
        kind, key = self.draw.choice([("unit", "D0"), ("disk", "K0")])
        status, out, err = self.run(mark, "show", key, "--json")
        if status != 0:
            return Played(status, "none", err)
        revision = json.loads(out)["found"][0]["revision"]
        return self.write(mark, "change", kind, key, f"title={mark}", "--revision", str(revision))

    def play_standing(self, mark: str) -> Played:
        return self.write(mark, "standing", "unit", "D0", "maker", "not known", "--source", mark)

    def play_remove(self, mark: str) -> Played:
        kinds = [kind for kind, keys in self.own.items() if keys and kind not in ("capture", "photo")]
        kind = self.draw.choice(kinds or ["disk"])
        key = self.own[kind].pop() if kinds else mark
        return self.write(mark, "remove", kind, key, "--yes")

    def play_remove_photo(self, mark: str) -> Played:
        return self.write(mark, "remove", "photo", self._last("photo"), "--yes")

    def play_remove_capture(self, mark: str) -> Played:
        return self.write(mark, "remove", "capture", self._last("capture"), "--yes")

    def _last(self, kind: str) -> str:
        return self.own[kind].pop() if self.own.get(kind) else "0000000"

    def play_undo(self, mark: str) -> Played:
        status, out, err = self.run(mark, "undo", "--yes", "--json")
        return Played(status, "none", err, json.loads(out)["undone"]["number"] if status == 0 else None)

    # sheets

    def play_import_trials(self, mark: str) -> Played:
        rows = [f"{mark}n{n},2026-03-01,read,,,D0.0,U{mark},0,0,1,9,0" for n in range(self.rows)]
        self.out(".trials.csv").write_text("\n".join([_HEAD, *rows]) + "\n", encoding="utf-8")
        played = self.write(mark, "import", str(self.out(".trials.csv")))
        if played.status == 0:
            self.own.setdefault("trial", []).append(f"{mark}n0")
        return played

    def play_import_entries(self, mark: str) -> Played:
        self.out(".disks.csv").write_text(f"inventory,title\nI{mark},new\nK0,{mark}\n", encoding="utf-8")
        return self.write(mark, "import", str(self.out(".disks.csv")), "--kind", "disk")

    def play_export_trials(self, mark: str) -> Played:
        return self._export(mark, ".csv", "trial")

    def play_export_entries(self, mark: str) -> Played:
        return self._export(mark, ".xlsx", "disk")

    def play_export_linked(self, mark: str) -> Played:
        return self._export(mark, ".jsonld", "trial")

    def _export(self, mark: str, ending: str, kind: str) -> Played:
        file = self.out(ending)
        return self.look(mark, "export", str(file), "--kind", kind, "--yes", file=file)

    def play_backup(self, mark: str) -> Played:
        return self.look(mark, "backup", str(self.out(".backup")), "--yes", file=self.out(".backup"))

    # looking

    def play_search(self, mark: str) -> Played:
        return self.look(mark, "search", "dual", "--json")

    def play_list(self, mark: str) -> Played:
        return self.look(mark, "list", self.draw.choice(["units", "captures", "photos", "changes"]))

    def play_history(self, mark: str) -> Played:
        return self.look(mark, "history", "unit", "D0")

    def play_check(self, mark: str) -> Played:
        return self.look(mark, "check")

    def play_reindex(self, mark: str) -> Played:
        return self.look(mark, "reindex")

    def play_sweep(self, mark: str) -> Played:
        return self.look(mark, "sweep", "--now", "--unnamed", "--yes")

    def play_mend(self, mark: str) -> Played:
        return self.look(mark, "mend")

    def fight(self, mark: str, kind: str, file: Path) -> Played:
        """Add a file that others add at the same time, at once: a process of its own would have to start first."""
        self.fighting = True
        try:
            return self.photo(mark, str(file)) if kind == "photo" else self.capture(mark, str(file))
        finally:
            self.fighting = False


_KEYS = {"unit": "inventory", "disk": "inventory"}


def main() -> None:
    """Act until told to stop."""
    name, seed, shelf, place = sys.argv[1:]
    typist = Typist(name, int(seed), shelf, Path(place))
    # half of the time of a short command goes into putting the verb's options together
    edge.load = functools.cache(edge.load)
    edge.load("shelf")
    act(name, int(seed), Path(place) / f"{name}.jsonl", typist.plays, typist.fight)


if __name__ == "__main__":
    main()
