"""Every recommended amount of every sample, or the reason it cannot be given."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from interpretation.agronomy.lookup import rate_applying
from interpretation.agronomy.meeting import soil_test_units
from interpretation.agronomy.rated import Part, RatedSamples, joined, refused
from interpretation.agronomy.rates import Rates, names_in, rates
from interpretation.agronomy.samples import REMOVAL, Column, kg_per_ha
from interpretation.agronomy.scopes import codes_of, groups, periods
from interpretation.agronomy.tables import RateTable, TableSet
from interpretation.agronomy.values import SCOPE, ClassedValues
from interpretation.agronomy.yields import yield_goals
from interpretation.errors import NoTableApplies

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]

# What nitrate per hectare is worked out from, the figure missed first in front.
NITRATE = ("nitrate_mg_per_kg", "depth_cm", "bulk_density_g_per_cm3")


@dataclass(frozen=True, slots=True)
class _Tests:
    """Which row of CLASSED holds each sample's value by each method, and whether it may be used."""

    names: list[tuple[str, str]]  # (analyte, method)
    row: Rows  # (tests, samples): -1 where not measured
    usable: NDArray[np.bool_]  # (tests, samples)


@dataclass(frozen=True, slots=True)
class _Batch:
    """What every step looks up in."""

    classed: pd.DataFrame
    columns: Mapping[str, Column]
    context: pd.DataFrame
    tests: _Tests
    tables: TableSet


def rate_samples(
    classed: ClassedValues, columns: Mapping[str, Column], context: pd.DataFrame, tables: TableSet
) -> RatedSamples:
    """Work out every amount the samples' regions recommend for their crops.

    Parameters
    ----------
    classed
        The soil values with their classes.
    columns
        Columns by formula name, one element a sample.
    context
        One row a sample.
    tables
        Everything in force.

    Notes
    -----
    Of two soil tests that both may be used, the table of the one whose method id comes first is taken; the
    working names it. A table whose soil test is missing or refused still decides whether anything is due
    at all (buffer pH is not read where pH is high enough); only then is the amount refused.
    """
    batch = _Batch(classed.frame, columns, context, _tests(classed, len(context), tables), tables)
    wanted: dict[str, list[Rows]] = defaultdict(list)
    parts: list[Part] = []
    for samples, nutrient, table, refusal, detail in _assigned(batch):
        if table is not None:
            wanted[table.id].append(samples)
        else:
            parts.append(refused(samples, nutrient, refusal, detail))
    for table_id, chunks in wanted.items():
        parts += _rated(batch, tables.rates[table_id], np.sort(np.concatenate(chunks)))
    return joined(parts)


def _tests(classed: ClassedValues, samples: int, tables: TableSet) -> _Tests:
    names = list(dict.fromkeys((kind.analyte, kind.method) for kind in classed.kinds))
    row = np.full((len(names), samples), -1, dtype=np.int64)
    usable = np.zeros((len(names), samples), dtype=np.bool_)
    sample, refusal = classed.frame["sample"].to_numpy(), classed.frame["refusal"]
    classified, unclassed = ((refusal == key).to_numpy() for key in ("", "no-table"))
    for kind in classed.kinds:
        position, good = names.index((kind.analyte, kind.method)), classified[kind.rows]
        method = tables.methods.get(kind.method)
        if method and (kind.form, kind.unit, kind.basis) == (method.form, method.unit, method.basis):
            # No scale covers it, but the value is what its method reports: a rate may stand on it.
            good = good | unclassed[kind.rows]
        row[position, sample[kind.rows]] = kind.rows
        usable[position, sample[kind.rows]] = good
    return _Tests(names, row, usable)


def _assigned(batch: _Batch) -> Iterator[tuple[Rows, str, RateTable | None, str, str]]:
    """For each group of samples of one scope, and each nutrient, the table or why there is none."""
    context, tests, tables = batch.context, batch.tests, batch.tables
    named = {table.method for table in tables.rates.values() if table.method}
    relevant = [position for position, (_, method) in enumerate(tests.names) if method in named]
    period = periods(context["sampled_on"], tables.rates.values())
    place = [context[name] for name in (*SCOPE, "depth_from_cm", "depth_to_cm")]
    measured = [
        column for position in relevant for column in (tests.usable[position], tests.row[position] >= 0)
    ]
    for samples in groups(codes_of(*place, period, *measured)):
        first = context.iloc[samples[0]]
        usable = sorted(tests.names[p][1] for p in relevant if tests.usable[p, samples[0]])
        refused = sorted(
            tests.names[p][1]
            for p in relevant
            if tests.row[p, samples[0]] >= 0 and not tests.usable[p, samples[0]]
        )
        regional = [table for table in tables.rates.values() if table.region == first["region"]]
        for nutrient in sorted({table.nutrient for table in regional}):
            methods = {table.method for table in regional if table.nutrient == nutrient and table.method}
            if period[samples[0]] < 0:
                yield samples, nutrient, None, "missing-input", "sampled_on"
                continue
            table, failed = _applying(tables, first, nutrient, usable, refused, sorted(methods))
            if table is not None:
                yield samples, nutrient, table, "", ""
            elif failed:
                yield samples, nutrient, None, "no-table", ",".join(failed)
            elif methods & {*usable, *refused}:
                yield samples, nutrient, None, "not-calibrated", ""


def _applying(
    tables: TableSet,
    at: pd.Series,
    nutrient: str,
    usable: Sequence[str],
    refused: Sequence[str],
    known: Sequence[str],
) -> tuple[RateTable | None, tuple[str, ...]]:
    """The table that holds: by a usable test, else by a refused one, else by one not measured."""
    failures: list[tuple[str, ...]] = []
    for methods in (usable, refused, [method for method in known if method not in {*usable, *refused}]):
        try:
            return rate_applying(
                tables,
                region=at["region"],
                crop=at["crop"],
                nutrient=nutrient,
                on=at["sampled_on"].date(),
                texture=at["texture"],
                soil_group=at["soil_group"],
                methods=methods,
                depth_cm=(at["depth_from_cm"], at["depth_to_cm"]),
            ), ()
        except NoTableApplies as error:
            failures.append(error.failed)
    return None, min(failures, key=lambda failed: ("method" in failed, len(failed)))


def _rated(batch: _Batch, table: RateTable, samples: Rows) -> Iterator[Part]:
    """Amounts of one table, for the samples of each scale its soil test was classed in."""
    soil_row, usable = _soil_test(batch, table, samples)
    scale = np.full(len(samples), -1)
    scale[usable] = batch.classed["table"].cat.codes.to_numpy()[soil_row[usable]]
    scales = list(batch.tables.scales.values())
    for part in groups(codes_of(scale)):
        code, tested, rows = scale[part[0]], usable[part], soil_row[part]
        inputs = _inputs(batch, table, samples[part])
        for name, column in (("soil_test", "reported"), ("class_index", "class_index")):
            inputs[name] = np.full(len(part), np.nan)
            inputs[name][tested] = batch.classed[column].to_numpy()[rows[tested]]
        inputs["class_index"][inputs["class_index"] < 0] = np.nan
        names = tuple(one.name for one in scales[code].classes) if code >= 0 else ()
        found = rates(table, inputs, len(part), names)
        limit = np.full(len(part), np.nan)
        limit[tested] = batch.classed["below"].to_numpy()[rows[tested]]
        limit[found.missing != "soil_test"] = np.nan
        if not np.isnan(limit).all():
            found = _with_limits(table, found, inputs | {"soil_test": limit}, names)
        refusal, detail = _reasons(batch, table, found.missing, samples[part], rows, inputs)
        yield {
            "sample": samples[part],
            "nutrient": np.full(len(part), table.nutrient, dtype=object),
            "table": np.full(len(part), table.id, dtype=object),
            "rate": found.rate,
            "raw": found.raw,
            "due": found.due,
            "soil_row": rows,
            "soil_test": np.where(np.isnan(limit), inputs["soil_test"], limit),
            "bulk_density_g_per_cm3": inputs["bulk_density_g_per_cm3"],
            "refusal": refusal,
            "refusal_detail": detail,
            "credits": found.credits,
        }


def _with_limits(
    table: RateTable, found: Rates, inputs: Mapping[str, Column], names: tuple[str, ...]
) -> Rates:
    """Give an amount for a test that is only known to lie below a limit, where it does not matter where.

    The table is worked out at the limit and at five points from zero up to it; only where all agree on the
    amount is it given, with the working at the limit.
    """
    at_limit = rates(table, inputs, len(found.rate), names)
    settled = ~np.isnan(at_limit.rate)
    for share in (0.0, 0.2, 0.4, 0.6, 0.8):
        lower = rates(table, {**inputs, "soil_test": share * inputs["soil_test"]}, len(found.rate), names)
        settled &= lower.rate == at_limit.rate
    chosen = settled[:, None]
    return Rates(
        rate=np.where(settled, at_limit.rate, found.rate),
        raw=np.where(settled, at_limit.raw, found.raw),
        credits=np.where(chosen, at_limit.credits, found.credits),
        due=np.where(settled, at_limit.due, found.due),
        missing=np.where(settled, "", found.missing).astype(object),
    )


def _soil_test(batch: _Batch, table: RateTable, samples: Rows) -> tuple[Rows, NDArray[np.bool_]]:
    """Row of the table's own soil test for each sample, -1 without, and whether it may be used."""
    asked = (table.analyte, table.method)
    for position, (analyte, method) in enumerate(batch.tests.names):
        if asked in ((analyte, method), (None, method)):
            row, usable = batch.tests.row[position, samples], batch.tests.usable[position, samples].copy()
            units = soil_test_units(table, batch.tables)
            for name, wanted in (("form", {table.form}), ("basis", {table.basis}), ("unit", units)):
                if wanted - {None}:
                    usable[usable] = batch.classed[name].iloc[row[usable]].isin(wanted).to_numpy()
            return row, usable
    return np.full(len(samples), -1, dtype=np.int64), np.zeros(len(samples), dtype=np.bool_)


def _inputs(batch: _Batch, table: RateTable, samples: Rows) -> dict[str, Column]:
    """What the table's formulas ask for: in its unit of yield, with its bulk density where none was given."""
    names = {*names_in(table), *NITRATE} & batch.columns.keys()
    inputs = {name: batch.columns[name][samples] for name in names}
    if "yield_goal" in names and table.yield_unit is not None:
        goals = yield_goals(batch.context.iloc[samples], batch.tables, table.yield_unit)
        inputs["yield_goal"] = np.where(np.isnan(inputs["yield_goal"]), np.nan, goals)
    assumed = table.values.get("bulk_density_g_per_cm3", np.nan)
    measured = inputs["bulk_density_g_per_cm3"]
    inputs["bulk_density_g_per_cm3"] = np.where(np.isnan(measured), assumed, measured)
    content, depth, density = (inputs[name] for name in NITRATE)
    inputs["nitrate_kg_per_ha"] = kg_per_ha(content, depth, density)
    return inputs


def _reasons(
    batch: _Batch,
    table: RateTable,
    missing: NDArray[np.object_],
    samples: Rows,
    soil_row: Rows,
    inputs: Mapping[str, Column],
) -> tuple[NDArray[np.object_], NDArray[np.object_]]:
    """Turn the missing name of each row into a refusal and its detail."""
    # A harvest that is not known is a yield goal that was not given, unless the crop has no figures.
    by_goal = pd.Series(missing, dtype="str").str.startswith(REMOVAL).to_numpy()
    missing = np.where(by_goal & np.isnan(batch.columns["yield_goal"][samples]), "yield_goal", missing)
    detail = missing.copy()
    refusal = np.where(missing == "", "", "missing-input").astype(object)
    for name, key, told in (
        ("rate-row", "no-rate-row", ""),
        ("formula", "not-computable", ""),
        ("outside-table", "outside-table", table.holds_if),
    ):
        refusal[missing == name], detail[missing == name] = key, told
    by_test = np.isin(missing, ["soil_test", "class_index"])
    detail[by_test] = "soil_test"
    tested = by_test & (soil_row >= 0)
    reason = batch.classed["refusal"].iloc[soil_row[tested]].to_numpy(dtype=object)
    censored = ~batch.classed["below"].iloc[soil_row[tested]].isna().to_numpy()
    reason[reason == ""] = np.where(censored, "only-a-limit", "basis")[reason == ""]
    refusal[tested], detail[tested] = "soil-test-refused", reason
    # Nitrate per hectare is worked out here: name the figure it lacked.
    for name in reversed(NITRATE):
        detail[(missing == "nitrate_kg_per_ha") & np.isnan(inputs[name])] = name
    # A goal that was stated, and is known in the crop's unit, was put aside as out of the crop's range.
    asked = (missing == "yield_goal") & np.isnan(batch.columns["yield_goal"][samples])
    if asked.any():
        stated = yield_goals(batch.context.iloc[samples], batch.tables)
        refusal[asked & ~np.isnan(stated)] = "yield-goal-implausible"
    return refusal, detail
