"""The API against its own description: what the description allows is answered as it says, and nothing breaks."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, settings
from schemathesis.specs.openapi.checks import negative_data_rejection, positive_data_acceptance

from indexhole.shelf.records.records import Disk, Mechanism, Unit, checked
from indexhole.shelf.register.shelf import Shelf
from indexhole.web.app import create_app

HERE = "127.0.0.1:8360"
_FOLDER = TemporaryDirectory(prefix="indexhole-")
SHELF = Shelf.open(Path(_FOLDER.name) / "shelf", create=True)
SHELF.add(checked(Unit, inventory="D1", kind="drive unit"))
SHELF.add(checked(Mechanism, unit="D1", number=0))
SHELF.add(checked(Disk, inventory="K1"))
GUARD = create_app(SHELF)


async def app(scope: Any, receive: Any, send: Any) -> None:
    """The page, asked by the name it answers to and as its own script would: who is let in is another test's part."""
    if scope["type"] == "http":
        rest = [(name, value) for name, value in scope["headers"] if name not in (b"host", b"origin")]
        own = [(b"host", HERE.encode()), (b"origin", f"http://{HERE}".encode())]
        scope = {**scope, "headers": [*rest, *own]}
    await GUARD(scope, receive, send)


@pytest.fixture(scope="module", autouse=True)
def folder_goes() -> Any:
    yield
    _FOLDER.cleanup()


schema = schemathesis.openapi.from_asgi("/api/openapi.json", app)


@schema.parametrize()
@settings(
    max_examples=8,
    derandomize=True,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
)
def test_the_api_is_as_it_is_described(case: Any) -> None:
    # what fits the description may still not fit the shelf (a number that is taken, a date that is none), and a
    # number may come as text, as it does from the command line
    case.call_and_validate(excluded_checks=[positive_data_acceptance, negative_data_rejection])
