"""Tables of rows that may be `like` an earlier row: read, filled up and checked."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from indexhole.errors import InputFault
from indexhole.standards.figures import first_fault

Row = TypeVar("Row", bound=BaseModel)


def parse_rows(
    text: str,
    table: str,
    model: type[Row],
    where: str,
    *,
    usual: Mapping[str, Any] | None = None,
    alone: bool = False,
) -> dict[str, Row]:
    """Read the rows of `table` from TOML text, by id. A row with `like` takes what it does not say from that row.

    Args:
        usual: what a row holds that does not say it.
        alone: nothing but the table may stand in the text.

    Raises InputFault that names the place and the fault.
    """
    whole: dict[str, dict[str, Any]] = {}
    found: dict[str, Row] = {}
    try:
        held, remedy = tomllib.loads(text), f"begin each row with [[{table}]]"
        if alone and (other := sorted(set(held) - {table})):
            raise InputFault(f"{other[0][:40]!r} is not known here", where=where, remedy=remedy)
        rows = held.get(table, [])
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            raise InputFault(f"{table} is not a list of tables", where=where, remedy=remedy)
        for row in rows:
            like = row.pop("like", None)
            if like is not None and (not isinstance(like, str) or like not in whole):
                raise InputFault(f"a {table} is like {like}, which no row above it is", where=where)
            filled = {**(usual or {}), **(whole[like] if like else {}), **row}
            item = model.model_validate(filled)
            key = str(filled["id"])
            if key in found:
                raise InputFault(f"{table} {key} is defined twice", where=where)
            whole[key], found[key] = filled, item
    except ValidationError as fault:
        raise InputFault(first_fault(fault, f"the {table}"), where=where) from fault
    except (ValueError, RecursionError) as fault:
        # a number of thousands of digits, or lists within lists, are no fault of TOML to its reader
        raise InputFault(f"not TOML ({fault})", where=where) from fault
    return found
