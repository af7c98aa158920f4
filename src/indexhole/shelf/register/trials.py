"""Trials in the register: what an import adds besides them, and rows to trials and back."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import datetime
from itertools import pairwise
from typing import Any

from sqlalchemy import Column, ColumnElement, Connection, Select, func, select

from indexhole.errors import FAULTS_SHOWN, Do, InputFault
from indexhole.model.trials.series import apart, parts_of
from indexhole.model.trials.trial import Trial
from indexhole.shelf.records.records import Disk, Mechanism, Unit, UnitKind, checked, now
from indexhole.shelf.register.journal import Writing
from indexhole.shelf.register.tables import disks, mechanisms, trials, units

# a part that was not noted is NULL in the register, where it refers to nothing, and empty on the sheet
_COLUMNS = [
    func.coalesce(trials.c[field.name], "") if field.name in ("host", "lead") else trials.c[field.name]
    for field in fields(Trial)
]
_LOGGED = (*_COLUMNS, trials.c.logged_by, trials.c.logged_utc)
# names looked up at once: a database takes so many in one question
_ASKED_AT_ONCE = 500
# the kinds a trial's column may name, the first being what an unknown one is taken for
_PARTS: dict[str, tuple[UnitKind, ...]] = {
    "host": ("host",),
    "lead": ("lead", "adapter"),
    "adapter": ("adapter", "lead"),
    "drive": ("drive unit",),
}


@dataclass(frozen=True, slots=True)
class LoggedTrial(Trial):
    """A trial with who put it into the register and when; empty and None where that is not known."""

    logged_by: str = ""
    logged_utc: datetime | None = None


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import adds: trials by count, and the entries made because a trial names them (`unproven`)."""

    trials: int
    units: tuple[Unit, ...]
    mechanisms: tuple[Mechanism, ...]
    disks: tuple[Disk, ...]
    remarks: tuple[str, ...]


def read_trials(
    connection: Connection,
    where: Sequence[ColumnElement[bool]] = (),
    *,
    first: int = 0,
    most: int | None = None,
    latest: bool = False,
) -> list[Trial]:
    """Trials that fulfil the conditions, in order or from the last one back."""
    asked = _asked(_COLUMNS, where, first, most, latest)
    return [Trial(*row) for row in connection.execute(asked)]


def read_log(
    connection: Connection,
    where: Sequence[ColumnElement[bool]] = (),
    *,
    first: int = 0,
    most: int | None = None,
    latest: bool = False,
) -> list[LoggedTrial]:
    """Trials as `read_trials`, with who logged them and when."""
    return [LoggedTrial(*row) for row in connection.execute(_asked(_LOGGED, where, first, most, latest))]


def _asked(
    columns: Sequence[Any], where: Sequence[ColumnElement[bool]], first: int, most: int | None, latest: bool
) -> Select[Any]:
    order = trials.c.row.desc() if latest else trials.c.row
    return select(*columns).where(*where).order_by(order).offset(first).limit(most)


def insert_trials(change: Writing, new: Iterable[Trial]) -> None:
    """Add trials whose units, mechanisms and disks are known."""
    logged = {"logged_by": change.signature.who, "logged_utc": now()}
    rows = [asdict(apart(trial)) for trial in new]
    change.insert(trials, [{**row, "host": row["host"] or None, "lead": row["lead"] or None, **logged} for row in rows])


def delete_trial(change: Writing, name: str) -> LoggedTrial:
    """Take one trial out and return it. Raises InputFault when there is none of that name."""
    row = change.connection.execute(select(trials.c.row).where(trials.c.trial == name)).scalar_one_or_none()
    if row is None:
        raise InputFault(f"there is no trial {name} on the shelf", remedy=Do.LIST_TRIALS)
    (trial,) = read_log(change.connection, [trials.c.trial == name])
    change.delete(trials, row)
    return trial


def _parts_named(trial: Trial) -> tuple[tuple[str, str], ...]:
    """What units a trial names, and as what."""
    lead, *adapters = parts_of(trial.lead) or ("",)
    unit = trial.mechanism.rpartition(".")[0]
    return ("drive", unit), ("host", trial.host), ("lead", lead), *(("adapter", name) for name in adapters)


def plan(connection: Connection, new: list[Trial]) -> Imported:
    """What adding these trials would add. Raises InputFault for trials that do not fit the shelf."""
    named = {name for trial in new for _, name in _parts_named(trial) if name}
    kinds = dict(_looked_up(connection, (units.c.inventory, units.c.kind), named))
    known_mechanisms = dict(
        _looked_up(connection, (mechanisms.c.mechanism, mechanisms.c.number), {trial.mechanism for trial in new})
    )
    marks = _looked_up(connection, (disks.c.inventory, disks.c.importance), {trial.disk for trial in new})
    irreplaceable = {inventory: importance == "irreplaceable" for inventory, importance in marks}
    faults = _named_already(connection, new)
    made_units: dict[str, Unit] = {}
    made_mechanisms: dict[str, Mechanism] = {}
    made_disks: dict[str, Disk] = {}
    for trial in new:
        for part, name in _parts_named(trial):
            fitting = _PARTS[part]
            if name and name not in kinds:
                kinds[name] = fitting[0]
                origin = f"named by trial {trial.trial}"
                made_units[name] = checked(Unit, inventory=name, kind=fitting[0], origin=origin, standing="unproven")
            elif name and kinds[name] not in fitting:
                faults.append(f"trial {trial.trial}: {name} is a {kinds[name]}, not a {fitting[0]}")
        if trial.mechanism not in known_mechanisms:
            known_mechanisms[trial.mechanism] = 0
            made_mechanisms[trial.mechanism] = checked(Mechanism, mechanism=trial.mechanism, standing="unproven")
        if trial.disk not in irreplaceable:
            irreplaceable[trial.disk] = False
            made_disks[trial.disk] = checked(Disk, inventory=trial.disk, standing="unproven")
    if faults:
        more = f" | and {len(faults) - FAULTS_SHOWN} more" if len(faults) > FAULTS_SHOWN else ""
        raise InputFault(
            f"{len(faults)} faults: {' | '.join(faults[:FAULTS_SHOWN])}{more}",
            remedy=("nothing was added; mend the sheet", Do.SET_APART),
        )
    return Imported(
        len(new),
        tuple(made_units.values()),
        tuple(made_mechanisms.values()),
        tuple(made_disks.values()),
        (*_out_of_order(new), *_written_over(new, irreplaceable)),
    )


def parts_played(connection: Connection, unit: str) -> set[str]:
    """The kinds a unit can be, going by what names it: empty when nothing does."""
    played: set[str] = set()
    if connection.execute(select(mechanisms.c.row).where(mechanisms.c.unit == unit).limit(1)).first():
        played.update(_PARTS["drive"])
    for part in ("host", "lead"):
        if connection.execute(select(trials.c.row).where(trials.c[part] == unit).limit(1)).first():
            played.update(_PARTS[part])
    return played


def _looked_up(connection: Connection, columns: tuple[Column[Any], Any], names: Iterable[str]) -> Iterator[Any]:
    """Rows of two columns, the first of which is one of the names."""
    wanted = sorted(set(names))
    for at in range(0, len(wanted), _ASKED_AT_ONCE):
        yield from connection.execute(select(*columns).where(columns[0].in_(wanted[at : at + _ASKED_AT_ONCE])))


def _named_already(connection: Connection, new: list[Trial]) -> list[str]:
    numbers = dict(_looked_up(connection, (trials.c.trial, trials.c.row), (trial.trial for trial in new)))
    named: dict[str, Trial] = {}
    for name in numbers:
        named |= {trial.trial: trial for trial in read_trials(connection, [trials.c.trial == name])}
    faults = []
    for trial in new:
        other = named.get(trial.trial)
        if other is not None:
            faults.append(
                f"trial {trial.trial} is on the shelf already{'' if other == apart(trial) else ', with other values'}"
            )
        named[trial.trial] = apart(trial)
    return faults


def _out_of_order(new: list[Trial]) -> list[str]:
    late = [
        f"trial {later.trial} is dated before trial {earlier.trial} above it; rows are taken in order as they stand"
        for earlier, later in pairwise(new)
        if later.when[:10] < earlier.when[:10]
    ]
    return late[:FAULTS_SHOWN]


def _written_over(new: list[Trial], irreplaceable: dict[str, bool]) -> list[str]:
    written = {trial.disk for trial in new if trial.writes and irreplaceable.get(trial.disk)}
    return [f"disk {disk} is marked irreplaceable, and trials wrote on it" for disk in sorted(written)]
