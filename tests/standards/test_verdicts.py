"""The one rule for verdicts, and the keeper's own limits."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from indexhole.errors import InputFault
from indexhole.jobs.faults.own_limits import LIMITS_FILE, kept_tolerances, read_tolerances
from indexhole.levelling.measurements import INDEX, OFFSET, SPEED
from indexhole.levelling.quantity import limits_of
from indexhole.shelf.register.shelf import Shelf
from indexhole.signal.gauges.gauge import Gauge
from indexhole.standards.tolerances import LIBRARY, find_tolerance, load_tolerances, parse_own
from indexhole.standards.verdicts import NO_LIMITS, Limits, Verdict, judge

PAGE = Path(__file__).parents[2] / "docs" / "verdicts.md"
SPEED_LIMITS = LIBRARY.limits("spindle_speed", "130-48")
VARIATION_LIMITS = LIBRARY.limits("speed_variation", "130-48")
UNDECIDED = (Verdict.DOUBTFUL, Verdict.UNPROVEN)

finite = st.floats(-1e6, 1e6)
spreads = st.floats(0, 1e6)
odd = st.sampled_from([math.nan, math.inf, -math.inf])


@st.composite
def limits(draw: st.DrawFn) -> Limits:
    """Limits that nest, any of them left out, but not both outer ones."""
    low, warn_low, nominal, warn_high, high = sorted(draw(st.lists(finite, min_size=5, max_size=5)))
    there = draw(st.lists(st.booleans(), min_size=5, max_size=5).filter(lambda t: t[0] or t[4]))
    held = [v if t else None for v, t in zip((low, warn_low, nominal, warn_high, high), there, strict=True)]
    return Limits(held[0], held[4], held[1], held[3], held[2])


def examples(heading: str) -> list[tuple[float, float, str]]:
    """(value, uncertainty, verdict) of the table below a sentence of the page."""
    rows = [line.split("|") for line in PAGE.read_text("utf-8").split(heading)[1].split("\n\n")[1].splitlines()[2:]]
    return [(float(r[1]), math.nan if r[2].strip() == "none" else float(r[2]), r[4].strip()) for r in rows]


@pytest.mark.parametrize(("value", "uncertainty", "verdict"), examples("Spindle speed, r/min"))
def test_examples_of_speed(value: float, uncertainty: float, verdict: str) -> None:
    assert judge(value, uncertainty, SPEED_LIMITS) == verdict


@pytest.mark.parametrize(("value", "uncertainty", "verdict"), examples("Speed variation, % peak"))
def test_examples_with_one_limit(value: float, uncertainty: float, verdict: str) -> None:
    assert judge(value, uncertainty, VARIATION_LIMITS) == verdict


def test_gauges_and_levelling_agree_on_the_same_figures() -> None:
    """Speed in r/min, and as a log ratio to nominal in percent: the same figures, the same word."""
    for value, uncertainty, verdict in examples("Spindle speed, r/min"):
        assert Gauge("spindle_speed", value, "rpm", uncertainty, SPEED_LIMITS).verdict == verdict
    offset, index = (limits_of(quantity, "130-48") for quantity in (OFFSET, INDEX))
    assert judge(30.0, 1.0, offset) is Verdict.DOUBTFUL and judge(20.0, 1.0, offset) is Verdict.WORKS
    assert (index.low, index.warn_low, index.warn_high, index.high) == pytest.approx((-200, -100, 100, 200))
    speed = limits_of(SPEED, "130-48")
    for rpm, verdict in ((300.0, "works"), (304.0, "doubtful"), (306.0, "fails")):
        assert judge(100 * math.log(rpm / 300), 0.05 / rpm * 100, speed) == verdict
        assert judge(rpm, 0.05, SPEED_LIMITS) == verdict


@given(limits(), st.lists(finite, min_size=3, max_size=3), spreads)
def test_a_verdict_only_gets_worse_with_the_distance_from_what_is_best(
    held: Limits, values: list[float], u: float
) -> None:
    """Between two values none is judged worse than both: good in one stretch, and worse away from it on either side."""
    rank = {Verdict.WORKS: 0, Verdict.DOUBTFUL: 1, Verdict.UNPROVEN: 1, Verdict.FAILS: 2}
    low, between, high = (rank[judge(v, u, held)] for v in sorted(values))
    assert between <= max(low, high)


@given(limits(), finite, spreads, spreads)
def test_a_larger_uncertainty_decides_nothing(held: Limits, value: float, u: float, more: float) -> None:
    narrow, wide = judge(value, u, held), judge(value, u + more, held)
    if narrow in UNDECIDED:
        assert wide in UNDECIDED
    assert wide in (narrow, *UNDECIDED)


@given(limits(), st.integers(-(10**6), 10**6), st.integers(0, 10**6), st.integers(-60, 60))
def test_another_unit_changes_nothing(held: Limits, value: int, u: int, power: int) -> None:
    scale = 2.0**power  # exact
    assert judge(value * scale, u * scale, held.through(lambda v: v * scale)) is judge(value, u, held)


@given(limits(), finite | odd, spreads | odd | st.none() | st.floats(max_value=-1e-300))
@example(Limits(low=0.0), 1.0, math.nan)
@example(Limits(low=0.0), math.inf, 0.0)
def test_what_is_no_number_never_works_and_never_fails(held: Limits, value: float, u: float | None) -> None:
    if u is None or not math.isfinite(value) or not math.isfinite(u) or u < 0:
        assert judge(value, u, held) is Verdict.UNPROVEN
    assert judge(value, u, NO_LIMITS) is Verdict.UNPROVEN


@given(limits(), finite, spreads)
def test_a_limit_is_kept_on_both_sides_alike(held: Limits, value: float, u: float) -> None:
    def negated(bound: float | None) -> float | None:
        return None if bound is None else -bound

    turned = Limits(
        negated(held.high), negated(held.low), negated(held.warn_high), negated(held.warn_low), negated(held.nominal)
    )
    assert judge(-value, u, turned) is judge(value, u, held)


def test_every_warning_of_the_table_takes_effect() -> None:
    for row in load_tolerances().values():
        for warn, limit in ((row.warn_low, row.low), (row.warn_high, row.high)):
            if warn is not None and limit is not None:
                assert judge((warn + limit) / 2, 0.0, row.limits) is Verdict.DOUBTFUL, row.id


OWN = """
[[tolerance]]
id = "my-speed"
quantity = "spindle_speed"
unit = "rpm"
classes = ["130-48"]
low = 298
high = 302
"""


def test_own_limits_replace_those_of_the_table(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(OWN)
    own = read_tolerances(path)
    held = own.limits("spindle_speed", "130-48")
    assert (held.low, held.high, held.warn_high, held.nominal) == (298, 302, None, 300)
    assert held.source == "own limits (set by the keeper)"
    # other classes and quantities stay as they were, and a row for every class wins over one that names a class
    assert own.limits("spindle_speed", "130-dense") == LIBRARY.limits("spindle_speed", "130-dense")
    assert own.limits("speed_variation") == LIBRARY.limits("speed_variation")
    every = parse_own(OWN.replace('classes = ["130-48"]', ""), "mine.toml")
    assert every.limits("spindle_speed", "130-48").low == 298
    assert limits_of(SPEED, "130-48", own).high == pytest.approx(100 * math.log(302 / 300))


def test_own_limits_stand_in_the_shelfs_folder(tmp_path: Path) -> None:
    shelf = Shelf.open(tmp_path, create=True)
    assert kept_tolerances(shelf) is LIBRARY
    (tmp_path / LIMITS_FILE).write_text(OWN)
    assert kept_tolerances(shelf).limits("spindle_speed", "130-48").low == 298
    (tmp_path / LIMITS_FILE).write_text("low")
    with pytest.raises(InputFault, match=r"tolerances\.toml: not TOML"):
        kept_tolerances(shelf)


BAD = [
    ("", "holds no limits"),
    ("[[tolerances]]\nlow = 1", "'tolerances' is not known here"),
    ("tolerance = 3", "tolerance is not a list of tables"),
    (OWN.replace("spindle_speed", "spindel_speed"), "no quantity is called spindel_speed"),
    (OWN.replace('"rpm"', '"Hz"'), "spindle_speed is given in rpm, not in 'Hz'"),
    (OWN.replace("130-48", "130-47"), "no disk class is called '130-47'"),
    (OWN.replace("298", "303"), "limits must be given and rise"),
    (OWN.replace("298", "nan"), "finite number"),
    (OWN.replace("302", "inf"), "finite number"),
    (OWN.replace("298", "-298"), "a speed must be above 0"),
    (OWN.replace("low", "lowest"), "lowest: Extra inputs"),
    (OWN.replace("298", "9" * 5000), "not TOML"),
    (OWN.replace("298", "9" * 400), "low: "),
    (OWN.replace('id = "my-speed"', ""), "id: Field required"),
    (OWN + OWN, "my-speed is defined twice"),
    ("a = " + "[" * 5000, "not TOML"),
]


@pytest.mark.parametrize(("text", "told"), BAD)
def test_bad_limits_get_one_clear_line(text: str, told: str) -> None:
    with pytest.raises(InputFault) as caught:
        parse_own(text, "mine.toml")
    assert told in str(caught.value) and "mine.toml" in str(caught.value)
    assert "\n" not in str(caught.value)


keys = st.sampled_from(
    ["id", "quantity", "unit", "classes", "codes", "nominal", "low", "high", "warn_low", "mark", "like"]
)
values = st.one_of(
    st.sampled_from(['"spindle_speed"', '"radial_offset"', '"um"', '"rpm"', '["90"]', '[["a"]]', '""', '"\\u0000"']),
    st.sampled_from(["0", "-1e308", "1e308", "nan", "inf", "[]", "true", "1979-05-27", "{}", "[[1]]", "9" * 400]),
)


@given(st.lists(st.tuples(keys, values), max_size=8), st.text(max_size=20))
def test_any_file_of_limits_is_read_or_refused(rows: list[tuple[str, str]], more: str) -> None:
    text = "[[tolerance]]\n" + "".join(f"{key} = {value}\n" for key, value in dict(rows).items())
    for tried in (text, text + more, more):
        try:
            own = parse_own(tried, "mine.toml")
        except InputFault as fault:
            assert "\n" not in str(fault)
            continue
        for row in own.own:
            for quantity in (SPEED, OFFSET, INDEX):
                limits_of(quantity, "90", own)
            assert judge(300.0, 1.0, own.limits(row.quantity, *row.classes[:1])) in Verdict


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(content: bytes) -> None:
    from indexhole.shelf.sheets.sheet_text import decode_sheet

    with pytest.raises(InputFault):
        parse_own(decode_sheet(content, where="mine.toml"), "mine.toml")


def test_the_library_still_finds_rows_by_class() -> None:
    row = find_tolerance("radial_offset", "90")
    assert row is not None and row.limits.source.endswith("(seen in the cited source)")
