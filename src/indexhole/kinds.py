"""Tables over kinds that are shown to be whole when their module is imported.

A kind is a value of a `Literal` or an `Enum`. A table that lacks one, or holds one that is none, raises at import, so
that a kind added in one place only is refused at once and not at the first disk that has it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Any, TypeVar, get_args

Kind = TypeVar("Kind")
Value = TypeVar("Value")


class HalfMadeKind(TypeError):
    """A table does not hold exactly the kinds there are: a fault of the program, never of its input."""


def kinds_of(kinds: Any) -> tuple[Any, ...]:
    """The values of a `Literal`, the members of an `Enum`, or the items of any other collection, in order."""
    return get_args(kinds) or tuple(kinds)


def every(kinds: Any, table: Mapping[Kind, Value]) -> Mapping[Kind, Value]:
    """The table, read-only, once each kind is in it and nothing else.

    Args:
        kinds: a `Literal`, an `Enum` or a collection.
        table: by kind.

    Raises:
        HalfMadeKind: a kind is missing, or a key is no kind.
    """
    _compare(kinds, table)
    return MappingProxyType(dict(table))


def in_order(kinds: Any, order: Iterable[Kind]) -> tuple[Kind, ...]:
    """The order, once each kind is in it once and nothing else. Raises HalfMadeKind otherwise."""
    order = tuple(order)
    _compare(kinds, order)
    if len(set(order)) != len(order):
        raise HalfMadeKind(f"a kind stands twice in {order}")
    return order


def _compare(kinds: Any, held: Iterable[Any]) -> None:
    wanted, found = set(kinds_of(kinds)), set(held)
    if wanted != found:
        missing, unknown = sorted(map(str, wanted - found)), sorted(map(str, found - wanted))
        raise HalfMadeKind(f"missing: {', '.join(missing) or 'nothing'}; not a kind: {', '.join(unknown) or 'nothing'}")
