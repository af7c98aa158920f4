"""The page's look as figures: contrast, the quality scale, charts that say what they draw, numbers as written."""

from __future__ import annotations

import math
import re
from itertools import pairwise
from urllib.parse import parse_qs, urlsplit
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from indexhole.web.drawing import charts, words
from indexhole.web.drawing.charts import Axis, Box
from indexhole.web.drawing.palette import DARK, PAIRS, QUALITY, TONES, contrast, luminance, palette_css
from indexhole.web.drawing.view import WEB
from indexhole.web.drawing.zoom import WHOLE, Window, Zoom, window_of

CSS = (WEB / "static" / "page.css").read_text(encoding="utf-8")


def lightness(colour: str) -> float:
    """CIE L* of a colour, white 100."""
    y = luminance(colour)
    return 116 * y ** (1 / 3) - 16 if y > 216 / 24389 else y * 24389 / 27


def seen_without_red_or_green(colour: str, missing: str) -> tuple[float, float, float]:
    """Linear RGB as a dichromat sees it (Vienot, Brettel and Mollon 1999, from memory)."""
    linear = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    r, g, b = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in linear)
    mix = {"red": (0.11238, 0.88762), "green": (0.29275, 0.70725)}[missing]
    both = mix[0] * r + mix[1] * g
    return both, both, b


# contrast


def test_contrast_of_known_pairs() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)  # the well known near miss
    assert contrast("#123456", "#123456") == pytest.approx(1.0)


@pytest.mark.parametrize("tones", [TONES, DARK], ids=["light", "dark"])
@pytest.mark.parametrize(("front", "behind", "least"), PAIRS)
def test_every_pair_of_tones_meets_its_contrast(tones: dict[str, str], front: str, behind: str, least: float) -> None:
    assert contrast(tones[front], tones[behind]) >= least


def test_the_dark_theme_has_every_tone_and_print_stays_light() -> None:
    assert set(DARK) == set(TONES)
    assert lightness(DARK["paper"]) < 15 < lightness(TONES["paper"])
    assert "@media screen and (prefers-color-scheme: dark)" in palette_css()
    # light means well read and dark means lost in either
    assert (DARK["blank"], DARK["hatch"]) == (TONES["blank"], TONES["hatch"])


def test_the_stylesheet_takes_every_colour_from_the_palette() -> None:
    assert not re.findall(r"#[0-9a-fA-F]{3,8}\b|\brgba?\(|\bhsla?\(", CSS)
    used = set(re.findall(r"var\(--([a-z]+)\)", CSS))
    assert used <= set(TONES)
    assert set(TONES) <= used
    assert all(f"--{name}:{colour}" in palette_css() for name, colour in TONES.items())


def test_the_stylesheet_covers_print_and_reduced_motion_and_focus() -> None:
    assert "@media print" in CSS
    assert "prefers-reduced-motion: reduce" in CSS
    assert ":focus-visible" in CSS
    assert not re.search(r"outline:\s*(none|0)", CSS.replace("main:focus { outline: none; }", ""))


def test_the_quality_scale_steps_evenly_from_light_to_dark() -> None:
    steps = [lightness(a) - lightness(b) for a, b in pairwise(QUALITY)]
    assert min(steps) > 0
    assert max(steps) - min(steps) < 1.0
    assert lightness(QUALITY[0]) > 90
    assert lightness(QUALITY[-1]) < 20


@pytest.mark.parametrize("missing", ["red", "green"])
def test_the_quality_scale_stays_in_order_for_colour_blind_eyes(missing: str) -> None:
    seen = [
        sum(w * p for w, p in zip((0.2126, 0.7152, 0.0722), seen_without_red_or_green(c, missing), strict=True))
        for c in QUALITY
    ]
    assert all(a > 1.2 * b for a, b in pairwise(seen))


def test_every_state_and_verdict_has_a_pattern_of_its_own_in_its_group() -> None:
    groups = (("sound", "mended", "suspect", "lost"), ("works", "doubtful", "fails", "unproven"))
    base = (WEB / "drawing" / "templates" / "base.html").read_text(encoding="utf-8")
    for group in groups:
        tones = [words.tone(word) for word in group]
        assert len(set(tones)) == len(group)
        assert all(f'id="tone-{tone}"' in base for tone in tones)


# charts


def parsed(svg: str) -> ElementTree.Element:
    return ElementTree.fromstring(svg)


def drawn_bins(svg: str, rows: int, bins: int) -> np.ndarray:
    """The map painted again from its paths and blanks: step of each bin, -1 where nothing was drawn."""
    painted = np.full((rows, bins), -1)
    root = parsed(svg)
    for path in root.iter("path"):
        kind = path.get("class", "")
        if not re.fullmatch("q[0-9]", kind):
            continue
        for left, top, right, foot in re.findall(r"M(\d+) (\d+)H(\d+)V(\d+)H\d+Z", path.get("d", "")):
            first, stop = (round(int(v) * bins / charts.WIDE) for v in (left, right))
            upper, lower = (round(int(v) * rows / charts.HIGH) for v in (top, foot))
            assert (painted[upper:lower, first:stop] == -1).all()
            painted[upper:lower, first:stop] = int(kind[1])
    for blank in root.iter("rect"):
        if blank.get("fill") == "url(#tone-dots)":
            x, y, wide, high = (float(blank.get(name, "").rstrip("%")) / 100 for name in ("x", "y", "width", "height"))
            painted[round(y * rows) : round((y + high) * rows), round(x * bins) : round((x + wide) * bins)] = (
                charts.UNLOGGED
            )
    return painted


@given(
    st.integers(1, 6).flatmap(
        lambda rows: st.lists(
            st.lists(st.one_of(st.just(math.nan), st.floats(0, 1)), min_size=40, max_size=40),
            min_size=rows,
            max_size=rows,
        )
    )
)
def test_the_map_paints_every_bin_once_in_the_step_of_its_quality(held: list[list[float]]) -> None:
    quality = np.array(held)
    svg = charts.quality_chart(quality, [str(k) for k in range(len(held))], "turn", 20, "said")
    painted = drawn_bins(svg, *quality.shape)
    steps = len(QUALITY)
    for row in range(quality.shape[0]):
        for k in range(quality.shape[1]):
            value = quality[row, k]
            wanted = charts.UNLOGGED if math.isnan(value) else min(int((1 - value) * steps), steps - 1)
            assert painted[row, k] == wanted


def test_a_chart_says_what_it_shows_and_hides_no_markup() -> None:
    svg = charts.quality_chart(np.ones((1, 4)), ["<1>"], 'turn & "more"', 20, "a <sentence> & more")
    root = parsed(svg)
    assert root.get("role") == "img"
    assert root.get("aria-label") == "a <sentence> & more"
    said = [text.text for text in root.iter("text")]
    assert "<1>" in said
    assert 'turn & "more"' in said


def test_sectors_stand_at_their_angle_and_go_on_behind_the_index() -> None:
    svg = charts.sector_strip([Box(0.25, 0.1, "3", "sound"), Box(0.95, 0.1, "9", "lost")], "said")
    boxes = [
        (float(r.get("x", "").rstrip("%")), float(r.get("width", "").rstrip("%")), r.get("fill"))
        for r in parsed(svg).iter("rect")
        if r.get("class") == "sector"
    ]
    assert boxes[0] == (25.0, 10.0, "url(#tone-open)")
    assert [b[2] for b in boxes[1:]] == ["url(#tone-solid)"] * 2
    assert boxes[1][0] == 95.0
    assert boxes[1][1] == pytest.approx(5.0)
    assert boxes[2][:2] == (0.0, pytest.approx(5.0))


def test_a_line_breaks_where_nothing_is_known() -> None:
    axis = Axis("", 0, 1, ())
    d = charts.line_path(axis, axis, np.array([0.0, 0.5, 0.75, 1.0]), np.array([0.0, math.nan, 1.0, 0.5]))
    assert d == f"M0 {charts.HIGH}M1500 0L{charts.WIDE} 500"


def test_a_band_with_a_gap_is_drawn_in_two_pieces() -> None:
    axis = Axis("", 0, 1, ())
    low, high = np.array([0.0, 0.0, math.nan, 0.0, 0.0]), np.array([1.0, 1.0, math.nan, 1.0, 1.0])
    d = charts.band_path(axis, axis, np.linspace(0, 1, 5), low, high)
    assert d.count("M") == d.count("Z") == 2


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e6), st.integers(2, 12))
def test_ticks_are_few_rising_and_inside(low: float, span: float, most: int) -> None:
    ticks = charts.nice_ticks(low, low + span, most)
    values = [value for value, _ in ticks]
    assert len(ticks) <= most + 1
    assert values == sorted(values)
    assert all(low - span * 1e-6 - 1e-6 <= v <= low + span + span * 1e-6 + 1e-6 for v in values)


def test_a_gauge_without_limits_or_value_has_no_scale() -> None:
    assert charts.gauge_scale(1.0, 0.1, None, None) == ""
    assert charts.gauge_scale(math.nan, math.nan, 0.0, 1.0) == ""
    assert "post" in charts.gauge_scale(1.0, 0.1, 0.0, None)


# closer up


def shares(svg: str, kind: str) -> list[tuple[float, str]]:
    return [
        (float(t.get("x", "").rstrip("%")) / 100, t.text or "")
        for t in parsed(svg).iter("text")
        if t.get("class") == kind
    ]


@given(st.floats(0, 0.95), st.floats(0.05, 1))
def test_a_stretch_is_shown_where_its_ticks_say(low: float, width: float) -> None:
    window = Window(low, min(1.0, low + width))
    svg = charts.quality_chart(np.ones((1, 40)), ["1"], "turn", 20, "said", window=window)
    ticks = [(at, word) for at, word in shares(svg, "tick-word") if 0 <= at <= 1 and at != -0.09]
    across = [(at, float(word)) for at, word in ticks if re.fullmatch("[0-9.]+", word) and at >= 0]
    assert across
    if not window.whole:
        for at, value in across[:-1]:
            assert value == pytest.approx(window.low + at * (window.high - window.low), abs=0.002)
        inner = next(p for p in parsed(svg).iter("svg") if (p.get("x") or "").endswith("%"))
        left, wide = (float(inner.get(name, "").rstrip("%")) / 100 for name in ("x", "width"))
        # the window's ends on the widened drawing are the frame's ends
        assert left + window.low * wide == pytest.approx(0, abs=1e-3 * wide)
        assert left + window.high * wide == pytest.approx(1, abs=1e-3 * wide)


@pytest.mark.parametrize(
    "text", ["", "x", "0-1", "0.5", "0.5-0.2", "-1-2", "nan-1", "0-inf", "0.5-0.5001", "a-b-c", "0.2-0.4-0.6"]
)
def test_an_address_that_names_no_stretch_shows_the_whole(text: str) -> None:
    assert window_of(text) == WHOLE


@given(st.integers(0, 60), st.integers(1, 64))
def test_steps_stay_on_the_axis_and_the_way_back_is_the_whole(start: int, width: int) -> None:
    zoom = Zoom("turn", Window(start / 64, min(64, start + width) / 64), "/x", (("capture", ("a", "b")),))
    for link in zoom.links():
        if not link.address:
            continue
        asked = parse_qs(urlsplit(link.address).query)
        assert asked["capture"] == ["a", "b"]
        if link.word == "Whole":
            assert "turn" not in asked
            continue
        seen = window_of(asked.get("turn", ["0-1"])[0])
        assert 0 <= seen.low < seen.high <= 1
        if link.word in ("Before", "Behind"):
            assert seen.high - seen.low == pytest.approx(zoom.window.high - zoom.window.low, abs=2e-3)
        else:
            narrower = seen.high - seen.low < zoom.window.high - zoom.window.low
            assert narrower is (link.word == "Closer")


# words


@pytest.mark.parametrize(
    ("value", "uncertainty", "unit", "told"),
    [
        (299.7213, 0.0234, "rpm", "299.721 ± 0.023 rpm"),
        (5.1234e-3, 1.4e-8, "s", "5.123400 ± 0.000014 ms"),
        (-3.2e-8, 1.1e-9, "s", "−32.0 ± 1.1 ns"),
        (0.0, 0.32, "1/rev", "0.00 ± 0.32 per turn"),
        (1.0, 0.0, "1", "1"),
        (0.8123, math.nan, "half window", "0.8123 of the half window"),
        (math.nan, 0.1, "rpm", "not measured"),
        (1234.5, 230.0, "rpm", "1230 ± 230 rpm"),
    ],
)
def test_a_measured_value_shows_what_its_uncertainty_allows(
    value: float, uncertainty: float, unit: str, told: str
) -> None:
    assert words.measured(value, uncertainty, unit) == told


@given(
    st.floats(),
    st.just(math.nan) | st.floats(0, 1e300),
    st.sampled_from(["s", "rpm", "1", "%", "half window"]),
)
def test_any_value_can_be_told(value: float, uncertainty: float, unit: str) -> None:
    assert words.measured(value, uncertainty, unit)


@pytest.mark.parametrize(
    ("low", "high", "unit", "told"),
    [
        (295.5, 304.5, "rpm", "295.5 to 304.5 rpm"),
        (0.0, None, "half window", "at least 0 of the half window"),
        (None, 3.0, "%", "at most 3 %"),
        (None, None, "s", "no limit known"),
        (-2e-6, 2e-6, "s", "−2 to 2 µs"),
    ],
)
def test_limits_in_words(low: float | None, high: float | None, unit: str, told: str) -> None:
    assert words.limits(low, high, unit) == told


@pytest.mark.parametrize(
    ("share", "told"),
    [
        (0.0, "0 %"),
        (1.0, "100 %"),
        (0.0004, "under 0.1 %"),
        (0.9996, "over 99.9 %"),
        (0.0344, "3.4 %"),
        (0.5, "50 %"),
        (0.996, "99.6 %"),
    ],
)
def test_a_share_is_never_rounded_to_nothing_or_all(share: float, told: str) -> None:
    assert words.percent(share) == told.replace(" %", "\u202f%")


def test_a_link_carries_any_text_and_leaves_out_what_is_empty() -> None:
    assert words.query("/unit", no="A&B/ü") == "/unit?no=A%26B%2F%C3%BC"
    assert words.query("/x", capture=["1", "2"], layout="", head=0) == "/x?capture=1&capture=2&head=0"
    assert words.query("/x", layout=None) == "/x"
