"""Value change dumps (IEEE 1364, clause on VCD files) to captures, in chunks of bounded size."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from indexhole.errors import InputFault
from indexhole.signal import kernels
from indexhole.signal.build import EdgeCollector
from indexhole.signal.capture import Capture
from indexhole.signal.lines import INDEX, READ_DATA, match_lines

_CHUNK_BYTES = 1 << 23
_HEADER_LIMIT = 1 << 20
_UNIT_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "ps": 1e-12, "fs": 1e-15}
_END_OF_HEADER = re.compile(rb"\$enddefinitions\s+\$end")
_REMEDY_CUT = "log it again, or read what is there with --allow-cut"
_FAULTS = {
    kernels.VCD_BACKWARDS: "time runs backwards",
    kernels.VCD_BAD_TIME: "a time that is not a whole number",
    kernels.VCD_BAD_TOKEN: "something that is neither a time nor a value change",
    kernels.VCD_TIME_TOO_LONG: "a time of more than 18 digits",
}


def looks_like_vcd(head: bytes) -> bool:
    """Whether the first bytes open a value change dump."""
    return head.lstrip()[:1] == b"$"


def _timescale_s(header: str, where: str) -> float:
    found = re.search(r"\$timescale\s+(\d+)\s*([munpf]?s)\s+\$end", header)
    if not found or found.group(1) not in ("1", "10", "100"):
        raise InputFault(
            "no $timescale of 1, 10 or 100 with a unit",
            where=where,
            remedy="export with a timescale from the logger",
        )
    return int(found.group(1)) * _UNIT_S[found.group(2)]


def _id_tables(
    codes: list[str], where: str
) -> tuple[npt.NDArray[np.int16], npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Line number by one-byte id code, and keys and line numbers of the longer codes."""
    short = np.full(128, -1, dtype=np.int16)
    keys: list[int] = []
    lines: list[int] = []
    for line, code in enumerate(codes):
        if len(code) > 8 or not all(33 <= ord(c) <= 126 for c in code):
            raise InputFault(f"id code {code!r} is not 1 to 8 printable characters", where=where)
        if len(code) == 1:
            short[ord(code)] = line
        else:
            key = 0
            for c in code:
                key = (key << 7) | ord(c)
            keys.append(key)
            lines.append(line)
    return short, np.array(keys, dtype=np.int64), np.array(lines, dtype=np.int64)


def _read_header(stream: BinaryIO, where: str) -> tuple[str, bytes]:
    """Header text and the bytes already read behind it."""
    head = b""
    while True:
        found = _END_OF_HEADER.search(head)
        if found:
            return head[: found.start()].decode("latin-1"), head[found.end() :]
        more = stream.read(1 << 16)
        if not more or len(head) > _HEADER_LIMIT:
            raise InputFault("the header has no $enddefinitions", where=where, remedy=_REMEDY_CUT.split(",")[0])
        head += more


def read_vcd(stream: BinaryIO, name: str, lines: Mapping[str, str], *, allow_cut: bool = False) -> Capture:
    """Read a dump.

    Args:
        stream: the dump's bytes, decompressed.
        name: the file's name for faults and for the capture.
        lines: the keeper's choice of lines, our name -> the file's name.
        allow_cut: keep what is there when the file ends in the middle of a line.

    Raises:
        InputFault: no header, no timescale, no read-data line, bad token, time running backwards, file cut short.
    """
    header, rest = _read_header(stream, name)
    tick_s = _timescale_s(header, name)
    declared = re.findall(r"\$var\s+\S+\s+\d+\s+(\S+)\s+(.*?)\s+\$end", header, flags=re.DOTALL)
    names = [re.sub(r"\s*\[[\d:]*\]$", "", label).strip() for _, label in declared]
    wanted = match_lines(names, lines, name)
    codes = [declared[position][0] for position in wanted.values()]
    short, keys, key_lines = _id_tables(codes, name)
    keep_all = np.array([ours not in (READ_DATA, INDEX) for ours in wanted], dtype=np.uint8)
    state = np.zeros(kernels.VCD_STATE_SIZE, dtype=np.int64)
    levels = np.full(len(wanted), 2, dtype=np.uint8)
    collector = EdgeCollector(list(wanted))
    # A change takes at least three bytes with its white space, so this is always enough room.
    ticks = np.empty(_CHUNK_BYTES // 2, dtype=np.int64)
    what = np.empty(_CHUNK_BYTES // 2, dtype=np.uint8)
    offset = len(header)
    while True:
        more = stream.read(_CHUNK_BYTES - len(rest))
        chunk = rest + more if rest else more
        cut = max(chunk.rfind(b"\n"), chunk.rfind(b" "))
        # a small dump is read whole with its header, so the end of the file alone does not mean a cut word
        if not more and cut < 0:
            if chunk.strip() and not allow_cut:
                raise InputFault(f"ends in the middle of a line at byte {offset}", where=name, remedy=_REMEDY_CUT)
            break
        whole, rest = chunk[: cut + 1], chunk[cut + 1 :]
        if len(rest) > 4096:
            raise InputFault(f"a word of more than 4096 bytes at byte {offset}", where=name, remedy="is this a VCD?")
        count = kernels.vcd_edges(
            np.frombuffer(whole, dtype=np.uint8),
            0,
            short,
            keys,
            key_lines,
            keep_all,
            state,
            levels,
            ticks,
            what,
        )
        if state[kernels.VCD_ERROR]:
            at = offset + int(state[kernels.VCD_ERROR_AT])
            raise InputFault(
                f"{_FAULTS[int(state[kernels.VCD_ERROR])]} near byte {at}",
                where=name,
                remedy="export it again",
            )
        collector.add(ticks[:count].copy(), what[:count].copy())
        offset += len(whole)
    return collector.finish(name, tick_s)
