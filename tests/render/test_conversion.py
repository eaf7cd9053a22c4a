"""What a report says of a value that was worked out from another method's."""

from __future__ import annotations

import pytest

from interpretation.agronomy.advise import advise
from interpretation.agronomy.records import field_advice
from interpretation.results import FieldAdvice
from reports.build import build_report
from reports.render import html
from tests.render.demo_world import laboratory
from tests.render.test_readability import LONGEST_SENTENCE, sentences, words
from tests.small_world import conversion, method, note, samples, scale, values, world

NAN = float("nan")
RULE = note(key="converted-value", when="converted", topic="result")
WHOLE, TENTHS = ([{"from": 0, "decimals": decimals}] for decimals in (0, 1))
TABLES = world(
    scale(round_to=0.1),
    conversion(lowest=10, standing="derived"),
    method(id="m3", title="Mehlich-3", digits=WHOLE),
    method(title="Bray-1", digits=TENTHS),
    RULE,
)


def field(convert: tuple[str, ...], **soil: float) -> FieldAdvice:
    found = values({"method": "m3"} | soil)
    return field_advice(advise(found, TABLES, samples({}), convert), "f1")


def page(locale: str = "en", **soil: float) -> str:
    shown = build_report(field(("vale/bray-from-m3",), **soil), laboratory(), locale=locale)
    return " ".join(html(shown).replace("<br>", " ").split())


# 22 mg/kg by Mehlich-3: -8.08 + 0.832 x 22 = 10.224
@pytest.mark.parametrize(
    ("locale", "said"),
    [
        (
            "en",
            (
                "Worked out from 22 mg/kg by m3. Take it as a hint.",
                "a, Phosphorus: 10.2 mg/kg by Bray-1 was worked out, not measured. "
                "Measured: 22 mg/kg by Mehlich-3. "
                "Equation vale/bray-from-m3, over soil_test: -8.08 + 0.832 * soil_test",
                "(derived from the sources; in force from",
                "sources 1). How far soils scatter about it is not known",
                "not run here; its values were worked out",
                "A value was worked out from another test",
            ),
        ),
        (
            "es",
            (
                "Calculado a partir de 22 mg/kg por m3.",
                "10,2 mg/kg por Bray-1 se calculó, no se midió. Medido: 22 mg/kg por Mehlich-3.",
                "Un valor se calculó a partir de otro análisis",
            ),
        ),
    ],
)
def test_the_page_says_what_was_measured_and_by_which_equation(locale: str, said: tuple[str, ...]) -> None:
    shown = page(locale, value=22.0)
    assert [text for text in said if text not in shown] == []


def test_the_table_of_tables_shows_the_equation_and_its_fingerprint() -> None:
    (row,) = (
        row
        for row in build_report(field(("vale/bray-from-m3",), value=22.0), laboratory()).tables.rows
        if row[0] == "vale/bray-from-m3"
    )
    assert row[2] == "-8.08 + 0.832 * soil_test"
    assert row[5] == "cd34"


def test_a_limit_is_shown_as_a_limit() -> None:
    # -8.08 + 0.832 x 10 = 0.24, rounded up to Bray's tenths
    shown = page(value=NAN, below=10.0)
    assert "Worked out from less than 10 mg/kg by m3." in shown
    assert "less than 0.3 mg/kg by Bray-1 was worked out, not measured" in shown


@pytest.mark.parametrize(("soil", "said"), [
    ({"value": 9.0}, "The equation vale/bray-from-m3 holds from 10 to 200 mg/kg only."),
    ({"value": 201.0}, "The equation vale/bray-from-m3 holds from 10 to 200 mg/kg only."),
])  # fmt: skip
def test_the_reason_of_a_value_outside_names_the_span(soil: dict[str, float], said: str) -> None:
    assert said in page(**soil)


def test_without_a_name_the_page_says_that_an_equation_exists_and_uses_none() -> None:
    shown = html(build_report(field((), value=22.0), laboratory()))
    assert (
        "The region has an equation for this test: vale/bray-from-m3. It was not used. "
        "Whoever makes this report can ask for it."
    ) in " ".join(shown.split())
    assert "orked out" not in shown


def test_what_the_front_says_of_it_is_short() -> None:
    shown = build_report(field(("vale/bray-from-m3",), value=22.0), laboratory())
    remarks = [row.remark for group in shown.groups for row in group.rows]
    assert remarks
    assert max(len(words(s)) for text in remarks for s in sentences(text)) <= LONGEST_SENTENCE
