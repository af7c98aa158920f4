"""The verb `pair` and the Pairing page: a question about things on the shelf to a budget."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from typing import Any

from indexhole.errors import InputFault
from indexhole.jobs.pairing.evidence import SEED, Evidence, Proof, proof_of, surprise_bits
from indexhole.jobs.pairing.stock import OUTSIDE_WORDS, Stock, plain_disk
from indexhole.pairing.learning.evidence import OUTSIDE, Observation
from indexhole.pairing.parts.answer import Budget
from indexhole.pairing.parts.beliefs import NO_BELIEFS, Beliefs
from indexhole.pairing.parts.parts import OPERATIONS, Climate, Conditions, Mechanism, Medium, Operation, WhatIf
from indexhole.pairing.prediction.budget import budget
from indexhole.pairing.prediction.passages import outside_drive
from indexhole.standards.classes import load_classes
from indexhole.standards.layouts import Layout, load_layouts

WHOLE, _FEW = 1000, 100
SURPRISING_BITS = 3.0
_ALTERNATIVES = 6


@dataclass(frozen=True)
class Question:
    """What is asked. An empty name leaves it to what the shelf says; `host` stands for the reader's own.

    `writer` is who recorded the disk (read, update) or is to record it (format, exchange). Temperature in degrees
    Celsius and relative humidity in per cent are today's.
    """

    operation: Operation = "read"
    writer: str = ""
    disk: str = ""
    reader: str = ""
    host: str = ""
    layout: str = ""
    temperature_c: float | None = None
    humidity_pct: float | None = None
    bulk_erased: bool = False
    shift: WhatIf = field(default_factory=WhatIf)


def question(operation: str = "", **values: Any) -> Question:
    """A question from outside values. Without an operation it is read, or exchange when a writer is named.

    Raises InputFault for an operation there is none of, and for a temperature or humidity no bench has.
    """
    chosen = operation or ("exchange" if values.get("writer") else "read")
    if chosen not in OPERATIONS:
        raise InputFault(f"{chosen!r} is no operation", remedy=f"use {', '.join(OPERATIONS)}")
    for name, low, high, unit in (("temperature_c", -20, 60, "degrees Celsius"), ("humidity_pct", 0, 100, "per cent")):
        value = values.get(name)
        if value is not None and not low <= value <= high:
            raise InputFault(f"{name} must be from {low} to {high} {unit}, not {value:g}", remedy="check the number")
    return Question(operation=chosen, **values)


@dataclass(frozen=True)
class Setup:
    """A question with everything chosen; `writer_said` tells who the writer is and how that is known."""

    operation: Operation
    writer: Mechanism
    disk: Medium
    reader: Mechanism
    layout: Layout
    conditions: Conditions
    writer_said: str
    assumed: tuple[str, ...]


@dataclass(frozen=True)
class Answer:
    """One pairing reckoned through, with what trials showed of it, and how the two differ where they do."""

    setup: Setup
    budget: Budget
    proof: Proof | None
    difference: Difference | None

    @property
    def differs(self) -> str:
        """How they differ in words; empty where they do not."""
        return self.difference.words if self.difference else ""


def settle(stock: Stock, asked: Question) -> Setup:
    """Choose what the question leaves open.

    Raises InputFault for a name that is not on the shelf or cannot be reckoned with, and for too few names.
    """
    reader_name = asked.reader or (asked.writer if asked.operation == "format" else "")
    if asked.operation == "format" and asked.writer and asked.reader not in ("", asked.writer):
        raise InputFault(
            f"format is done by one mechanism, not by {asked.writer} and {asked.reader}",
            remedy="ask for the operation exchange, or name one of them",
        )
    if not reader_name:
        raise InputFault("no reader is named", remedy="name a mechanism, as in D2.0")
    reader = stock.mechanism(reader_name)
    if asked.host:
        reader = replace(reader, host=stock.host(asked.host))
    if asked.operation == "exchange" and not asked.writer:
        raise InputFault("no writer is named", remedy="name the mechanism that will record the disk, as in D1.0")
    assumed: list[str] = []
    disk, layout = _disk_of(stock, asked, reader, assumed)
    if asked.layout:
        layout = named_layout(asked.layout)
    if asked.layout or asked.operation in ("format", "exchange"):
        # what is to be laid out is chosen, not supposed
        disk = replace(disk, supposed=tuple(what for what in disk.supposed if what != "layout"))
    writer, said = _writer_of(stock, asked, disk, layout, reader)
    things = {reader.name: reader, writer.name: writer}
    hosts = {m.host.name for m in things.values()}
    chosen_host = asked.host and reader.name
    for name in (*things, disk.name, *sorted(hosts)):
        # what the question names is not taken for granted
        named = {"layout"} if asked.layout else set()
        named |= {"host"} if name == chosen_host else set()
        assumed += [f"{name}: {one.words}" for one in stock.assumed.get(name, ()) if one.about not in named]
    conditions = Conditions(
        reading=Climate(asked.temperature_c, asked.humidity_pct),
        bulk_erased_first=asked.bulk_erased,
        shift=asked.shift,
    )
    return Setup(asked.operation, writer, disk, reader, layout, conditions, said, tuple(dict.fromkeys(assumed)))


def named_layout(name: str) -> Layout:
    library = load_layouts()
    if name not in library:
        near = get_close_matches(name, library, 3) or [next(iter(library))]
        raise InputFault(f"{name!r} is no layout", remedy=f"use one of docs/layouts.md, as {' or '.join(near)}")
    return library[name]


def _disk_of(stock: Stock, asked: Question, reader: Mechanism, assumed: list[str]) -> tuple[Medium, Layout]:
    if asked.disk:
        disk = stock.disk(asked.disk)
        return disk, stock.layouts[asked.disk]
    if asked.operation in ("read", "update"):
        raise InputFault("no disk is named", remedy="name a disk on the shelf, as in K3")
    maker = stock.mechanism(asked.writer) if asked.writer else reader
    disk_class = named_layout(asked.layout).disk_class if asked.layout else class_of(maker)
    disk, layout = plain_disk(disk_class, min(2, maker.heads))
    assumed.append(
        f"no disk is named; calculated for an unrecorded one, {disk.disk_class.title}, laid out as {layout.id}"
    )
    return disk, layout


def _writer_of(stock: Stock, asked: Question, disk: Medium, layout: Layout, reader: Mechanism) -> tuple[Mechanism, str]:
    """Who recorded the disk, or is to record it, and how that is known."""
    if asked.operation == "format":
        return reader, f"{reader.name} formats it and reads it back"
    if asked.writer:
        return stock.mechanism(asked.writer), f"{asked.writer}, as asked"
    if disk.recorded_by is not None:
        return disk.recorded_by, f"{disk.recorded_by.name}, by the disk's entry"
    last = stock.last_writers.get(disk.name)
    hand = (stock.mechanisms.get(last[0]) or stock.past.get(last[0])) if last is not None else None
    if last is not None and hand is not None:
        return hand, f"{last[0]}, as in trial {last[1]}"
    return outside_drive(disk), f"not known; taken as {OUTSIDE_WORDS}"


def class_of(mechanism: Mechanism) -> str:
    """The disk class a mechanism is made for: the longest class name that its drive class begins with."""
    fitting = [
        name for name in load_classes() if mechanism.drive.id == name or mechanism.drive.id.startswith(f"{name}-")
    ]
    return max(fitting, key=len)


def answer(stock: Stock, evidence: Evidence, asked: Question, *, samples: int = WHOLE, remedies: bool = True) -> Answer:
    """Reckon one pairing through. Raises InputFault as `settle` does."""
    setup = settle(stock, asked)
    told = _budget(setup, evidence.beliefs, samples, _alternatives(stock, setup) if remedies else None)
    proof = proof_for(evidence, setup)
    expected = _budget(setup, NO_BELIEFS, _FEW, None).chance if proof is not None else None
    return Answer(setup, told, proof, difference(told.chance, expected, proof))


def _budget(setup: Setup, beliefs: Beliefs, samples: int, alternatives: tuple[Mechanism, ...] | None) -> Budget:
    """The budget of a set-up; without remedies where there are no alternatives given at all."""
    return budget(
        setup.writer,
        setup.disk,
        setup.reader,
        setup.layout,
        setup.operation,
        setup.conditions,
        beliefs,
        SEED,
        samples=samples,
        remedies=alternatives is not None,
        alternatives=alternatives or (),
    )


def _alternatives(stock: Stock, setup: Setup) -> tuple[Mechanism, ...]:
    """Other mechanisms the disk goes into, those of its own class first."""
    able = [
        m
        for m in stock.mechanisms.values()
        if m.drive.diameter_mm == setup.disk.disk_class.diameter_mm and m.name not in (setup.reader.name, "")
    ]
    able.sort(key=lambda m: class_of(m) != setup.layout.disk_class)
    return tuple(able[:_ALTERNATIVES])


def proof_for(evidence: Evidence, setup: Setup) -> Proof | None:
    """What trials showed of a set-up, None when there are none."""
    participants = setup.writer.name or OUTSIDE, setup.reader.name
    return proof_of(seen_of(evidence, setup.operation, setup.disk.name, *participants))


def seen_of(
    evidence: Evidence, operation: Operation, disk: str, writer: str | None, reader: str
) -> Iterator[Observation]:
    """Observations of one pairing; of any disk without a name, of any writer where that is None."""
    trial = {"read": "read", "exchange": "read", "format": "format", "update": "write"}[operation]
    for seen in evidence.of_reader.get(reader, ()):
        hand = seen.laid_out_by if operation == "update" else seen.writer
        if seen.operation == trial and disk in ("", seen.disk) and (writer is None or hand == writer):
            yield seen


@dataclass(frozen=True)
class Difference:
    """Where prediction and trials disagree: in words, and whether they do even with these trials weighed."""

    words: str
    unexplained: bool


def difference(chance: float, expected: float | None, proof: Proof | None) -> Difference | None:
    """Where prediction and trials disagree; None where they do not.

    Args:
        chance: predicted with all evidence weighed, these trials among it.
        expected: predicted from classes alone; None where it was not reckoned.
    """
    if proof is None:
        return None
    lost = f"{proof.failed if proof.failed else 'none'} of {proof.tried} sectors failed"
    if surprise_bits(chance, proof) >= SURPRISING_BITS:
        return Difference(f"predicted {100 * chance:.0f} %, but {lost}: nothing that is known explains it", True)
    if expected is not None and surprise_bits(expected, proof) >= SURPRISING_BITS:
        told = f"by class alone {100 * expected:.0f} %, but {lost}; with the trials weighed {100 * chance:.0f} %"
        return Difference(told, False)
    return None
