"""Beliefs kept in the user's cache folder, by what they were made from: weighing a shelf's trials takes seconds."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Mapping
from dataclasses import astuple
from pathlib import Path
from typing import Any

import numpy as np

from indexhole.jobs.result_cache import keep, place_of
from indexhole.pairing.parts.beliefs import Beliefs, DiskBelief, MechanismBelief, Quality
from indexhole.standards.layouts import Layout

_KEPT = 12
# Another way of keeping or of weighing gets another number, so that what was kept before is made anew.
_FORM = 3
_MECHANISM = ("offset_um", "speed_ratio", "loss_db", "gap_2_shift")
_DISK = ("loss_db", "defect_rate")


def _place(made_from: object) -> Path:
    return place_of("beliefs", _FORM, _told(made_from), ".npz")


def _told(value: object) -> object:
    """As it can be told for good: layouts by id, everything else as it stands."""
    if isinstance(value, Layout):
        return value.id
    if isinstance(value, Mapping):
        return tuple((name, _told(held)) for name, held in value.items())
    return tuple(map(_told, value)) if isinstance(value, tuple) else value


def kept_beliefs(made_from: object) -> Beliefs | None:
    """What was kept of the same evidence by the same version, None where there is nothing that can be read."""
    try:
        with np.load(_place(made_from), allow_pickle=False) as held:
            names: dict[str, Any] = json.loads(str(held["names"]))
            return Beliefs(
                {n: MechanismBelief(*held[f"mechanism-{k}"]) for k, n in enumerate(names["mechanisms"])},
                {n: _disk(held[f"disk-{k}"], quality) for k, (n, quality) in enumerate(names["disks"].items())},
                {n: tuple(words) for n, words in names["words"].items()},
            )
    except (OSError, ValueError, KeyError, TypeError, AttributeError, EOFError, zipfile.BadZipFile):
        return None


def _disk(draws: Any, quality: list[int] | None) -> DiskBelief:
    loss_db, defect_rate = draws
    return DiskBelief(loss_db, defect_rate, Quality(*quality) if quality else None)


def keep_beliefs(made_from: object, beliefs: Beliefs) -> None:
    """Keep beliefs for the next time, and let the oldest go. A folder that cannot be written is let be."""
    qualities = {n: list(astuple(one.quality)) if one.quality else None for n, one in beliefs.disks.items()}
    names = {"mechanisms": [*beliefs.mechanisms], "disks": qualities, "words": dict(beliefs.words)}
    arrays = {
        f"mechanism-{k}": np.stack([getattr(one, field) for field in _MECHANISM])
        for k, one in enumerate(beliefs.mechanisms.values())
    } | {
        f"disk-{k}": np.stack([getattr(one, field) for field in _DISK]) for k, one in enumerate(beliefs.disks.values())
    }
    written = io.BytesIO()
    np.savez(written, names=np.array(json.dumps(names)), **arrays)  # type: ignore[arg-type]
    keep(_place(made_from), written.getvalue(), _KEPT)
