"""How one sector is settled, rule by rule, and the limit over a whole disk."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.codes.code import SectorId
from indexhole.codes.crc import with_edc
from indexhole.codes.encode import fm_cells, group_cells, mfm_cells
from indexhole.codes.known import CODES
from indexhole.recover.fields.likelihood import symbols_of
from indexhole.recover.fields.reads import SectorRead
from indexhole.recover.fields.stretch import Stretch
from indexhole.recover.sectors import resolve_sector as rules
from indexhole.recover.sectors.budget import FALSE_BUDGET, false_chance, within_budget
from indexhole.recover.sectors.resolve_sector import median_angle, resolve_sector
from indexhole.recover.shapes.result import Sector, SectorState, Track

SIZE = 16
ID = SectorId(0, 0, 3, SIZE)
Floats = npt.NDArray[np.float64]
Given = Callable[[Floats], None]


def field_of(code: str, seed: int = 1, mark: int = 0xFB, size: int = SIZE) -> bytes:
    """A whole field with a passing check."""
    body = np.random.default_rng(seed).bytes(size)
    if code == "group45":
        return b"\x07" + body + bytes([int(np.bitwise_xor.reduce(np.frombuffer(body, dtype=np.uint8)))])
    lead = b"\xa1\xa1\xa1" if code == "mfm" else b""
    return with_edc(lead + bytes([mark]) + body)[len(lead) :]


def cells_of(field: bytes, code: str) -> npt.NDArray[np.uint8]:
    """Cells decoding covers: an FM mark is not among them."""
    if code == "fm":
        return fm_cells(field[1:])
    return group_cells(field) if code == "group45" else mfm_cells(field, previous_bit=1)


def flipped(field: bytes, *bits: int) -> bytes:
    """The field with these bits of its contents turned (0 = highest of the first byte)."""
    bad = bytearray(field)
    for bit in bits:
        bad[1 + bit // 8] ^= 128 >> bit % 8
    return bytes(bad)


def no_pulses(code: str) -> Stretch:
    """Something for a read to keep; what it says is given by the test."""
    return Stretch(code, np.array([96, 96], dtype=np.int32), None, 48.0, 1, 1)


def a_read(code: str, field: bytes, **told: object) -> SectorRead:
    """A pass as read: passing and calm by default."""
    usual = SectorRead(
        stream=0,
        code=code,
        id=ID,
        field=field,
        passed=CODES[code].check.whole(field),
        faults=0,
        worst=0.1,
        at=10,
        kind=1 if code == "fm" else 0,
        turn=0.25,
        tick=0,
        cut=False,
        rough=0.0,
        source=no_pulses(code),
    )
    return replace(usual, **told)  # type: ignore[arg-type]


@pytest.fixture
def evidence(monkeypatch: pytest.MonkeyPatch) -> Given:
    """Sets what the passes together say of each cell."""

    def set_to(values: Floats) -> None:
        monkeypatch.setattr(
            rules, "joint_symbols", lambda given, cells: symbols_of(values[:cells], CODES[given[0].code])
        )

    return set_to


def saying(field: bytes, code: str, odds: dict[int, float] | None = None, sure: float = 25.0) -> Floats:
    """Evidence for a field, all of it sure but for these bits of its contents: their log-odds of being as in it.

    Bits of FM only, where each has a cell of its own.
    """
    cells = cells_of(field, code)
    values = np.where(cells == 1, sure, -sure)
    for bit, value in (odds or {}).items():
        at = 2 * bit + 1
        values[at] = value if cells[at] else -value
    return values


def settled(reads: Sequence[SectorRead], placed: Sequence[SectorRead] = (), size: int = SIZE) -> Sector:
    sector, warnings = resolve_sector(3, size, reads, placed, id_seen=True)
    assert warnings == []
    return sector


# what needs no reckoning


@pytest.mark.parametrize(("id_seen", "how"), [(True, "no data field behind it"), (False, "no id field of this number")])
def test_nothing_read_is_lost(id_seen: bool, how: str) -> None:
    sector, warnings = resolve_sector(3, SIZE, [], [], id_seen=id_seen)
    assert (sector.state, sector.data, sector.size, warnings) == (SectorState.LOST, b"", SIZE, [])
    assert how in sector.how


@pytest.mark.parametrize("code", CODES)
def test_one_calm_pass_on_a_quiet_track_is_sound(code: str) -> None:
    field = field_of(code)
    sector = settled([a_read(code, field)])
    assert (sector.state, sector.data, sector.passes_read, sector.how) == (
        SectorState.SOUND,
        field[1 : 1 + SIZE],
        1,
        "read once",
    )
    assert math.isnan(sector.false_chance)


def test_deleted_mark_is_told() -> None:
    assert settled([a_read("fm", field_of("fm", mark=0xF8))]).deleted
    assert not settled([a_read("fm", field_of("fm"))]).deleted


@pytest.mark.parametrize(
    ("code", "worst", "rough", "computed"),
    [
        ("mfm", 0.33, 0.01, False),  # a long check needs no quiet track
        ("mfm", 0.35, 0.0, True),  # a pulse near the edge of its window
        ("group45", 0.33, 0.049, False),
        ("group45", 0.33, 0.051, True),  # a short check on a track with dropouts
        ("group45", 0.35, 0.0, True),
    ],
)
def test_when_one_pass_is_not_enough(evidence: Given, code: str, worst: float, rough: float, computed: bool) -> None:
    field = field_of(code)
    evidence(saying(field, code))
    sector = settled([a_read(code, field, worst=worst, rough=rough)])
    assert sector.state is SectorState.SOUND
    assert math.isnan(sector.false_chance) is not computed


@pytest.mark.parametrize(
    ("code", "votes", "computed"),
    [("mfm", 1, True), ("mfm", 2, False), ("fm", 2, False), ("group45", 2, True), ("group45", 3, False)],
)
def test_how_many_votes_settle_it_against_failing_passes(
    evidence: Given, code: str, votes: int, computed: bool
) -> None:
    field = field_of(code)
    evidence(saying(field, code))
    good = [a_read(code, field, worst=0.5) for _ in range(votes)]
    bad = [a_read(code, flipped(field, 3)) for _ in range(2)]
    sector = settled([*bad, *good])
    assert (sector.state, sector.passes_read) == (SectorState.SOUND, votes)
    assert sector.how == f"check passed in {votes} of {votes + 2} passes"
    assert math.isnan(sector.false_chance) is not computed


def test_two_calm_passes_prove_a_short_check_on_any_track() -> None:
    field = field_of("group45")
    sector = settled([a_read("group45", field, rough=0.9), a_read("group45", field, rough=0.9)])
    assert (sector.state, sector.passes_read) == (SectorState.SOUND, 2)
    assert math.isnan(sector.false_chance)


def test_a_read_given_here_by_its_place_may_contradict_the_one_with_the_id(evidence: Given) -> None:
    """Both pass their short check with other bytes: neither is believed without reckoning."""
    field, other = field_of("group45", 1), field_of("group45", 2)
    evidence(saying(other, "group45"))
    sector, _ = resolve_sector(3, SIZE, [a_read("group45", field)], [a_read("group45", other, id=None)], id_seen=True)
    assert (sector.state, sector.data) == (SectorState.MENDED, other[1 : 1 + SIZE])
    agreeing, _ = resolve_sector(3, SIZE, [a_read("group45", field)], [a_read("group45", field, id=None)], id_seen=True)
    assert (agreeing.state, agreeing.data) == (SectorState.SOUND, field[1 : 1 + SIZE])
    assert math.isnan(agreeing.false_chance)


def test_a_field_the_log_ends_in_counts_only_when_there_is_no_other() -> None:
    field = field_of("mfm")
    cut = a_read("mfm", flipped(field, 5), cut=True)
    assert settled([cut, a_read("mfm", field)]).how == "read once"
    alone = settled([replace(cut, source=None)])
    assert (alone.state, alone.how) == (SectorState.SUSPECT, "the check failed in 1 pass")


@pytest.mark.parametrize(
    ("first", "second", "state"), [(1, 1, "suspect"), (2, 1, "suspect"), (3, 1, "sound"), (5, 2, "suspect")]
)
def test_passing_passes_that_disagree(first: int, second: int, state: str) -> None:
    one, other = field_of("mfm", 1), field_of("mfm", 2)
    reads = [a_read("mfm", one)] * first + [a_read("mfm", other)] * second
    sector, warnings = resolve_sector(3, SIZE, reads, [], id_seen=True)
    assert (str(sector.state), sector.data, sector.passes_read) == (state, one[1 : 1 + SIZE], first)
    assert warnings == ["sector 3: passes with a passing check disagree (2 different contents)"]


def test_a_pass_proven_in_its_own_stay_needs_no_pulses() -> None:
    field = field_of("group45")
    reads = [a_read("group45", field, source=None), a_read("group45", flipped(field, 9))]
    sector = settled(reads)
    assert (sector.state, sector.how) == (SectorState.SOUND, "check passed in 1 of 2 passes")


# reckoning


@pytest.mark.parametrize("code", CODES)
def test_a_passing_pass_with_clear_evidence_is_sound_with_its_chance(evidence: Given, code: str) -> None:
    field = field_of(code)
    evidence(saying(field, code))
    sector = settled([a_read(code, field, worst=0.45, rough=0.5), a_read(code, flipped(field, 7))])
    assert (sector.state, sector.data, sector.passes_read) == (SectorState.SOUND, field[1 : 1 + SIZE], 1)
    assert 0 <= sector.false_chance < 1e-9


def test_a_passing_pass_over_doubtful_evidence_stays_suspect(evidence: Given) -> None:
    """One bit at odds of 1 nat: R/P = e^-1, so the chance is e^-1 / 65536 = 5.6e-6, above 2e-6."""
    field = field_of("fm")
    evidence(saying(field, "fm", {20: 1.0}))
    reads = [a_read("fm", field, worst=0.4), a_read("fm", flipped(field, 20), worst=0.4)]
    sector = settled(reads)
    assert (sector.state, sector.data, sector.passes_read) == (SectorState.SUSPECT, field[1 : 1 + SIZE], 1)
    assert sector.how.endswith("over a signal too weak for the check to prove it; read it again")
    # A calm pass among several is trusted behind a long check.
    calm = settled([replace(reads[0], worst=0.2), reads[1]])
    assert (calm.state, calm.passes_read) == (SectorState.SOUND, 1)
    assert calm.false_chance == pytest.approx(math.exp(-1) / 65536, rel=1e-3)


def test_behind_a_short_check_a_calm_pass_is_not_enough(evidence: Given) -> None:
    field = field_of("group45")
    values = saying(field, "group45", sure=2.0)
    evidence(values)
    reads = [a_read("group45", field, worst=0.2, rough=0.5), a_read("group45", flipped(field, 20), worst=0.4)]
    assert settled(reads).state is SectorState.SUSPECT
    evidence(8 * values)
    assert settled(reads).state is SectorState.SOUND


def test_a_passing_pass_against_the_evidence_is_not_believed(evidence: Given) -> None:
    field, other = field_of("mfm", 1), field_of("mfm", 2)
    evidence(saying(flipped(other, 4), "mfm"))
    sector = settled([a_read("mfm", field, worst=0.2), a_read("mfm", other[:-1] + b"\0", worst=0.45)])
    assert sector.state is SectorState.SUSPECT
    assert sector.data == field[1 : 1 + SIZE]


@pytest.mark.parametrize("code", CODES)
def test_what_no_pass_holds_is_mended_when_the_sum_passes(evidence: Given, code: str) -> None:
    field = field_of(code)
    evidence(saying(field, code))
    off_by_one = field[:-1] + bytes([field[-1] ^ 1])
    sector = settled([a_read(code, f) for f in (flipped(field, 3, 60), flipped(field, 77, 78), off_by_one)])
    assert (sector.state, sector.data, sector.passes_read) == (SectorState.MENDED, field[1 : 1 + SIZE], 0)
    # The pass with the wrong check byte lies nearest: its contents are these.
    assert sector.changed == ()
    assert sector.given_up == 0
    assert sector.false_chance < 1e-9
    assert sector.how == "3 passes combined pulse by pulse; 0 bits differ from the nearest pass"


def test_bits_that_differ_from_the_nearest_pass_are_told(evidence: Given) -> None:
    field = field_of("fm")
    evidence(saying(field, "fm"))
    sector = settled([a_read("fm", flipped(field, 0, 9, 127)), a_read("fm", flipped(field, *range(40)))])
    assert sector.changed == (0, 9, 127)
    assert "3 bits differ from the nearest pass" in sector.how


@pytest.mark.parametrize(
    ("odds", "mended"),
    [
        (0.5, True),  # P = 0.38 for the second: 0.001 / 65536 / 0.38 = 4e-8
        (3.4, True),  # P = 0.032: 4.7e-7
        (3.5, False),  # P = 0.029: 5.2e-7
        (6.0, False),
    ],
)
def test_the_second_likeliest_is_believed_while_it_is_likely_enough(evidence: Given, odds: float, mended: bool) -> None:
    field = field_of("fm")
    evidence(saying(flipped(field, 50), "fm", {50: odds}))
    sector = settled([a_read("fm", flipped(field, 50)), a_read("fm", flipped(field, 50, 51))])
    if mended:
        assert (sector.state, sector.data, sector.changed) == (SectorState.MENDED, field[1 : 1 + SIZE], (50,))
        assert sector.given_up == pytest.approx(odds)
        assert sector.how.endswith(f"1 least certain bit turned, {odds:.1f} nats given up")
        assert sector.false_chance == pytest.approx(1e-3 / 65536 * (1 + math.exp(odds)), rel=1e-2)
    else:
        # The likeliest bytes are handed over all the same.
        assert (sector.state, sector.data) == (SectorState.SUSPECT, flipped(field, 50)[1 : 1 + SIZE])
        assert sector.how == "the check failed in 2 passes and combined"


def test_much_left_untried_forbids_mending(evidence: Given) -> None:
    """Three bits at odds of 3.4 nats each: the likeliest passes, but a tenth of the probability lies elsewhere."""
    field = field_of("fm")
    evidence(saying(field, "fm", {5: 3.4, 50: 3.4, 90: 3.4}))
    assert settled([a_read("fm", flipped(field, 5))]).state is SectorState.SUSPECT
    evidence(saying(field, "fm", {5: 4.6, 50: 4.6, 90: 4.6}))
    sector = settled([a_read("fm", flipped(field, 5))])
    assert sector.state is SectorState.MENDED
    assert sector.false_chance == pytest.approx(3 * math.exp(-4.6) / 65536, rel=0.05)


def test_behind_a_short_check_only_the_likeliest_is_ever_believed(evidence: Given) -> None:
    field = field_of("group45")
    wrong = flipped(field, 20)
    # Evidence half-way between the two, a little on the wrong side.
    values = 0.4 * saying(field, "group45") + 0.6 * saying(wrong, "group45")
    evidence(values)
    assert settled([a_read("group45", wrong)]).state is SectorState.SUSPECT
    evidence(saying(field, "group45"))
    assert settled([a_read("group45", wrong)]).state is SectorState.MENDED


@pytest.mark.parametrize(("code", "first"), [("mfm", 0xFE), ("group45", 0x08)])
def test_a_passing_field_of_another_kind_is_no_data(evidence: Given, code: str, first: int) -> None:
    field = field_of(code)
    if code == "mfm":
        other = with_edc(b"\xa1\xa1\xa1" + bytes([first]) + field[1 : 1 + SIZE])[3:]
    else:
        other = bytes([first]) + field[1:]
    assert CODES[code].check.whole(other)
    evidence(saying(other, code))
    assert settled([a_read(code, flipped(field, 2))]).state is SectorState.SUSPECT


def test_fields_without_id_count_by_their_place(evidence: Given) -> None:
    field = field_of("mfm")
    evidence(saying(field, "mfm"))
    without_id = a_read("mfm", field, id=None)
    sector = settled([], [without_id, without_id])
    assert (sector.state, sector.passes_read) == (SectorState.MENDED, 2)
    assert sector.how == "data field read 2 times without a legible id; given to this sector by its place on the turn"
    # They help a read behind an id, but do not make it sound.
    helped = settled([a_read("mfm", flipped(field, 1))], [without_id])
    assert (helped.state, helped.data) == (SectorState.MENDED, field[1 : 1 + SIZE])


def test_angle_is_the_middle_one_across_the_index() -> None:
    assert median_angle([0.99, 0.01, 0.02]) == pytest.approx(0.01)
    assert median_angle([0.98, 0.02]) == pytest.approx(0.0)
    field = field_of("mfm")
    turns = (3.99, 5.01, 7.02)
    assert settled([a_read("mfm", field, turn=t) for t in turns]).angle == pytest.approx(0.01)


# with real pulses


def seen(code: str, field: bytes, rng: np.random.Generator, holes: Sequence[int], jitter: float = 0.06) -> Stretch:
    """The field's pulses behind some sync and a mark, those in the ten cells from each hole left out."""
    step = 1 if code == "group45" else 2
    sync = np.zeros(160, dtype=np.uint8)
    sync[:159:step] = 1
    whole = np.concatenate((sync, [1], cells_of(field, code), np.tile(np.array([1, 0], dtype=np.uint8), 20)))
    kept = np.flatnonzero(whole)
    for hole in holes:
        kept = kept[(kept < 161 + hole) | (kept >= 171 + hole)]
    ticks = np.rint((kept + rng.normal(0, jitter, kept.size)) * 48).astype(np.int64)
    return Stretch(code, np.diff(ticks).astype(np.int32), None, 48.0, int(np.searchsorted(kept, 160)), 1)


@pytest.mark.parametrize("code", CODES)
def test_passes_with_holes_in_different_places_are_mended(code: str) -> None:
    rng = np.random.default_rng(8)
    field = field_of(code, size=64)
    cells = CODES[code].decoded_cells(64)
    reads = [
        a_read(code, flipped(field, 5 + k), source=seen(code, field, rng, [at, at + cells // 2]))
        for k, at in enumerate((30, 90, 150, 210))
    ]
    sector = settled(reads, size=64)
    assert (sector.state, sector.data) == (SectorState.MENDED, field[1:65])
    assert "4 passes combined" in sector.how
    # The same hole in all of them leaves it open.
    same = [replace(r, source=seen(code, field, rng, [90])) for r in reads]
    assert settled(same, size=64).state is SectorState.SUSPECT


@given(
    st.sampled_from(sorted(CODES)),
    st.lists(st.tuples(st.integers(0, 2), st.floats(0, 0.5), st.floats(0, 1e-3), st.booleans()), max_size=5),
    st.integers(0, 2**32 - 1),
    st.floats(0.0, 12.0),
)
@settings(max_examples=200)
def test_whatever_the_reads_the_promises_hold(
    code: str, told: list[tuple[int, float, float, bool]], seed: int, strength: float
) -> None:
    """Sound only what a pass read with a passing check, mended only what passes it, at less than the agreed chance."""
    rng = np.random.default_rng(seed)
    true = field_of(code, seed)
    reads = []
    for kind, worst, rough, with_id in told:
        field = [true, flipped(true, int(rng.integers(0, 8 * SIZE))), field_of(code, seed + 1)][kind]
        reads.append(a_read(code, field, worst=worst, rough=rough, id=ID if with_id else None))
    noise = rng.normal(0, 2, cells_of(true, code).size)
    values = strength * np.where(cells_of(true, code) == 1, 1.0, -1.0) + noise
    own, placed = [r for r in reads if r.id], [r for r in reads if not r.id]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            rules, "joint_symbols", lambda stretches, cells: symbols_of(values[:cells], CODES[stretches[0].code])
        )
        sector, _ = resolve_sector(3, SIZE, own, placed, id_seen=True)
    assert (sector.state is SectorState.LOST) == (not reads)
    contents = [r.field[1 : 1 + SIZE] for r in own if r.passed]
    if sector.state is SectorState.SOUND:
        assert sector.data in contents
        assert sector.passes_read == contents.count(sector.data)
    if sector.state is SectorState.MENDED:
        assert 0 <= sector.false_chance <= 5e-7
        # Its check passes: the true field and the other are the only ones of these that do.
        assert sector.data in (true[1 : 1 + SIZE], field_of(code, seed + 1)[1 : 1 + SIZE])
    if reads:
        assert len(sector.data) == SIZE


# over the whole disk


def mended(number: int, chance: float) -> Sector:
    return Sector(number, 128, SectorState.MENDED, bytes(128), 0, "mended so", false_chance=chance)


def track_of(cylinder: int, sectors: Sequence[Sector]) -> Track:
    return Track(cylinder, 0, 3, 300.0, "mfm", 2e-6, tuple(sectors))


@given(st.lists(st.lists(st.floats(0, 6e-7), max_size=5), max_size=5))
@settings(max_examples=200)
def test_what_stays_mended_keeps_to_the_budget_and_the_surest_stay(chances: list[list[float]]) -> None:
    sound = Sector(99, 128, SectorState.SOUND, bytes(128), 1, "read once", false_chance=1e-4)
    tracks = [track_of(c, [*map(mended, range(len(row)), row), sound]) for c, row in enumerate(chances)]
    judged, doubted = within_budget(tracks)
    assert false_chance(judged) <= FALSE_BUDGET
    kept, left = [], []
    for before, after in zip(tracks, judged, strict=True):
        assert after.sectors[-1] == sound
        for was, now in zip(before.sectors, after.sectors, strict=True):
            assert (was.data, was.false_chance) == (now.data, now.false_chance)
            if was.state is SectorState.MENDED:
                (kept if now.state is SectorState.MENDED else left).append(now)
    assert doubted == len(left)
    for one in left:
        assert one.state is SectorState.SUSPECT
        assert one.how == "mended so; one such sector too many for the whole disk to be trusted"
        assert all(one.false_chance >= other.false_chance for other in kept)
    if left:
        # Not one more could have stayed.
        assert false_chance(judged) + min(one.false_chance for one in left) > FALSE_BUDGET


def test_of_two_sectors_of_one_number_only_the_doubtful_one_is_doubted() -> None:
    tracks = [track_of(0, [mended(4, 1e-9), mended(4, 9e-7), mended(5, 4e-7)])]
    judged, doubted = within_budget(tracks)
    assert doubted == 1
    assert [str(s.state) for s in judged[0].sectors] == ["mended", "suspect", "mended"]
