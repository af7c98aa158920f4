"""Who wrote it, in sentences a keeper understands."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence

from indexhole.recover.writers.known_writers import Attribution
from indexhole.recover.writers.rewrites import Rewrite
from indexhole.recover.writers.rewritten import FieldVerdict
from indexhole.recover.writers.track_writing import TrackWriting
from indexhole.recover.writers.writers import Writer, Writers
from indexhole.wording import count_of, listed, plural_of

# Tracks with rewritten sectors told one by one; what is beyond goes into one line.
_MOST_TOLD = 12


def writer_sentences(writers: Writers) -> list[str]:
    """Who formatted, who rewrote what, and what cannot be told."""
    if not writers.tracks:
        return ["cannot tell who wrote it: no legible track"]
    lines = [_formatted(writers, w) for w in writers.writers if w.formatted]
    lines += _rewritten(writers)
    unsure, plain = writers.count(FieldVerdict.CANNOT_TELL), writers.count(FieldVerdict.AS_FORMATTED)
    if plain:
        fields = f"{count_of(plain, 'data field')} {'lies' if plain == 1 else 'lie'}"
        power = min(t.power for track in writers.tracks for t in track.tests if t.verdict is FieldVerdict.AS_FORMATTED)
        lines.append(
            f"{fields} on the grid of the ids, as formatted "
            f"(a rewriting at the same speed would have shown with a chance of {power:.0%} or more)"
        )
    if unsure:
        lines.append(f"cannot tell for {count_of(unsure, 'data field')}: too noisy, or no legible id beside")
    if not plain and not unsure and not any(t.tests for t in writers.tracks):
        lines.append("cannot tell whether anything was rewritten: no data field was read with a passing check")
    return lines


def _percent(ratio: float) -> str:
    # Adding 0 takes the sign off a zero.
    return f"{round(100 * (ratio - 1), 2) + 0.0:+.2f} %"


def _speed(writer: Writer) -> str:
    if math.isfinite(writer.speed_ratio):
        return f"speed {_percent(writer.speed_ratio)}"
    return "speed against nominal not known" if writer.name == "W1" else f"speed {_percent(writer.against_first)} on W1"


def _formatted(writers: Writers, writer: Writer) -> str:
    count, every = len(writer.formatted), len(writers.tracks)
    if every == 1:
        return f"formatted by {writer.name} ({_speed(writer)})"
    if count == every:
        return f"all {every} tracks formatted by {writer.name} ({_speed(writer)})"
    which = f": {_places(writer.formatted)}" if count <= _MOST_TOLD else ""
    return f"{count} of {every} tracks formatted by {writer.name} ({_speed(writer)}){which}"


def _places(places: Iterable[tuple[int, int]]) -> str:
    """`cylinders 3, 4 head 0 and cylinder 9 head 1`."""
    by_head: dict[int, list[int]] = defaultdict(list)
    for cylinder, head in places:
        by_head[head].append(cylinder)
    return listed(
        [
            f"{plural_of('cylinder', len(cylinders))} {', '.join(map(str, sorted(cylinders)))} head {head}"
            for head, cylinders in sorted(by_head.items())
        ]
    )


def other_sentences(writers: Writers) -> list[str]:
    """Only what is out of the ordinary: several formatters, and what was rewritten."""
    formatters = [w for w in writers.writers if w.formatted]
    lines = [_formatted(writers, w) for w in formatters] if len(formatters) > 1 else []
    return lines + _rewritten(writers)


def _rewritten(writers: Writers) -> list[str]:
    lines: list[str] = []
    by_name = {w.name: w for w in writers.writers}
    touched = [t for t in writers.tracks if t.rewrites]
    for track in touched[:_MOST_TOLD]:
        groups: dict[str, list[Rewrite]] = defaultdict(list)
        for rewrite in track.rewrites:
            groups[writers.rewrite_by[*track.place, rewrite.sector]].append(rewrite)
        where = "" if len(writers.tracks) == 1 else f"cylinder {track.cylinder} head {track.head}: "
        formatter = writers.format_by[track.place]
        lines += [where + _rewriting(track, by_name[name], formatter, found) for name, found in sorted(groups.items())]
    if len(touched) > _MOST_TOLD:
        rest = touched[_MOST_TOLD:]
        count = sum(len(t.rewrites) for t in rest)
        lines.append(f"and {count} sectors on {len(rest)} more tracks rewritten")
    return lines


def _rewriting(track: TrackWriting, writer: Writer, formatter: str, found: Sequence[Rewrite]) -> str:
    every = len(track.tests)
    sectors = f"{plural_of('sector', len(found))} {listed([str(r.sector) for r in found])}"
    if len(found) == every and every > 1:
        sectors = f"all {every} sectors"
    ratio = math.exp(sum(r.ratio.log for r in found) / len(found))
    against = f"speed {_percent(ratio)} against {formatter}"
    turns = [f"{r.start.turn:.3f}" for r in found if math.isfinite(r.start.turn)]
    splice = f", {plural_of('splice', len(turns))} at {listed(turns)} of the turn" if turns else ""
    if len(turns) > 4:
        splice = f", splices at {turns[0]} to {turns[-1]} of the turn"
    if writer.name == formatter:
        return f"{sectors} rewritten later by {writer.name} or a drive not told apart from it ({against}){splice}"
    return f"{sectors} rewritten by {writer.name} ({against}){splice}"


def attribution_sentences(attributions: Mapping[str, Sequence[Attribution]]) -> list[str]:
    """Which drives on the shelf the writers may be, a sentence a writer."""
    lines = []
    for name, ranked in attributions.items():
        if not ranked or ranked[0].compared == "nothing":
            lines.append(f"{name}: cannot be compared with the drives on the shelf, its speed is not known")
            continue
        shown = [a for a in ranked if a.probability >= 0.01] or list(ranked[:1])
        parts = [f"{a.name} {a.probability:.2f}" for a in shown]
        lines.append(f"{name} may be, by {ranked[0].compared}: {', '.join(parts)} (probabilities)")
    return lines
