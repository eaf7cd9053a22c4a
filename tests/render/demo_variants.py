"""Fields of the invented demo world that try what a report must hold: one to forty samples, much, nothing."""

from __future__ import annotations

from datetime import date
from typing import Any

from interpretation.results import (
    Amount,
    ClassLimit,
    ClassProbability,
    FieldAdvice,
    Refusal,
    SoilResult,
)
from reports.view import EarlierResult
from tests.render.demo_world import FIVE, METHODS, amount, can, field, lime, map_, ph, result, sample, tsp

REFUSED = Refusal(
    key="method-not-valid",
    values={"input": "ph", "found": 8.1, "limit": 7.4, "use_instead": "olsen-1:20-colour"},
)
MORE = ("Mg", "Ca", "Zn", "Cu", "Mn", "Fe", "B", "sulfate")


P, K, PH = (0.0, 6.0, 12.0, 20.0, 35.0), (0.0, 60.0, 110.0, 160.0, 240.0), (3.5, 5.0, 5.8, 6.6, 7.4)
NITRATE, OTHERS = (0.0, 5.0, 10.0, 20.0, 30.0), (0.0, 2.0, 4.0, 8.0, 16.0)
ACID = ("strongly acid", "acid", "slightly acid", "neutral", "alkaline")


def at(value: float, lowers: tuple[float, ...]) -> int:
    """Index of a value's class."""
    return max(index for index, lower in enumerate(lowers) if value >= lower)


def soil_ph(number: str, value: float) -> SoilResult:
    return ph(number, value, ACID[at(value, PH)], at(value, PH))


def one(**changes: Any) -> FieldAdvice:
    """One sample, four analytes."""
    number = "Q26-0411"
    fields: dict[str, Any] = {
        "samples": (sample(number, "Whole field"),),
        "results": (
            result(number, "P", 9.0, 1, 0.5), result(number, "K", 131.0, 2, 6.0, decimals=0),
            ph(number, 5.6, "acid", 1), result(number, "nitrate", 14.2, 2, 0.7),
        ),
        "amounts": (
            amount(number, "lime", 3.5, materials=(lime(3.9),)),
            amount(number, "N", 110.0, materials=(can(407.0),)),
            amount(number, "P2O5", 60.0, materials=(tsp(130.0), map_(115.0))), amount(number, "K2O", 40.0),
        ),
    }  # fmt: skip
    return field(**(fields | changes))


def other(number: str, analyte: str, value: float, index: int) -> SoilResult:
    """A value of an analyte that the demo world has no method for."""
    limits = tuple(ClassLimit(name=n, lower=b) for n, b in zip(FIVE, OTHERS, strict=True))
    changes = {
        "analyte": analyte, "form": analyte, "method": f"{analyte.lower()}-mehlich3", "limits": limits,
        "adequate_from": "medium", "table": f"marrowdale/{analyte.lower()}",
    }  # fmt: skip
    return result(number, "P", value, index, 0.3).model_copy(update=changes)


def twelve_analytes() -> FieldAdvice:
    values = [(name, 1.5 * number) for number, name in enumerate(MORE, start=1)]
    more = tuple(other("Q26-0411", name, value, at(value, OTHERS)) for name, value in values)
    return one(results=(*one().results, *more))


def many(count: int) -> FieldAdvice:
    """So many samples on a slope: poor in phosphorus at one end, rich at the other."""
    numbers = [f"Q26-{n:04}" for n in range(1, count + 1)]
    results: list[SoilResult] = []
    amounts: list[Amount] = []
    for n, number in enumerate(numbers):
        p = round(3.0 + 34.0 * (n / (count - 1)) ** 1.5, 1)
        k = round(60.0 + 190.0 * ((n * 7) % count) / count)
        acid = round(5.2 + 2.0 * ((n * 5) % count) / count, 1)
        nitrate = 4.0 + (n * 3) % 17
        close = abs(p - 12.0) < 1.2
        chances = (
            ClassProbability(name="low", probability=0.4),
            ClassProbability(name="medium", probability=0.6),
        )
        below = n % 9 == 4
        results += [
            result(number, "P", p, at(p, P), 0.7, borderline=close, probabilities=chances if close else ()),
            result(number, "K", float(k), at(k, K), 6.0, decimals=0),
            soil_ph(number, acid),
            result(number, "nitrate", None, 0, None, below=2.0)
            if below
            else result(number, "nitrate", nitrate, at(nitrate, NITRATE), 0.5),
        ]
        amounts += [
            amount(number, "lime", round(max(0.0, 6.4 - acid) * 5, 1)),
            amount(number, "N", 110.0),
            amount(number, "P2O5", 5.0 * round(max(0.0, 25.0 - p) * 0.6)),
            amount(number, "K2O", 40.0 if k < 160 else 0.0),
        ]
    samples = tuple(sample(number, f"Zone {n}") for n, number in enumerate(numbers, start=1))
    return field(samples=samples, results=tuple(results), amounts=tuple(amounts))


def all_refused() -> FieldAdvice:
    base = field()
    no_class = {
        "class_name": None, "class_index": None, "limits": (), "table": None, "refusal": REFUSED,
        "borderline": False, "probabilities": (),
    }  # fmt: skip
    no_amount = {"rate": None, "table": None, "working": (), "materials": ()}
    return field(
        results=tuple(one_result.model_copy(update=no_class) for one_result in base.results),
        amounts=tuple(
            a.model_copy(update=no_amount | {"refusal": Refusal(
                key="soil-test-refused", values={"nutrient": a.nutrient, "reason": "method-not-valid"}
            )})
            for a in base.amounts
        ),
    )  # fmt: skip


def alike(p: float, k: float, acid: float, nitrate: float, rates: tuple[float, ...]) -> FieldAdvice:
    """Three samples that say the same."""
    numbers = [s.lab_number for s in field().samples]
    results = tuple(
        made
        for number in numbers
        for made in (
            result(number, "P", p, at(p, P)),
            result(number, "K", k, at(k, K), 5.0, decimals=0),
            soil_ph(number, acid),
            result(number, "nitrate", nitrate, at(nitrate, NITRATE)),
        )
    )
    amounts = tuple(
        amount(number, nutrient, rate)
        for number in numbers
        for nutrient, rate in zip(("lime", "N", "P2O5", "K2O"), rates, strict=True)
    )
    return field(results=results, amounts=amounts, notes=())


def earlier(
    label: str, analyte: str, year: int, value: float | None, below: float | None = None
) -> EarlierResult:
    return EarlierResult(
        sampled_on=date(year, 3, 4), label=label, analyte=analyte, method=METHODS[analyte][0],
        unit=METHODS[analyte][2], value=value, below=below,
    )  # fmt: skip


def over_years(label: str, analyte: str, **values: float) -> tuple[EarlierResult, ...]:
    """Values of earlier years: ``y2022=7.0``."""
    return tuple(earlier(label, analyte, int(year[1:]), value) for year, value in values.items())


EARLIER = (
    earlier("North", "P", 2020, None, 5.0),
    *over_years("North", "P", y2022=5.1, y2024=6.2),
    *over_years("West", "P", y2020=8.0, y2022=9.4, y2024=10.9),
    *over_years("South", "P", y2022=15.0, y2024=17.0),
    *over_years("North", "K", y2022=150.0, y2024=140.0),
    *over_years("West", "K", y2022=180.0, y2024=176.0),
    *over_years("North", "pH", y2024=5.8),
    *over_years("West", "pH", y2024=6.2),
    *over_years("South", "pH", y2024=8.0),
)
ONE_EARLIER = (
    earlier("Whole field", "P", 2018, None, 5.0),
    *over_years("Whole field", "P", y2020=6.0, y2022=7.0, y2024=8.0),
    *over_years("Whole field", "K", y2022=118.0, y2024=125.0),
    *over_years("Whole field", "pH", y2024=5.9),
)
LONG = "Upper Thistlecombe Meadow behind the old mill, far corner by the brook"

# name -> advice, earlier values
VARIANTS: dict[str, tuple[FieldAdvice, tuple[EarlierResult, ...]]] = {
    "three": (field(), ()),
    "earlier": (field(), EARLIER),
    "one": (one(), ()),
    "one-earlier": (one(), ONE_EARLIER),
    "one-analyte": (one(results=one().results[:1], amounts=one().amounts[2:3], notes=()), ()),
    "twelve-analytes": (twelve_analytes(), ()),
    "twelve": (many(12), ()),
    "forty": (many(40), ()),
    "all-refused": (all_refused(), ()),
    "nothing-low": (alike(40.0, 260.0, 6.9, 32.0, (0.0, 60.0, 0.0, 0.0)), ()),
    "everything-low": (alike(3.0, 40.0, 4.8, 3.0, (8.5, 180.0, 110.0, 150.0)), ()),
    "long-names": (
        one(field_name=LONG, farm_name=LONG, grower_name=LONG, samples=(sample("Q26-0411", LONG),)),
        (),
    ),
}
