"""A server of lives: it imports the program once, then forks a process for every command, which may be killed amid it.

python -m tests.support.lives FOLDER

It reads a line of JSON for each life and answers with one:

    {"words": [...], "at": "here" | null | ["step", N] | ["begun", S] | ["start", S]}
    {"status": N | null, "phase": "before" | "amid" | "after" | "ended", "said": TEXT, "steps": N, "begun_s": S,
     "ended_s": S}

What is run `here`, in the server itself, is only to have its kernels loaded. A life that is to be killed is killed: at
the step of that number, or so many seconds after it began to write or was started. One that is done before that says so
and waits for its end. Steps are what can be seen of writing from within: files under FOLDER opened for writing, named
anew and removed, statements of writing transactions, their ends, and that they are behind it.
"""

from __future__ import annotations

import functools
import gc
import importlib
import io
import json
import os
import select
import signal
import sys
import time
import traceback
from collections.abc import Callable, Sequence
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any

import pyarrow as pa
from sqlalchemy import Engine, Pool, event

from indexhole.cli import main as edge

LONGEST_S = 60.0
_WRITES = os.O_WRONLY | os.O_RDWR
# what a first life of a verb loads, the others then find loaded
_LOADED = (
    "indexhole",
    "alembic",
    "openpyxl",
    "pyarrow",
    "numba",
    "scipy",
    "PIL",
    "fastapi",
    "starlette",
    "jinja2",
    "httpx",
    "uvicorn",
)
_NAMING = {"os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.link", "os.symlink"}


def keep_measurements(shelf: str, sheet: str) -> None:
    """What the page does with a sheet of measurements."""
    from indexhole.jobs.faults.levelling import keep_measurements as keep
    from indexhole.shelf.register.shelf import Shelf

    keep(Shelf.open(shelf), Path(sheet).read_bytes(), Path(sheet).name)


def make_demo(folder: str) -> None:
    """What the verb `demo` writes, with the two shortest captures alone, drawn once: the others only take time."""
    from indexhole.jobs.demo import run as demo

    demo.demo_captures = _two_captures
    demo.make_demo_shelf(Path(folder))


@functools.cache
def _two_captures() -> list[Any]:
    from indexhole.jobs.demo.captures import demo_captures

    return sorted(demo_captures(), key=lambda taken: taken.capture.read_ticks.size)[:2]


def send_photo(shelf: str, unit: str, file: str, caption: str) -> None:
    """What the page does with a photo that is sent to it."""
    _send(shelf, f"/photo/new?unit={unit}", Path(file), caption=caption)


def send_capture(shelf: str, file: str, note: str) -> None:
    """What the page does with a capture that is sent to it."""
    _send(shelf, "/recordings", Path(file), note=note)


def _send(shelf: str, address: str, file: Path, **fields: str) -> None:
    from tests.support.visiting import FROM_HERE, sent

    from indexhole.shelf.register.shelf import Shelf
    from indexhole.web.app import create_app

    app = create_app(Shelf.open(shelf))
    files = {"file": (file.name, file.read_bytes())}
    data = {"token": app.form_token(), **fields}
    answer = sent(app, "POST", address, origin=FROM_HERE, raise_faults=True, data=data, files=files)
    if answer.status_code != 303:
        raise RuntimeError(answer.text)


_DOINGS: dict[str, Callable[..., None]] = {
    "measurements": keep_measurements, "demo": make_demo, "send photo": send_photo, "send capture": send_capture,
}  # fmt: skip


class Life:
    """The inside of one life: counts steps, tells the server of the first and of its end, ends itself at its step."""

    def __init__(self, folder: str, tell: int, last: int | None) -> None:
        self.folder, self.tell, self.last, self.steps = folder, tell, last, 0
        self.writing = False

    def step(self) -> None:
        """One step of writing is about to be made."""
        self.steps += 1
        if self.steps == self.last:
            os.kill(os.getpid(), signal.SIGKILL)
        if self.steps == 1:
            os.write(self.tell, b"begun\n")

    def seen(self, what: str, arguments: tuple[Any, ...]) -> None:
        """An event of the interpreter."""
        if what == "open":
            path, _, flags = arguments
            writes = isinstance(path, (str, bytes)) and isinstance(flags, int) and flags & _WRITES
        else:
            path, writes = arguments[0] if arguments else "", what in _NAMING
        if writes and os.fsdecode(path).startswith(self.folder):
            self.step()

    def of_statement(self, connection: Any, *_: Any) -> None:
        """A statement, or the end, of a transaction."""
        self.writing = connection.get_execution_options().get("writing", False)
        if self.writing:
            self.step()

    def of_return(self, *_: Any) -> None:
        """A connection is given back: what was written is kept."""
        if self.writing:
            self.writing = False
            self.step()

    def live(self, words: Sequence[str], out: Path) -> None:
        """Run a command to its end, and say so."""
        said = os.open(out, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(said, 1)
        os.dup2(said, 2)
        for name in ("before_cursor_execute", "commit"):
            event.listen(Engine, name, self.of_statement)
        event.listen(Pool, "checkin", self.of_return)
        sys.addaudithook(self.seen)
        known = set(sys.modules)
        try:
            if words[0] in _DOINGS:
                _DOINGS[words[0]](*words[1:])
                status = 0
            else:
                status = edge.run(words)
            sys.stdout.flush()
        except BaseException:
            traceback.print_exc()
            status = -1
        loaded = [name for name in sys.modules if name not in known and name.startswith(_LOADED)]
        end = {"status": status, "steps": self.steps, "loaded": loaded if self.last is None else []}
        os.write(self.tell, f"{json.dumps(end)}\n".encode())


def lived(words: Sequence[str], at: tuple[str, float] | None, folder: Path) -> dict[str, Any]:
    """One life from its start to its end, and what it said until then."""
    told, tell = os.pipe()
    started = time.monotonic()
    child = os.fork()
    if child == 0:
        os.close(told)
        Life(str(folder), tell, int(at[1]) if at and at[0] == "step" else None).live(words, folder / "said")
        if at:
            signal.pause()
        os._exit(0)
    os.close(tell)
    heard, begun_s, ended_s = b"", None, None
    kill_at = started + (at[1] if at and at[0] == "start" else LONGEST_S)
    while (left := kill_at - time.monotonic()) > 0 and select.select([told], [], [], left)[0]:
        piece = os.read(told, 1 << 16)
        heard += piece
        if heard and begun_s is None:
            begun_s = time.monotonic() - started
            if at and at[0] == "begun":
                kill_at = time.monotonic() + at[1]
        if heard.endswith(b"}\n"):
            ended_s = time.monotonic() - started
        if not piece or ended_s:
            break
    if at or not ended_s:
        os.kill(child, signal.SIGKILL)
    _, how = os.waitpid(child, 0)
    while piece := os.read(told, 1 << 16):
        heard += piece
    os.close(told)
    # what it had said before it died counts, heard in time or not
    end = json.loads(heard.splitlines()[-1]) if heard.endswith(b"}\n") else {}
    if os.waitstatus_to_exitcode(how) != (-signal.SIGKILL if at else 0):
        raise RuntimeError(f"{words} at {at} ended with {os.waitstatus_to_exitcode(how)} after {heard!r}")
    for name in end.pop("loaded", []):
        importlib.import_module(name)
    phase = ("after" if at else "ended") if end else "amid" if heard else "before"
    said = (folder / "said").read_text(encoding="utf-8", errors="replace")
    return {"status": None, **end, "phase": phase, "said": said, "begun_s": begun_s, "ended_s": ended_s}


def main() -> None:
    """Serve lives until there are no more lines."""
    folder = Path(sys.argv[1])
    # threads do not live on in a forked process
    pa.set_cpu_count(1)
    edge.load = functools.cache(edge.load)
    for verb in ("shelf", "recover"):
        edge.load(verb)
    _two_captures()
    for line in sys.stdin:
        asked = json.loads(line)
        if asked["at"] == "here":
            with redirect_stdout(io.StringIO()), redirect_stderr(sys.stdout):
                status = edge.run(asked["words"])
            print(json.dumps({"status": status}), flush=True)
            continue
        gc.collect()
        gc.freeze()
        print(json.dumps(lived(asked["words"], asked["at"], folder)), flush=True)


if __name__ == "__main__":
    main()
