"""Capture files in, captures out: what the verbs that take captures have in common."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from indexhole.errors import InputFault
from indexhole.signal.capture import Capture
from indexhole.signal.readers import read_capture


def read_captures(
    paths: Sequence[Path], lines: Mapping[str, str] | None = None, *, allow_cut: bool = False
) -> list[Capture]:
    """Read several capture files; a file given twice is a fault, since it would count its passes twice."""
    captures = [read_capture(path, lines, allow_cut=allow_cut) for path in paths]
    first: dict[str, str] = {}
    for capture, path in zip(captures, paths, strict=True):
        if capture.sha256 in first:
            raise InputFault(
                f"holds the same bytes as {first[capture.sha256]}", where=str(path), remedy="give each capture once"
            )
        first[capture.sha256] = str(path)
    return captures
