"""Capture files in, captures out: what the verbs that take captures have in common."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from indexhole.errors import InputFault
from indexhole.signal.captures.capture import Capture
from indexhole.signal.dwells.flow import Flow
from indexhole.signal.dwells.sessions import Segment
from indexhole.signal.formats.readers import read_capture


def given_twice(path: Path, first: Path) -> InputFault:
    """The fault of a file that holds the same bytes as one before it: its passes would count twice."""
    return InputFault(f"holds the same bytes as {first}", where=str(path), remedy="give each capture once")


def dwells_of(paths: Sequence[Path], flows: Sequence[Flow]) -> Iterator[Segment]:
    """The dwells of several capture files, each read once from front to back; a file given twice is a fault."""
    seen: dict[str, Path] = {}
    for path, flow in zip(paths, flows, strict=True):
        yield from flow
        if flow.sha256 in seen:
            raise given_twice(path, seen[flow.sha256])
        seen[flow.sha256] = path


def read_captures(
    paths: Sequence[Path],
    lines: Mapping[str, str] | None = None,
    *,
    allow_cut: bool = False,
    raw: float | None = None,
    sample_rate: float | None = None,
) -> list[Capture]:
    """Read several capture files whole; a file given twice is a fault. Options as of signal.readers.read_capture."""
    captures: list[Capture] = []
    first: dict[str, Path] = {}
    for path in paths:
        capture = read_capture(path, lines, allow_cut=allow_cut, raw=raw, sample_rate=sample_rate)
        if capture.sha256 in first:
            raise given_twice(path, first[capture.sha256])
        first[capture.sha256] = path
        captures.append(capture)
    return captures
