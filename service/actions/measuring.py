"""A stored run, worked out: from the bytes that came and the choices that were made, the same every time."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from interpretation.agronomy.tables import TableSet
from interpretation.errors import FurrowsliceError
from interpretation.laboratory.limits import Limits
from interpretation.laboratory.measure import Measurement, measure, run_sheet
from interpretation.laboratory.run import Run
from interpretation.results import Flag, RunSheet, Verdict
from reports.view import LaboratoryCard
from service.actions.card import card_of
from service.actions.runs import method_of, prepared_by, with_choices, withheld
from service.layout import read_layout
from service.limitsfile import read_limits
from service.runfiles import read_run
from service.samplefiles import PREPARATION
from service.site import Site
from service.store import runs as store
from service.store import samples
from service.store.database import Look
from service.store.runs import RunInputs, RunRow
from service.uploads import Upload, laid_down

RUNS_KEPT = 16  # runs last looked at; parsing a workbook takes a process of its own


@dataclass(frozen=True)
class Workbench:
    """What a laboratory measures with."""

    tables: TableSet
    limits: Limits
    card: LaboratoryCard


@dataclass(frozen=True)
class Named:
    """What the lists say of the samples of a run.

    Attributes
    ----------
    ids
        Sample of each lab number that a list has named.
    preparation
        Columns of ``service.samplefiles.PREPARATION``, one row for every sample of the run; of one that no
        list has named nothing is known.
    """

    ids: Mapping[str, int]
    preparation: pd.DataFrame


@dataclass(frozen=True)
class Worked:
    """One run, worked out, or what is in the way.

    Attributes
    ----------
    run
        With the choices.
    measurement, sheet
        None where ``problem`` says why there is none.
    """

    run: Run
    named: Named
    measurement: Measurement | None = None
    sheet: RunSheet | None = None
    problem: FurrowsliceError | None = None

    @property
    def verdict(self) -> Verdict | None:
        """What the checks say; None where there is no measurement."""
        return None if self.measurement is None else self.measurement.verdict

    @property
    def unmatched(self) -> tuple[str, ...]:
        """Lab numbers of sample cups that no list has named, in the order of the run."""
        return tuple(number for number in sample_numbers(self.run) if number not in self.named.ids)

    @property
    def withheld(self) -> dict[str, Flag]:
        """What keeps each sample's value back."""
        return {} if self.measurement is None else withheld(self.measurement)


def workbench(site: Site, look: Look) -> Workbench:
    """The caller's laboratory, its limits and the tables."""
    card, limits = store.laboratory_facts(look)
    return Workbench(site.tables, limits_of(limits), card_of(card))


@lru_cache(maxsize=32)
def limits_of(text: str) -> Limits:
    """Acceptance limits from the text a laboratory keeps; the shipped ones where there is none."""
    if not text:
        return read_limits()
    with tempfile.TemporaryDirectory(prefix="furrowslice-") as folder:
        path = Path(folder) / "limits.yaml"
        path.write_text(text, encoding="utf-8")
        return read_limits(path)


@lru_cache(maxsize=RUNS_KEPT)
def parse(name: str, content: bytes, side: bytes | None, layout: str) -> Run:
    """Read a run from the bytes of its file, and of its side file if it has one.

    Raises
    ------
    RunFileError, RunError
        As :func:`service.runfiles.read_run`.
    """
    beside = None if side is None else Upload("header.yaml", side)
    with laid_down(Upload(name, content), beside) as (path, second):
        return read_run(path, read_layout(layout), second)


def stored_run(row: RunRow, inputs: RunInputs) -> Run:
    """The run as it came, without choices."""
    return parse(row.file_name, inputs.content, inputs.side_content, row.layout)


def chosen_run(run: Run, choice: Mapping[str, Any], excluded: Sequence[tuple[int, str]]) -> Run:
    """The run as the analyst wants it worked out."""
    return with_choices(run, choice, dict(excluded))


def sample_numbers(run: Run) -> list[str]:
    """Lab numbers of the run's sample cups, each once."""
    cups = run.readings
    return list(dict.fromkeys(cups["cup_id"][cups["kind"] == "sample"].tolist()))


def named_samples(look: Look, run: Run) -> Named:
    """Look up what the lists say of the samples of a run."""
    numbers = sample_numbers(run)
    wanted = [name for name in PREPARATION if name != "lab_number"]
    known = samples.prepared(look, numbers, wanted)
    columns: dict[str, Any] = {"lab_number": numbers}
    for name in wanted:
        nothing: Any = np.datetime64("NaT", "us") if name == "sampled_on" else np.nan
        cells = [known.get(number, {}).get(name) for number in numbers]
        columns[name] = [nothing if cell is None else cell for cell in cells]
    frame = pd.DataFrame(columns, columns=list(PREPARATION)).astype(PREPARATION)
    return Named({number: known[number]["id"] for number in numbers if number in known}, frame)


def work_out(bench: Workbench, run: Run, named: Named) -> Worked:
    """Measure a run; what refuses it is told in :attr:`Worked.problem` and not raised."""
    try:
        method = method_of(run, bench.tables)
        confirmed = method.id in bench.card.confirmed_methods
        measured = measure(run, prepared_by(method, named.preparation, confirmed=confirmed), bench.limits)
        return Worked(run, named, measured, run_sheet(measured))
    except FurrowsliceError as error:
        return Worked(run, named, problem=error)
