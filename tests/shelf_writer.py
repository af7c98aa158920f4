"""Writes to a shelf until it is done or killed, and says on stdout what is kept, a line for each: KIND KEY.

python tests/shelf_writer.py FOLDER FIRST COUNT
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from indexhole.model.trial import Trial
from indexhole.shelf.captures import store_capture
from indexhole.shelf.photos import store_photo
from indexhole.shelf.records import Disk, Unit, checked
from indexhole.shelf.register import Shelf
from indexhole.signal.capture import Capture

SHEET_TRIALS = 400


def write(folder: Path, first: int, count: int) -> None:
    """Make `count` writes: entries and edits, now and then a sheet of trials, a photo or a capture."""
    shelf = Shelf.open(folder)
    said("ready", "")
    for k in range(first, first + count):
        match k % 10:
            case 3:
                sheet = [
                    Trial(f"T{k}-{n}", "2026-03-01", "read", "", "", "D0.0", "K0", 0, 0, 1, 9, 0, "")
                    for n in range(SHEET_TRIALS)
                ]
                shelf.add_trials(sheet, f"sheet {k}")
                said("sheet", f"T{k}")
            case 5:
                photo = store_photo(shelf, b"\xff\xd8\xff" + str(k).encode(), f"{k}.jpg", unit="D0")
                said("photo", photo.sha256)
            case 7:
                capture = Capture(f"c{k}", 1e-7, np.arange(40, 4000 + k, 40), np.array([10]))
                said("capture", store_capture(shelf, None, capture, disk="K0").record.sha256)
            case 8:
                shelf.update(Unit, "D0", title=f"title {k}")
                said("title", str(k))
            case 9:
                shelf.remove(Disk, shelf.add(checked(Disk, inventory=f"R{k}")).key)
                said("removed", f"R{k}")
            case _:
                shelf.add(checked(Disk, inventory=f"K{k + 1}", title=f"disk {k}"))
                said("disk", f"K{k + 1}")


def said(kind: str, key: str) -> None:
    """Say a line, at once."""
    sys.stdout.write(f"{kind} {key}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    write(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
