"""Line charts of a study as SVG, in the tones of the local page."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import altair as alt
import vl_convert

from indexhole.web.drawing.palette import TONES

CODE_NAMES = {"mfm": "MFM", "fm": "FM", "group45": "4-to-5 group code"}
ROADS = {"best": "best single pass", "voting": "any pass that passes", "recovery": "this recovery"}
AXES = {"noise": "noise over signal", "dropouts": "dropouts a turn"}


def draw(rows: Sequence[dict[str, object]], x: str, title: str, path: Path) -> None:
    """Share of sectors recovered over `x`, one panel a code, one line a road; roads differ in dash and mark too."""
    values = [
        {"x": row[x], "share": row[road], "road": name, "code": CODE_NAMES[str(row["code"])]}
        for row in rows
        for road, name in ROADS.items()
    ]
    if not values:
        return
    roads = list(ROADS.values())
    tones = [TONES["edge"], TONES["ink"], TONES["accent"]]
    road = alt.Color("road:N", scale=alt.Scale(domain=roads, range=tones), sort=roads, title=None)
    dash = alt.StrokeDash(
        "road:N", scale=alt.Scale(domain=roads, range=[[2, 3], [7, 3], [1, 0]]), sort=roads, title=None
    )
    mark = alt.Shape(
        "road:N", scale=alt.Scale(domain=roads, range=["cross", "circle", "square"]), sort=roads, title=None
    )
    chart = (
        alt.Chart(alt.Data(values=values))
        .mark_line(point={"filled": True, "size": 40})
        .encode(
            x=alt.X("x:Q", title=title),
            y=alt.Y("share:Q", title="share of sectors", scale=alt.Scale(domain=[0, 1]), axis=alt.Axis(format=".0%")),
            color=road,
            strokeDash=dash,
            shape=mark,
        )
        .properties(width=240, height=190)
        .facet(column=alt.Column("code:N", sort=list(CODE_NAMES.values()), title=None))
        .configure(background=TONES["sheet"], font="DejaVu Sans, Verdana, sans-serif")
        .configure_axis(labelColor=TONES["ink"], titleColor=TONES["ink"], gridColor=TONES["rule"])
        .configure_legend(orient="bottom", labelColor=TONES["ink"], symbolStrokeWidth=2)
        .configure_header(labelColor=TONES["ink"], labelFontSize=12)
        .configure_view(stroke=TONES["rule"])
    )
    path.write_text(vl_convert.vegalite_to_svg(chart.to_dict()), encoding="utf-8")


def draw_reliability(rows: Sequence[tuple[str, float, float, float]], path: Path) -> None:
    """What was said against what came, one mark a bin, with the standard error: (series, said, came, error) each."""
    series = list(dict.fromkeys(name for name, *_ in rows))
    values = [
        {"series": name, "said": said, "came": came, "low": max(0.0, came - error), "high": min(1.0, came + error)}
        for name, said, came, error in rows
    ]
    tone = alt.Color("series:N", scale=alt.Scale(domain=series, range=[TONES["edge"], TONES["accent"]]), title=None)
    shape = alt.Shape("series:N", scale=alt.Scale(domain=series, range=["cross", "square"]), title=None)
    unit = alt.Scale(domain=[0, 1])
    said = alt.X("said:Q", title="chance said", scale=unit, axis=alt.Axis(format=".0%"))
    came = alt.Y("came:Q", title="share that came true", scale=unit, axis=alt.Axis(format=".0%"))
    base = alt.Chart(alt.Data(values=values))
    line = alt.Chart(alt.Data(values=[{"said": 0, "came": 0}, {"said": 1, "came": 1}])).mark_line(
        color=TONES["ink"], strokeDash=[2, 3]
    )
    chart = (
        alt.layer(
            line.encode(x=said, y=came),
            base.mark_rule().encode(x=said, y=alt.Y("low:Q", scale=unit), y2="high:Q", color=tone),
            base.mark_point(filled=True, size=55).encode(x=said, y=came, color=tone, shape=shape),
        )
        .properties(width=300, height=300)
        .configure(background=TONES["sheet"], font="DejaVu Sans, Verdana, sans-serif")
        .configure_axis(labelColor=TONES["ink"], titleColor=TONES["ink"], gridColor=TONES["rule"])
        .configure_legend(orient="bottom", labelColor=TONES["ink"])
        .configure_view(stroke=TONES["rule"])
    )
    path.write_text(vl_convert.vegalite_to_svg(chart.to_dict()), encoding="utf-8")
