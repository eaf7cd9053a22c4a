"""Every soil value with its class, or with the reason it has none."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from interpretation import soil_values
from interpretation.agronomy import classing
from interpretation.agronomy.extractants import Converted
from interpretation.agronomy.lookup import scale_applying
from interpretation.agronomy.outcome import NO_TABLE, REFUSALS, Floats, Outcome
from interpretation.agronomy.scopes import codes_of, groups, periods
from interpretation.agronomy.table_units import NUMBERS, Turned, as_given, joined, kept, turn
from interpretation.agronomy.tables import ScaleTable, TableSet
from interpretation.agronomy.validity import WATER_PH_METHOD, Soils, refuse_invalid
from interpretation.errors import NoTableApplies, SampleListError
from interpretation.methods import DigitRule, Method
from interpretation.quantities import SOIL_UNITS, SUPPORTING

CLASSED: dict[str, str] = soil_values.COLUMNS | {
    "sample": "int64",  # row of the context
    "reported": "float64",  # rounded; the number that is printed, classed and used in formulas
    "decimals": "int8",
    "class_index": "int8",  # 0 is the lowest class, -1 is none
    "borderline": "bool",  # the 95 % interval crosses a limit
    "table": "category",  # id of the scale
    "refusal": "category",  # "" or one of REFUSALS
    "refusal_detail": "category",  # what did not match, or which limit of the method decided
}

SCOPE = ("region", "crop", "texture", "soil_group")  # of the sample: with the value's own, its scale's scope


class Kind(NamedTuple):
    """What a soil value is, and the rows that are of this kind."""

    analyte: str
    form: str
    method: str
    unit: str
    basis: str
    rows: NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class ClassedValues:
    """A frame of :data:`CLASSED` and the probabilities that go with its rows.

    Attributes
    ----------
    frame
        One row a soil value, in the order given.
    probability
        ``(rows, classes of the widest scale)``: NaN where not known or beyond the row's own scale.
    kinds
        The rows of each combination of analyte, form, method, unit and basis as given, sorted by them.
    turned
        Columns of :data:`interpretation.agronomy.table_units.TURNED`, indexed by the rows of ``frame`` that
        were turned into the unit of their scale: value, uncertainty, limit and ``reported`` are in its unit.
    soils
        What the validity of methods was judged by, one element a sample.
    """

    frame: pd.DataFrame
    probability: NDArray[np.float32]
    kinds: tuple[Kind, ...]
    turned: pd.DataFrame
    soils: Soils

    def in_method_unit(self) -> Floats:
        """Values as reported, in the unit they were given in."""
        return as_given(self.frame["reported"].to_numpy(), self.turned)


def class_values(converted: Converted, context: pd.DataFrame, tables: TableSet) -> ClassedValues:
    """Class every soil value in the scale that covers it.

    Parameters
    ----------
    converted
        The soil values, and which of them were worked out from another method's.
    context
        Columns of :data:`interpretation.agronomy.context.CONTEXT`, one row a sample.
    tables
        Everything in force.

    Returns
    -------
    ClassedValues

    Raises
    ------
    SampleListError
        A soil value of an unknown sample, an infinite value, two values of one sample by one method.

    Notes
    -----
    A value whose method is not valid on its soil is refused whatever the tables say: outside the method's
    pH, by the sample's own pH in water, or above its carbonate content or its organic matter. Where the
    method has a highest pH or carbonate content and neither figure is known, it is refused too; a wrong
    class is worse (:mod:`interpretation.agronomy.validity`). A value that was
    worked out must keep the limits of both methods, its own and the one that was measured.
    """
    soil = converted.soil
    sample = _sample_rows(soil, context)
    kind = codes_of(*(soil[name] for name in Kind._fields[:-1]))
    kinds = _kinds(soil, kind)
    _refuse_unusable(soil, sample, kinds, len(context))
    out = Outcome.blank(soil, tables)
    for one in kinds:
        _round_as_reported(tables.methods.get(one.method), one.rows, out)
    numbers = soil[NUMBERS].to_numpy(copy=True)
    turned = _class_all(soil, numbers, _scales(soil, context, sample, kind, tables), tables, out)
    # Noise about zero, or a slip: with a scale it has no class, and without one no amount may stand on it.
    out.refuse(np.flatnonzero((out.table < 0) & (out.reported < 0)), classing.BELOW_SCALE, "")
    reported = as_given(out.reported, turned)
    soils = _soils(sample, kinds, reported, context)
    for name, rows in _by_method(kinds, converted.measured):
        if (method := tables.methods.get(name)) is not None:
            refuse_invalid(method, rows, sample[rows], soils, out)
    for key, equation, rows in converted.refused:
        out.withdraw(rows, REFUSALS.index(key), equation)
    turned = kept(turned, out)
    frame = _frame(soil, sample, numbers, turned, out, tables)
    return ClassedValues(frame, out.probability, kinds, turned, soils)


def _kinds(soil: pd.DataFrame, kind: NDArray[np.int64]) -> tuple[Kind, ...]:
    found = []
    for rows in groups(kind):
        one = soil.iloc[rows[0]]
        found.append(Kind(one["analyte"], one["form"], one["method"], one["unit"], one["basis"], rows))
    return tuple(sorted(found, key=lambda kind: kind[:-1]))


def _sample_rows(soil: pd.DataFrame, context: pd.DataFrame) -> NDArray[np.int64]:
    """Row of the context for each soil value."""
    codes, numbers = pd.factorize(soil["lab_number"])
    known = pd.Index(context["lab_number"]).get_indexer(numbers)
    unknown = numbers[known < 0]
    if len(unknown):
        named = ", ".join(str(number) for number in sorted(unknown)[:10])
        raise SampleListError(
            f"{len(unknown)} lab number(s) with soil values are not in the list of samples: {named}"
            + (", ..." if len(unknown) > 10 else ""),
            expected="every soil value to belong to a sample of the list",
            fix="add the samples to the list, or correct the lab numbers",
        )
    return np.asarray(known[codes], dtype=np.int64)


def _refuse_unusable(
    soil: pd.DataFrame, sample: NDArray[np.int64], kinds: tuple[Kind, ...], samples: int
) -> None:
    infinite = np.isinf(soil["value"].to_numpy(dtype=np.float64))
    if infinite.any():
        row = int(infinite.argmax())
        raise SampleListError(
            "a soil value is infinite",
            where=f"soil value {row + 1}, lab number {soil['lab_number'].iloc[row]}",
            expected="a number, or 'below' a limit",
            fix="leave the row out and measure again",
        )
    tests = {name: code for code, name in enumerate(dict.fromkeys((k.analyte, k.method) for k in kinds))}
    test = np.empty(len(soil), dtype=np.int64)
    for one in kinds:
        test[one.rows] = tests[one.analyte, one.method]
    twice = pd.Series(test * samples + sample).duplicated().to_numpy()
    if twice.any():
        row = int(twice.argmax())
        raise SampleListError(
            f"{soil['analyte'].iloc[row]} by {soil['method'].iloc[row]} is given twice",
            where=f"soil value {row + 1}, lab number {soil['lab_number'].iloc[row]}",
            expected="one value of a sample by one method",
            fix="leave out the run or the row that was superseded",
        )


def _round_as_reported(method: Method | None, rows: NDArray[np.intp], out: Outcome) -> None:
    """Round to the digits of the method, for values that no scale will round."""
    digits = method.digits if method else (DigitRule(**{"from": 0}, decimals=1),)
    out.reported[rows], out.decimals[rows] = classing.reported_as(digits, out.reported[rows])


def _scales(
    soil: pd.DataFrame,
    context: pd.DataFrame,
    sample: NDArray[np.int64],
    kind: NDArray[np.int64],
    tables: TableSet,
) -> Iterator[tuple[NDArray[np.intp], ScaleTable | None, str]]:
    """Rows of each scope with their scale, or with what did not match."""
    place = codes_of(*(context[name] for name in SCOPE))[sample]
    period = periods(soil["sampled_on"], tables.scales.values())
    for rows in groups(codes_of(kind, place, period, soil["depth_from_cm"], soil["depth_to_cm"])):
        value, at = soil.iloc[rows[0]], context.iloc[sample[rows[0]]]
        if period[rows[0]] < 0:
            yield rows, None, "day"
            continue
        try:
            scale = scale_applying(
                tables,
                **{name: value[name] for name in Kind._fields[:-1]},
                **{name: at[name] for name in SCOPE},
                depth_cm=(value["depth_from_cm"], value["depth_to_cm"]),
                on=value["sampled_on"].date(),
            )
        except NoTableApplies as error:
            yield rows, None, ",".join(error.failed)
        else:
            yield rows, scale, ""


def _class_all(
    soil: pd.DataFrame,
    numbers: Floats,
    scales: Iterable[tuple[NDArray[np.intp], ScaleTable | None, str]],
    tables: TableSet,
    out: Outcome,
) -> pd.DataFrame:
    """Class what has a scale and refuse the rest; gives what was turned into its scale's unit."""
    wanted: dict[tuple[str, bool], list[NDArray[np.intp]]] = defaultdict(list)
    for rows, scale, failed in scales:
        first = soil.iloc[rows[0]]
        if scale is not None:
            wanted[scale.id, first["unit"] != scale.unit].append(rows)
        elif failed != "analyte" or first["analyte"] not in SUPPORTING:  # else no class was to be had
            out.refuse(rows, NO_TABLE, failed)
    turned: list[Turned] = []
    for position, scale in enumerate(tables.scales.values()):
        for in_method_unit in (False, True):
            if chunks := wanted.get((scale.id, in_method_unit)):
                rows = np.sort(np.concatenate(chunks))
                if in_method_unit:
                    turned.append(turn(numbers, rows, scale, tables.methods[scale.method], out))
                out.table[rows] = position
                _class_rows(numbers[rows], rows, scale, out)
    return joined(turned)


def _class_rows(measured: Floats, rows: NDArray[np.intp], scale: ScaleTable, out: Outcome) -> None:
    value, uncertainty, below = measured.T
    classes = classing.classify(value, uncertainty, below, scale)
    out.reported[rows] = classes.reported
    out.decimals[rows] = classing.decimals_of(scale.round_to)
    out.index[rows] = classes.index
    out.borderline[rows] = classes.borderline
    out.refusal[rows] = classes.refusal
    out.probability[rows, : len(scale.classes)] = classes.probability


def _soils(
    sample: NDArray[np.int64], kinds: tuple[Kind, ...], reported: Floats, context: pd.DataFrame
) -> Soils:
    """What the soil values themselves, and the list of samples, say of each sample's soil."""
    lowest, highest, matter = (np.full(len(context), np.nan) for _ in range(3))
    for one in kinds:
        at, found = sample[one.rows], reported[one.rows]
        if one.analyte == "pH" and one.method.startswith(WATER_PH_METHOD):
            lowest[at], highest[at] = np.fmin(lowest[at], found), np.fmax(highest[at], found)
        elif (one.analyte, one.unit) == ("organic-matter", "%"):
            matter[at] = np.fmax(matter[at], found)
    return Soils(lowest, highest, context["lime_percent"].to_numpy(), matter)


def _by_method(kinds: tuple[Kind, ...], measured: pd.DataFrame) -> Iterator[tuple[str, NDArray[np.intp]]]:
    """Rows that stand on each method: by its own name, then what was worked out from it."""
    yield from ((one.method, one.rows) for one in kinds)
    for name, group in measured.groupby("method"):
        yield str(name), group.index.to_numpy()


def _frame(
    soil: pd.DataFrame,
    sample: NDArray[np.int64],
    numbers: Floats,
    turned: pd.DataFrame,
    out: Outcome,
    tables: TableSet,
) -> pd.DataFrame:
    frame = soil.assign(
        sample=sample,
        reported=out.reported,
        decimals=out.decimals,
        class_index=out.index,
        borderline=out.borderline,
        table=pd.Categorical.from_codes(out.table, categories=pd.Index(list(tables.scales), dtype="str")),
        refusal=pd.Categorical.from_codes(out.refusal, categories=pd.Index(REFUSALS)),
        refusal_detail=pd.Categorical.from_codes(out.detail, categories=pd.Index(out.details)),
    )
    if not turned.empty:
        rows = turned.index.to_numpy()
        code = pd.Categorical(soil["unit"], categories=pd.Index(SOIL_UNITS)).codes.copy()
        of_scale = np.array([SOIL_UNITS.index(scale.unit) for scale in tables.scales.values()])
        code[rows] = of_scale[out.table[rows]]
        frame["unit"] = pd.array(SOIL_UNITS, dtype="str").take(code)
        for position, name in enumerate(NUMBERS):
            column = soil[name].to_numpy(copy=True)
            column[rows] = numbers[rows, position]
            frame[name] = column
    return frame
