"""Requests to the page in this process, for every test that asks it something."""

from __future__ import annotations

from typing import Any

import httpx
from tests.support.apart import run_apart

HERE = "http://127.0.0.1:8360"
FROM_HERE = {"Origin": HERE}


def sent(
    app: Any,
    method: str,
    address: str,
    *,
    origin: dict[str, str] | None = None,
    jar: httpx.Cookies | None = None,
    raise_faults: bool = False,
    **how: Any,
) -> httpx.Response:
    """The answer to one request.

    Args:
        origin: FROM_HERE for what a browser sends from the page itself; none for a program.
        jar: cookies kept from request to request.
        raise_faults: whether a fault in the program is raised here instead of answered.
    """

    async def send() -> httpx.Response:
        transport = httpx.ASGITransport(app=app, raise_app_exceptions=raise_faults)
        async with httpx.AsyncClient(transport=transport, base_url=HERE, headers=origin, cookies=jar) as client:
            answer = await client.request(method, address, **how)
            if jar is not None:
                jar.update(client.cookies)
            return answer

    return run_apart(send())
