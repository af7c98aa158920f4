"""The command of a study that asks one thing of bench after bench, on several processes."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from functools import partial
from multiprocessing import Pool
from pathlib import Path
from typing import Any


def run(
    doc: str | None,
    case_of: Callable[..., Any],
    tables: Callable[[Sequence[Any]], str],
    *,
    benches: int,
    first_seed: int,
    study: str,
    title: str,
    told: str,
) -> None:
    """Ask, print the tables, and with `--out` write them to a page.

    Args:
        case_of: called with the number of a bench and `first_seed`; what it returns goes to `tables`.
        benches, first_seed: unless the command line says otherwise.
        study: the name of its module; told: what the head of the page says after how it was made.
    """
    parser = argparse.ArgumentParser(description=doc, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--benches", type=int, default=benches)
    parser.add_argument("--first-seed", type=int, default=first_seed)
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    with Pool(asked.jobs) as pool:
        found = pool.map(partial(case_of, first_seed=asked.first_seed), range(asked.benches), chunksize=5)
    text = tables(found)
    print(text)
    if asked.out is not None:
        made = f"Made by `python -m studies.{study} --benches {asked.benches} --first-seed {asked.first_seed}`"
        (asked.out / f"causes-{study}.md").write_text(f"# {title}\n\n{made};\n{told}\n\n{text}")
