"""A PostgreSQL server of the tests' own: made in a folder of its own, on a free port of this machine, gone at the end.

The server does not run as root, so root starts it as the user that Debian's package brings.
"""

from __future__ import annotations

import os
import pwd
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

USER = "postgres"


def missing() -> str:
    """Why no server can be started, in a few words; empty when one can."""
    if _programs() is None:
        return "no PostgreSQL server is installed"
    if os.geteuid() != 0:
        return ""
    try:
        pwd.getpwnam(USER)
    except KeyError:
        return f"there is no user {USER} to run a server as"
    return ""


def _programs() -> Path | None:
    held = [place.parent for place in Path("/usr/lib/postgresql").glob("*/bin/initdb")]
    return max(held, key=lambda place: int(place.parent.name), default=None)


@contextmanager
def server() -> Iterator[str]:
    """A running server; gives the start of its addresses, to which a database's name is added."""
    programs = _programs()
    assert programs is not None
    folder = Path(tempfile.mkdtemp(prefix="register-server-"))
    as_user = {"user": USER, "group": USER, "extra_groups": []} if os.geteuid() == 0 else {}
    if as_user:
        shutil.chown(folder, USER, USER)
    data = folder / "data"

    def run(program: str, *arguments: str) -> None:
        command = [str(programs / program), *arguments]
        environment = {"PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8"}
        done = subprocess.run(
            command, cwd=folder, env=environment, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT, text=True, check=False, **as_user,
        )  # fmt: skip
        assert done.returncode == 0, done.stdout

    try:
        run("initdb", "-D", str(data), "-U", USER, "-A", "trust", "-E", "UTF8", "--no-sync", "--no-instructions")
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        # fsync off: the tests ask what the register does, not what the device does
        options = f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories='' -c fsync=off"
        run("pg_ctl", "start", "-w", "-D", str(data), "-l", str(folder / "log"), "-o", options)
        try:
            yield f"postgresql://{USER}@127.0.0.1:{port}/"
        finally:
            run("pg_ctl", "stop", "-w", "-m", "fast", "-D", str(data))
    finally:
        shutil.rmtree(folder, ignore_errors=True)
