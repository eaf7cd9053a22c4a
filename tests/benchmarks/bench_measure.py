"""``measure`` on 200 runs of 120 cups, against reading their files with pandas.

Each run has standards, blanks, checks every twelve cups, duplicates, reference soils and some samples over
range, diluted and read again. Ratios are of times measured in one process, each the best of several rounds in
turns, so that a busy machine disturbs all sides alike.

Two readings stand beside each other: plain ``read_csv``, which turns the lab number 00012 into 12, and one
told to keep text as text, which is what a run needs and what ``read_run`` does. The samples of all runs stand
in one list, as a laboratory keeps it, and beside that in one list a run. Neither list comes to a round with
anything looked up in it.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from interpretation.laboratory.measure import Measurement, Preparation, measure, run_sheet
from interpretation.laboratory.preparation import SAMPLES
from interpretation.laboratory.run import Run
from interpretation.methods import Method
from service.limitsfile import read_limits
from service.runfiles import read_run

RUNS, CUPS, ROUNDS = 200, 120, 7
METHOD = Method(
    id="bray1-1:10-colour", title="Bray-1", analyte="P", form="P", matrix="bray-1 extractant", soil_g=2.0,
    extract_ml=20.0, unit="mg/kg", basis="air-dry", reproducibility_percent=10, valid_ph_max=7.4,
)  # fmt: skip
FACTS = """Run,B-{run}
Laboratory,Quillwater Soil Laboratory
Analyte,P
Form,P
Method,bray1-1:10-colour
Reading,peak area
Standards made in,bray-1 extractant
Date,2026-03-04
Operator,A. N. Analyst
Blank subtracted,no
Dilution applied,no
"""
HEADING = "Position,Kind,Id,Of,Nominal mg/L,Signal,Concentration mg/L,Dilution,Excluded,Reason\n"
NUMBERS = ("Nominal mg/L", "Signal", "Concentration mg/L", "Dilution")
TEXT_KEPT = {
    "dtype": dict.fromkeys(("Kind", "Id", "Of", "Excluded", "Reason"), str),
    "keep_default_na": False,
    "na_values": {name: [""] for name in NUMBERS},
}


def run_text(number: int) -> str:
    """One run file of ``CUPS`` cups."""
    rng = np.random.default_rng(number)
    rows: list[str] = []

    def add(kind: str, cup: str, x: float, nominal: str = "", of: str = "", dilution: int = 1) -> None:
        signal = 0.4 + 52 * x + rng.normal(0, 0.1 + 0.2 * x)
        rows.append(f"{len(rows) + 1},{kind},{cup},{of},{nominal},{signal:.3f},,{dilution},,\n")

    for x in (0.5, 1, 2, 5, 10, 20):
        add("standard", f"S{x:g}", x, f"{x:g}")
    add("blank", "B", 0)
    add("second source", "Q", 5, "5")
    add("method blank", "MB1", 0.01)
    add("method blank", "MB2", 0.02)
    sample, lab_number = 0, ""
    while len(rows) < CUPS - 1:
        if len(rows) % 12 == 10:
            add("check", "C", 5, "5")
        elif len(rows) % 12 == 5:
            add("reference soil", "QR-1", 3)
        elif len(rows) % 12 == 7 and sample:
            add("duplicate", f"{lab_number}-D", x, of=lab_number)
        else:
            sample += 1
            lab_number = f"{CUPS * number + sample:05d}"
            x = float(rng.lognormal(1, 0.8))
            add("sample", lab_number, x)
            if x > 20 and len(rows) < CUPS - 1:
                add("sample", lab_number, x / 10, dilution=10)
    add("check", "C", 5, "5")
    return FACTS.format(run=number) + "\n" + HEADING + "".join(rows)


def preparation(*runs: Run) -> Preparation:
    """The list of the samples of these runs, weighed one by one."""
    cups = pd.concat([run.readings for run in runs])
    ids = cups.loc[cups["kind"] == "sample", "cup_id"].unique()
    listed = pd.DataFrame({"lab_number": ids, "depth_from_cm": 0.0, "depth_to_cm": 20.0, "soil_g": 2.01})
    listed["sampled_on"] = np.datetime64("2026-02-20")
    for name in ("extract_ml", "moisture_percent", "ph_water", "lime_percent"):
        listed[name] = np.nan
    return Preparation(METHOD, listed[list(SAMPLES)].astype(SAMPLES))


def best(*actions: Callable[[], object]) -> list[float]:
    """Shortest time of each action, in turns."""
    times = [[_timed(action) for action in actions] for _ in range(ROUNDS)]
    return [min(each) for each in zip(*times, strict=True)]


def _timed(action: Callable[[], object]) -> float:
    start = time.perf_counter()
    action()
    return time.perf_counter() - start


def run() -> list[tuple[str, float, str]]:
    limits = read_limits()
    with tempfile.TemporaryDirectory() as folder:
        files = [Path(folder) / f"{number}.csv" for number in range(RUNS)]
        for number, file in enumerate(files):
            file.write_text(run_text(number), encoding="utf-8")
        skip = FACTS.count("\n") + 1
        runs = [read_run(file) for file in files]
        assert {len(one.readings) for one in runs} == {CUPS}
        one_list, own_lists = preparation(*runs), [preparation(one) for one in runs]

        def measured() -> list[Measurement]:
            listed = replace(one_list)
            return [measure(one, listed, limits) for one in runs]

        def measured_by_own_lists() -> list[Measurement]:
            return [
                measure(one, replace(listed), limits) for one, listed in zip(runs, own_lists, strict=True)
            ]

        def released() -> list[pd.DataFrame]:
            return [one.soil_values for one in measured()]

        def from_files() -> list[pd.DataFrame]:
            listed = replace(one_list)
            return [measure(read_run(file), listed, limits).soil_values for file in files]

        plain, text, science, own, frames, whole = best(
            lambda: [pd.read_csv(file, skiprows=skip) for file in files],
            lambda: [pd.read_csv(file, skiprows=skip, **TEXT_KEPT) for file in files],
            measured,
            measured_by_own_lists,
            released,
            from_files,
        )
        sheet = _timed(lambda: [run_sheet(measure(one, one_list, limits)) for one in runs[:20]]) / 20
    accepted = sum(one.verdict == "accept" for one in measured())
    return [
        (f"pandas.read_csv of one file of {CUPS} cups", 1e3 * plain / RUNS, "ms"),
        ("the same, text kept as text", 1e3 * text / RUNS, "ms"),
        ("measure one run", 1e3 * science / RUNS, "ms"),
        ("measure, over read_csv", science / plain, "x"),
        ("measure, over read_csv with text kept as text", science / text, "x"),
        ("measure with a list of samples a run, over read_csv", own / plain, "x"),
        ("measure with a list of samples a run, over read_csv with text kept as text", own / text, "x"),
        ("measure and its frame of soil values, over read_csv", frames / plain, "x"),
        ("measure and its frame of soil values, over read_csv with text kept as text", frames / text, "x"),
        ("read_run, measure and the frame, over read_csv with text kept as text", whole / text, "x"),
        ("measure one run and make its sheet, curve proposal included", 1e3 * sheet, "ms"),
        (f"runs accepted, of {RUNS}", accepted, ""),
    ]
