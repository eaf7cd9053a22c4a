"""What a report says where its table counts in another unit than the laboratory measures in."""

from __future__ import annotations

import pytest

from interpretation.agronomy.advise import advise
from interpretation.agronomy.records import field_advice
from interpretation.results import FieldAdvice
from reports.build import build_report
from service.cli import console, fields
from tests.render.demo_world import laboratory
from tests.render.test_readability import LONGEST_SENTENCE, sentences, words
from tests.small_world import classes, conversion, method, samples, scale, values, world

ACRE = scale(unit="lb/ac", per_method_unit=2, classes=classes(low=0, medium=30, high=60))
DIGITS = ({"from": 0, "decimals": 0},)
TABLES = world(ACRE, method(digits=DIGITS), method(id="m3", title="Mehlich-3", digits=DIGITS), conversion())

# 2 lb/ac = 2.2417 kg/ha for each mg/kg; 20 cm of soil at 1 g/cm3 hold 2 kg/ha for each: 1.12 g/cm3.
LAYER = "Over 0 to 20 cm that is soil of 1.1 g/cm³."


def field(convert: tuple[str, ...] = (), **soil: float | str) -> FieldAdvice:
    return field_advice(advise(values(soil), TABLES, samples({}), convert), "f1")


def remark(advice: FieldAdvice, locale: str = "en") -> str:
    (row,) = (row for group in build_report(advice, laboratory(), locale=locale).groups for row in group.rows)
    return row.remark


@pytest.mark.parametrize(
    ("locale", "value", "said"),
    [
        ("en", 32.0, f"Measured: 32.0 mg/kg. This table counts 2 lb/ac for each mg/kg. {LAYER}"),
        ("en", 1.25, f"Measured: 1.3 mg/kg. This table counts 2 lb/ac for each mg/kg. {LAYER}"),
        (
            "es",
            32.0,
            "Medido: 32,0 mg/kg. Esta tabla cuenta 2 lb/ac por cada mg/kg. "
            "En 0 a 20 cm, eso es suelo de 1,1 g/cm³.",
        ),
    ],
)
def test_what_was_measured_and_the_tables_own_rule(locale: str, value: float, said: str) -> None:
    shown = remark(field(value=value, standard_uncertainty=0.1), locale)
    assert shown == said
    assert max(len(words(s)) for s in sentences(shown)) <= LONGEST_SENTENCE


def test_a_limit_is_told_as_it_was_measured() -> None:
    assert remark(field(below=4.0)) == (
        f"Measured: less than 4 mg/kg. This table counts 2 lb/ac for each mg/kg. {LAYER}"
    )


def test_the_layer_and_the_density_behind_an_amount_on_a_field_are_told_in_the_readers_units() -> None:
    page = build_report(field(value=32.0, standard_uncertainty=0.1), laboratory(), units="us")
    assert page.groups[0].rows[0].remark.endswith("Over 0 to 8 in that is soil of 1.1 g/cm³.")


def test_a_factor_between_units_of_a_mass_of_soil_stands_for_no_layer() -> None:
    table = scale(unit="ug/kg", per_method_unit=1000, classes=classes(low=0, medium=30_000, high=60_000))
    tables = world(table, method(digits=DIGITS))
    soil = values({"value": 32.0, "standard_uncertainty": 0.1})
    advice = field_advice(advise(soil, tables, samples({})), "f1")
    assert advice.results[0].measured_as is not None
    assert advice.results[0].measured_as.layer_cm is None
    assert remark(advice).endswith("This table counts 1,000 µg/kg for each mg/kg.")


def test_a_value_typed_in_the_tables_unit_was_not_turned() -> None:
    assert "easured" not in remark(field(value=32.0, unit="lb/ac"))


def test_an_equation_and_another_unit_are_both_told() -> None:
    # -8.08 + 0.832 x 40 = 25.2 mg/kg by the other method, and 25.2 x 2 = 50.4 lb/ac
    advice = field(("vale/bray-from-m3",), method="m3", value=40.0)
    assert advice.results[0].value == 50
    shown = remark(advice)
    assert shown.startswith("Worked out from 40 mg/kg by m3. ")
    assert "This table counts 2 lb/ac for each mg/kg." in shown


def test_an_index_is_a_number_and_no_unit_of_anything() -> None:
    index = {"unit": "index", "analyte": "K", "form": "K", "method": "k-index-uk"}
    table = scale(id="vale/k", **{name: index[name] for name in ("unit", "analyte", "method")})
    tables = world(table, method(id="k-index-uk", analyte="K", form="K", unit="index"))
    advice = field_advice(advise(values(index | {"value": 2.0}), tables, samples({})), "f1")
    (row,) = (row for group in build_report(advice, laboratory()).groups for row in group.rows)
    assert row.value == "2"


@pytest.mark.parametrize(
    ("locale", "said"),
    [
        ("en", "Measured: 6.8. This table counts 10 for each Buffer pH."),
        ("es", "Medido: 6,8. Esta tabla cuenta 10 por cada pH en solución tampón."),
    ],
)
def test_a_measurement_without_a_unit_is_named_in_its_place(locale: str, said: str) -> None:
    # A lime index is 10 times the buffer pH, and neither has a unit to print.
    at = {"analyte": "buffer-pH", "method": "buffer-ph-smp", "basis": "none"}
    table = scale(id="vale/index", unit="index", per_method_unit=10, classes=classes(low=0, high=70), **at)
    tables = world(table, method(id="buffer-ph-smp", analyte="buffer-pH", form="pH", unit="pH", basis="none"))
    soil = values(at | {"form": "pH", "unit": "pH", "value": 6.8, "standard_uncertainty": 0.01})
    advice = field_advice(advise(soil, tables, samples({})), "f1")
    assert advice.results[0].value == 68
    assert remark(advice, locale) == said


def test_the_back_names_the_tables_unit() -> None:
    page = build_report(field(value=32.0), laboratory())
    assert page.results.rows[0][2] == "64"
    assert page.results.rows[0][4] == "lb/ac"
    assert page.tables.rows[0][2] == "low 0, medium 30, high 60 lb/ac"


def test_advise_prints_it(monkeypatch: pytest.MonkeyPatch) -> None:
    printed: list[str] = []
    monkeypatch.setattr(console, "print_table", lambda _, __, rows: printed.extend(" ".join(r) for r in rows))
    fields.print_field(field(value=32.0))
    assert printed == [
        f"S1 a P 64 lb/ac high bray. Measured: 32.0 mg/kg. This table counts 2 lb/ac for each mg/kg. {LAYER}"
    ]
