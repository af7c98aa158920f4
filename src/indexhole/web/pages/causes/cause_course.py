"""How the likeliest causes stood trial by trial, as lines told apart by dash and mark as well as tone."""

from __future__ import annotations

import numpy as np
from markupsafe import Markup

from indexhole.jobs.faults.causes import Course
from indexhole.web.drawing.charts import HIGH, WIDE, Axis, Figure, frame, line_path
from indexhole.web.drawing.words import percent

_DASHES = ("none", "14 7", "3 6", "14 6 3 6")
_WORDS = ("whole line", "long dashes", "dots", "dash and dot")
_SHARE = Axis("", 0.0, 1.0, ((0.0, "0 %"), (0.5, "50 %"), (1.0, "100 %")))
_HEIGHT = 190


def course_figure(course: Course) -> Figure | None:
    """The chart with its table; None where there are fewer than two moments to show."""
    if len(course.after) < 2 or not course.causes:
        return None
    across = np.arange(len(course.after), dtype=np.float64)
    ends = (0, len(course.after) - 1)
    x = Axis("after the trial", 0.0, float(ends[1]), tuple((float(k), course.after[k]) for k in ends))
    # Attributes, not styles: the page allows none written into its elements.
    line = Markup(
        '<path class="course" vector-effect="non-scaling-stroke" fill="none" stroke="currentColor" stroke-width="2"'
        ' stroke-dasharray="{}" d="{}"/>'
    )
    paths = [
        line.format(dash, line_path(x, _SHARE, across, np.array(shares)))
        for dash, shares in zip(_DASHES, course.shares, strict=False)
    ]
    head = Markup('<svg width="100%" height="100%" viewBox="0 0 {} {}" preserveAspectRatio="none">').format(WIDE, HIGH)
    inside = head + Markup("").join(paths) + Markup("</svg>")
    shares = "; ".join(f"{words}: {cause}" for words, cause in zip(_WORDS, course.causes, strict=False))
    first = max(range(len(course.causes)), key=lambda k: course.shares[k][-1])
    summary = f"Probability of the likeliest causes as trials came in. {shares}. Now {course.causes[first]} leads."
    rows = tuple((name, *(percent(shares[k]) for shares in course.shares)) for k, name in enumerate(course.after))
    return Figure(frame("course", _HEIGHT, x, _SHARE, inside, summary), summary, ("after", *course.causes), rows)
