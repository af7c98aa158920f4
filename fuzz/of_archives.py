"""Readers of archives: backups of a shelf and spreadsheets of entries, as they come and built around damaged rows."""

from __future__ import annotations

import hashlib
import io
import json
import shutil
import zipfile
from collections.abc import Mapping
from functools import cache
from typing import Any

from fuzz.on_shelf import sound_shelf
from fuzz.parts import Parts, members, value
from fuzz.target import Target, as_file, scratch
from indexhole.shelf.exchange.backup import MANIFEST, back_up, restore
from indexhole.shelf.exchange.exchange import EXCHANGED, plan_import
from indexhole.shelf.register.address import shelf_address
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.sheets.spreadsheet import read_cells, xlsx_bytes

_MOMENT = "2026-03-01T00:00:00Z"


def packed(content: Mapping[str, bytes]) -> bytes:
    """An archive of the members, the same each time."""
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w") as archive:
        for name, data in content.items():
            archive.writestr(zipfile.ZipInfo(name), data)
    return sink.getvalue()


def _unpacked(archive: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(archive)) as held:
        return {name: held.read(name) for name in held.namelist()}


def _restored(archive: bytes) -> None:
    """Restore a backup, and open what came of it; what its rows say is not read: its maker vouches for that."""
    folder = scratch() / "restored"
    try:
        with as_file(archive, "shelf.backup") as path:
            restore(path, shelf_address(folder))
        Shelf.open(folder)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@cache
def _rows() -> dict[str, list[dict[str, Any]]]:
    """The rows of a sound backup, by table."""
    with as_file(b"", "sound.backup") as path:
        path.unlink()
        back_up(sound_shelf(), path)
        content = _unpacked(path.read_bytes())
    return {
        name.removeprefix("register/").removesuffix(".jsonl"): [json.loads(line) for line in lines.splitlines()]
        for name, lines in content.items()
        if name.startswith("register/")
    }


def manifest(rows: Mapping[str, int], content: Mapping[str, bytes], **other: Any) -> bytes:
    """The manifest of a backup, its hashes right."""
    held = {name: {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()} for name, data in content.items()}
    told = {"format": "indexhole shelf backup", "form": 1, "version": "0.1.0", "table_schema": 8, "made_utc": _MOMENT}
    return json.dumps({**told, "rows": dict(rows), "members": held, **other}).encode()


def _backup_rows(data: bytes) -> None:
    """A sound backup in which some cells say anything; its hashes are right, so that its rows are looked at."""
    parts = Parts(data)
    rows = {name: [dict(row) for row in held] for name, held in _rows().items()}
    names = [name for name in rows if rows[name]]
    other: dict[str, Any] = {}
    while parts:
        at = parts.number()
        if at == 255:
            other[("table_schema", "made_utc", "version", "form")[parts.number() % 4]] = value(parts)
            continue
        held = rows[names[at % len(names)]]
        row = held[parts.number() % len(held)]
        row[list(row)[parts.number() % len(row)]] = value(parts)
    content = {
        f"register/{name}.jsonl": "".join(json.dumps(row) + "\n" for row in held).encode()
        for name, held in rows.items()
    }
    counts = {name: len(held) for name, held in rows.items()}
    _restored(packed({**content, MANIFEST: manifest(counts, content, **other)}))


def _backup_members(data: bytes) -> None:
    """A backup of members named and filled as the input says."""
    content = dict(members(data))
    tables = {name.removeprefix("register/").removesuffix(".jsonl") for name in content if name.startswith("register/")}
    _restored(packed({**content, MANIFEST: manifest(dict.fromkeys(tables, 1), content)}))


def _entries(data: bytes) -> None:
    """A spreadsheet of entries, CSV or XLSX: the first byte says of which kind."""
    kind = EXCHANGED[Parts(data).number() % len(EXCHANGED)]
    rows = read_cells(data[1:], where="entries")
    plan = plan_import(sound_shelf(), kind, rows, where="entries")
    for change in plan.changed:
        assert change.fields
    for fault in plan.faults:
        assert fault.line


@cache
def _sound_xlsx() -> dict[str, bytes]:
    return _unpacked(xlsx_bytes([["inventory", "title", "weight_kg"], ["D1", "Twin unit", 3.5]], title="unit"))


def _entries_xlsx(data: bytes) -> None:
    """A sound XLSX file in which the members named are as the input says, and none where it says nothing."""
    content = {**_sound_xlsx(), **dict(members(data))}
    _entries(b"\0" + packed({name: part for name, part in content.items() if part}))


TARGETS = (
    Target("backup", "a backup, as it comes", _restored, 4096),
    Target("backup-rows", "a backup whose rows say anything", _backup_rows, 256),
    Target("backup-members", "a backup of any members", _backup_members, 1024),
    Target("entries", "a spreadsheet of entries, as it comes", _entries, 4096),
    Target("entries-xlsx", "a spreadsheet (XLSX) of any members", _entries_xlsx, 2048),
)
