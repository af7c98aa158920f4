"""Coroutines run to their end, also where the driver of a browser keeps a loop running in this thread."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

T = TypeVar("T")


def run_apart(work: Coroutine[Any, Any, T]) -> T:
    """What the coroutine returns; it has a thread and a loop of its own."""
    with ThreadPoolExecutor(1) as apart:
        return apart.submit(asyncio.run, work).result()
