"""Whether pairings are as likely to work as they are said to be, before and after evidence.

    python -m studies.pairing_calibration [--benches 60] [--questions 25] [--trials 24] [--out docs/studies]

Benches come from studies/pairing_bench.py, whose laws the pairing's prior never saw. A question is an exchange on a
disk of which nothing is known; the outcome is whether every sector came back. Scores are Brier's, against always
saying the base rate of all questions.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

from indexhole.pairing.learning.evidence import observations
from indexhole.pairing.learning.learning import learn
from indexhole.pairing.parts.beliefs import NO_BELIEFS, Beliefs
from indexhole.pairing.parts.draws import Streams
from indexhole.pairing.parts.parts import Conditions
from indexhole.pairing.prediction.compute import compute
from indexhole.pairing.prediction.passages import Case
from studies.pairing_bench import Bench, Question, ask, make_bench, outcome, run_trials

BINS = (0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 1.0)
SAMPLES = 128
UNDECIDED = 0.05


@dataclass(frozen=True)
class Answers:
    """Predictions before and after evidence and what came of it, each (questions,), and the bench of each question."""

    before: np.ndarray
    after: np.ndarray
    worked: np.ndarray
    bench: np.ndarray


def predict(bench: Bench, question: Question, beliefs: Beliefs) -> float:
    """The chance the pairing gives."""
    drives = bench.drives
    case = Case(
        drives[question.writer].name, question.disk, drives[question.reader].name, question.layout, "exchange",
        Conditions(), beliefs, Streams(0, SAMPLES),
    )  # fmt: skip
    return compute(case).chance


def measure(benches: int, questions: int, trials: int, seed: int = 4) -> Answers:
    """Ask every bench, learn from its trials, ask again."""
    rows = []
    for b in range(benches):
        rng = np.random.default_rng([seed, b])
        bench = make_bench(rng)
        told = observations(run_trials(bench, trials, rng))
        heads = {name: drive.name for name, drive in bench.drives.items()}
        beliefs = learn(heads, bench.disks, bench.layouts, told, (), 0)
        for _ in range(questions):
            question = ask(bench, rng)
            worked = outcome(bench, question, rng)
            rows.append((predict(bench, question, NO_BELIEFS), predict(bench, question, beliefs), worked, b))
    columns = np.array(rows, float).T
    return Answers(columns[0], columns[1], columns[2], columns[3].astype(int))


def brier(said: np.ndarray, worked: np.ndarray) -> float:
    """Mean square of what was said less what came."""
    return float(np.mean((said - worked) ** 2))


def skill(answers: Answers, said: np.ndarray) -> float:
    """By how much the Brier score is better than that of the base rate, fraction."""
    base = answers.worked.mean() * (1 - answers.worked.mean())
    return 1.0 - brier(said, answers.worked) / base


def skill_error(answers: Answers, said: np.ndarray, rounds: int = 400) -> float:
    """Standard error of the skill: whole benches drawn again with replacement."""
    rng = np.random.default_rng(1)
    names = np.unique(answers.bench)
    found = []
    for _ in range(rounds):
        picked = np.concatenate([np.flatnonzero(answers.bench == b) for b in rng.choice(names, len(names))])
        part = Answers(*(getattr(answers, n)[picked] for n in ("before", "after", "worked", "bench")))
        if 0 < part.worked.mean() < 1:
            found.append(skill(part, said[picked]))
    return float(np.std(found))


@dataclass(frozen=True)
class Bin:
    """Questions whose chance was said to lie between two bounds."""

    when: str
    said: float
    worked: float
    count: int
    error: float


def reliability(answers: Answers) -> list[Bin]:
    """What was said and what came, by bins of what was said."""
    found = []
    for when, said in (("before evidence", answers.before), ("after evidence", answers.after)):
        for low, high in pairwise(BINS):
            inside = (said >= low) & ((said < high) | (high == BINS[-1]))
            count = int(inside.sum())
            if count >= 10:
                share = float(answers.worked[inside].mean())
                error = float(np.sqrt((share * (1 - share) * count + 0.5) / count**2))
                found.append(Bin(when, float(said[inside].mean()), share, count, error))
    return found


def table(answers: Answers) -> str:
    """Markdown: the scores, then the bins."""
    base = answers.worked.mean()
    lines = [
        f"{len(answers.worked)} questions on {len(np.unique(answers.bench))} benches; {base:.1%} worked.",
        "",
        "| said | Brier score | better than the base rate by | +/- |",
        "| --- | ---: | ---: | ---: |",
        f"| the base rate | {base * (1 - base):.4f} | - | - |",
    ]
    for name, said in (("before evidence", answers.before), ("after evidence", answers.after)):
        score = brier(said, answers.worked)
        lines.append(f"| {name} | {score:.4f} | {skill(answers, said):.1%} | {skill_error(answers, said):.1%} |")
    open_ones = answers.before > UNDECIDED
    some = Answers(
        answers.before[open_ones], answers.after[open_ones], answers.worked[open_ones], answers.bench[open_ones]
    )
    base = some.worked.mean()
    lines += [
        "",
        f"Of these, {len(some.worked)} are not decided by the classes alone (said more than {UNDECIDED:.0%}); "
        f"{base:.1%} of them worked.",
        "",
        "| said of those | Brier score | better than their base rate by | +/- |",
        "| --- | ---: | ---: | ---: |",
        f"| their base rate | {base * (1 - base):.4f} | - | - |",
    ]
    for name, said in (("before evidence", some.before), ("after evidence", some.after)):
        lines.append(
            f"| {name} | {brier(said, some.worked):.4f} | {skill(some, said):.1%} | {skill_error(some, said):.1%} |"
        )
    lines += ["", "| when | said, mean | worked | +/- | questions |", "| --- | ---: | ---: | ---: | ---: |"]
    lines += [f"| {b.when} | {b.said:.3f} | {b.worked:.3f} | {b.error:.3f} | {b.count} |" for b in reliability(answers)]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Measure, print the table, and draw the picture."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--benches", type=int, default=60)
    parser.add_argument("--questions", type=int, default=25)
    parser.add_argument("--trials", type=int, default=24)
    parser.add_argument("--seed", type=int, default=4)
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    answers = measure(asked.benches, asked.questions, asked.trials, asked.seed)
    print(table(answers), end="")
    if asked.out is not None:
        from studies.charts import draw_reliability

        draw_reliability(
            [(b.when, b.said, b.worked, b.error) for b in reliability(answers)], asked.out / "pairing-reliability.svg"
        )


if __name__ == "__main__":
    main()
