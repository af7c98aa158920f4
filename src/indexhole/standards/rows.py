"""Tables of rows that may be `like` an earlier row: read, filled up and checked."""

from __future__ import annotations

import tomllib
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from indexhole.errors import InputFault
from indexhole.standards.figures import first_fault

Row = TypeVar("Row", bound=BaseModel)


def parse_rows(text: str, table: str, model: type[Row], where: str) -> dict[str, Row]:
    """Read the rows of `table` from TOML text, by id. A row with `like` takes what it does not say from that row.

    Raises InputFault that names the place and the fault.
    """
    whole: dict[str, dict[str, Any]] = {}
    found: dict[str, Row] = {}
    try:
        rows = tomllib.loads(text).get(table, [])
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            raise InputFault(f"{table} is not a list of tables", where=where, remedy=f"begin each row with [[{table}]]")
        for row in rows:
            like = row.pop("like", None)
            if like is not None and (not isinstance(like, str) or like not in whole):
                raise InputFault(f"a {table} is like {like}, which no row above it is", where=where)
            filled = {**whole[like], **row} if like else row
            item = model.model_validate(filled)
            key = str(filled["id"])
            if key in found:
                raise InputFault(f"{table} {key} is defined twice", where=where)
            whole[key], found[key] = filled, item
    except tomllib.TOMLDecodeError as fault:
        raise InputFault(f"not TOML ({fault})", where=where) from fault
    except ValidationError as fault:
        raise InputFault(first_fault(fault, f"the {table}"), where=where) from fault
    return found
