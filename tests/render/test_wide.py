"""The back of a report on many samples: everything is there, and what is shared is said once."""

from __future__ import annotations

from interpretation.results import Amount, FieldAdvice, Step
from reports.build import build_report
from reports.front import WorkingTable
from reports.render import html
from reports.view import GrowerReport, Table
from tests.render.demo_variants import many, one, twelve_analytes
from tests.render.demo_world import amount, field, laboratory, sample


def report(advice: FieldAdvice) -> GrowerReport:
    return build_report(advice, laboratory())


def captioned(page: GrowerReport, caption: str) -> Table:
    return next(table for table in page.back_tables if table.caption == caption)


def working(page: GrowerReport, nutrient: str) -> WorkingTable:
    return next(each for each in page.wide_workings if each.nutrient.startswith(nutrient))


def test_results_of_many_samples_stand_in_rows_with_uncertainty_and_chances() -> None:
    page = report(many(40))
    table = captioned(page, "Results in full")
    assert table.head[:3] == ("Lab number", "Sample", "Soil pH (u); marrowdale/ph; bench")
    assert table.head[3] == "Phosphorus, P, mg/kg (u); marrowdale/p; run BR-0412"
    assert len(table.rows) == 40
    assert table.rows[0] == (
        "Q26-0001",
        "Zone 1",
        "5.2 (0.05) acid",
        "3.0 (0.7) very low",
        "60 (6) low",
        "4.0 (0.5) very low",
    )
    assert table.rows[15][3] == "11.1 (0.7) low 40 %, medium 60 %"
    assert table.rows[4][5] == "< 2 very low"


def test_what_differs_from_sample_to_sample_stands_with_the_value() -> None:
    page = report(field())
    table = captioned(page, "Results in full")
    assert table.rows[2][3].startswith("18.0 (0.8) This test does not suit this soil.")
    moved = [
        r.model_copy(update={"origin": "run BR-0999"})
        if r.lab_number == "Q26-0412" and r.analyte == "P"
        else r
        for r in field().results
    ]
    other = captioned(report(field(results=tuple(moved))), "Results in full")
    assert other.head[3] == "Phosphorus, P, mg/kg (u); marrowdale/p"
    assert [row[3].rpartition("; ")[2] for row in other.rows] == ["run BR-0412", "run BR-0999", "run BR-0412"]


def test_full_names_stand_at_the_back() -> None:
    name = "The long strip beside the old mill race, upper half"
    table = captioned(
        report(field(samples=(sample("Q26-0411", name), *field().samples[1:]))), "Results in full"
    )
    assert table.rows[0][1] == name


def test_samples_taken_alike_share_a_line() -> None:
    alike = captioned(report(many(40)), "Samples as received")
    assert alike.rows == (
        ("all 40 samples", "0 to 20 cm", "March 2, 2026", "March 5, 2026", "silt loam", "16"),
    )
    samples = (*many(40).samples[:39], sample("Q26-0040", "Zone 40", depth_to_cm=30.0))
    two = captioned(report(many(40).model_copy(update={"samples": samples})), "Samples as received")
    assert [row[1] for row in two.rows] == ["0 to 20 cm", "0 to 30 cm"]
    assert two.rows[1][0] == "Q26-0040"
    assert two.rows[0][0].startswith("Q26-0001, Q26-0002, ")


def test_shared_steps_are_told_once_and_every_sample_is_named() -> None:
    nitrogen = working(report(many(40)), "Nitrogen")
    assert nitrogen.rows == (("all 40 samples", "110 kg/ha", ""),)
    assert "Less 7 kg/ha for the crop before." in nitrogen.shared
    lime = working(report(many(40)), "Lime")
    assert lime.shared.startswith("Table marrowdale/rate-lime: Lime (as CaCO₃) in t/ha.")
    assert lime.rows[0] == (
        "Zone 1, Zone 9, Zone 17, Zone 25, Zone 33", "6 t/ha",
        "This gives 6.1 t/ha. Rounded in steps of 0.5: 6 t/ha.",
    )  # fmt: skip
    told = [name for who, _, _ in lime.rows for name in who.split(", ")]
    assert sorted(told) == sorted(s.label for s in many(40).samples)


def test_what_is_done_to_an_amount_stands_in_the_order_in_which_it_was_done() -> None:
    """Only the first of these steps, alike for all, may be told before what differs."""

    def worked(number: str, raw: float, off: float, rounded: float) -> Amount:
        deeds = (
            Step(key="constant", values={"name": "base", "value": 30.0}),
            Step(key="raw-rate", values={"rate": raw, "unit": "kg/ha"}),
            Step(key="credit", values={"amount": off, "unit": "kg/ha", "credit": "manure"}),
            Step(key="input", values={"name": "ph", "value": 6.0}),
            Step(key="rounding", values={"step": 5.0, "rate": rounded, "unit": "kg/ha"}),
        )
        return amount(number, "N", rounded, working=deeds)

    def told(*rates: tuple[float, float, float]) -> tuple[str, list[str]]:
        numbers = [each.lab_number for each in field().samples]
        amounts = tuple(worked(n, *rate) for n, rate in zip(numbers, rates, strict=True))
        nitrogen = working(report(field(amounts=amounts, notes=())), "Nitrogen")
        return nitrogen.shared, [steps for _, _, steps in nitrogen.rows]

    shared, rows = told((100.0, 7.0, 95.0), (90.0, 7.0, 85.0), (100.0, 7.0, 95.0))
    assert shared == "Figure of the table: base = 30. With soil pH = 6."
    assert rows == [
        "This gives 100 kg/ha. Less 7 kg/ha for manure. Rounded in steps of 5: 95 kg/ha.",
        "This gives 90 kg/ha. Less 7 kg/ha for manure. Rounded in steps of 5: 85 kg/ha.",
    ]
    shared, rows = told((100.0, 7.0, 95.0), (100.0, 17.0, 85.0), (100.0, 7.0, 95.0))
    assert shared == "Figure of the table: base = 30. This gives 100 kg/ha. With soil pH = 6."
    assert rows[1] == "Less 17 kg/ha for manure. Rounded in steps of 5: 85 kg/ha."


def test_an_amount_that_is_not_given_says_why_at_the_back_too() -> None:
    rows = working(report(field()), "Phosphate").rows
    assert rows[-1] == (
        "South",
        "not given",
        "The soil test cannot be used. The test does not suit this soil.",
    )


def test_one_sample_is_set_out_line_by_line() -> None:
    page = report(one())
    assert page.wide_workings == ()
    assert captioned(page, "Results in full").head[:2] == ("Sample", "Analyte, form")


def test_a_column_that_says_the_same_is_told_once_above() -> None:
    table = captioned(report(one()), "Tables used")
    assert table.shared == (
        "Standing: invented for the example. In force from: January 1, 2026. "
        "Fingerprint: 3f9a0c57be42. Sources: 1."
    )
    assert table.head == ("Table", "Title", "Classes from")
    assert len(table.widths) == 3
    assert all(word in html(report(one())) for word in (table.shared, "marrowdale/rate-p2o5"))


def test_results_of_more_analytes_than_fit_go_on_below() -> None:
    samples = tuple(sample(n, n) for n in ("Q26-0411", "A", "B"))
    page = report(twelve_analytes().model_copy(update={"samples": samples}))
    parts = [
        table for table in page.back_tables if table.head[0] == "Lab number" and table.head[1] == "Sample"
    ]
    assert [table.caption for table in parts] == ["Results in full", "", ""]
    assert [len(table.head) - 2 for table in parts] == [4, 4, 4]
    assert parts[0].rows[1][2:] == ("–", "–", "–", "–")
