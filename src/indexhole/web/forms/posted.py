"""What a form sends: read within limits, its token checked, before any page looks at it."""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import Annotated

from fastapi import Depends
from starlette.datastructures import FormData
from starlette.requests import Request

from indexhole.web.access.visit import check_form

# a form of a unit says of each of its fields what, how it is known, and by whom
MOST_FILES, MOST_FIELDS, LARGEST_FIELD_BYTES = 8, 120, 256 << 10


async def posted(request: Request) -> AsyncIterator[FormData]:
    """The form of a request, its files in temporary ones that go when it is answered."""
    limits = {"max_files": MOST_FILES, "max_fields": MOST_FIELDS, "max_part_size": LARGEST_FIELD_BYTES}
    async with request.form(**limits) as form:
        check_form(form)
        yield form


Posted = Annotated[FormData, Depends(posted)]
