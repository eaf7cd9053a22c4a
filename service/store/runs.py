"""Runs as they came, what was decided about them, and the cups that wait for a list to name them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Literal

import sqlalchemy as sa
from pydantic import BaseModel, ConfigDict

from service.refusals import Conflict, NotFound
from service.store.database import Change, Look
from service.store.schema import laboratory, run, sample, waiting_cup
from service.store.values import chunks

State = Literal["read", "confirmed", "accepted", "held", "rejected", "released"]
STATES: tuple[State, ...] = ("read", "confirmed", "accepted", "held", "rejected", "released")


class RunRow(BaseModel):
    """One run without its file and its sheet."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: int
    run_id: str
    analyte: str
    method: str
    run_on: date
    operator: str
    file_name: str
    content_sha256: str
    layout: str
    choice: dict[str, Any]
    excluded: list[tuple[int, str]]
    state: State
    reason: str
    replaces: str
    version: int
    uploaded_at: datetime
    uploaded_by: str
    decided_at: datetime | None
    decided_by: str
    released_at: datetime | None
    released_by: str
    sheet_sha256: str | None


@dataclass(frozen=True)
class RunInputs:
    """What a run is measured from, besides its choices."""

    content: bytes
    side_content: bytes | None


@dataclass(frozen=True)
class WaitingCup:
    """A cup of a released run; ``sample_id`` is there since a list named it."""

    lab_number: str
    sample_id: int | None


_ROW = [run.c[name] for name in RunRow.model_fields]


def laboratory_facts(look: Look) -> tuple[dict[str, Any], str]:
    """The card of the caller's laboratory, and its limits: empty text for the shipped ones.

    Raises
    ------
    NotFound
        If the caller belongs to no laboratory.
    """
    row = look.connection.execute(
        sa.select(laboratory.c.card, laboratory.c.limits).where(laboratory.c.id == look.scope.laboratory_id)
    ).one_or_none()
    if row is None:
        raise NotFound(
            "this account belongs to no laboratory",
            expected="somebody of a laboratory",
            fix="ask the administrator to which laboratory the account belongs",
        )
    return dict(row.card), row.limits


def add(change: Change, values: Mapping[str, Any], inputs: RunInputs) -> int:
    """Add a run of the caller's laboratory; returns its id."""
    added: int = change.connection.execute(
        run.insert()
        .values(
            **values, run_id_folded=values["run_id"].casefold(), content=inputs.content,
            side_content=inputs.side_content, laboratory_id=change.scope.laboratory_id, state="read",
            uploaded_at=change.now, uploaded_by=change.caller.name,
        )
        .returning(run.c.id)
    ).scalar_one()  # fmt: skip
    return added


def by_name(look: Look, run_id: str) -> RunRow | None:
    """The run of a name, whatever its capital letters."""
    chosen = sa.select(*_ROW).where(
        run.c.laboratory_id == look.scope.laboratory_id, run.c.run_id_folded == run_id.casefold()
    )
    row = look.connection.execute(chosen).mappings().one_or_none()
    return None if row is None else RunRow.model_validate(dict(row))


def reruns(look: Look, row: RunRow) -> set[int]:
    """Ids of the reruns of a run, and of their reruns."""
    found: set[int] = set()
    names = {row.run_id.casefold()}
    while names:
        rows = look.connection.execute(
            sa.select(run.c.id, run.c.run_id_folded).where(
                run.c.laboratory_id == look.scope.laboratory_id, sa.func.lower(run.c.replaces).in_(names)
            )
        ).all()
        names = {each.run_id_folded for each in rows if each.id not in found}
        found |= {each.id for each in rows}
    return found


def listing(
    look: Look, *, search: str = "", state: State | None = None, before: int | None = None, most: int = 50
) -> tuple[RunRow, ...]:
    """Runs from the newest on, behind one; ``search`` begins the run's name or is its analyte."""
    chosen = _matching(look, search, state).order_by(run.c.id.desc()).limit(most)
    if before is not None:
        chosen = chosen.where(run.c.id < before)
    return tuple(RunRow.model_validate(dict(row)) for row in look.connection.execute(chosen).mappings())


def after(look: Look, last: int, most: int, state: State | None = None) -> tuple[RunRow, ...]:
    """Runs in the order of their ids, behind one."""
    chosen = _matching(look, "", state).where(run.c.id > last).order_by(run.c.id).limit(most)
    return tuple(RunRow.model_validate(dict(row)) for row in look.connection.execute(chosen).mappings())


def _matching(look: Look, search: str, state: State | None) -> sa.Select[Any]:
    chosen = sa.select(*_ROW).where(run.c.laboratory_id == look.scope.laboratory_id)
    if search:
        folded = search.strip().casefold()
        begins = run.c.run_id_folded.startswith(folded, autoescape=True)
        chosen = chosen.where(begins | (sa.func.lower(run.c.analyte) == folded))
    return chosen if state is None else chosen.where(run.c.state == state)


def counts(look: Look) -> dict[str, int]:
    """How many runs are in each state; states without a run are left out."""
    rows = look.connection.execute(
        sa.select(run.c.state, sa.func.count())
        .where(run.c.laboratory_id == look.scope.laboratory_id)
        .group_by(run.c.state)
    )
    return {state: count for state, count in rows}  # noqa: C416 - rows are no pairs for dict()


def the_run(look: Look, run_id: int) -> RunRow:
    """One run.

    Raises
    ------
    NotFound
        If the caller's laboratory has none of this id.
    """
    chosen = sa.select(*_ROW).where(run.c.id == run_id, run.c.laboratory_id == look.scope.laboratory_id)
    row = look.connection.execute(chosen).mappings().one_or_none()
    if row is None:
        raise NotFound(
            "there is no such run",
            expected="a run of your laboratory",
            fix="look for it in the list of runs; it may have been thrown away before it was confirmed",
        )
    return RunRow.model_validate(dict(row))


def inputs(look: Look, row: RunRow) -> RunInputs:
    """The files of a run as they came."""
    found = look.connection.execute(
        sa.select(run.c.content, run.c.side_content).where(run.c.id == row.id)
    ).one()
    return RunInputs(bytes(found.content), None if found.side_content is None else bytes(found.side_content))


def sheet(look: Look, row: RunRow) -> dict[str, Any] | None:
    """The sheet of a released run as it was frozen."""
    frozen: dict[str, Any] | None = look.connection.scalar(sa.select(run.c.sheet).where(run.c.id == row.id))
    return frozen


def sheet_to_print(look: Look, row: RunRow) -> tuple[dict[str, Any], dict[str, Any], str]:
    """What the page of a released run is printed from: sheet, card and language, as they were frozen."""
    found = look.connection.execute(
        sa.select(run.c.sheet, run.c.sheet_card, run.c.sheet_language).where(run.c.id == row.id)
    ).one()
    return dict(found.sheet), dict(found.sheet_card), found.sheet_language


def keep_page(look: Look, row: RunRow, sha256: str) -> None:
    """Remember the page of a released run, once: what it is printed from is frozen, so no version rises."""
    look.connection.execute(
        run.update().where(run.c.id == row.id, run.c.sheet_sha256.is_(None)).values(sheet_sha256=sha256)
    )


# ----------------------------------------------------------------------------------------------- changes


def check_version(row: RunRow, version: int) -> None:
    """Refuse a step on a run that is no longer as the caller saw it.

    Raises
    ------
    Conflict
        If somebody else was faster.
    """
    if row.version != version:
        raise _overtaken(row.run_id)


def update(change: Change, row: RunRow, **values: Any) -> None:
    """Write columns of a run, if it is still as ``row`` says.

    Raises
    ------
    Conflict
        If somebody else was faster.
    """
    done = change.connection.execute(
        run.update()
        .where(
            run.c.id == row.id, run.c.laboratory_id == change.scope.laboratory_id,
            run.c.version == row.version,
        )
        .values(**values, version=row.version + 1)
    )  # fmt: skip
    if done.rowcount != 1:
        raise _overtaken(row.run_id)


def remove(change: Change, row: RunRow) -> None:
    """Take a run away that nobody has confirmed.

    Raises
    ------
    Conflict
        If somebody has, meanwhile.
    """
    done = change.connection.execute(
        run.delete().where(
            run.c.id == row.id, run.c.laboratory_id == change.scope.laboratory_id,
            run.c.version == row.version, run.c.state == "read",
        )
    )  # fmt: skip
    if done.rowcount != 1:
        raise _overtaken(row.run_id)


def _overtaken(name: str) -> Conflict:
    return Conflict(
        "somebody else has changed this run since you looked at it, so nothing was done",
        where=f"run {name}",
        expected="the run as it is now",
        fix="load the run again, look at what was done, and decide anew",
    )


# ------------------------------------------------------------------------------------------ waiting cups


def add_waiting(change: Change, run_id: int, numbers: Iterable[str]) -> None:
    """Let cups of a released run wait for their samples."""
    shared = {"run_id": run_id, "laboratory_id": change.scope.laboratory_id}
    rows = [shared | {"lab_number": number} for number in numbers]
    if rows:
        change.connection.execute(waiting_cup.insert(), rows)


def waiting(look: Look, run_id: int) -> tuple[WaitingCup, ...]:
    """Cups of a run that wait, with the sample of each that has been named meanwhile."""
    rows = look.connection.execute(
        sa.select(waiting_cup.c.lab_number, sample.c.id)
        .outerjoin(
            sample,
            (sample.c.laboratory_id == waiting_cup.c.laboratory_id)
            & (sample.c.lab_number == waiting_cup.c.lab_number),
        )
        .where(waiting_cup.c.run_id == run_id, waiting_cup.c.laboratory_id == look.scope.laboratory_id)
        .order_by(waiting_cup.c.id)
    )
    return tuple(WaitingCup(row.lab_number, row.id) for row in rows)


def runs_with_named_cups(look: Look) -> dict[int, tuple[str, int]]:
    """Released runs with waiting cups that a list has named by now: id -> name of the run, and how many."""
    rows = look.connection.execute(
        sa.select(run.c.id, run.c.run_id, sa.func.count())
        .join(waiting_cup, waiting_cup.c.run_id == run.c.id)
        .join(
            sample,
            (sample.c.laboratory_id == waiting_cup.c.laboratory_id)
            & (sample.c.lab_number == waiting_cup.c.lab_number),
        )
        .where(waiting_cup.c.laboratory_id == look.scope.laboratory_id)
        .group_by(run.c.id, run.c.run_id)
        .order_by(run.c.id)
    )
    return {row[0]: (row[1], row[2]) for row in rows}


def end_waiting(change: Change, run_id: int, numbers: Iterable[str]) -> None:
    """Take cups from the list of those that wait."""
    for some in chunks(numbers):
        change.connection.execute(
            waiting_cup.delete().where(
                waiting_cup.c.run_id == run_id,
                waiting_cup.c.laboratory_id == change.scope.laboratory_id,
                waiting_cup.c.lab_number.in_(some),
            )
        )
