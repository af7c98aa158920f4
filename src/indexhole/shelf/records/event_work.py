"""What kind of work an event was: the keeper says it; until then the words of the event are a guess."""

from __future__ import annotations

import re
from typing import Literal

EventWork = Literal["", "none", "cleaned", "repaired"]
"""Empty: nobody has said. `none`: nothing was done to the drive. `cleaned`: cleaned or lubricated, nothing moved.
`repaired`: repaired, adjusted or a part replaced, so a head may have moved or a speed changed."""

# Words for work that may have moved a head or changed a speed; for any work; and words around them that say that it
# still has to be done, or was only looked at. Our own lists.
_MOVING = r"repair|mended|replac|exchang|renew|overhaul|rebuil|taken apart|align|adjust|trimm|new (?:belt|head|motor)"
_MOVED = re.compile(rf"\b(?:{_MOVING})", re.I)
_CLEANED = re.compile(r"\b(?:clean|lubricat|greas|oiled)", re.I)
_STILL_TO_DO = re.compile(r"\b(?:needs?|should|must|to be|wants?|not|never|no)\b[^.;,]{0,20}$", re.I)
# more than the pattern above can span: an event may be a long text
_NEAR = 60
_LOOKED_AT = re.compile(r"ment (?:was |is )?(?:checked|measured|tested|verified|found|seen|good|fine|right)\b", re.I)


_CHOICES = (
    ("none", "none: nothing was done to the drive"),
    ("cleaned", "cleaned: cleaned or lubricated, nothing moved"),
    ("repaired", "repaired: repaired, adjusted or a part replaced"),
)


def work_choices() -> tuple[tuple[str, str], ...]:
    """The kinds of work to choose from, each with its words."""
    return _CHOICES


def guessed_work(what: str) -> EventWork:
    """The kind of work that the words of an event point to; `none` where they point to none."""
    if _done(what, _MOVED):
        return "repaired"
    return "cleaned" if _done(what, _CLEANED) else "none"


def _done(what: str, words: re.Pattern[str]) -> bool:
    return any(
        not _STILL_TO_DO.search(what[max(0, match.start() - _NEAR) : match.start()])
        and not _LOOKED_AT.match(what, match.end())
        for match in words.finditer(what)
    )
