"""A description in words, a line for each thing said, for a keeper to read and to write a layout file from."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from indexhole.codes.known import CODES
from indexhole.recover.layouts.draft import Draft, DraftZone, ranges, skew_words
from indexhole.recover.layouts.layout_text import layout_toml, printable
from indexhole.recover.shapes.description import Description, Zone
from indexhole.recover.shapes.result import OddityKind, Track
from indexhole.wording import count_of, plural_of

# Sectors on a track so many at least make a rule worth telling of their fill.
_MOST_PLAIN = 3


def draft_text(seen: Description, draft: Draft | None, tracks: Sequence[Track]) -> str:
    """A layout file: the description as comments, then the draft; comments alone when there is none."""
    lines = [f"# {printable(line)}" for line in description_words(seen, draft, tracks)]
    if draft is None:
        return "\n".join(lines) + "\n"
    return "\n".join(lines) + "\n\n" + layout_toml(draft.layout)


def description_words(seen: Description, draft: Draft | None, tracks: Sequence[Track]) -> list[str]:
    """What was seen, zone by zone, then what is odd, then what was guessed."""
    lines = [*_disk(seen)]
    if draft is None:
        lines.append("No track gave a legible id field, so there is no layout to draft.")
    for zone in draft.zones if draft is not None else ():
        lines += _zone(zone)
    lines += _odd(seen, tracks)
    lines += [f"{note[:1].upper()}{note[1:]}." for note in (*seen.notes, *(draft.guesses if draft else ()))]
    return lines


def _disk(seen: Description) -> Iterator[str]:
    sides = [f"side {head}: cylinders {ranges(own)}" for head, own in sorted(seen.cylinders.items())]
    if sides:
        yield f"Seen on {'; '.join(sides)}."
    if seen.speed_rpm is not None:
        yield f"Reader at {seen.speed_rpm:.2f} r/min."
    if seen.holes:
        yield f"Hard sectored, {seen.holes} holes a turn besides the index."


def _zone(drafted: DraftZone) -> Iterator[str]:
    seen, zone = drafted.seen, drafted.zone
    cylinders = plural_of("Cylinder", zone.last_cylinder - zone.first_cylinder + 1)
    where = f"{cylinders} {ranges(range(zone.first_cylinder, zone.last_cylinder + 1))}, "
    where += "both sides" if len(zone.heads) == 2 else f"side {zone.heads[0]}"
    off = f", measured {drafted.measured_us:.4f} us" if abs(drafted.measured_us - zone.cell_us) > 5e-4 else ""
    tracks = f"{count_of(seen.tracks, 'track')} seen"
    yield (
        f"{where} ({tracks}): {CODES[seen.code].title}, cell {zone.cell_us:g} us{off}; {len(seen.numbers)} sectors of "
        f"{seen.size} bytes, numbers {ranges(seen.numbers)}{_order(seen)}."
    )
    if skew_words(seen):
        yield f"From track to track {skew_words(seen)}."
    gaps = _gaps(seen)
    if gaps:
        yield f"Gaps in bytes: {gaps}."
    if seen.cells_a_turn is not None:
        yield f"A turn holds {seen.cells_a_turn / CODES[seen.code].gap_byte_cells:.0f} bytes."
    fills = [f"{n} sectors hold nothing but {byte:02X}" for byte, n in sorted(seen.plain.items()) if n >= _MOST_PLAIN]
    if seen.gap_fill is not None:
        fills.insert(0, f"gaps are filled with {seen.gap_fill:02X}")
    if fills:
        text = "; ".join(fills)
        yield f"{text[:1].upper()}{text[1:]}."


def _order(seen: Zone) -> str:
    if len(seen.numbers) < 2:
        return ""
    step = f"interleave {seen.interleave}" if seen.interleave is not None else "no regular interleave"
    if seen.interleave == 1:
        return f", {step}"
    return f", {step} (they pass in the order {' '.join(str(n) for n in seen.order)})"


def _gaps(seen: Zone) -> str:
    """Lengths of the gaps that were measured, and whether there is an index mark."""
    gaps = seen.gaps
    parts = []
    if CODES[seen.code].track.has_index_mark:
        if "gap_1" in gaps:
            before = f"4a {gaps['index_mark']:.0f}, " if "index_mark" in gaps else ""
            parts.append(f"{before}index mark, 1 {gaps['gap_1']:.0f}")
        elif "lead_in" in gaps:
            parts.append(f"no index mark, 1 {gaps['lead_in']:.0f} from the index pulse")
    parts += [f"{name[4:]} {gaps[name]:.0f}" for name in ("gap_2", "gap_3") if name in gaps]
    if "last_gap" in gaps:
        parts.append(f"{gaps['last_gap']:.0f} from the last sector to the index pulse")
    return ", ".join(parts)


def _odd(seen: Description, tracks: Sequence[Track]) -> Iterator[str]:
    if seen.odd:
        text = ", ".join(f"{c}.{h}" for c, h in seen.odd)
        yield f"These tracks (cylinder.head) are laid out otherwise than their neighbours: {text}."
    kinds: dict[OddityKind, list[tuple[int, int]]] = {}
    for track in tracks:
        for kind in dict.fromkeys(o.kind for o in track.oddities):
            kinds.setdefault(kind, []).append((track.cylinder, track.head))
    for kind, places in kinds.items():
        shown = ", ".join(f"{c}.{h}" for c, h in places[:12]) + (" and more" if len(places) > 12 else "")
        yield f"Odd, {kind}: {shown}."
