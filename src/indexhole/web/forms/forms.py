"""Forms: what is asked for, what was typed, and what is wrong with it, kept together so nothing typed is lost."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from starlette.datastructures import FormData

from indexhole.errors import IndexholeError
from indexhole.shelf.records.shown import Options
from indexhole.shelf.register.confidence import FieldConfidence, in_words
from indexhole.web.drawing.view import Page
from indexhole.web.forms.faults import fault_and_remedy, sentence

Kind = Literal["text", "area", "choice", "check", "number"]
MOST_CHOICES = 250


@dataclass(frozen=True)
class FormField:
    """One thing a form asks for. `optional_none`: left empty it is None, not the empty text; `group` is its heading."""

    name: str
    label: str
    kind: Kind = "text"
    help: str = ""
    options: Options = ()
    required: bool = False
    optional_none: bool = False
    group: str = ""


@dataclass(frozen=True)
class How:
    """How a field is known, as its form has it: `word` is empty for plainly."""

    word: str = ""
    source: str = ""

    @classmethod
    def of(cls, held: FieldConfidence | None) -> How:
        """What the register holds, as a form has it."""
        return cls(held.standing, held.source) if held else cls()

    def standing(self, field: str) -> FieldConfidence | None:
        """What it says of a field; None for plainly. A word that is none is left for the register to refuse."""
        return FieldConfidence(field, self.word, self.source) if self.word else None  # type: ignore[arg-type]

    @property
    def words(self) -> str:
        """It in words."""
        return in_words(self.word or None, self.source)


@dataclass(frozen=True)
class FilledField:
    """A field with what stands in it, and what is wrong with that; `how` where the form can say how it is known."""

    asked: FormField
    value: str
    fault: str = ""
    how: How | None = None


@dataclass(frozen=True)
class Form:
    """A form to be drawn. `fault` is what is wrong as a whole, `hidden` goes along unseen.

    `unfold` is None where the form cannot say how fields are known, else whether it shows that of every field.
    """

    action: str
    button: str
    fields: tuple[FilledField, ...]
    fault: str = ""
    hidden: tuple[tuple[str, str], ...] = ()
    unfold: bool | None = None


@dataclass(frozen=True)
class Known:
    """How fields are known, by name; `unfold` shows it of every field."""

    stands: Mapping[str, How]
    unfold: bool = False


@dataclass(frozen=True)
class Theirs:
    """A field somebody else changed meanwhile; `kept` tells which value stands in the form."""

    label: str
    was: str
    now: str
    who: str
    kept: str


@dataclass(frozen=True, kw_only=True)
class FormPage(Page):
    """A page that is one form; `back` is where it came from. `theirs` is what others changed while it was open."""

    form: Form
    back: str
    theirs: tuple[Theirs, ...] = ()
    files: str = ""
    largest_bytes: int = 0


def form(
    action: str,
    button: str,
    fields: Sequence[FormField],
    values: Mapping[str, Any] | None = None,
    fault: IndexholeError | None = None,
    known: Known | None = None,
) -> Form:
    """A form with values in it, and a fault beside the field it names or, when it names none, above all.

    `known` has the fields of which the form can say how they are known.
    """
    held = values or {}
    named = (fault.field or fault.where) if fault else ""
    label = next((one.label for one in fields if one.name == named), "")
    what = "" if fault is None else sentence(fault.what) if label else fault_and_remedy(fault)
    filled = tuple(
        replace(
            _filled(one, held.get(one.name), what if label and one.name == named else ""),
            how=known.stands.get(one.name) if known else None,
        )
        for one in fields
    )
    # above all it has its field's name before it, which may be far below
    above = f"{label}: {sentence(fault.what, start=False)}" if fault and label else what
    return Form(action, button, filled, above, unfold=known.unfold if known else None)


def _filled(asked: FormField, value: Any, fault: str) -> FilledField:
    if asked.kind == "choice" and len(asked.options) > MOST_CHOICES:
        # a list nobody can find anything in is no help: then its name is typed
        asked = replace(asked, kind="text", options=())
    if asked.kind == "choice":
        text = "no" if value is False else _text(value)
        if text and text not in dict(asked.options):
            # what an entry says stays in its form, though nobody can choose it any more
            asked = replace(asked, options=(*asked.options, (text, text)))
        return FilledField(asked, text, fault)
    return FilledField(asked, _text(value), fault)


def _text(value: Any) -> str:
    if value is None or value is False:
        return ""
    return "yes" if value is True else str(value)


def typed(fields: Sequence[FormField], posted: FormData) -> dict[str, Any]:
    """What was typed, by field, ends trimmed; an unticked box is False. Files are not looked at here."""
    found: dict[str, Any] = {}
    for one in fields:
        sent = posted.get(one.name)
        # browsers send line ends as CR LF; a record has plain ones
        text = sent.replace("\r\n", "\n").strip() if isinstance(sent, str) else ""
        if one.kind == "check":
            found[one.name] = bool(text)
        else:
            found[one.name] = None if one.optional_none and not text else text
    return found


def stands_typed(fields: Sequence[FormField], posted: FormData) -> dict[str, How]:
    """How fields are known, by what was sent of them."""
    found: dict[str, How] = {}
    for one in fields:
        word, source = (posted.get(f"{part}-{one.name}") for part in ("how", "source"))
        if isinstance(word, str):
            found[one.name] = How(word, source.strip() if isinstance(source, str) else "")
    return found
