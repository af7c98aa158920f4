"""What is out of the ordinary on a track, described: nothing that was found is left unsaid, or passed for data.

Each kind is a small function from what merging found to descriptions; `track_oddities` asks them all. Places are in
revolutions from the index.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from indexhole.codes.code import CodeName
from indexhole.codes.known import CODES
from indexhole.recover.fields.reads import SectorRead
from indexhole.recover.layouts.draft import ranges
from indexhole.recover.sectors.dwells import Blank, Dwell
from indexhole.recover.shapes.result import Oddity, OddityKind, Sector, SectorState
from indexhole.recover.tracks.merge import Merged

# A track with so many more cells on a turn than its like is long; than the layout holds, where there is no like.
_LONGER, _LONGER_THAN_LAYOUT = 0.012, 0.03
# Phase error up to which a field that fails its check was read clearly.
_CLEAR = 0.34
_HARDLY_ANY_PULSES = 2000
_REGULAR = 0.75


@dataclass(frozen=True)
class OddTrack:
    """Everything there is on one track.

    Attributes:
        dwells: all on the track in its code.
        merged: what they give together; `second` what a second code gives, by code.
        numbers: sector numbers of the layout, empty when it is not known; `size` of its sectors, 0 likewise.
        named: cylinder and head as ids on this track are expected to say.
        usual_cells: cells a turn of tracks like this one, None when not known, and whether the layout says so.
    """

    dwells: Sequence[Dwell]
    merged: Merged
    second: Mapping[CodeName, Sequence[Sector]]
    numbers: Sequence[int]
    size: int
    named: tuple[int, int]
    usual_cells: tuple[float, bool] | None

    @property
    def cells_a_turn(self) -> float:
        """Cells on a turn: measured, else from cell and speed, else nan."""
        measured = [s.survey.cells_a_turn for s in self.dwells if s.survey.cells_a_turn]
        if measured:
            return median(measured)
        rpm = next((s.speed_rpm for s in self.dwells if s.speed_rpm), None)
        return 60 / rpm / self.dwells[0].cell_s if rpm else math.nan

    def stretch(self, angle: float, size: int) -> tuple[float, float]:
        """Start and end of the data field of `size` bytes whose mark is at an angle."""
        return angle, angle + CODES[self.dwells[0].code].decoded_cells(size) / self.cells_a_turn


def track_oddities(track: OddTrack) -> tuple[Oddity, ...]:
    """All oddities of a track, those of the whole track first, then by place."""
    whole = [*_hard_sectored(track), *_second_code(track), *_length(track), *_copied(track), *_foreign_ids(track)]
    single = [o for find in _FINDERS for o in find(track)]
    return (*whole, *sorted(single, key=lambda o: (math.isnan(o.start), o.start if o.start == o.start else 0.0)))


def _hard_sectored(track: OddTrack) -> Iterator[Oddity]:
    holes = Counter(s.holes for s in track.dwells if s.holes)
    if holes:
        yield Oddity("hard sectored", f"hard sectored, {holes.most_common(1)[0][0]} holes")


def _second_code(track: OddTrack) -> Iterator[Oddity]:
    for code, sectors in track.second.items():
        own = CODES[track.dwells[0].code].title
        text = f"sectors {ranges(sorted({s.id for s in sectors}))} are in {CODES[code].title}, the others in {own}"
        yield Oddity("two codes", text)


def _length(track: OddTrack) -> Iterator[Oddity]:
    measured = [s.survey.cells_a_turn for s in track.dwells if s.survey.cells_a_turn]
    if not measured or track.usual_cells is None:
        return
    usual, from_layout = track.usual_cells
    share = median(measured) / usual - 1
    if abs(share) < (_LONGER_THAN_LAYOUT if from_layout else _LONGER):
        return
    than = "the layout holds at nominal speed" if from_layout else "other tracks of the disk have"
    kind: OddityKind = "long track" if share > 0 else "short track"
    words = "more" if share > 0 else "fewer"
    text = f"{median(measured):.0f} cells on the turn, {abs(share):.1%} {words} than the {usual:.0f} {than}"
    yield Oddity(kind, f"{text}; written by a {'slow' if share > 0 else 'fast'} spindle or so on purpose")


def _copied(track: OddTrack) -> Iterator[Oddity]:
    turns = sorted({math.floor(t) for s in track.dwells for t in s.copied})
    if turns:
        text = f"turn {ranges([t + 1 for t in turns])} of the log repeats an earlier one pulse for pulse"
        yield Oddity("copied turn", f"{text}: a copy, counted once")


def _foreign_ids(track: OddTrack) -> Iterator[Oddity]:
    """Ids that name another place than the track's others; ids that all do are told of the whole disk."""
    by_place: dict[tuple[int, int], set[int]] = {}
    votes: Counter[tuple[int, int]] = Counter()
    for dwell in track.dwells:
        for one in dwell.reads.ids:
            place = (one.id.cylinder, one.id.head)
            votes[place] += 1
            by_place.setdefault(place, set()).add(one.id.number)
    if not votes:
        return
    usual = votes.most_common(1)[0][0]
    if usual != track.named:
        text = f"its ids say cylinder {usual[0]} head {usual[1]} where cylinder {track.named[0]} head {track.named[1]}"
        yield Oddity("other place", f"{text} was expected")
    for place, numbers in sorted(by_place.items()):
        if place != usual and votes[place] > 1:
            text = f"the id of sector {ranges(sorted(numbers))} names cylinder {place[0]} head {place[1]}"
            sector = next(iter(numbers)) if len(numbers) == 1 else None
            yield Oddity("other place", f"{text}, the others cylinder {usual[0]} head {usual[1]}", sector)


def _extra(track: OddTrack) -> Iterator[Oddity]:
    for sector in track.merged.sectors:
        if track.numbers and sector.id not in track.numbers:
            text = f"the layout has no sector {sector.id}; it is kept beside the image"
            yield Oddity("extra sector", text, sector.id, *track.stretch(sector.angle, sector.size))


def _sizes(track: OddTrack) -> Iterator[Oddity]:
    sectors = [s for s in track.merged.sectors if s.state is not SectorState.LOST]
    usual = track.size or (Counter(s.size for s in sectors).most_common(1)[0][0] if sectors else 0)
    named: dict[int, Counter[int]] = {}
    for dwell in track.dwells:
        for one in dwell.reads.ids:
            named.setdefault(one.id.number, Counter())[one.id.size] += 1
    for sector in sectors:
        place = track.stretch(sector.angle, sector.size)
        said = named[sector.id].most_common(1)[0][0] if sector.id in named else sector.size
        if said != sector.size:
            text = f"the id of sector {sector.id} says {said} bytes, its data field has {sector.size}"
            yield Oddity("other size", text, sector.id, *place)
        elif sector.size != usual:
            text = f"sector {sector.id} holds {sector.size} bytes, the others {usual}"
            yield Oddity("other size", text, sector.id, *place)


def _deleted(track: OddTrack) -> Iterator[Oddity]:
    for sector, reads in zip(track.merged.sectors, track.merged.reads, strict=True):
        # One pass whose check fails may have misread the mark as well.
        if sector.deleted and sector.data and (sector.state is not SectorState.SUSPECT or len(reads) > 1):
            text = f"sector {sector.id} carries the deleted-data mark"
            yield Oddity("deleted mark", text, sector.id, *track.stretch(sector.angle, sector.size))


def _repeated(track: OddTrack) -> Iterator[Oddity]:
    for number, count in sorted(Counter(s.id for s in track.merged.sectors).items()):
        if count < 2:
            continue
        own = [s for s in track.merged.sectors if s.id == number]
        same = len({s.data for s in own}) == 1
        angles = ", ".join("an unknown place" if math.isnan(s.angle) else f"{s.angle:.3f}" for s in own)
        text = f"sector {number} stands at {count} places of the turn, {angles}, with {'the same' if same else 'other'}"
        for sector in own:
            which = "this is the one in the image" if sector.in_image else "this one is beside the image"
            yield Oddity("repeated number", f"{text} bytes; {which}", number, *track.stretch(sector.angle, sector.size))


def _unnamed(track: OddTrack) -> Iterator[Oddity]:
    """Data fields without a legible id: those given to a sector by other signs, and those left over."""
    for sector, reads in zip(track.merged.sectors, track.merged.reads, strict=True):
        if not reads or any(r.id is not None for r in reads) or not sector.data:
            continue
        kind: OddityKind = "broken id" if sector.by_broken_id else "missing id"
        # Where dirt took the id, the sector says how it was found; that is wear, nothing odd.
        if any(r.passed and _bare(r, track) for r in reads):
            yield Oddity(
                kind, f"sector {sector.id}: {sector.how}", sector.id, *track.stretch(sector.angle, sector.size)
            )
    for one in track.merged.without_id:
        proven = one.proven
        if proven is None and not any(_bare(r, track) for r in one.reads):
            continue
        read = proven or one.reads[0]
        text = f"a data field of {len(read.data)} bytes"
        text += " whose check passes" if proven else " whose check fails at every size tried"
        if one.broken is not None:
            b = one.broken
            text += f"; the id in front reads cylinder {b.cylinder} head {b.head} sector {b.number}, its check failing"
        else:
            text += ", with no id in front"
        data = proven.data if proven is not None else b""
        yield Oddity(
            "missing id" if one.broken is None else "broken id",
            text,
            None,
            *track.stretch(read.angle, len(read.data)),
            data,
        )


def _bare(read: SectorRead, track: OddTrack) -> bool:
    """Whether nothing illegible lies in front of a data field, where its id would be."""
    return read.turn in track.dwells[read.stream].survey.bare_fields


def _id_alone(track: OddTrack) -> Iterator[Oddity]:
    for sector in track.merged.sectors:
        if sector.state is not SectorState.LOST:
            continue
        ids = [(i.turn, s.survey.bare_ids) for s in track.dwells for i in s.reads.ids if i.id.number == sector.id]
        turns = [turn % 1.0 for turn, bare in ids if turn in bare]
        if turns:
            text = f"the id of sector {sector.id} has no legible data field behind it"
            yield Oddity("id alone", text, sector.id, turns[0])


def _wrong_check(track: OddTrack) -> Iterator[Oddity]:
    """A field every pass reads clearly and alike, and whose check fails all the same: it was written so."""
    for sector, reads in zip(track.merged.sectors, track.merged.reads, strict=True):
        if sector.state is not SectorState.SUSPECT or len(reads) < 2:
            continue
        clear = all(not r.passed and not r.faults and r.worst < _CLEAR for r in reads)
        if clear and len({r.field for r in reads}) == 1:
            text = f"sector {sector.id} reads clearly and alike in all {len(reads)} passes, but its check is wrong"
            yield Oddity("wrong check", f"{text}: written so", sector.id, *track.stretch(sector.angle, sector.size))


def _weak(track: OddTrack) -> Iterator[Oddity]:
    for sector, reads, weak in zip(track.merged.sectors, track.merged.reads, track.merged.weak, strict=True):
        byte_turns = CODES[track.dwells[0].code].cells_per_byte / track.cells_a_turn
        for first, end in weak:
            a = sector.angle + first * byte_turns
            b = sector.angle + end * byte_turns
            text = (
                f"bytes {first} to {end - 1} of sector {sector.id} differ pulse by pulse in each of {len(reads)} passes"
            )
            yield Oddity("weak recording", f"{text}, as noise does: nothing legible is recorded there", sector.id, a, b)


_FINDERS = (_extra, _sizes, _deleted, _repeated, _unnamed, _id_alone, _wrong_check, _weak)


def blank_oddity(blank: Blank) -> Oddity:
    """What a dwell nothing legible came from looks like."""
    hard = f"hard sectored, {blank.holes} holes, in a format that is not known; " if blank.holes else ""
    kind: OddityKind = "hard sectored" if blank.holes else "unformatted"
    a_turn = blank.pulses / max(blank.turns, 1e-9)
    if a_turn < _HARDLY_ANY_PULSES:
        return Oddity(kind, f"{hard}{a_turn:.0f} pulses a turn: erased, or never recorded")
    guess = blank.guess
    if guess is None or guess.score < _REGULAR or blank.cell_s is None:
        return Oddity(kind, f"{hard}{a_turn:.0f} pulses a turn at no regular distance: noise of an unformatted track")
    text = f"{hard}{a_turn:.0f} pulses a turn at whole multiples of {blank.cell_s * 1e6:.3f} us"
    text += f", as {CODES[guess.code].title} has them, but no mark or id is legible"
    return Oddity(kind if blank.holes else "no fields", text)
