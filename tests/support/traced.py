"""What a command does to the device, call by call, and what of it would outlive a loss of power at each moment.

A model of the device is fed with the system calls that strace tells: what is written to a file is safe when the file
was synced since, and a name is safe when its folder was (POSIX fsync; the Linux manual, fsync(2), says of names that
the folder must be synced besides).
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
_WRITES = ("write", "pwrite64", "writev", "pwritev", "pwritev2", "sendfile", "ftruncate")
_SYNCS = ("fsync", "fdatasync")
_NAMES = ("openat", "open", "rename", "renameat", "renameat2", "unlink", "unlinkat", "mkdir", "mkdirat", "rmdir")
_LINE = re.compile(r"(\d+) +(\w+)\((.*)\) += (\d+)(?:<(.*)>)?$")
_FILE = re.compile(r"\w+<((?:[^>\\]|\\.)*)>")
_PATH = re.compile(r'(?:\w+<([^>]*)>, )?"((?:[^"\\]|\\.)*)"')


def missing() -> str:
    """Why no command can be traced here, in a few words; empty when one can."""
    if shutil.which("strace") is None:
        return "strace is not installed"
    tried = subprocess.run(["strace", "-o", os.devnull, "true"], capture_output=True, check=False)
    return "" if tried.returncode == 0 else "strace may not trace"


@dataclass(frozen=True, slots=True)
class Call:
    """A call that succeeded: its name, the files or names it is about, and its arguments as they were told."""

    name: str
    paths: tuple[Path, ...]
    told: str


def calls_of(words: Sequence[str], trace: Path) -> list[Call]:
    """The calls of one command that ends well, in order."""
    asked = ",".join((*_WRITES, *_SYNCS, *(f"?{name}" for name in _NAMES)))
    done = subprocess.run(
        ["strace", "-f", "-y", "-s", "0", "-o", str(trace), "-e", f"trace={asked}",
         sys.executable, "-m", "indexhole", *words],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return list(_parsed(trace.read_text(encoding="utf-8", errors="replace").splitlines()))


def _parsed(lines: Sequence[str]) -> Iterator[Call]:
    begun: dict[str, str] = {}
    for line in lines:
        process = line.partition(" ")[0]
        if line.endswith("<unfinished ...>"):
            begun[process] = line.removesuffix("<unfinished ...>")
            continue
        resumed = re.match(r"\d+ +<\.\.\. \w+ resumed>(.*)", line)
        if found := _LINE.match(begun.pop(process) + resumed[1] if resumed else line):
            _, name, told, _, opened = found.groups()
            if name in ("open", "openat"):
                yield Call(name, (Path(opened or ""),), told)
            elif name in _NAMES:
                yield Call(name, tuple(Path(folder or ROOT, path) for folder, path in _PATH.findall(told)), told)
            elif held := _FILE.match(told):
                yield Call(name, (Path(held[1]),), told)


class Device:
    """What is written and not synced yet (`bytes`), and names that folders have and that are not synced (`names`)."""

    def __init__(self) -> None:
        self.bytes: set[Path] = set()
        self.names: set[Path] = set()

    def see(self, call: Call) -> None:
        """Take in one call."""
        first = call.paths[0] if call.paths else Path()
        if call.name in _WRITES:
            self.bytes.add(first)
        elif call.name in _SYNCS:
            self.bytes.discard(first)
            self.names = {path for path in self.names if path.parent != first}
        elif "O_CREAT" in call.told or call.name.startswith("mkdir"):
            self.names.add(first)
        elif call.name.startswith("rename"):
            old, new = call.paths
            pairs = [(old, new), (new, old)] if "EXCHANGE" in call.told else [(old, new)]
            self.bytes = {_renamed(path, pairs) for path in self.bytes}
            self.names = {_renamed(path, pairs) for path in self.names} | {place for _, place in pairs}
        elif call.name.startswith("unlink") or call.name == "rmdir":
            self.bytes.discard(first)
            self.names.discard(first)

    def unsafe(self, path: Path) -> list[str]:
        """What a loss of power now would take away of a file: its bytes, its name, or that of a folder above it."""
        lost = [f"bytes of {path}"] if path in self.bytes else []
        return lost + [f"name of {place}" for place in (path, *path.parents) if place in self.names]


def _renamed(path: Path, pairs: Sequence[tuple[Path, Path]]) -> Path:
    for old, new in pairs:
        if path == old or old in path.parents:
            return new / path.relative_to(old)
    return path
