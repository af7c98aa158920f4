"""Readers of signals: what a logger, an oscilloscope or a sound recorder wrote, and captures as they are kept."""

from __future__ import annotations

import gzip
import json
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from fuzz.parts import Parts, value
from fuzz.target import Target, as_file
from indexhole.errors import IndexholeError
from indexhole.signal.captures.lines import match_channels, match_lines
from indexhole.signal.dwells.flow import iter_dwells
from indexhole.signal.formats.readers import read_capture
from indexhole.signal.store import read_parquet


def _signal(data: bytes, **options: Any) -> None:
    """All ways a file is read: as a whole, in stays, and what is there of one that is cut short."""
    with as_file(data, "signal") as path:
        try:
            read_capture(path, **options)
        finally:
            for _ in iter_dwells(path, allow_cut=True, **options):
                pass


def _at_any_rate(data: bytes) -> None:
    _signal(data, sample_rate=2e6)


def _raw(data: bytes) -> None:
    _signal(data, raw=2e6, lines={"read_data": "0", "index": "1", "side": "2", "step": "3"})


def _wrapped(data: bytes) -> None:
    """A gzip file of several members, cut or changed at one place."""
    parts = Parts(data)
    cut, at, flip = parts.number(), parts.number(2), parts.number()
    packed = bytearray(b"".join(gzip.compress(part, 1, mtime=0) for part in parts.rest().split(b"%%")))
    packed[at % len(packed)] ^= flip
    _signal(bytes(packed[: len(packed) - cut]))


def _stored(data: bytes) -> None:
    with as_file(data, "stored.parquet") as path:
        read_parquet(path)


def _stored_told(data: bytes) -> None:
    """A sound Parquet file in which one thing told says anything, and so do the numbers behind it."""
    parts = Parts(data)
    shape, which = parts.number(), parts.number()
    told: dict[str, Any] = {"version": 1 + shape % 2, "name": "harbour", "sha256": "", "tick_s": 1e-7, "index": [10]}
    line: dict[str, Any] = {"initial": 1, "ticks": [5], "levels": [0]}
    told["lines"] = {"step": line}
    for held in (line, told):
        if which:
            held[list(held)[which % len(held)]] = value(parts)
            which >>= 4
    kind = np.dtype(("<i4", "<i8", "<f8", "<u1")[shape >> 1 & 3])
    rest = parts.rest()
    numbers = np.frombuffer(rest[: len(rest) // kind.itemsize * kind.itemsize], dtype=kind)
    columns: dict[str, Any] = {"interval": pa.array(numbers), "strength": pa.array(numbers[::-1].astype("u1"))}
    if shape & 8:
        columns["interval"] = pa.array([None, *numbers.tolist()][: numbers.size])
    if shape & 16:
        del columns["strength"]
    words = {224: b"[" * 9000, 192: b"[]"}.get(shape & 224, json.dumps(told).encode())
    metadata = {b"indexhole": words} if shape & 224 != 160 else None
    sink = pa.BufferOutputStream()
    pq.write_table(pa.table(columns).replace_schema_metadata(metadata), sink)
    _stored(sink.getvalue().to_pybytes())


def _lines(data: bytes) -> None:
    """Names of lines as a file has them, and the keeper's choice behind an empty one."""
    text = data.decode("utf-8", "replace").split("\n")
    split = text.index("") if "" in text else len(text)
    given = dict(entry.partition("=")[::2] for entry in text[split + 1 :])
    for match in (match_lines, match_channels):
        try:
            found = match(text[:split], given, "lines")
        except IndexholeError:
            continue
        json.dumps(found)


TARGETS = (
    Target("signal", "a capture file of any format, as it comes", _signal, 2048),
    Target("signal-rate", "the same, the rate given by the keeper", _at_any_rate, 2048),
    Target("signal-raw", "raw logic samples", _raw, 1024),
    Target("signal-gzip", "a capture file in gzip members, damaged", _wrapped, 2048),
    Target("stored", "a stored capture (Parquet), as it comes", _stored, 4096),
    Target("stored-told", "a sound Parquet file that says anything", _stored_told, 256),
    Target("lines", "names of logged lines, and the keeper's choice", _lines, 512),
)
