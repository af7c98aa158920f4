"""Two recoveries of one disk compared: which sectors came out otherwise, which got better or worse, which files."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from indexhole.errors import Do, InputFault
from indexhole.jobs.recovery.comparison import Change, Comparison, FileChange, FileDifference, SectorDifference
from indexhole.jobs.recovery.earlier import Place, Report
from indexhole.recover.shapes.result import SectorState
from indexhole.standards.layouts import load_layouts
from indexhole.volumes import Volume, read_volume
from indexhole.volumes.image import spans

# more than such a share of sectors with other bytes speaks for two disks
_ANOTHER_DISK = 0.5


@dataclass(frozen=True, slots=True)
class _Held:
    """What one recovery has of a sector: no state in an image without a report, no bytes where none are at hand."""

    size: int
    state: SectorState | None
    sha256: str
    data: bytes | None


def compare(then: Report | None, then_image: bytes | None, now: Report, now_image: bytes | None) -> Comparison:
    """What differs between an earlier recovery and this one.

    Args:
        then: the earlier report; None when there is only an image, whose sectors then follow the order of this
            recovery's image, or of its layout.
        then_image, now_image: sectors in order of cylinder, head and number; None when not at hand.

    Raises:
        InputFault: there is only an image and nothing says which sector lies where in it.
    """
    remarks: list[str] = []
    before = _of_report(then, then_image) if then else _of_image(then_image or b"", now, remarks)
    after = _of_report(now, now_image)
    both = [place for place in after if place in before]
    numbers = {place: number for number, place in enumerate(after)}
    found = (_difference(place, before[place], after[place], numbers[place]) for place in sorted(both))
    differences = [difference for difference in found if difference]
    changed = frozenset(d.place for d in differences if d.change != "state")
    only_then, only_now = before.keys() - after.keys(), after.keys() - before.keys()
    comparison = Comparison(
        compared=len(both),
        same=len(both) - len(changed),
        both_sound_differ=sum(d.change == "bytes" and d.then == d.now == SectorState.SOUND for d in differences),
        only_then=len(only_then),
        only_now=len(only_now),
        sectors=tuple(differences),
        files=tuple(
            _files(
                _listed(then, before, list(before), then_image), _listed(now, after, list(after), now_image), changed
            )
        ),
        remarks=(),
    )
    if then and then.layout and now.layout and then.layout != now.layout:
        remarks.append(f"its layout was {then.layout}, now it is {now.layout}")
    for where, which in ((only_then, "the earlier one"), (only_now, "this one")):
        if where:
            remarks.append(f"{len(where)} sectors only in {which}, on cylinder {spans({place[0] for place in where})}")
    return replace(comparison, remarks=(*remarks, *_doubts(comparison)))


def _doubts(comparison: Comparison) -> Iterator[str]:
    """Whether both are of one disk, and of one state of it."""
    differ = sum(d.change == "bytes" for d in comparison.sectors)
    if not comparison.compared:
        yield "no sector is in both"
    elif differ > _ANOTHER_DISK * comparison.compared:
        yield f"{differ} of {comparison.compared} sectors hold other bytes: is it the same disk?"
    elif comparison.both_sound_differ:
        text = f"{comparison.both_sound_differ} sectors were sound both times and hold other bytes"
        yield f"{text}: written in between, or another disk"


def _of_report(report: Report, image: bytes | None) -> dict[Place, _Held]:
    held: dict[Place, _Held] = {}
    at = 0
    for place, sector in report.sectors():
        data = image[at : at + sector.size] if image is not None else None
        held[place] = _Held(sector.size, sector.state, sector.sha256, data)
        at += sector.size
    return held


def _of_image(image: bytes, now: Report, remarks: list[str]) -> dict[Place, _Held]:
    """Sectors of an image that has no report, in the order of this recovery's image or of its layout."""
    order = _order(now, len(image))
    if not order:
        raise InputFault(
            "the image to compare with has no report, and this recovery does not tell which sector lies where in it",
            remedy=("give the earlier report.json", Do.NAME_LAYOUT),
        )
    held: dict[Place, _Held] = {}
    at = 0
    for place, size in order:
        data = image[at : at + size]
        if len(data) < size:
            break
        held[place] = _Held(size, None, hashlib.sha256(data).hexdigest(), data)
        at += size
    whole = sum(size for _, size in order)
    if len(image) != whole:
        remarks.append(f"the image holds {len(image)} bytes, {whole} were expected: compared as far as both go")
    return held


def _order(now: Report, length: int) -> list[tuple[Place, int]]:
    """Places and sizes in the order of an image of this length."""
    own = [(place, sector.size) for place, sector in now.sectors()] if now.image else []
    layout = load_layouts().get(now.layout or "")
    if layout is None or (own and length == sum(size for _, size in own)):
        return own
    return [
        ((cylinder, head, sector), zone.sector_bytes)
        for cylinder, head, zone in layout.tracks()
        for sector in sorted(zone.sector_ids)
    ]


def _difference(place: Place, then: _Held, now: _Held, number: int) -> SectorDifference | None:
    """What differs in a sector that both recoveries have, None when nothing does."""

    def differs(change: Change, differing: int = -1) -> SectorDifference:
        return SectorDifference(place, number, change, then.state, now.state, differing)

    if then.state is None and not now.sha256 and then.data is not None and not any(then.data):
        # in an image without a report zeros may stand for a sector that was lost
        return None
    if bool(then.sha256) != bool(now.sha256):
        return differs("gained" if now.sha256 else "lost")
    if then.sha256 != now.sha256:
        return differs("bytes", _differing(then.data, now.data))
    if then.state is not None and then.state != now.state:
        return differs("state")
    return None


def _differing(then: bytes | None, now: bytes | None) -> int:
    """How many bytes differ, those only one has counted too; -1 when one is not at hand."""
    if then is None or now is None:
        return -1
    return sum(a != b for a, b in zip(then, now, strict=False)) + abs(len(then) - len(now))


@dataclass(frozen=True, slots=True)
class _Listed:
    """The files of one recovery: name and how often it came before, with hash, state, and places of sectors."""

    files: Mapping[tuple[str, int], tuple[str, SectorState | None]]
    sectors: Mapping[tuple[str, int], frozenset[Place]]


def _listed(report: Report | None, held: Mapping[Place, _Held], order: Sequence[Place], image: bytes | None) -> _Listed:
    volume = _volume(report, held, order, image)
    read = list(_numbered([file.name for file in volume.files])) if volume else []
    sectors = {}
    if volume:
        for key, file in zip(read, volume.files, strict=True):
            sectors[key] = frozenset(order[n] for n in file.sectors if n < len(order))
    if report is None:
        names = {key: (file.sha256, None) for key, file in zip(read, volume.files, strict=True)} if volume else {}
        return _Listed(names, sectors)
    entries = report.volume.files if report.volume else ()
    keys = _numbered([entry.name for entry in entries])
    return _Listed({key: (e.sha256, e.state) for key, e in zip(keys, entries, strict=True)}, sectors)


def _volume(
    report: Report | None, held: Mapping[Place, _Held], order: Sequence[Place], image: bytes | None
) -> Volume | None:
    """The volume on an image, told what its report says of the sectors."""
    if image is None:
        return None
    if report is None:
        return read_volume(image, sizes=[held[place].size for place in order])
    entries = [sector for _, sector in report.sectors()]
    return read_volume(
        image,
        [n for n, s in enumerate(entries) if s.state not in (SectorState.SOUND, SectorState.MENDED)],
        sizes=[s.size for s in entries],
        marked=[n for n, s in enumerate(entries) if s.deleted],
    )


def _numbered(names: Sequence[str]) -> Iterator[tuple[str, int]]:
    """Names with how often each came before: a damaged directory may list one twice."""
    seen: Counter[str] = Counter()
    for name in names:
        yield name, seen[name]
        seen[name] += 1


def _files(then: _Listed, now: _Listed, differing: frozenset[Place]) -> Iterator[FileDifference]:
    """Files that came out otherwise, those of this recovery first."""
    for key in dict.fromkeys((*now.files, *then.files)):
        sectors = tuple(sorted((now.sectors.get(key, frozenset()) | then.sectors.get(key, frozenset())) & differing))
        old_sha, old = then.files.get(key, ("", None))
        new_sha, new = now.files.get(key, ("", None))
        change: FileChange | None = None
        if key not in then.files or key not in now.files:
            change = "only now" if key in now.files else "only then"
        elif old_sha != new_sha:
            change = "bytes"
        elif old is not None and old != new:
            change = "state"
        elif sectors:
            change = "sectors"
        if change:
            yield FileDifference(key[0], change, old, new, sectors)
