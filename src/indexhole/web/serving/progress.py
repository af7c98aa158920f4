"""How far long work is: once as JSON, or told on as it goes (server-sent events, HTML standard 9.2)."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse

from indexhole.web.serving.job_queue import Task

EVENTS = "text/event-stream"
# often enough to be seen moving, seldom enough to cost nothing
TELL_EVERY_S = 0.25
# a browser asks anew when a stream ends; one that is forgotten must not be told for ever
LONGEST_S = 120.0


def _state(task: Task[Any] | None, ready: bool) -> dict[str, Any]:
    return {"done": task.done if task else 0, "total": task.total if task else 0, "ready": ready}


async def _told(task: Task[Any] | None) -> AsyncIterator[str]:
    yield "retry: 1000\n\n"
    for _ in range(int(LONGEST_S / TELL_EVERY_S)):
        ready = task is None or await run_in_threadpool(task.wait, TELL_EVERY_S)
        yield f"data: {json.dumps(_state(task, ready))}\n\n"
        if ready:
            return


def how_far(request: Request, task: Task[Any] | None) -> Response:
    """How far a task is; no task is one that is ready. A browser that asks for events is told until it is."""
    if EVENTS in request.headers.get("accept", ""):
        return StreamingResponse(_told(task), media_type=EVENTS)
    return JSONResponse(_state(task, task is None or task.wait(0)))
