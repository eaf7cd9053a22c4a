"""Looking at runs: the list, one run as it stands, another choice beside it, the frozen sheet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from interpretation.errors import FurrowsliceError
from interpretation.laboratory.run import Run, RunHeader
from interpretation.results import CupLine, Flag, RunSheet, Verdict
from service.actions.bench import Choice, Exclusion, checked_choice, differing
from service.actions.measuring import (
    Worked,
    chosen_run,
    named_samples,
    sample_numbers,
    stored_run,
    work_out,
    workbench,
)
from service.callers import Caller, Right
from service.site import Site
from service.store import runs as store
from service.store import values
from service.store.database import Look
from service.store.runs import RunRow, State, WaitingCup

SAME = 1e-9  # relative; less is noise of the arithmetic


@dataclass(frozen=True)
class RunView:
    """One run as its page and the API show it.

    Attributes
    ----------
    header
        What the file says about the run.
    readings
        Its cups as they were read: ``interpretation.laboratory.run.READINGS``.
    sheet
        Worked out now, or as it was frozen at the release; None where ``problem`` says why.
    sample_ids
        Sample of each lab number that a list has named.
    unmatched
        Lab numbers that no list has named.
    withheld
        What keeps a sample's value back.
    left_out
        After the release: samples whose value was not stored, because another one stood by then.
    released
        After the release: lab number -> sample, and whether the value still stands.
    waiting
        After the release: cups whose samples were named later, or not yet.
    """

    row: RunRow
    header: RunHeader
    readings: pd.DataFrame
    choice: Choice
    sheet: RunSheet | None
    problem: FurrowsliceError | None
    sample_ids: Mapping[str, int]
    unmatched: tuple[str, ...]
    withheld: Mapping[str, Flag]
    left_out: tuple[str, ...]
    released: Mapping[str, tuple[int, bool]]
    waiting: tuple[WaitingCup, ...]


@dataclass(frozen=True)
class ValueChange:
    """One sample's value by the standing choice and by another one."""

    lab_number: str
    before: CupLine | None
    after: CupLine | None

    @property
    def percent(self) -> float | None:
        """Change of the number in percent; None where there is no number on both sides."""
        if self.before is None or self.after is None:
            return None
        if not self.before.value or self.after.value is None:
            return None
        return 100 * (self.after.value - self.before.value) / self.before.value

    @property
    def differs(self) -> bool:
        """Whether anything that would be reported differs."""
        if self.before is None or self.after is None:
            return self.before is not self.after
        old, new = self.before, self.after
        return not (_same(old.value, new.value) and _same(old.below, new.below) and old.flags == new.flags)


@dataclass(frozen=True)
class Side:
    """A run by one choice."""

    choice: Choice
    sheet: RunSheet | None
    problem: FurrowsliceError | None

    @property
    def verdict(self) -> Verdict | None:
        """What the checks say; None where the run cannot be worked out so."""
        return None if self.sheet is None else self.sheet.verdict


@dataclass(frozen=True)
class Comparison:
    """The standing choice and another one; ``changes`` come with the largest change first."""

    row: RunRow
    header: RunHeader
    standing: Side
    proposed: Side
    changes: tuple[ValueChange, ...]
    samples: int


def list_runs(
    site: Site,
    caller: Caller,
    *,
    search: str = "",
    state: State | None = None,
    before: int | None = None,
    most: int = 50,
) -> tuple[RunRow, ...]:
    """Runs of the caller's laboratory from the newest on."""
    with site.database.look(caller, Right.READ_RUNS) as look:
        return store.listing(look, search=search, state=state, before=before, most=most)


def runs_after(
    site: Site, caller: Caller, last: int, most: int, state: State | None = None
) -> tuple[RunRow, ...]:
    """Runs of the caller's laboratory in the order of their ids, behind one."""
    with site.database.look(caller, Right.READ_RUNS) as look:
        return store.after(look, last, most, state)


def count_runs(site: Site, caller: Caller) -> tuple[dict[str, int], dict[int, tuple[str, int]]]:
    """How many runs are in each state, and which released ones have cups that were named since."""
    with site.database.look(caller, Right.READ_RUNS) as look:
        return store.counts(look), store.runs_with_named_cups(look)


def run_row(site: Site, caller: Caller, run_id: int) -> RunRow:
    """One run without its file and its sheet."""
    with site.database.look(caller, Right.READ_RUNS) as look:
        return store.the_run(look, run_id)


def show_run(site: Site, caller: Caller, run_id: int) -> RunView:
    """One run as it stands: worked out, or as it was frozen at the release."""
    with site.database.look(caller, Right.READ_RUNS) as look:
        row = store.the_run(look, run_id)
        run = stored_run(row, store.inputs(look, row))
        frozen = store.sheet(look, row) if row.state == "released" else None
        if frozen is not None:
            return _released(site, look, row, run, RunSheet.model_validate(frozen))
        chosen = chosen_run(run, row.choice, row.excluded)
        bench, named = workbench(site, look), named_samples(look, chosen)
    worked = work_out(bench, chosen, named)
    return RunView(
        row=row,
        header=run.header,
        readings=run.readings,
        choice=choice_of(row),
        sheet=worked.sheet,
        problem=worked.problem,
        sample_ids=named.ids,
        unmatched=worked.unmatched,
        withheld=worked.withheld,
        left_out=(),
        released={},
        waiting=(),
    )


def _released(site: Site, look: Look, row: RunRow, run: Run, sheet: RunSheet) -> RunView:
    """A released run: its frozen sheet, and why a named sample has no value of it."""
    numbers, named = sample_numbers(run), named_samples(look, run)
    released, waiting = values.released_of_run(look, row.id), store.waiting(look, row.id)
    still = {cup.lab_number for cup in waiting}
    without = [number for number in numbers if number not in released and number not in still]
    flags: dict[str, str] = {}
    if without:
        worked = work_out(workbench(site, look), chosen_run(run, row.choice, row.excluded), named)
        if worked.measurement is not None:
            soil = worked.measurement.soil
            flags = dict(zip(soil["lab_number"].tolist(), soil["withheld"].tolist(), strict=True))
    return RunView(
        row=row,
        header=run.header,
        readings=run.readings,
        choice=choice_of(row),
        sheet=sheet,
        problem=None,
        sample_ids=named.ids,
        unmatched=tuple(number for number in numbers if number not in named.ids),
        withheld={number: Flag(flags[number]) for number in without if flags.get(number)},
        left_out=tuple(number for number in without if not flags.get(number)),
        released=released,
        waiting=waiting,
    )


def choice_of(row: RunRow) -> Choice:
    """The choice that stands."""
    out = tuple(Exclusion(position=position, reason=reason) for position, reason in row.excluded)
    return Choice(**row.choice, excluded=out)


def compare(site: Site, caller: Caller, run_id: int, choice: Choice) -> Comparison:
    """Work a run out by the standing choice and by another one; nothing is kept.

    Raises
    ------
    RunError
        If a cup to be taken out is not in the run.
    Invalid
        If a reason is missing.
    """
    checked_choice(choice)
    with site.database.look(caller, Right.READ_RUNS) as look:
        row = store.the_run(look, run_id)
        run = stored_run(row, store.inputs(look, row))
        bench, named = workbench(site, look), named_samples(look, run)
    proposed = chosen_run(run, differing(run, choice), choice.out)
    old = work_out(bench, chosen_run(run, row.choice, row.excluded), named)
    new = work_out(bench, proposed, named)
    changes = [change for change in _changes(old, new) if change.differs]
    changes.sort(key=lambda change: -abs(change.percent) if change.percent is not None else float("-inf"))
    return Comparison(
        row, run.header, Side(choice_of(row), old.sheet, old.problem), Side(choice, new.sheet, new.problem),
        tuple(changes), len(sample_numbers(run)),
    )  # fmt: skip


def _changes(old: Worked, new: Worked) -> list[ValueChange]:
    before, after = _by_sample(old.sheet), _by_sample(new.sheet)
    return [ValueChange(number, before.get(number), after.get(number)) for number in sample_numbers(old.run)]


def _by_sample(sheet: RunSheet | None) -> dict[str, CupLine]:
    """The cup that stands for each sample: the one its value is beside."""
    lines: dict[str, CupLine] = {}
    for cup in sheet.cups if sheet else ():
        if cup.kind == "sample" and (cup.cup_id not in lines or cup.unit):
            lines[cup.cup_id] = cup
    return lines


def _same(old: float | None, new: float | None) -> bool:
    if old is None or new is None:
        return old is new
    return abs(old - new) <= SAME * max(abs(old), abs(new))
