"""Forms: what is asked for, what was typed, and what is wrong with it, kept together so nothing typed is lost."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from starlette.datastructures import FormData

from indexhole.errors import IndexholeError
from indexhole.shelf.register.confidence import FieldConfidence, in_words
from indexhole.web.drawing.view import Page
from indexhole.web.forms.faults import sentence, told_whole

Kind = Literal["text", "area", "choice", "check", "number"]
Options = tuple[tuple[str, str], ...]
MOST_CHOICES = 250


@dataclass(frozen=True)
class FormField:
    """One thing a form asks for. `optional_none`: left empty it is None, not the empty text."""

    name: str
    label: str
    kind: Kind = "text"
    help: str = ""
    options: Options = ()
    required: bool = False
    optional_none: bool = False


@dataclass(frozen=True)
class How:
    """How a field stands, as its form has it: `word` is empty for plainly."""

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
    def told(self) -> str:
        """It in words."""
        return in_words(self.word or None, self.source)


@dataclass(frozen=True)
class Field:
    """An `Ask` with what stands in it, and what is wrong with that; `how` where it may be said how it stands."""

    ask: FormField
    value: str
    fault: str = ""
    how: How | None = None


@dataclass(frozen=True)
class Form:
    """A form to be drawn. `fault` is what is wrong as a whole, `hidden` goes along unseen.

    `unfold` is None where it cannot be said how fields stand, else whether that is shown of every field.
    """

    action: str
    button: str
    fields: tuple[Field, ...]
    fault: str = ""
    hidden: tuple[tuple[str, str], ...] = ()
    unfold: bool | None = None


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
    asks: Sequence[FormField],
    values: Mapping[str, Any] | None = None,
    fault: IndexholeError | None = None,
    hidden: Mapping[str, str] | None = None,
    stands: Mapping[str, How] | None = None,
    unfold: bool = False,
) -> Form:
    """A form with values in it, and a fault beside the field it names or, when it names none, above all.

    `stands` has the fields of which it can be said how they stand.
    """
    held = values or {}
    named = fault.where.rpartition(" ")[2] if fault else ""
    of_field = next((ask.label for ask in asks if ask.name == named), "")
    what = "" if fault is None else sentence(fault.what) if of_field else told_whole(fault)
    fields = tuple(
        replace(
            _field(ask, held.get(ask.name), what if of_field and ask.name == named else ""),
            how=stands.get(ask.name) if stands else None,
        )
        for ask in asks
    )
    shown = unfold if stands is not None else None
    # above all it has its field's name before it, which may be far below
    above = f"{of_field}: {sentence(fault.what, start=False)}" if fault and of_field else what
    return Form(action, button, fields, above, tuple((hidden or {}).items()), shown)


def _field(ask: FormField, value: Any, fault: str) -> Field:
    if ask.kind == "choice" and len(ask.options) > MOST_CHOICES:
        # a list nobody can find anything in is no help: then its name is typed
        ask = replace(ask, kind="text", options=())
    if ask.kind == "choice" and value is False:
        return Field(ask, "no", fault)
    return Field(ask, _shown(value), fault)


def _shown(value: Any) -> str:
    if value is None or value is False:
        return ""
    return "yes" if value is True else str(value)


def typed(asks: Sequence[FormField], posted: FormData) -> dict[str, Any]:
    """What was typed, by field, ends trimmed; an unticked box is False. Files are not looked at here."""
    found: dict[str, Any] = {}
    for ask in asks:
        sent = posted.get(ask.name)
        # browsers send line ends as CR LF; a record keeps plain ones
        text = sent.replace("\r\n", "\n").strip() if isinstance(sent, str) else ""
        if ask.kind == "check":
            found[ask.name] = bool(text)
        else:
            found[ask.name] = None if ask.optional_none and not text else text
    return found


def stands_typed(asks: Sequence[FormField], posted: FormData) -> dict[str, How]:
    """How fields stand by what was sent of them."""
    found: dict[str, How] = {}
    for ask in asks:
        word, source = (posted.get(f"{part}-{ask.name}") for part in ("how", "source"))
        if isinstance(word, str):
            found[ask.name] = How(word, source.strip() if isinstance(source, str) else "")
    return found
