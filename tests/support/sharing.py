"""A page that is shared with a password, in a process of its own, as its keeper and as strangers meet it."""

from __future__ import annotations

import http.client
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

PASSWORD = "eel grass by the pier"
LONGEST_S = 120.0


@dataclass
class Answer:
    """What came back, and how long it took."""

    status: int
    headers: http.client.HTTPMessage
    body: bytes
    took_s: float


@dataclass
class Shared:
    """A page that is being shared."""

    process: subprocess.Popen[str]
    port: int
    temporary: Path
    told: Path

    def ask(self, method: str, path: str, body: bytes | None = None, **headers: str) -> Answer:
        """One request by a connection of its own; names of headers are written with `_`."""
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        begun_s = time.monotonic()
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=LONGEST_S)
        try:
            line.request(method, path, body, named)
            answer = line.getresponse()
            got = answer.read()
        finally:
            line.close()
        return Answer(answer.status, answer.headers, got, time.monotonic() - begun_s)

    def try_password(self, password: str, **headers: str) -> Answer:
        """One try at the password, as a script makes it."""
        return self.ask(
            "POST", "/api/sign-in", f'{{"password": "{password}"}}'.encode(), Content_Type="application/json", **headers
        )

    def sign_in(self) -> str:
        """A session's token."""
        answer = self.try_password(PASSWORD)
        assert answer.status == 200, answer.body
        found = re.search(rb'"token":"([^"]+)"', answer.body)
        assert found
        return found[1].decode()

    def held_kib(self, name: str = "VmRSS") -> int:
        """Memory it holds (VmRSS), or the most it ever held (VmHWM), in KiB (proc(5))."""
        text = Path(f"/proc/{self.process.pid}/status").read_text(encoding="ascii")
        found = re.search(rf"^{name}:\s+(\d+) kB$", text, re.MULTILINE)
        assert found
        return int(found[1])

    def lines(self) -> list[str]:
        """What the keeper was told on the terminal meanwhile."""
        return [line for line in self.told.read_text(encoding="utf-8").splitlines() if " begun in " not in line]

    def spooled(self) -> list[str]:
        """Files in its temporary folder, also those without a name that it has open there."""
        named = [str(path) for path in self.temporary.rglob("*")]
        return named + [told for told in _open_files(self.process.pid) if told.startswith(str(self.temporary))]


def _open_files(pid: int) -> list[str]:
    found = []
    for link in Path(f"/proc/{pid}/fd").iterdir():
        try:
            found.append(str(link.readlink()))
        except FileNotFoundError:  # closed meanwhile
            continue
    return found


@contextmanager
def sharing(folder: Path, *options: str, files: int | None = None) -> Iterator[Shared]:
    """A shared page over a new shelf in a folder; `files` bounds how many it may have open.

    It is ended as a keeper would end it, and has to end quietly.
    """
    temporary, told = folder / "temporary", folder / "told"
    temporary.mkdir()
    command = [sys.executable, "-m", "indexhole", "serve", "--shelf", str(folder / "shelf"), "--port", "0", *options]
    if files is not None:
        command = ["sh", "-c", f'ulimit -n {files} && exec "$@"', "sh", *command]
    kept = {name: value for name, value in os.environ.items() if not name.startswith("INDEXHOLE_")}
    own = {"INDEXHOLE_PASSWORD": PASSWORD, "TMPDIR": str(temporary), "XDG_CACHE_HOME": str(folder / "cache")}
    with told.open("w", encoding="utf-8") as err:
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=err, text=True, env={**kept, **own})
    assert process.stdout is not None
    try:
        first = process.stdout.readline()
        found = re.fullmatch(r"The page is at http://[^/]+:(\d+)/\n", first)
        assert found, (first, told.read_text(encoding="utf-8"))
        yield Shared(process, int(found[1]), temporary, told)
    finally:
        process.send_signal(signal.SIGINT)
        try:
            process.wait(LONGEST_S)
        finally:
            process.kill()
            process.stdout.close()
    assert process.returncode == 130
