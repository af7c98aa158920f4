"""Which stretch of an axis a chart shows. It stands in the address, so a view closer up can be kept and sent on."""

from __future__ import annotations

import math
from dataclasses import dataclass

from starlette.requests import Request

from indexhole.web.drawing.words import query

# nothing is measured finer than this share of an axis
_LEAST = 1 / 64


@dataclass(frozen=True)
class Window:
    """A stretch of an axis, in shares of the whole: 0 to 1."""

    low: float = 0.0
    high: float = 1.0

    @property
    def whole(self) -> bool:
        """Whether nothing is left out."""
        return self.low <= 0 and self.high >= 1

    def share(self, of_whole: float) -> float:
        """Where a place of the whole axis (0 to 1) stands in the window: 0 at its low end, 1 at its high one."""
        return (of_whole - self.low) / (self.high - self.low)


WHOLE = Window()


@dataclass(frozen=True)
class ZoomLink:
    """A step to another stretch; `address` is empty where the step leads nowhere."""

    word: str
    address: str


@dataclass(frozen=True)
class Zoom:
    """The stretch one kind of axis shows, and the page it is on. `name` is the parameter of the address."""

    name: str
    window: Window
    path: str
    others: tuple[tuple[str, tuple[str, ...]], ...] = ()

    def links(self) -> tuple[ZoomLink, ...]:
        """Steps closer, along, and back."""
        low, high = self.window.low, self.window.high
        width = high - low
        quarter = width / 4
        steps = (
            ("Closer", (low + quarter, high - quarter), width / 2 >= _LEAST),
            ("Before", (low - min(width / 2, low), high - min(width / 2, low)), low > 1e-9),
            ("Behind", (low + min(width / 2, 1 - high), high + min(width / 2, 1 - high)), high < 1 - 1e-9),
            ("Wider", (max(0.0, low - width / 2), min(1.0, high + width / 2)), not self.window.whole),
            ("Whole", (0.0, 1.0), not self.window.whole),
        )
        return tuple(ZoomLink(word, self._address(*ends) if leads else "") for word, ends, leads in steps)

    def _address(self, low: float, high: float) -> str:
        held: dict[str, object] = {name: list(values) for name, values in self.others}
        held[self.name] = "" if low <= 0 and high >= 1 else f"{low:.4g}-{high:.4g}"
        return query(self.path, **held)


def window_of(text: str) -> Window:
    """The window an address names, as `0.25-0.5`; the whole for one that is none."""
    low_text, dash, high_text = text.partition("-")
    try:
        low, high = float(low_text), float(high_text)
    except ValueError:
        return WHOLE
    if not dash or not (math.isfinite(low) and math.isfinite(high)) or not 0 <= low < high <= 1:
        return WHOLE
    return Window(low, high) if high - low >= _LEAST / 2 else WHOLE


def zoom_of(request: Request, name: str) -> Zoom:
    """The zoom of that name in a request's address, with the rest of the address kept."""
    held = request.query_params
    others = tuple((key, tuple(held.getlist(key))) for key in dict.fromkeys(held.keys()) if key not in (name, "told"))
    return Zoom(name, window_of(held.get(name, "")), request.url.path, others)


@dataclass(frozen=True)
class Zooms:
    """The stretches a page of recordings shows: of the turn, and of the intervals."""

    turn: Zoom
    interval: Zoom


def zooms_of(request: Request) -> Zooms:
    """Both, as the address has them."""
    return Zooms(zoom_of(request, "turn"), zoom_of(request, "interval"))
