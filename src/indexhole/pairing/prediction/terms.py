"""The seven terms of a budget in words and numbers."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from indexhole.model import kernels, magnetics
from indexhole.pairing.parts.answer import Fact, Group, Term, Verdict, signed
from indexhole.pairing.parts.rates import write_field
from indexhole.pairing.prediction.fit import Fit, fact
from indexhole.pairing.prediction.format import Format
from indexhole.pairing.prediction.margins import Room
from indexhole.pairing.prediction.passages import Assembly, Case, Passage
from indexhole.standards.figures import Figure
from indexhole.wording import significant

Floats = npt.NDArray[np.float64]

# A group that takes no more than the first share of the chance works; one that takes the second leaves nothing worth a
# try and fails. Our own choice: half or twice of the first moves a group between works and doubtful only.
_DEAR, _RUIN = 0.05, 0.95
# Write current over what the coating wants, from which a fact is told: a quarter too much, or a twentieth too little,
# since too little fails to saturate sooner than too much hurts. They only choose words. Our own choice.
_OVERDRIVEN, _UNDERDRIVEN = 1.25, 0.95


def _middle(values: Floats | None) -> tuple[float | None, float | None]:
    if values is None:
        return None, None
    return float(np.mean(values)), float(np.std(values))


def judge(cost: float, margin: float | None, uncertainty: float | None) -> Verdict:
    """A group fails when it takes nearly all, works when it takes little and leaves room."""
    if cost >= _RUIN:
        return "fails"
    if margin is not None and uncertainty is not None and margin + uncertainty < 0:
        return "fails" if cost > 0.5 else "doubtful"
    if cost > _DEAR or (margin is not None and margin < 0):
        return "doubtful"
    return "works"


def _term(
    group: Group, margin: Floats | None, unit: str, cost: float, words: str, facts: tuple[Fact, ...] = ()
) -> Term:
    middle, spread = _middle(margin)
    return Term(group, middle, spread, unit, cost, judge(cost, middle, spread), words, facts)


def fit_term(fit: Fit, cost: float) -> Term:
    """Size, sides, index, notch, reach."""
    words = "; ".join([*fit.hindrances, *fit.supposed, *fit.doubts]) or "goes in, and every track is reached"
    margin = np.array([float(fit.spare_cylinders)]) if fit.goes_in else None
    term = _term("fit", margin, "cylinders", cost, words, fit.facts)
    verdict: Verdict = "fails" if fit.hindrances else "unproven" if fit.supposed else "works"
    return Term("fit", term.margin, term.uncertainty, term.unit, cost, verdict, words, fit.facts)


def position_term(case: Case, passage: Passage, room: Room, cost: float) -> Term:
    """Pitch, widths, offsets, swing and growth."""
    d, t = passage.draws, passage.tracks
    drift = t[:, kernels.W_PLACE] - t[:, kernels.R_PLACE]
    worst = float(np.abs(drift).max())
    parts = []
    if worst > 1:
        share = float(np.mean(np.abs(drift) < d[:, kernels.W_WIDTH].mean()))
        parts.append(f"centre lines drift apart by up to {worst:.0f} um; {share:.0%} of the tracks overlap at all")
    apart = float(np.std(d[:, kernels.W_OFFSET] - d[:, kernels.R_OFFSET]))
    middle = float(np.mean(d[:, kernels.W_OFFSET] - d[:, kernels.R_OFFSET]))
    parts.append(f"heads stand {signed(middle)} +/- {apart:.0f} um apart")
    grown = t[0, kernels.RADIUS] * 1e3 * d[:, kernels.STRAIN]
    if np.any(grown):
        parts.append(f"growth moves the outermost track by {signed(float(np.mean(grown)))} +/- {np.std(grown):.0f} um")
    if np.any(d[:, kernels.SWING]):
        parts.append(f"clamping it again moves it by {np.mean(d[:, kernels.SWING]):.0f} um")
    return _term("position", room.position_um, "um", cost, "; ".join(parts), _position_facts(case))


def _position_facts(case: Case) -> tuple[Fact, ...]:
    found = []
    for role, m in (("writer", case.writer), ("reader", case.reader)):
        who, drive = m.name or f"the {role}", m.drive
        width: Figure | None = drive.write_width_um if role == "writer" else drive.read_width_um
        found += [
            fact(f"start radius of {who}", drive.radius_side_0_mm, "mm"),
            fact(f"pitch of {who}", drive.pitch_um, "um"),
            fact(f"width of {who}", width, "um"),
            fact(f"offset limit of {who}", drive.offset_limit_um, "um"),
        ]
    found.append(Fact("thermal growth", 17.0, "1e-6 per K", "MEMORY fair", "ISO parts 1: (17 +/- 8) x 1e-6 per K"))
    found.append(Fact("growth by damp", 7.5, "1e-6 per % RH", "MEMORY fair", "ISO parts 1: (0 to 15) x 1e-6 per % RH"))
    return tuple(found)


def old_term(assembly: Assembly, room: Room, cost: float) -> Term:
    """What was there before."""
    case, under = assembly.case, assembly.under
    if case.operation == "update":
        words = "the recording of the other drive lies under the rewritten sectors"
    elif under is None:
        words = "nothing lies underneath"
    elif under.chance < 1:
        words = "whether a recording lies underneath is not known: taken as an even chance"
    else:
        words = f"a recording by {under.mechanism.name or 'an outside drive'} lies underneath"
    facts = []
    if under is not None or case.operation == "update":
        old = case.writer if under is None else under.mechanism
        facts.append(fact("width of the older track", old.drive.write_width_um, "um"))
        facts.append(fact("edge wiped by the writer", case.writer.drive.erase_trim_um, "um"))
    return _term("old recording", room.old_db, "dB", cost, words, tuple(facts))


def bad_places(case: Case, passage: Passage) -> tuple[float, str]:
    """The chance of a whole disk that its bad places take by themselves, and why; no words where that is little."""
    sectors = float(passage.tracks[:, kernels.SECTORS].sum())
    lost = passage.draws[:, kernels.DEFECT] * sectors
    takes = 1.0 - float(np.exp(-np.minimum(lost, 700.0)).mean())
    known = case.beliefs.disks.get(case.disk.name)
    quality = known.quality if known is not None else None
    number = f"about {significant(lost.mean())} +/- {significant(lost.std())} of the {sectors:.0f} sectors of a disk"
    if quality is not None and quality.lost:
        words = f"{quality.words} (one failed read of a sector counts as lost): by that {number} are"
        if quality.read_elsewhere:
            words += (
                f"; another trial of the same tracks lost none, so a retry or another reader may bring back "
                f"{'it' if quality.lost == 1 else f'{quality.read_elsewhere} of them'}"
            )
        return takes, words
    if takes <= _DEAR:
        return takes, ""
    if case.disk.condition:
        return takes, f"a disk noted as {', '.join(case.disk.condition)} often has bad places: {number} taken as lost"
    return takes, f"the disk may have bad places: {number} taken as lost"


def magnetics_term(case: Case, passage: Passage, room: Room, cost: float) -> Term:
    """Write field against coercivity, how sharp the result is, and the bad places of the disk."""
    writer = case.reader if case.operation == "update" else case.writer
    current, needed = write_field(writer, case.disk, case.layout), case.disk.disk_class.coercivity_oe
    spots = bad_places(case, passage)[1]
    parts = [spots] if spots else []
    if current is not None and needed is not None:
        ratio = current.value / needed.value
        drive, disk = np.array(current.value), np.array(needed.value)
        share = float(magnetics.written_share(drive, disk))
        left = float(magnetics.overwrite_db(drive, disk))
        if ratio > _OVERDRIVEN:
            blur = float(magnetics.broadening(drive, disk))
            parts.append(
                f"over-driven: the current suits {current.value:.0f} Oe, the disk has {needed.value:.0f}; transitions "
                f"get {blur - 1:.0%} longer or more"
            )
        elif ratio < _UNDERDRIVEN:
            parts.append(
                f"the current suits {current.value:.0f} Oe, the disk has {needed.value:.0f}: {share:.0%} of the "
                f"coating is written, and an older recording is left at {left:.0f} dB"
            )
            if share > 0.5:
                parts.append("it may seem to work, but what is written so weakly may fade")
        else:
            parts.append(f"write current and coating suit each other ({left:.0f} dB overwrite)")
    else:
        parts.append("coercivity or write current is not known: assumed to suit each other")
    pulse = float(np.median(passage.draws[:, kernels.PULSE]))
    t = passage.tracks
    around = 2e3 * np.pi * t[:, kernels.RADIUS] * t[:, kernels.RPM] / 60
    spacing = float((around * t[:, kernels.CELL] * t[:, kernels.RATE] * t[:, kernels.SHORTEST]).min())
    parts.append(
        f"pulses are {pulse / spacing:.2f} of the shortest spacing ({spacing:.1f} um) at the innermost track; "
        f"resolution {float(magnetics.resolution(np.array(pulse), np.array(spacing))):.0%}"
    )
    facts = (fact("write current suits", current, "Oe"), fact("coercivity of the disk", needed, "Oe"))
    own = Fact("reach of the write field", magnetics.REACH, "", "OWN", "set so that a native pair overwrites by 30 dB")
    return _term("magnetics", room.magnetics_db, "dB", cost, "; ".join(parts), (*facts, own))


def timing_term(case: Case, passage: Passage, room: Room, cost: float) -> Term:
    """Speed, its variation, peak shift and the window."""
    off = (passage.draws[:, kernels.RATIO] * float(np.median(passage.tracks[:, kernels.RATE])) - 1) * 100
    words = f"cells pass {signed(float(np.mean(off)), 2)} +/- {np.std(off):.2f} % long; window left at one error in 1e9"
    facts = tuple(
        fact(f"speed limit of {m.name or role}", m.drive.speed_limit_pct, "%")
        for role, m in (("the writer", case.writer), ("the reader", case.reader))
    )
    return _term("timing", room.timing, "of the half window", cost, words, facts)


def format_term(form: Format, cost: float) -> Term:
    """Code, rates, sectors, gaps."""
    parts = [*form.hindrances, *form.supposed]
    if form.margin_bytes is not None and not parts:
        if form.difference_bytes >= 0.05:
            parts.append(
                f"the two controllers count the gap between header and data differently, by "
                f"{form.difference_bytes:.1f} bytes: each reads what the other wrote, but sectors rewritten in place "
                "may be lost"
            )
        else:
            parts.append("both count the same gap between header and data")
    parts += form.notes
    words = "; ".join(parts) or "code, rates and sectors are known"
    term = _term("code and format", form.margin_bytes, "bytes", cost, words, form.facts)
    verdict: Verdict = "fails" if form.hindrances else "unproven" if form.supposed else term.verdict
    return Term(term.group, term.margin, term.uncertainty, term.unit, cost, verdict, words, form.facts)


def volume_term(case: Case) -> Term:
    """Whether the host knows the file structure; sectors are read all the same."""
    kind, host = case.disk.volume_kind, case.reads_now[0].host
    if not kind or not host.volume_kinds:
        words = "which file structure it has, or which ones the host knows, is not noted on the shelf"
        return Term("volume", None, None, "", 0.0, "unproven", words)
    if kind in host.volume_kinds:
        return Term("volume", None, None, "", 0.0, "works", f"the host knows {kind} volumes")
    return Term(
        "volume", None, None, "", 0.0, "fails", f"the host does not know {kind} volumes: sectors only, no files"
    )
