"""Whether anything is ever called `sound` or `mended` that is not what was written: a million sectors, one by one.

    python -m studies.false_claims --count 1000000 --state FILE

Every sector is drawn from its own number, so any of them can be looked at again alone (`--only NUMBER`), and a
run that was cut off goes on from the last thousand its state file holds.
"""

from __future__ import annotations

import argparse
import json
import math
from collections import Counter
from pathlib import Path

import numpy as np

from indexhole.recover.fields.reads import SectorRead
from indexhole.recover.shapes.result import Sector
from studies.fields import Trouble, Written, read_passes, settled, some_bytes, write_sector

SEED = 20_260
KINDS = (("mfm", 128, 0.34), ("fm", 128, 0.28), ("group45", 256, 0.30), ("mfm", 512, 0.05), ("fm", 256, 0.03))
_BATCH = 1000


def _spread_out(rng: np.random.Generator, low: float, high: float) -> float:
    return float(low * (high / low) ** rng.random())


def draw_trouble(rng: np.random.Generator, cells: int, *, shared: bool) -> Trouble:
    """Trouble of one sector, from none to more than can be read; about half of the sectors need reckoning.

    Args:
        shared: whether single pulses may be gone, or false ones there, in all passes alike.
    """
    mild = rng.random() < 0.45
    # What happens to few of the mild sectors happens to more of the others.
    sometimes = rng.random(12) * (4.0 if mild else 1.0)
    return Trouble(
        jitter=_spread_out(rng, 0.03, 0.09 if mild else 0.19),
        tailed=bool(sometimes[0] < 0.2),
        shift=float(rng.uniform(0, 0.08)) if sometimes[1] < 0.5 else 0.0,
        asymmetry=float(rng.uniform(0, 0.12)) if sometimes[2] < 0.3 else 0.0,
        wow=float(rng.uniform(0, 0.015)) if sometimes[3] < 0.5 else 0.0,
        slow=float(rng.normal(0, 0.01)),
        dropouts=float(rng.uniform(0, 3)) if sometimes[4] < 0.5 else 0.0,
        dropout_cells=_spread_out(rng, 2, 60),
        dropout_loss=1.0 if sometimes[5] < 0.6 else float(rng.uniform(0.3, 1)),
        losses=_spread_out(rng, 1e-4, 1e-2) if sometimes[6] < 0.3 else 0.0,
        strays=_spread_out(rng, 1e-4, 1e-2) if sometimes[7] < 0.3 else 0.0,
        gap_strays=float(rng.uniform(0, 0.5)) if sometimes[8] < 0.3 else 0.0,
        scratch=(int(rng.integers(0, cells)), int(_spread_out(rng, 2, 100))) if sometimes[9] < 0.15 else None,
        scratch_loss=float(rng.uniform(0.2, 1)) if rng.random() < 0.5 else 1.0,
        lasting_losses=1.0 / 800 if shared and sometimes[10] < 0.04 else 0.0,
        lasting_strays=1.0 / 800 if shared and sometimes[11] < 0.04 else 0.0,
    )


def one(
    seed: int, number: int, *, shared: bool = False
) -> tuple[Written, Trouble, list[SectorRead], list[SectorRead], Sector]:
    """Sector `number` of the study: as written, its trouble, its reads, and as settled."""
    rng = np.random.default_rng([seed, number])
    code, size, _ = KINDS[int(rng.choice(len(KINDS), p=[share for _, _, share in KINDS]))]
    written = write_sector(code, some_bytes(size, rng))
    trouble = draw_trouble(rng, written.cells, shared=shared)
    passes = int(rng.integers(1, 6))
    pulses = written.places.size
    forbidden = trouble.dropouts + (0.5 * trouble.losses + trouble.strays) * pulses
    broken_beside = int(rng.binomial(16, -math.expm1(-forbidden)))
    id_lost = float(rng.uniform(0, 0.5)) if rng.random() < 0.15 else 0.0
    own, placed = read_passes(written, trouble, passes, rng, id_lost=id_lost, broken_beside=broken_beside)
    return written, trouble, own, placed, settled(written, own, placed)


def tally(
    seed: int, numbers: range, counts: Counter[str], false: list[dict[str, object]], *, shared: bool = False
) -> float:
    """Count the outcomes of these sectors into `counts` and list false claims; returns the sum of chances claimed."""
    expected = 0.0
    for number in numbers:
        written, trouble, own, placed, sector = one(seed, number, shared=shared)
        right = sector.data == written.data
        claimed = str(sector.state) in ("sound", "mended")
        counts[f"{written.code} {len(written.data)} {sector.state} {'right' if right else 'wrong'}"] += 1
        # `sound` without a chance needed no reckoning; a lost one had nothing to reckon with.
        counts["reckoned"] += not math.isnan(sector.false_chance) or str(sector.state) == "suspect"
        counts[f"passes {len(own) + len(placed)} {sector.state}"] += 1
        if claimed and not math.isnan(sector.false_chance):
            expected += sector.false_chance
            counts[f"{written.code} {sector.state} reckoned"] += 1
        if claimed and not right:
            false.append(
                {
                    "number": number,
                    "code": written.code,
                    "state": str(sector.state),
                    "reads": len(own) + len(placed),
                    "how": sector.how,
                    "chance": sector.false_chance,
                    "trouble": repr(trouble),
                }
            )
    return expected


def table(counts: Counter[str]) -> str:
    """Markdown: outcomes by code and size."""
    names = {"mfm": "MFM", "fm": "FM", "group45": "group code"}
    outcomes = ("sound right", "sound wrong", "mended right", "mended wrong", "suspect right", "suspect wrong")
    lines = [f"| code | bytes | {' | '.join(outcomes)} | lost |", "| --- " * (len(outcomes) + 3) + "|"]
    for code, size, _ in KINDS:
        found = [counts[f"{code} {size} {outcome}"] for outcome in (*outcomes, "lost wrong")]
        lines.append(f"| {names[code]} | {size} | {' | '.join(map(str, found))} |")
    return "\n".join(lines) + "\n"


def main() -> None:
    """Run, resume or look at one."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--state", type=Path, help="file to go on from and to leave the counts in")
    parser.add_argument("--shared", action="store_true", help="let passes share faults of single pulses")
    parser.add_argument("--table", action="store_true", help="print a table of the outcomes instead of all counts")
    parser.add_argument("--only", type=int, help="settle this sector alone and tell of it")
    asked = parser.parse_args()
    if asked.only is not None:
        written, trouble, own, placed, sector = one(asked.seed, asked.only, shared=asked.shared)
        print(trouble, [(r.passed, r.field == written.field, round(r.worst, 2), r.faults) for r in (*own, *placed)])
        print(sector.state, sector.data == written.data, sector.how, sector.false_chance, sector.changed)
        return
    counts: Counter[str] = Counter()
    false: list[dict[str, object]] = []
    done, expected = 0, 0.0
    if asked.state is not None and asked.state.is_file():
        kept = json.loads(asked.state.read_text())
        if (kept["seed"], kept["shared"]) != (asked.seed, asked.shared):
            raise SystemExit(f"{asked.state} is of another seed or kind of study: name another file")
        counts, false = Counter(kept["counts"]), kept["false"]
        done, expected = kept["done"], kept["expected"]
    while done < asked.count:
        batch = range(done, min(done + _BATCH, asked.count))
        expected += tally(asked.seed, batch, counts, false, shared=asked.shared)
        done = batch.stop
        if asked.state is not None:
            state = {"seed": asked.seed, "shared": asked.shared, "done": done, "expected": expected}
            state |= {"counts": counts, "false": false}
            fresh = asked.state.with_suffix(".new")
            fresh.write_text(json.dumps(state, indent=1, sort_keys=True))
            fresh.replace(asked.state)
    if asked.table:
        print(table(counts), end="")
        return
    print(json.dumps({"done": done, "expected": expected, "counts": counts, "false": false}, indent=1, sort_keys=True))


if __name__ == "__main__":
    main()
