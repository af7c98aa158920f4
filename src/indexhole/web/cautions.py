"""Cautions that stand beside work that can hurt someone. Each defers to local codes and licensed practice."""

from __future__ import annotations

from dataclasses import dataclass

DEFERS = "Local codes and licensed practice decide."
_COMMON = "common practice, no source"


@dataclass(frozen=True)
class Caution:
    """What to mind, at which work, and where the advice comes from."""

    at: str
    what: str
    source: str


_MAINS = Caution(
    "Opening a mains supply",
    "Unplug, wait, and prove the large capacitors discharged with a meter before touching anything; "
    "the chassis may be live.",
    _COMMON,
)
_FILTER = Caution(
    "Switching on after years",
    "Old paper capacitors in the mains filter crack, take up moisture and fail with smoke. Look at them before "
    "the first power, and replace them only with parts of the same safety class.",
    "published restorers’ reports of mains-filter failures",
)
_LIFTING = Caution("Lifting", "Cabinets with several full-height drives are heavy: two persons or a trolley.", _COMMON)
_MOVING = Caution("Running it open", "Spindle, belts and head actuator move: no loose sleeves.", _COMMON)
_STATIC = Caution(
    "Handling boards", "Wear the wrist strap through its resistor, and never at live mains equipment.", _COMMON
)
_SOLVENT = Caution(
    "Cleaning heads with alcohol",
    "Isopropyl alcohol: ventilate, no flame, a little at a time, power off, and read its safety data sheet.",
    _COMMON,
)
_MOULD = Caution(
    "A disk with mould",
    "Gloves, mask, a work place of its own, clean the head after each disk, and ask a conservator.",
    _COMMON,
)
_MAGNETS = Caution(
    "Bulk erasing",
    "Strong magnets: persons with a heart pacemaker or other implant stay away, and ask the treating physician "
    "how far; keep the eraser metres from disks that are to be kept.",
    "published guidance on static fields, as quoted; the safe distance of a bulk eraser is not known",
)

_BY_KIND: dict[str, tuple[Caution, ...]] = {
    "drive unit": (_MAINS, _FILTER, _LIFTING, _MOVING, _STATIC, _SOLVENT),
    "host": (_MAINS, _FILTER, _STATIC),
    "adapter": (_STATIC,),
    "disk": (_MOULD, _MAGNETS),
}


def cautions_for(kind: str) -> tuple[Caution, ...]:
    """Cautions for work on a kind of unit, or on a `disk`; none for a plain lead."""
    return _BY_KIND.get(kind, ())
