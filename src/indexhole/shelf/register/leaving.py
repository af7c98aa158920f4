"""What leaves the register leaves a copy first: one JSON file for each entry taken out, in the shelf's folder.

removed/<moment in UTC>-<kind>-<key>.json
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path

from indexhole.errors import ShelfFault
from indexhole.model.trials.trial import Trial
from indexhole.shelf.files.inside import REMOVED, folder_inside
from indexhole.shelf.files.writing import write_whole
from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.records import now
from indexhole.shelf.register.confidence import FieldConfidence
from indexhole.shelf.register.journal import Signature


def keep_a_copy(folder: Path, entry: Record | Trial, stands: Iterable[FieldConfidence], signature: Signature) -> Path:
    """Write the entry with how its fields stand, and who takes it out and why; returns the file.

    It is called before the change is kept: what cannot be copied is not taken out. Raises ShelfFault.
    """
    if isinstance(entry, Trial):
        kind, key, values = "trial", entry.trial, asdict(entry)
    else:
        kind, key, values = entry.WORD, entry.key, entry.model_dump(mode="json")
    moment = now()
    held = {
        "kind": kind,
        "entry": values,
        "standings": [asdict(standing) for standing in stands],
        "removed_utc": moment.isoformat(),
        "who": signature.who,
        "why": signature.why,
    }
    try:
        folder_inside(folder, REMOVED)
    except OSError as fault:
        raise ShelfFault(
            f"no copy of {kind} {key} can be left ({fault.strerror}), and so it stays",
            where=str(folder / REMOVED),
            remedy="check the rights on the folder",
        ) from fault
    safe = re.sub(r"[^A-Za-z0-9._-]+", "_", key)[:40]
    path = folder / REMOVED / f"{moment:%Y%m%dT%H%M%SZ}-{kind}-{safe}.json"
    number = 1
    while path.exists():
        number += 1
        path = path.with_name(f"{moment:%Y%m%dT%H%M%SZ}-{kind}-{safe}-{number}.json")
    write_whole(
        path,
        (json.dumps(held, ensure_ascii=False, indent=1, default=lambda moment: moment.isoformat()) + "\n").encode(),
    )
    return path
