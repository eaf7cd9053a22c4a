"""``advise`` on a million soil values, against reading the same rows with pandas.

Twenty scales, a rate table for each nutrient that has one, probabilities of every class. Ratios are of times
measured in one process; peak memory is that of a process that only builds the frames and calls ``advise``.
"""

from __future__ import annotations

import io
import resource
import subprocess
import sys
import time
from collections.abc import Callable

import numpy as np
import pandas as pd

from interpretation.agronomy.advise import advise
from interpretation.agronomy.tables import TableSet
from interpretation.soil_values import COLUMNS
from tests import small_world as build

ANALYTES = (
    ("P", "P", "mg/kg"), ("K", "K", "mg/kg"), ("Ca", "Ca", "mg/kg"), ("Mg", "Mg", "mg/kg"),
    ("Na", "Na", "mg/kg"), ("Zn", "Zn", "mg/kg"), ("Cu", "Cu", "mg/kg"), ("Mn", "Mn", "mg/kg"),
    ("Fe", "Fe", "mg/kg"), ("B", "B", "mg/kg"), ("nitrate", "NO3-N", "mg/kg"),
    ("ammonium", "NH4-N", "mg/kg"), ("sulfate", "SO4-S", "mg/kg"), ("chloride", "Cl", "mg/kg"),
    ("pH", "pH", "pH"), ("buffer-pH", "pH", "pH"), ("organic-matter", "organic matter", "%"),
    ("CEC", "charge", "cmol/kg"), ("salinity", "EC", "dS/m"), ("Al", "Al", "mg/kg"),
)  # fmt: skip
PER_SAMPLE = len(ANALYTES)


def method_id(analyte: str) -> str:
    return "ph-water-1:1" if analyte == "pH" else f"{analyte.lower()}-bench"


def tables() -> TableSet:
    """Twenty scales of five classes, six rate tables, four notes."""
    five = build.classes(very_low=0, low=10, medium=20, high=40, very_high=80)
    scales = [
        build.scale(
            id=f"vale/{analyte.lower()}", analyte=analyte, method=method_id(analyte), unit=unit, round_to=0.1,
            classes=five,
        )
        for analyte, _, unit in ANALYTES
    ]  # fmt: skip
    by_class = {
        one["name"]: f"{rate} + 2 * yield_goal" for one, rate in zip(five, (90, 60, 40, 20, 0), strict=True)
    }
    rates = [
        build.rate(
            id="vale/n", nutrient="N", formula="20 * yield_goal - nitrate_kg_per_ha", cap=220,
            values={"bulk_density_g_per_cm3": 1.3},
            credits=[{"key": "manure", "formula": "manure_n_kg_per_ha"}],
        ),
        build.rate(id="vale/p2o5", analyte="P", method="p-bench", by_class=by_class, cap=120),
        build.rate(id="vale/k2o", nutrient="K2O", analyte="K", method="k-bench", by_class=by_class, cap=120),
        build.rate(
            id="vale/s", nutrient="S", analyte="sulfate", method="sulfate-bench",
            by_value=[{"from": 0, "rate": 20}, {"from": 30, "rate": 0}],
        ),
        build.rate(
            id="vale/zn", nutrient="Zn", analyte="Zn", method="zn-bench",
            formula="max(0, 11 - 0.1 * soil_test)",
        ),
        build.rate(
            id="vale/lime", nutrient="lime", unit="t/ha", round_to=0.5, when="ph < 6", cap=8,
            analyte="buffer-pH", method="buffer-ph-bench", formula="7.5 - soil_test",
        ),
    ]  # fmt: skip
    notes = [
        build.note(key="always"), build.note(key="borderline", when="borderline"),
        build.note(key="water", when="near_water and p2o5_rate > 0"),
        build.note(key="top", when="p_top_class"),
    ]  # fmt: skip
    methods = [
        build.method(id=method_id(analyte), analyte=analyte, form=form, unit=unit, **(
            {"valid_ph_max": 9, "use_instead": "b-bench"} if analyte == "P" else {}
        ))
        for analyte, form, unit in ANALYTES
    ]  # fmt: skip
    return build.world(*scales, *rates, *notes, *methods)


def soil_values(rows: int) -> pd.DataFrame:
    """``rows`` values in the order a laboratory files them: sample by sample, sampled over a year."""
    draw = np.random.default_rng(11)
    samples = rows // PER_SAMPLE
    sample = np.repeat(np.arange(samples), PER_SAMPLE)
    text = {
        "lab_number": pd.Categorical.from_codes(sample, [f"L{i:07d}" for i in range(samples)]),
        **{
            name: pd.Categorical(np.tile([values[i] for values in ANALYTES], samples))
            for i, name in ((0, "analyte"), (1, "form"), (2, "unit"))
        },
        "method": pd.Categorical(np.tile([method_id(key) for key, _, _ in ANALYTES], samples)),
    }
    value = draw.gamma(2.0, 15.0, len(sample)).round(2)
    of_ph = np.tile([unit == "pH" for _, _, unit in ANALYTES], samples)
    value[of_ph] = (value[of_ph] / 10).round(2)
    censored = draw.random(len(sample)) < 0.01
    frame = pd.DataFrame(
        {
            **text,
            "value": np.where(censored, np.nan, value),
            "basis": "air-dry",
            "standard_uncertainty": (0.06 * value).round(3),
            "below": np.where(censored, 0.5, np.nan),
            "depth_from_cm": 0.0,
            "depth_to_cm": 20.0,
            "sampled_on": np.datetime64("2026-01-02", "us")
            + np.repeat(draw.integers(0, 360, samples), PER_SAMPLE).astype("m8[D]"),
            "origin": "bench",
        }
    )
    return frame[list(COLUMNS)].astype(COLUMNS)


def context(values: pd.DataFrame) -> pd.DataFrame:
    numbers = values["lab_number"].drop_duplicates().to_numpy()
    draw = np.random.default_rng(12)
    one = build.samples({})
    frame = one.loc[one.index.repeat(len(numbers))].reset_index(drop=True)
    crop = draw.choice(["maize", "wheat"], len(numbers))
    return frame.assign(
        lab_number=numbers,
        field_id=[f"F{i // 4}" for i in range(len(numbers))],
        crop=np.repeat(crop[: len(numbers) // 4 + 1], 4)[: len(numbers)],
        sampled_on=values["sampled_on"].to_numpy()[::PER_SAMPLE],
    )


def seconds(task: Callable[[], object], times: int = 3) -> float:
    """Shortest of a few runs."""
    found = []
    for _ in range(times):
        start = time.perf_counter()
        task()
        found.append(time.perf_counter() - start)
    return min(found)


def peak_mib(rows: int) -> float:
    """Peak memory of a process that builds ``rows`` values and advises on them."""
    code = f"from tests.benchmarks import bench_advise as b; b.once({rows})"
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    return float(done.stdout)


def once(rows: int) -> None:
    values = soil_values(rows)
    advise(values, tables(), context(values))
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)


def run() -> list[tuple[str, float, str]]:
    """Measure; each line is a label, a figure and its unit."""
    in_force = tables()
    million = soil_values(1_000_000)
    samples = context(million)
    file = million.to_csv(index=False)
    types = {name: kind for name, kind in COLUMNS.items() if not kind.startswith("datetime")}
    read = seconds(lambda: pd.read_csv(io.StringIO(file), dtype=types, parse_dates=["sampled_on"]))
    advised = seconds(lambda: advise(million, in_force, samples))
    tenth = soil_values(100_000)
    tenth_samples = context(tenth)
    small = seconds(lambda: advise(tenth, in_force, tenth_samples))
    return [
        ("advise, 1,000,000 soil values: times the time of read_csv (at most 2)", advised / read, "x"),
        ("advise, 1,000,000 soil values", advised, "s"),
        ("read_csv of the same rows", read, "s"),
        ("advise, ten times the rows: times the time (at most 11)", advised / small, "x"),
        ("advise, peak memory of the process (under 1536)", peak_mib(1_000_000), "MiB"),
    ]


if __name__ == "__main__":
    for label, figure, unit in run():
        print(f"{label:75s} {figure:10.2f} {unit}")
