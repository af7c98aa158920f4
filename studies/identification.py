"""How well layouts are identified and described, and odd tracks found, on simulated tracks.

    python -m studies.identification [--count 1200] [--out docs/studies]

Single tracks of layouts drawn from the library, and of layouts nobody has; then plain tracks under dirt, to see what is
called odd without being so; then odd tracks of each kind.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from indexhole.model.simulator.odd_tracks import (
    DataField,
    Gap,
    IdField,
    InCode,
    IndexField,
    Part,
    compose,
    with_copied_turn,
    with_holes,
    with_weak_stretch,
)
from indexhole.model.simulator.simulate import Reader, RecordedTrack, format_track, read_track, weak_places
from indexhole.model.suited import sound_mechanism
from indexhole.recover.layouts.draft import draft_layout
from indexhole.recover.shapes.result import SectorState, Surface
from indexhole.recover.surface import recover_surface
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import Gaps, Layout, Zone, load_layouts

LAYOUTS = load_layouts()
PLAIN = LAYOUTS["90-mfm-9x512"]
CELLS_US = {"mfm": (2.0, 1.0), "fm": (4.0, 2.0), "group45": (3.25, 2.5)}
Data = Mapping[int, bytes]


def zone_of(layout: Layout, cylinder: int, head: int) -> Zone:
    zone = layout.zone(cylinder, head)
    assert zone is not None
    return zone


def written(layout: Layout, cylinder: int, head: int, rng: np.random.Generator) -> tuple[RecordedTrack, Data]:
    """A track of random bytes by a writer whose speed is off by 0.7 % rms."""
    zone = zone_of(layout, cylinder, head)
    data = {number: rng.bytes(zone.sector_bytes) for number in zone.sector_ids}
    writer = replace(sound_mechanism(layout), speed_ratio=1 + float(rng.normal(0, 0.007)))
    return format_track(layout, cylinder, head, data, rng, writer), data


def seen(
    track: RecordedTrack,
    rng: np.random.Generator,
    layouts: Mapping[str, Layout],
    given: str | None = None,
    dirt: int = 0,
) -> Surface:
    """One log of 1.1 to 3 turns, the reader's speed off by 0.7 % rms, with up to `dirt` dirty places."""
    mechanism = replace(
        sound_mechanism(track.layout),
        speed_ratio=1 + float(rng.normal(0, 0.007)),
        noise=float(rng.uniform(0.02, 0.16 if dirt else 0.10)),
        wow_peak=float(rng.uniform(0, 0.012)),
        wow_order=float(rng.uniform(0.5, 4)),
    )
    weak = weak_places(rng, int(rng.integers(0, dirt + 1)), float(rng.uniform(2e-4, 2e-3)), 60.0) if dirt else ()
    log = read_track(track, rng, Reader(mechanism, weak=weak), revolutions=float(rng.uniform(1.1, 3)))
    return recover_surface([capture_of(log, "log")], layouts, given)


def alike(layout: Layout, cylinder: int, head: int) -> set[str]:
    """Layouts of the library that lay this track down the same."""
    own = zone_of(layout, cylinder, head)

    def same(other: Layout) -> bool:
        zone = other.zone(cylinder, head)
        return (
            zone is not None
            and (zone.code, zone.sector_ids, zone.sector_bytes) == (own.code, own.sector_ids, own.sector_bytes)
            and abs(zone.cell_s * other.speed_rpm / own.cell_s / layout.speed_rpm - 1) < 0.05
        )

    return {name for name, other in LAYOUTS.items() if same(other)}


def drawn(rng: np.random.Generator) -> tuple[Layout, int, int]:
    layout = LAYOUTS[str(rng.choice(sorted(LAYOUTS)))]
    return layout, int(rng.integers(layout.cylinders)), int(rng.integers(layout.heads))


def known(count: int, dirt: int, seed: int) -> str:
    """Single tracks of the library's layouts."""
    rng = np.random.default_rng(seed)
    right, first, legible = 0.0, 0, 0
    for _ in range(count):
        layout, cylinder, head = drawn(rng)
        surface = seen(written(layout, cylinder, head, rng)[0], rng, LAYOUTS, dirt=dirt)
        if not surface.tracks:
            continue
        like = alike(layout, cylinder, head)
        legible += 1
        right += sum(c.probability for c in surface.candidates if c.layout in like)
        first += surface.layout in like
    share = f"mean probability of the right ones {right / legible:.3f}"
    return f"{legible} of {count} legible; the first answer right in {first}; {share}"


def made_up(rng: np.random.Generator) -> Layout | None:
    """A layout nobody has, None when the draw does not fit a turn or is too like a known one."""
    code = str(rng.choice(sorted(CELLS_US)))
    group = code == "group45"
    speed_rpm = float(rng.choice([300, 360]))
    zone = Zone(
        first_cylinder=0,
        last_cylinder=39,
        heads=(0,),
        code=code,  # type: ignore[arg-type]
        cell_us=float(rng.choice(CELLS_US[code])),
        sectors=int(rng.integers(3, 31)),
        sector_bytes=256 if group else int(rng.choice([128, 256, 512, 1024])),
        first_sector=int(rng.integers(0, 2)) if group else int(rng.choice([0, 1, 65])),
        interleave=int(rng.integers(1, 6)),
    )
    gap_3 = int(rng.integers(8, 30)) if group else int(rng.integers(10, 90))
    gaps = Gaps(
        index_mark=not group, gap_4a=0 if group else 60, gap_1=0 if group else 40, gap_2=9 if group else 20, gap_3=gap_3
    )
    probe = Layout.model_construct(speed_rpm=speed_rpm, gaps=gaps, zones=(zone,))
    spare = probe.spare_bytes(zone) / probe.bytes_per_revolution(zone)
    near = any(
        (z.code, z.sector_bytes, set(z.sector_ids)) == (zone.code, zone.sector_bytes, set(zone.sector_ids))
        for layout in LAYOUTS.values()
        for z in layout.zones
    )
    if near or not 0.04 < spare < 0.7:
        return None
    return Layout(
        id="made-up",
        title="made up",
        disk_class="130-48",
        speed_rpm=speed_rpm,
        cylinders=40,
        heads=1,
        track_number_base=1 if group else 0,
        zones=(zone,),
        gaps=gaps,
        source="made up for a study",
        mark="OWN",
    )


def unknown(count: int, seed: int) -> str:
    """Layouts nobody has: said to be unknown, described, and found again by the draft."""
    rng = np.random.default_rng(seed)
    said = found = tried = 0
    while tried < count:
        layout = made_up(rng)
        if layout is None:
            continue
        tried += 1
        track = written(layout, 17, 0, rng)[0]
        log = rng.integers(2**32)
        before = seen(track, np.random.default_rng(log), LAYOUTS)
        said += before.layout == "" and before.layout_confidence > 0.5
        draft = draft_layout(before.description) if before.description else None
        if draft is not None:
            after = seen(track, np.random.default_rng(log), {**LAYOUTS, draft.layout.id: draft.layout})
            found += after.layout == draft.layout.id and after.layout_confidence > 0.9
    return f"{said} of {count} called unknown; {found} found again by their draft with a probability over 0.9"


def plain(count: int, seed: int) -> str:
    """Plain tracks under dirt, layout given: what is called odd, and what is false."""
    rng = np.random.default_rng(seed)
    odd: Counter[str] = Counter()
    false = sectors = 0
    for _ in range(count):
        layout, cylinder, head = drawn(rng)
        track, data = written(layout, cylinder, head, rng)
        for one in seen(track, rng, LAYOUTS, layout.id, dirt=25).tracks:
            odd.update({o.kind for o in one.oddities})
            good = [s for s in one.sectors if s.state in (SectorState.SOUND, SectorState.MENDED)]
            sectors += len(good)
            false += sum(data.get(s.id) != s.data for s in good)
    told = ", ".join(f"{kind} {n}" for kind, n in sorted(odd.items())) or "nothing"
    return f"{count} tracks; called odd: {told}; of {sectors} sectors called sound or mended {false} false"


def fields(numbers: Sequence[int], rng: np.random.Generator) -> list[Part]:
    parts: list[Part] = [Gap(80), IndexField(), Gap(50)]
    for number in numbers:
        parts += [IdField(10, 0, number, 2), Gap(22), DataField(rng.bytes(512)), Gap(40)]
    return parts


def planted(kind: str, rng: np.random.Generator) -> Surface:
    """A track with one oddity of a kind, read for four turns."""
    parts = fields([1, 2, 3, 4, 5, 6, 7, 8], rng)
    place = int(rng.integers(1, 8))
    at = 3 + 4 * place
    match kind:
        case "extra sector" | "repeated number":
            number = 200 if kind == "extra sector" else int(rng.integers(1, 9))
            parts[at:at] = [IdField(10, 0, number, 2), Gap(22), DataField(rng.bytes(512)), Gap(40)]
        case "missing id":
            parts[at] = Gap(22)
        case "broken id":
            parts[at] = IdField(10, 0, place + 1, 2, broken=True)
        case "wrong check":
            parts[at + 2] = DataField(rng.bytes(512), broken=True)
        case "deleted mark":
            parts[at + 2] = DataField(rng.bytes(512), deleted=True)
        case "other size":
            parts[at], parts[at + 2] = IdField(10, 0, place + 1, 1), DataField(rng.bytes(256))
    stretches = [InCode("mfm", tuple(parts))]
    if kind == "two codes":
        fm: list[Part] = [IdField(10, 0, 7, 1), Gap(11), DataField(rng.bytes(256)), Gap(20)]
        stretches = [InCode("mfm", tuple(parts[: 3 + 4 * 6])), InCode("fm", tuple(fm))]
    track = compose(PLAIN, 10, 0, stretches, rng)
    log = read_track(track.track, rng, revolutions=4)
    match kind:
        case "weak recording":
            first, end = track.places[at + 2]
            log = with_weak_stretch(
                log, first + 0.3 * (end - first), float(rng.uniform(0.1, 0.5)) * (end - first), 5.5e-6, rng
            )
        case "hard sectored":
            log = with_holes(log, int(rng.choice([10, 16])))
        case "copied turn":
            log = with_copied_turn(log, 2)
    return recover_surface([capture_of(log, "log")], LAYOUTS, "130-48-mfm-8x512")


KINDS = (
    "extra sector", "repeated number", "missing id", "broken id", "wrong check", "deleted mark", "other size",
    "two codes", "weak recording", "hard sectored", "copied turn",
)  # fmt: skip


def odd_tracks(count: int, seed: int) -> list[str]:
    rng = np.random.default_rng(seed)
    rows = []
    for kind in KINDS:
        told = [{o.kind for t in planted(kind, rng).tracks for o in t.oddities} for _ in range(count)]
        others: Counter[str] = Counter(o for own in told for o in own if o != kind)
        more = ", ".join(f"{name} {n}" for name, n in sorted(others.items())) or "-"
        rows.append(f"| {kind} | {sum(kind in own for own in told)} of {count} | {more} |")
    return rows


def page(count: int) -> str:
    studies: list[tuple[str, Callable[[], str]]] = [
        ("known layouts, one track, noise up to 0.10", lambda: known(count, 0, 1)),
        ("known layouts, one track, noise up to 0.16, up to 25 dirty places", lambda: known(count, 25, 2)),
        ("layouts nobody has, one track", lambda: unknown(count // 3, 3)),
        ("plain tracks, noise up to 0.16, up to 25 dirty places, layout given", lambda: plain(count, 4)),
    ]
    lines = [
        "# How well layouts are identified, and odd tracks found",
        "",
        f"Made by `python -m studies.identification --count {count}` on simulated tracks, one log of 1.1 to 3 turns",
        "each; speeds of writer and reader are off by 0.7 % rms, wow is up to 1.2 %. A right answer is any layout that",
        "lays the track down alike.",
        "",
        "| study | outcome |",
        "| --- | --- |",
        *(f"| {name} | {run()} |" for name, run in studies),
        "",
        f"Odd tracks, one oddity planted in each, four turns, {count // 12} tracks a kind:",
        "",
        "| planted | told | told besides, tracks |",
        "| --- | --- | --- |",
        *odd_tracks(count // 12, 5),
    ]
    return "\n".join(lines) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=1200)
    parser.add_argument("--out", type=Path, default=Path("docs/studies"))
    given = parser.parse_args()
    given.out.mkdir(parents=True, exist_ok=True)
    (given.out / "identification.md").write_text(page(given.count), encoding="utf-8")


if __name__ == "__main__":
    main()
