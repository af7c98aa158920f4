"""From an operation to what is written by whom and read by whom, as rows for the compiled model."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import assert_never

import numpy as np
import numpy.typing as npt

from indexhole.model import expansion, kernels, magnetics
from indexhole.pairing.parts.beliefs import Beliefs
from indexhole.pairing.parts.draws import Disks, Heads, Streams, draw_climate, draw_disk, draw_heads
from indexhole.pairing.parts.parts import Climate, Conditions, Mechanism, Medium, Operation
from indexhole.pairing.parts.rates import choose_rate, disk_spacing_um, head_spacing_um, write_field
from indexhole.pairing.parts.tracks import Tracks, head_places_um, outer_places_um, steps_a_track
from indexhole.standards.classes import load_classes
from indexhole.standards.drives import default_drive, load_drives
from indexhole.standards.layouts import Layout, load_layouts

Floats = npt.NDArray[np.float64]

_UNKNOWN_UNDER = 0.5
_HEADER_SHARE = 22 / 526
# Nothing lies this far aside.
_NOWHERE = 1e9


@dataclass(frozen=True, slots=True)
class Passage:
    """One writing and one reading of a track.

    Attributes:
        words: for the keeper.
        draws: (draws, DRAW_COLUMNS), tracks: (tracks, TRACK_COLUMNS) for model/kernels.py.
    """

    words: str
    draws: Floats
    tracks: Floats


@dataclass(frozen=True, slots=True)
class Under:
    """What lies underneath: who recorded it, and how likely it is there at all."""

    mechanism: Mechanism
    pitch_um: float
    chance: float


@dataclass(frozen=True, slots=True)
class Case:
    """Everything a budget is asked about."""

    writer: Mechanism
    disk: Medium
    reader: Mechanism
    layout: Layout
    operation: Operation
    conditions: Conditions
    beliefs: Beliefs
    streams: Streams

    @property
    def writes_now(self) -> tuple[Mechanism, ...]:
        """Mechanisms that would write to the disk."""
        match self.operation:
            case "read":
                return ()
            case "update":
                return (self.reader,)
            case "format" | "exchange":
                return (self.writer,)
            case _:
                assert_never(self.operation)

    @property
    def reads_now(self) -> tuple[Mechanism, ...]:
        """Mechanisms that would read it."""
        match self.operation:
            case "format":
                return (self.writer,)
            case "update":
                return (self.reader, self.writer)
            case "read" | "exchange":
                return (self.reader,)
            case _:
                assert_never(self.operation)

    @property
    def everyone(self) -> list[Mechanism]:
        """The mechanisms that touch the disk, each once."""
        found = [*self.writes_now, *self.reads_now]
        return [m for i, m in enumerate(found) if m not in found[:i]]


def outside_drive(disk: Medium) -> Mechanism:
    """The good outside drive that recorded a disk of which nobody knows more."""
    drive = load_drives()[default_drive(disk.disk_class.id, disk.sides)]
    return Mechanism("", drive, heads=drive.heads, cylinders=round(drive.cylinders.value))


def bears_recording(disk: Medium) -> bool | None:
    """Whether the disk bears a recording now; None when nothing is known."""
    if disk.layout or disk.recorded_by or disk.recorded_when:
        return True
    return {"erased": False, "never recorded": False, "recorded": True}.get(disk.before)


def what_lies_under(case: Case) -> Under | None:
    """The recording underneath the one to be read, None when there is none for certain."""
    disk = case.disk
    match case.operation:
        case "read":
            chance = {"recorded": 1.0, "": _UNKNOWN_UNDER}.get(disk.before, 0.0)
            return Under(outside_drive(disk), disk.disk_class.pitch_um.value, chance) if chance else None
        case "update":
            return None
        case "format" | "exchange":
            return None if case.conditions.bulk_erased_first else _under_new_tracks(disk)
        case _:
            assert_never(case.operation)


def _under_new_tracks(disk: Medium) -> Under | None:
    """What lies under tracks laid down anew on a disk that is not erased first."""
    bears = bears_recording(disk)
    if bears is False:
        return None
    pitch = disk.disk_class.pitch_um.value
    if disk.layout in (known := load_layouts()):
        pitch = load_classes()[known[disk.layout].disk_class].pitch_um.value
    return Under(disk.recorded_by or outside_drive(disk), pitch, 1.0 if bears else _UNKNOWN_UNDER)


def _days(case: Case) -> tuple[Climate, Climate]:
    conditions = case.conditions
    reading = conditions.reading
    written = conditions.writing
    if written is None:
        match case.operation:
            case "read" | "update":
                written = case.disk.recorded
            case "format" | "exchange":
                written = reading
            case _:
                assert_never(case.operation)
    return written, reading


class Drawn:
    """Keeps the draws of mechanisms and disks, for many cases of the same streams and beliefs."""

    def __init__(self, beliefs: Beliefs, streams: Streams) -> None:
        self.beliefs, self.streams = beliefs, streams
        self._heads: dict[tuple[str, str, str], Heads] = {}
        self._disks: dict[object, Disks] = {}
        self._climates: dict[tuple[Climate, str], tuple[Floats, Floats]] = {}
        self.tracks: dict[object, Floats] = {}

    def heads(self, mechanism: Mechanism, role: str) -> Heads:
        """Draws of a mechanism in a role."""
        key = (mechanism.name, mechanism.drive.id, "" if mechanism.name else role)
        if key not in self._heads:
            self._heads[key] = draw_heads(mechanism, self.beliefs, self.streams, role)
        return self._heads[key]

    def disk(self, disk: Medium) -> Disks:
        """Draws of a disk."""
        # the matrix takes the name away, and what draws them apart must stay
        key = (disk.name, disk.disk_class.id, disk.condition, disk.hub_ring)
        if key not in self._disks:
            self._disks[key] = draw_disk(disk, self.beliefs, self.streams)
        return self._disks[key]

    def climate(self, climate: Climate, day: str) -> tuple[Floats, Floats]:
        """Draws of the weather of a day."""
        if (climate, day) not in self._climates:
            self._climates[climate, day] = draw_climate(climate, self.streams, day)
        return self._climates[climate, day]


class Assembly:
    """Builds the passages of a case; draws of each mechanism are made once."""

    def __init__(self, case: Case, tracks: Tracks, drawn: Drawn | None = None) -> None:
        self.case, self.all = case, tracks
        streams = case.streams
        self.drawn = drawn or Drawn(case.beliefs, streams)
        self.writer = self.drawn.heads(case.writer, "writer")
        self.reader = self.drawn.heads(case.reader, "reader")
        self.disk = self.drawn.disk(case.disk)
        written, reading = _days(case)
        shift = case.conditions.shift
        self.then = self.drawn.climate(written, "writing" if written != reading else "reading")
        today = self.drawn.climate(reading, "reading")
        self.today = today[0] + shift.temperature_c, today[1] + shift.humidity_pct
        self.under = what_lies_under(case)
        if shift.offset_um or shift.speed_pct:
            self.reader = replace(
                self.reader,
                offset_um=self.reader.offset_um + shift.offset_um,
                speed=self.reader.speed * (1 + shift.speed_pct / 100),
            )

    def passages(self) -> tuple[Passage, ...]:
        """What must go well, in order."""
        case = self.case
        w, r = (case.writer, self.writer), (case.reader, self.reader)
        match case.operation:
            case "format":
                return (self._passage("read back by the writer", w, w, self.under, same_visit=True),)
            case "read" | "exchange":
                return (self._passage("read", w, r, self.under),)
            case "update":
                return self._rewrite(self._passage("read", w, r, self.under))
            case _:
                assert_never(case.operation)

    def _rewrite(self, first: Passage) -> tuple[Passage, ...]:
        """What must go well when sectors are rewritten in place, `first` being how the disk reads before."""
        case = self.case
        w, r = (case.writer, self.writer), (case.reader, self.reader)
        header = Passage("headers read", first.draws, first.tracks.copy())
        header.tracks[:, kernels.TRANSITIONS] *= _HEADER_SHARE
        old = Under(case.writer, self.all.pitch_um, 1.0)
        own = self._passage("read back after the rewrite", r, r, old, same_visit=True, laid=self.writer)
        back = self._passage("read by the other after the rewrite", r, w, old, same_day=True, laid=self.writer)
        return header, own, back

    def _passage(
        self,
        words: str,
        writing: tuple[Mechanism, Heads],
        reading: tuple[Mechanism, Heads],
        under: Under | None,
        *,
        same_visit: bool = False,
        same_day: bool = False,
        laid: Heads | None = None,
    ) -> Passage:
        draws = self._draws(writing, reading, under, same_visit=same_visit, same_day=same_day, laid=laid)
        return Passage(words, draws, self._tracks_once(writing[0], reading[0], under))

    def _tracks_once(self, writer: Mechanism, reader: Mechanism, under: Under | None) -> Floats:
        """The tracks of a pair; every pair of such classes and controllers has the same."""
        kinds = [(m.drive.id, m.host.controller.id if m.host.controller else "") for m in (writer, reader)]
        old = (under.mechanism.drive.id, under.pitch_um) if under else None
        key = (id(self.all), *kinds, old)
        if key not in self.drawn.tracks:
            self.drawn.tracks[key] = self._tracks(writer, reader, under)
        return self.drawn.tracks[key]

    def _draws(
        self,
        writing: tuple[Mechanism, Heads],
        reading: tuple[Mechanism, Heads],
        under: Under | None,
        *,
        same_visit: bool,
        same_day: bool,
        laid: Heads | None,
    ) -> Floats:
        streams, disk = self.case.streams, self.disk
        (writer, w), (reader, r) = writing, reading
        d = np.zeros((streams.size, kernels.DRAW_COLUMNS))
        d[:, kernels.W_OFFSET] = w.offset_um + w.start_um
        d[:, kernels.R_OFFSET] = r.offset_um + r.start_um
        if not same_visit:
            self._grow(d, w, r, self.today if same_day else self.then)
        d[:, kernels.W_WIDTH], d[:, kernels.R_WIDTH] = w.write_um, r.read_um
        d[:, kernels.TRIM] = w.trim_um
        d[:, kernels.AZIMUTH] = r.azimuth_arcmin - w.azimuth_arcmin
        d[:, kernels.RATIO], d[:, kernels.R_SPEED] = w.speed / r.speed, r.speed
        d[:, kernels.WOW] = w.wow + r.wow
        d[:, kernels.NOISE], d[:, kernels.ASYMMETRY] = r.noise, r.asymmetry
        d[:, kernels.LOOP], d[:, kernels.CAPTURE], d[:, kernels.SHIFT] = 8.0, r.capture, 1.0
        d[:, kernels.SEEN] = 10 ** (-(r.loss_db + disk.loss_db) / 20)
        d[:, kernels.DEFECT] = np.minimum(disk.defect_rate, 1.0)
        self._magnetise(d, writer, w, reader, under, same_visit=same_visit)
        if under is not None:
            there = streams.even("under") < under.chance if laid is None else np.ones(streams.size, bool)
            old = laid or self.drawn.heads(under.mechanism, "earlier")
            d[:, kernels.UNDER] = there
            d[:, kernels.U_OFFSET] = old.offset_um + old.start_um
            d[:, kernels.U_WIDTH] = old.write_um
            d[:, kernels.RESIDUE] *= there
        return d

    def _grow(self, d: Floats, w: Heads, r: Heads, then: tuple[Floats, Floats]) -> None:
        """What comes between two visits: growth of disk and frames, another clamping, play."""
        disk, streams = self.disk, self.case.streams
        warmer, damper = self.today[0] - then[0], self.today[1] - then[1]
        along, across = (expansion.disk_strain(disk.thermal[i], disk.hygroscopic[i], warmer, damper) for i in (0, 1))
        mean, oval = expansion.mean_and_oval(along, across)
        d[:, kernels.STRAIN] = mean + expansion.frame_strain(w.frame_per_k, r.frame_per_k, then[0], self.today[0])
        d[:, kernels.OVAL] = oval
        d[:, kernels.OVAL_RAD] = 2 * np.pi * streams.even("oval")
        first = disk.swing_um * np.sqrt(-2 * np.log1p(-streams.even("first clamping"))) / np.sqrt(2)
        second = disk.swing_um * np.sqrt(-2 * np.log1p(-streams.even("second clamping"))) / np.sqrt(2)
        turned = 2 * np.pi * streams.even("between clampings")
        d[:, kernels.SWING] = expansion.two_clampings_um(first, second, turned)
        d[:, kernels.SWING_RAD] = 2 * np.pi * streams.even("swing")
        play = np.maximum(w.play_um, r.play_um)
        d[:, kernels.W_OFFSET] += expansion.hysteresis_um(
            play, streams.even("written inward") < 0.5, streams.even("read inward") < 0.5
        )

    def _magnetise(
        self, d: Floats, writer: Mechanism, w: Heads, reader: Mechanism, under: Under | None, *, same_visit: bool
    ) -> None:
        case, disk = self.case, self.disk
        current = write_field(writer, case.disk, case.layout)
        needed = case.disk.disk_class.coercivity_oe
        known = current is not None and needed is not None
        drive_oe = (current.value if known and current else 1.0) * w.field_factor
        disk_oe = (needed.value if known and needed else 1.0) * disk.coercivity_factor
        share = magnetics.written_share(drive_oe, disk_oe)
        native = float(magnetics.written_share(np.ones(1), np.ones(1))[0])
        fading = np.zeros(len(d)) if same_visit else disk.fade * magnetics.hardly_written_share(drive_oe, disk_oe)
        d[:, kernels.LAID] = np.minimum(1.0, (share - fading) / native) * 10 ** (-w.loss_db / 20)
        d[:, kernels.RESIDUE] = (1 - share) if under is not None else 0.0
        usual = layout_spacing_um(self.all)
        head, coating = head_spacing_um(reader.drive) or usual, disk_spacing_um(case.disk.disk_class) or usual
        blurred = magnetics.broadening(drive_oe, disk_oe) ** disk.blur
        d[:, kernels.PULSE] = magnetics.pulse_width_um(np.array(head), np.array(coating), blurred)

    def _tracks(self, writer: Mechanism, reader: Mechanism, under: Under | None) -> Floats:
        tracks = self.all
        t = np.zeros((len(tracks), kernels.TRACK_COLUMNS))
        t[:, kernels.RADIUS] = tracks.radius_mm
        pairs = sorted(set(zip(tracks.code.tolist(), tracks.cell_s.tolist(), strict=True)))
        for code, cell_s in pairs:
            here = (tracks.code == code) & (tracks.cell_s == cell_s)
            read, written = (choose_rate(m, code, cell_s, tracks.speed_rpm) for m in (reader, writer))
            t[here, kernels.RPM], t[here, kernels.CELL] = read.speed_rpm, read.cell_s
            t[here, kernels.RATE] = (read.ratio if read.suits else 1.0) / (written.ratio if written.suits else 1.0)
        t[:, kernels.SHORTEST], t[:, kernels.LONGEST] = tracks.shortest, tracks.longest
        t[:, kernels.TRANSITIONS], t[:, kernels.SECTORS] = tracks.transitions, tracks.sectors
        t[:, kernels.W_PLACE], t[:, kernels.R_PLACE] = (
            head_places_um(writer, tracks),
            head_places_um(reader, tracks),
        )
        t[:, kernels.STEP] = writer.drive.pitch_um.value * steps_a_track(writer, tracks.pitch_um)
        t[:, kernels.U_PLACE], t[:, kernels.U_STEP] = 0.0, _NOWHERE
        if under is not None:
            step = under.mechanism.drive.pitch_um.value * steps_a_track(under.mechanism, under.pitch_um)
            from_outer = outer_places_um(under.mechanism, tracks) + tracks.pitch_um * tracks.cylinder
            t[:, kernels.U_PLACE] = (from_outer + step / 2) % step - step / 2
            t[:, kernels.U_STEP] = step
        return t


def layout_spacing_um(tracks: Tracks) -> float:
    """Shortest spacing of transitions of a layout, um."""
    around = 2e3 * np.pi * tracks.radius_mm * tracks.speed_rpm / 60
    return float((around * tracks.cell_s * tracks.shortest).min())
