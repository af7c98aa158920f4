"""Value change dumps (IEEE 1364, clause on VCD files) to edges, in chunks of bounded size."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import takewhile

import numpy as np
import numpy.typing as npt

from indexhole.errors import Do, InputFault
from indexhole.signal.captures.gather import Edges, EdgeSource, control_lines, edges_by_line
from indexhole.signal.captures.lines import match_lines
from indexhole.signal.formats import vcd_kernel
from indexhole.signal.formats.options import ByteStream, ReadOptions

# Small enough to stay in the processor's cache between reading, hashing and parsing.
_CHUNK_BYTES = 1 << 19
_LONGEST_WORD = 4096
_HEADER_LIMIT = 1 << 20
_HEADER_BLOCK = 1 << 16
_UNIT_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "ps": 1e-12, "fs": 1e-15}
_END_OF_HEADER = re.compile(rb"\$enddefinitions\s+\$end")
_REMEDY_CUT = ("log it again", Do.READ_CUT)
_FAULTS = {
    vcd_kernel.VCD_BACKWARDS: "time runs backwards",
    vcd_kernel.VCD_BAD_TIME: "a time that is not a whole number",
    vcd_kernel.VCD_BAD_TOKEN: "something that is neither a time nor a value change",
    vcd_kernel.VCD_TIME_TOO_LONG: "a time of more than 18 digits",
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


def _read_header(stream: ByteStream, where: str) -> tuple[str, int, bytes]:
    """Header text, its length in bytes, and what was already read behind it."""
    head = b""
    while True:
        found = _END_OF_HEADER.search(head)
        if found:
            return head[: found.start()].decode("latin-1"), found.end(), head[found.end() :]
        more = stream.read(_HEADER_BLOCK)
        if not more or len(head) > _HEADER_LIMIT:
            raise InputFault("the header has no $enddefinitions", where=where, remedy="log it again")
        head += more


def _declared(header: str) -> Iterator[tuple[str, str]]:
    """Id code and name of each `$var KIND SIZE CODE NAME $end`, word by word: a header may be long and damaged."""
    words = iter(header.split())
    for word in words:
        if word == "$var":
            told = list(takewhile(lambda word: word != "$end", words))
            if len(told) > 3 and told[1].isdecimal():
                yield told[2], " ".join(told[3:])


def open_vcd(stream: ByteStream, name: str, options: ReadOptions) -> EdgeSource:
    """Begin to read a dump.

    Args:
        stream: the dump's bytes, unpacked.
        name: the file's name for faults.

    Raises:
        InputFault: no header, no timescale, no read-data line; while reading: bad token, time running
            backwards, file cut short.
    """
    header, offset, rest = _read_header(stream, name)
    declared = list(_declared(header))
    names = [re.sub(r"\s*\[[\d:]*\]$", "", label) for _, label in declared]
    tick_s = _timescale_s(header, name)
    wanted = match_lines(names, options.lines, name)
    parser = _Parser(list(wanted), [declared[position][0] for position in wanted.values()], name)
    chunks = _chunks(stream, parser, rest, offset, name, allow_cut=options.allow_cut)
    return EdgeSource(tick_s, control_lines(list(wanted)), chunks)


class _Parser:
    """Whole words of a dump to edges; carries levels and time from chunk to chunk."""

    def __init__(self, names: list[str], codes: list[str], where: str) -> None:
        self._names = names
        self._where = where
        self._tables = _id_tables(codes, where)
        controls = control_lines(names)
        self._keep_all = np.array([ours in controls for ours in names], dtype=np.uint8)
        self._state = np.zeros(vcd_kernel.VCD_STATE_SIZE, dtype=np.int64)
        self._levels = np.full(len(names), 2, dtype=np.uint8)
        # A change takes at least three bytes with its white space, so this is always enough room.
        room = (_HEADER_BLOCK + _CHUNK_BYTES + _LONGEST_WORD) // 2
        self._ticks = np.empty(room, dtype=np.int64)
        self._what = np.empty(room, dtype=np.uint8)

    def edges(self, words: npt.NDArray[np.uint8], offset: int) -> Edges:
        """Edges in a chunk of whole words that begins at byte `offset` of the dump."""
        state = self._state
        count = vcd_kernel.vcd_edges(
            words,
            *self._tables,
            self._keep_all,
            state,
            self._levels,
            self._ticks,
            self._what,
        )
        if state[vcd_kernel.VCD_ERROR]:
            raise InputFault(
                f"{_FAULTS[int(state[vcd_kernel.VCD_ERROR])]} near byte {offset + int(state[vcd_kernel.VCD_ERROR_AT])}",
                where=self._where,
                remedy="export it again",
            )
        # Picking by line copies, so the room can be used again.
        return edges_by_line(self._names, self._ticks[:count], self._what[:count], int(state[vcd_kernel.VCD_TIME]))


def _chunks(
    stream: ByteStream, parser: _Parser, ahead: bytes, offset: int, name: str, *, allow_cut: bool
) -> Iterator[Edges]:
    """Read on into one buffer; half a word at its end moves to its start."""
    room = np.empty(len(ahead) + _CHUNK_BYTES + _LONGEST_WORD, dtype=np.uint8)
    room[: len(ahead)] = np.frombuffer(ahead, dtype=np.uint8)
    kept = len(ahead)
    while True:
        more = stream.readinto(room.data[kept : kept + _CHUNK_BYTES])
        filled = kept + more
        tail = room[max(filled - _LONGEST_WORD, 0) : filled].tobytes()
        whole = filled - len(tail) + 1 + max(tail.rfind(b"\n"), tail.rfind(b" "))
        if whole <= filled - len(tail):
            # No word ends here.
            if len(tail) == _LONGEST_WORD:
                raise InputFault(
                    f"a word of more than {_LONGEST_WORD} bytes at byte {offset}", where=name, remedy="is this a VCD?"
                )
            whole = 0
        yield parser.edges(room[:whole], offset)
        offset += whole
        kept = filled - whole
        room[:kept] = room[whole:filled].copy()
        if not more:
            break
    if kept and room[:kept].tobytes().strip() and not allow_cut:
        raise InputFault(f"ends in the middle of a line at byte {offset}", where=name, remedy=_REMEDY_CUT)
