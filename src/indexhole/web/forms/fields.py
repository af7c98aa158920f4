"""What the forms ask for: taken from the records, which say of each field how it is asked for."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.shown import Options, RecordField, grouped
from indexhole.web.forms.forms import FormField, Kind

_NO_CHOICES: Mapping[str, Options] = MappingProxyType({})


def form_fields(
    kind: type[Record], *, new: bool, choices: Mapping[str, Options] = _NO_CHOICES
) -> tuple[FormField, ...]:
    """What is asked of an entry.

    Args:
        kind: the kind of entry.
        new: with what it is known by, which is said only once.
        choices: what can be chosen for a field, where that depends on what the shelf holds.
    """
    return tuple(_form_field(one, choices.get(one.name)) for one in grouped(kind) if _asked(kind, one, new))


def _asked(kind: type[Record], one: RecordField, new: bool) -> bool:
    """Whether a form asks for a field; what the register notes, and the thing an entry belongs to, it does not."""
    if one.noted or one.shown.subject:
        return False
    if one.key and any(other.shown.in_key for other in grouped(kind)):
        # the key is made of others
        return False
    return new or not one.once


def _form_field(one: RecordField, choices: Options | None) -> FormField:
    kind: Kind = "text"
    options = one.options if choices is None else choices
    if options or choices is not None:
        kind = "choice"
    elif one.shown.long:
        kind = "area"
    elif one.base in (int, float):
        kind = "number"
    return FormField(
        name=one.name,
        label=one.shown.heading,
        kind=kind,
        help=one.shown.help,
        options=options,
        required=one.needed or one.default not in ("", None),
        optional_none=one.default is None and not one.needed,
        group=one.shown.group,
    )


LOG_FIELDS = (FormField("by", "Who logs it", help="stored with the trial"),)
_CHANGE = "This change"
SIGN_FIELDS = (
    FormField("by", "Who changes it", help="stored with the change", group=_CHANGE),
    FormField("why", "Why", help="stored with the change", group=_CHANGE),
)
