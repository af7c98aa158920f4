"""One target under the fuzzer, in a process of its own: `python -m fuzz.one TARGET [libFuzzer's own words]`.

libFuzzer ends the process: 0 at its time's end, another number when something was found.
"""

from __future__ import annotations

import signal
import sys
from contextlib import suppress

import atheris

# What we wrote, and readers of others in Python that ours stand on. Coverage is taken from a module's import on, so
# nothing of them may be imported above.
_FOLLOWED = ["indexhole", "fuzz", "tomllib", "http.cookies", "python_multipart", "zipfile", "PIL", "openpyxl"]


def main(arguments: list[str]) -> None:
    """Fuzz one target until libFuzzer ends the process."""
    name, *words = arguments
    # as long as the process lives: readers import some of their modules only when they need them
    atheris.instrument_imports(include=_FOLLOWED).__enter__()
    from fuzz.target import tried
    from fuzz.targets import TARGETS

    target = TARGETS[name]
    # what a reader loads at its first call is not the time it takes; a fault is found again below
    with suppress(Exception):
        tried(target, b"")

    def one(data: bytes) -> None:
        try:
            tried(target, data)
        except BaseException:
            # on a busy machine the interpreter ends slowly, and the fuzzer's own alarm would then end the process
            # before its input is written
            signal.setitimer(signal.ITIMER_REAL, 0)
            raise

    atheris.Setup([f"fuzz {name}", f"-max_len={target.most_bytes}", *words], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main(sys.argv[1:])
