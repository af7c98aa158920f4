"""The page's colours: paper, one ink, one accent, and a scale of quality from light (well read) to dark (lost).

The scale steps evenly in CIE lightness L* (CIE 15, from memory) and hardly in hue, so it reads the same to
colour-blind eyes and in grey print. Contrast follows WCAG 2.2, success criteria 1.4.3 and 1.4.11.
"""

from __future__ import annotations

TONES: dict[str, str] = {
    "paper": "#f8f4eb",  # the ground
    "sheet": "#fdfbf6",  # what lies on it: forms, charts
    "ink": "#1c2433",  # text, lines
    "faded": "#4e5664",  # second text
    "rule": "#cac3b6",  # hairlines that carry no meaning
    "edge": "#767d88",  # outlines of controls and of marks
    "accent": "#874814",  # links, focus, the one thing to look at
    "wash": "#efe6d6",  # behind a heading row or the chosen row
    # marks and maps are print on paper in either theme: light always means well, dark always means lost
    "blank": "#fdfbf6",
    "hatch": "#1c2433",
}

# the same by lamplight, for who asks the system for a dark theme
DARK: dict[str, str] = {
    "paper": "#191b20",
    "sheet": "#22252c",
    "ink": "#ece5d6",
    "faded": "#b6b0a3",
    "rule": "#43474f",
    "edge": "#8d929c",
    "accent": "#e3a36c",
    "wash": "#2c2d31",
    "blank": TONES["blank"],
    "hatch": TONES["hatch"],
}

# best to worst; the nearest step below tells a stretch's quality
QUALITY: tuple[str, ...] = (
    "#f8eed0", "#d4cebc", "#b1b1a9", "#8f9495", "#707782", "#525d6f", "#36425c", "#1c2948",
)  # fmt: skip

# (what lies in front, what behind, least contrast)
PAIRS: tuple[tuple[str, str, float], ...] = (
    ("ink", "paper", 4.5),
    ("ink", "sheet", 4.5),
    ("ink", "wash", 4.5),
    ("faded", "paper", 4.5),
    ("faded", "sheet", 4.5),
    ("faded", "wash", 4.5),
    ("accent", "paper", 4.5),
    ("accent", "sheet", 4.5),
    ("accent", "wash", 4.5),
    ("paper", "ink", 4.5),
    ("edge", "paper", 3.0),
    ("edge", "sheet", 3.0),
    ("edge", "wash", 3.0),
    ("hatch", "blank", 4.5),
)


def _linear(colour: str) -> tuple[float, float, float]:
    parts = (int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5))
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return red, green, blue


def luminance(colour: str) -> float:
    """Relative luminance of `#rrggbb`, 0 to 1 (WCAG 2.2)."""
    red, green, blue = _linear(colour)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, 1 to 21 (WCAG 2.2)."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def _properties(tones: dict[str, str]) -> str:
    return "".join(f"--{name}:{colour};" for name, colour in tones.items())


def palette_css() -> str:
    """The tones as custom properties, light and dark (paper stays light when printed), and a class for each step of
    the scale."""
    steps = "".join(f".q{step}{{fill:{colour}}}\n" for step, colour in enumerate(QUALITY))
    dark = f"@media screen and (prefers-color-scheme: dark){{:root{{{_properties(DARK)}}}}}"
    return f":root{{color-scheme:light dark;{_properties(TONES)}}}\n{dark}\n{steps}"
