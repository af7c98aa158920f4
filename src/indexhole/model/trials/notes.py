"""What a keeper's note says, and what it says is not so."""

from __future__ import annotations

import re

# A word shortly before that turns the sense round: "no longer on a slope", "without adapter A1".
_TURNED = re.compile(r"\b(?:no|not|never|without|instead|after|before|unlike|off)\b[^.;,]{0,20}$", re.IGNORECASE)

# more than the pattern can span; a note may be long, and is gone through for each of its words
_NEAR = 60


def turned_round(before: str) -> bool:
    """Whether the text before some words of a note turns their sense round."""
    return _TURNED.search(before[-_NEAR:]) is not None
