"""What a volume holds, and names that are safe to show and to write."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from indexhole.recover.shapes.result import WORST_FIRST, SectorState

VolumeKind = Literal["fat12", "linked", "labelled"]
_LONGEST_NAME = 100
_KEPT = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789 .-_+=@#()[]{}!$,;~'")
# Names some systems keep for devices, with any ending.
_DEVICES = frozenset(
    {
        "con",
        "prn",
        "aux",
        "nul",
        "clock$",
        "conin$",
        "conout$",
        *(f"{port}{n}" for port in ("com", "lpt") for n in range(10)),
    }
)


@dataclass(frozen=True, slots=True)
class VolumeFile:
    """One file.

    Attributes:
        name: as recorded, folders before it with `/`; bytes outside printable ASCII as `\\xNN`.
        data: what the chain holds, cut to `size` where the directory gives one. Sectors beyond the image
            count as zeros.
        size: bytes the directory says it has (FAT12), else the bytes found.
        sectors: its sectors as numbers in image order, in order of the file; one may lie beyond the image.
        kind: what the directory calls it, in our words.
        modified: date and time as recorded, "" when there is none.
        whole: False when the data is known to be incomplete or to belong to another file too, or rests on a
            directory, label or map that was not soundly read.
        problems: what is wrong with it, in words.
        deleted: True for one the directory calls deleted; its sectors and data are a guess.
        record_bytes: bytes in each of its records, 0 when it has none of one length.
        code: Python codec of the code its volume is labelled in, "" when the volume says nothing of codes.
    """

    name: str
    data: bytes
    size: int
    sectors: tuple[int, ...]
    kind: str
    modified: str = ""
    whole: bool = True
    problems: tuple[str, ...] = ()
    deleted: bool = False
    record_bytes: int = 0
    code: str = ""

    @property
    def sha256(self) -> str:
        """SHA-256 of the data."""
        return hashlib.sha256(self.data).hexdigest()


@dataclass(frozen=True, slots=True)
class Volume:
    """What an image holds.

    Attributes:
        kind: "fat12", "linked" or "labelled".
        title: the volume's label, "" when it has none.
        free: free clusters (FAT12) or blocks (linked), as its own map says; sectors in no extent (labelled).
        unit_bytes: bytes in one of those.
        sector_bytes: bytes in one of the sectors that are counted in `sectors`.
        files: in order of the directory, folders' files behind their folder's place.
        system_sectors: sectors of the descriptor, map and directories; when one of them is not sound, the
            list of files is not either.
        problems: what is wrong with the volume as a whole, in words.
        deleted_files: what can still be guessed of files the directory calls deleted.
    """

    kind: VolumeKind
    title: str
    free: int
    unit_bytes: int
    sector_bytes: int
    files: tuple[VolumeFile, ...]
    system_sectors: tuple[int, ...]
    problems: tuple[str, ...] = ()
    deleted_files: tuple[VolumeFile, ...] = ()


def worst_state(sectors: Iterable[int], states: Mapping[int, SectorState]) -> SectorState:
    """The worst state among sectors, by number in image order; one without a state is lost."""
    found = {states.get(sector, SectorState.LOST) for sector in sectors}
    return next((state for state in WORST_FIRST if state in found), SectorState.SOUND)


def sector_states(file: VolumeFile, states: Mapping[int, SectorState]) -> dict[SectorState, tuple[int, ...]]:
    """The file's sectors by state, as numbers in image order, ascending; states it has no sector of are left out.

    A sector without a state is lost. Numbers beyond the image stand for what the file should have there.
    """
    by_state: dict[SectorState, tuple[int, ...]] = {}
    for sector in sorted(set(file.sectors)):
        state = states.get(sector, SectorState.LOST)
        by_state[state] = (*by_state.get(state, ()), sector)
    return by_state


def file_state(file: VolumeFile, states: Mapping[int, SectorState]) -> SectorState:
    """State of a file: that of its worst sector, and never better than suspect when it is not whole."""
    worst = worst_state(file.sectors, states)
    if not file.whole and worst in (SectorState.SOUND, SectorState.MENDED):
        return SectorState.SUSPECT
    return worst


def with_shared(file: VolumeFile, shared: Mapping[int, Sequence[str]], unit: str) -> VolumeFile:
    """The file with word of the first `unit` it shares, by the unit's first sector, with all names that claim it."""
    for lba in file.sectors:
        if lba in shared:
            # a hostile image may have thousands claim one place; the first few tell enough
            others = sorted(set(shared[lba][:8]) - {file.name}) or [file.name]
            problem = f"its {unit} at sector {lba} belongs to {', '.join(others[:3])} too"
            return replace(file, whole=False, problems=(*file.problems, problem))
    return file


def shown_name(raw: bytes) -> str:
    """Recorded bytes as text: printable ASCII as it is, everything else and both slashes as `\\xNN`."""
    return "".join(chr(b) if 0x20 <= b <= 0x7E and b not in b"/\\" else f"\\x{b:02X}" for b in raw)


def safe_name(name: str) -> str:
    """A name for one file or folder that cannot leave its folder or mean a device, whatever the disk says."""
    kept = "".join(c if c in _KEPT else "_" for c in name)[:_LONGEST_NAME].strip(" ")
    kept = kept.rstrip(". ")
    if not kept or kept.startswith("."):
        kept = "_" + kept
    if kept.split(".")[0].strip(" ").lower() in _DEVICES:
        kept = "_" + kept
    return kept


def safe_paths(names: Iterable[str]) -> list[str]:
    """Relative paths, one for each recorded name and no two alike even where case does not count."""
    used: dict[str, set[str]] = {}
    folders: dict[tuple[str, ...], str] = {}

    def claim(folder: str, recorded: str) -> str:
        taken = used.setdefault(folder.lower(), set())
        plain = name = safe_name(recorded)
        number = 1
        while name.lower() in taken:
            number += 1
            name = f"{plain}~{number}"
        taken.add(name.lower())
        return f"{folder}/{name}" if folder else name

    paths: list[str] = []
    for recorded in names:
        *above, last = recorded.split("/")
        folder = ""
        for depth, part in enumerate(above, start=1):
            key = tuple(above[:depth])
            if key not in folders:
                folders[key] = claim(folder, part)
            folder = folders[key]
        paths.append(claim(folder, last))
    return paths
