"""The front of a report: what to do, why, how much on the whole field, when to test again, whom to ask."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from interpretation.results import Amount, FieldAdvice, Refusal, SourceLine, Step
from reports.build import build_report
from reports.front import ToDo
from reports.render import html
from reports.scripts import whole
from reports.todo import MOST_COLUMNS
from reports.view import GrowerReport
from tests.render.demo_variants import alike, many, one
from tests.render.demo_world import amount, field, laboratory, result, sample, tsp


def report(advice: FieldAdvice, **choices: Any) -> GrowerReport:
    return build_report(advice, laboratory(), **choices)


def rows(advice: FieldAdvice, **choices: Any) -> dict[str, ToDo]:
    table = report(advice, **choices).todo
    assert table is not None
    return {row.nutrient.partition(" ")[0]: row for row in table.rows}


def texts(row: ToDo) -> list[str]:
    return [
        " ".join(filter(None, (cell.text, cell.unit, cell.where))) for group in row.cells for cell in group
    ]


def test_what_to_do_comes_before_what_was_found_and_danger_between() -> None:
    page = html(report(field()))
    heads = ("What to do", "Danger", "What we found", "What to mind", "Before you act")
    places = [page.index(f">{head}</h") for head in heads]
    assert places == sorted(places)


def test_one_sample_gets_amount_total_and_reason() -> None:
    found = rows(one())
    assert texts(found["Phosphate"]) == ["60 kg/ha"]
    assert found["Phosphate"].total == "744 kg"  # 60 x 12.4
    assert found["Phosphate"].why == "The soil has little: 9.0 mg/kg, low."
    assert found["Potash"].why == "The soil may run short: 131 mg/kg, medium."
    assert found["Lime"].why == "Soil pH: 5.6, acid."
    assert found["Lime"].total == "43.4 t"
    assert found["Nitrogen"].why == "The soil may run short: 14.2 mg/kg, medium. Taken off: the crop before."


def test_totals_follow_from_the_printed_amounts() -> None:
    found = rows(one(), units="us")
    # 60 kg/ha is printed as 54 lb/ac; 12.4 ha are 30.641 ac: 1654.6 lb
    assert texts(found["Phosphate"]) == ["54 lb/ac"]
    assert found["Phosphate"].total == "1,650 lb"
    # 3.5 t/ha is printed as 1.6 ton/ac: 49.03 ton
    assert found["Lime"].total == "49.0 ton"


def test_there_is_no_total_without_area_or_with_a_sample_without_amount() -> None:
    page = report(one(area_ha=None))
    assert page.todo is not None
    assert (page.todo.total, {row.total for row in page.todo.rows}) == ("", {""})
    three = rows(field())
    assert three["Nitrogen"].total == ""  # none can be given in South
    assert three["Potash"].total == "165 kg"  # (40 + 0 + 0) / 3 x 12.4
    page = report(field())
    assert page.todo is not None
    assert page.todo.help.endswith("The last column takes all samples for equal parts of the field.")


def test_a_total_of_nothing_is_not_an_unknown_one() -> None:
    samples = tuple(each.lab_number for each in field().samples)
    nothing = tuple(amount(number, "S", 0.0) for number in samples)
    found = rows(field(amounts=(*field().amounts, *nothing)))
    assert found["Sulfur"].total == "none needed"
    page = report(field(amounts=nothing))
    assert page.todo is not None
    assert page.todo.total == "", "a column of nothing is none"


def test_how_to_read_the_amounts_tells_only_what_there_is_to_read() -> None:
    def told(**changes: object) -> str:
        page = report(field(amounts=(amount("Q26-0411", "N", 30.0),), **changes))
        assert page.todo is not None
        return page.todo.help

    plain, close = result("Q26-0411"), result("Q26-0411", borderline=True)
    assert told(results=(plain,), notes=()) == (
        "These are starting points. Read “Before you act” first. "
        "Even rich soil can have an amount: a harvest takes nutrients away."
    )
    assert "Read “What to mind” and “Before you act” first." in told()
    assert "the amount of the next class may be the right one" in told(results=(close,), notes=())


def test_nitrate_that_was_found_and_is_not_taken_off_is_told() -> None:
    """Or a grower takes it off a second time, or believes that somebody did."""

    def why(rate: float | None, *more: Step, found: bool = True) -> str:
        deeds = (Step(key="constant", values={"name": "base", "value": 30.0}), *more)
        results = (result("1", "nitrate", 14.0),) if found else ()
        given = amount("1", "N", rate, working=deeds)
        advice = field(samples=(sample("1", "A"),), results=results, amounts=(given,), notes=())
        return rows(advice)["Nitrogen"].why

    left = "The nitrate found is not taken off."
    assert left in why(30.0)
    assert left not in why(30.0, found=False)
    assert left not in why(0.0), "nothing is given, so nothing could be taken off"
    assert left not in why(None)
    for name in ("nitrate_kg_per_ha", "nitrate_mg_per_kg"):
        assert left not in why(30.0, Step(key="input", values={"name": name, "value": 9.0}))
    credit = {"amount": 9.0, "unit": "kg/ha", "credit": "soil-nitrate"}
    assert left not in why(30.0, Step(key="credit", values=credit))
    by = {"analyte": "nitrate", "method": "kcl-1:10-nitrate-colour", "value": 14.0, "unit": "mg/kg"}
    assert left not in why(30.0, Step(key="soil-test", values=by))


def supplied(number: str, rate: float, of_tsp: float | None = None) -> Amount:
    return amount(number, "P2O5", rate, materials=(tsp(of_tsp),) if of_tsp else ())


def test_a_product_is_told_for_the_whole_field_as_it_is_bought() -> None:
    """Three samples on 12.4 ha, equal parts: (130 + 98 + 0) / 3 x 12.4 = 942.4 kg."""

    def totals(*amounts: Amount, units: str = "metric", **changes: Any) -> list[str]:
        advice = field(amounts=amounts, notes=(), **changes)
        return [line.total for line in report(advice, units=units).materials]

    one, two = supplied("Q26-0411", 60.0, 130.4), supplied("Q26-0412", 45.0, 97.8)
    none = supplied("Q26-0413", 0.0)
    assert totals(one, two, none) == ["942 kg"]
    # 130.4 kg/ha are 130, as they are printed: 116 lb/ac; 98 are 87. (116 + 87 + 0) / 3 x 30.641 = 2073.4
    assert totals(one, two, none, units="us") == ["2,070 lb"]
    assert totals(one, two) == [""], "nobody knows what the third part needs"
    assert totals(one, two, amount("Q26-0413", "P2O5", None)) == [""]
    assert totals(one, two, supplied("Q26-0413", 30.0)) == [""], "it needs some, and not of this product"
    assert totals(one, two, none, area_ha=None) == [""]
    assert totals(one, two, none, units="garden-metric") == [""]


def test_a_few_samples_stand_side_by_side_and_the_reason_names_them() -> None:
    found = rows(field())
    assert texts(found["Phosphate"]) == ["60 kg/ha", "45 kg/ha", "not given"]
    assert found["Phosphate"].why == (
        "Little in North and West: 7.2 to 11.4 mg/kg, low. "
        "Not given in South: The soil test cannot be used. The test does not suit this soil."
    )
    assert found["Potash"].why == (
        "May run short in North: 131 mg/kg, medium. "
        "Enough in West and South: 172 to 288 mg/kg, high to very high."
    )


def test_many_samples_are_summed_up_and_set_out_below() -> None:
    page = report(many(40))
    found = rows(many(40))
    assert texts(found["Nitrogen"]) == ["110 kg/ha all 40 samples"]
    assert texts(found["Phosphate"])[0].startswith("5 to 65 kg/ha")
    assert texts(found["Potash"]) == ["40 kg/ha 21 of 40 samples", "none needed 19 of 40 samples"]
    assert page.by_sample
    assert page.amounts is not None
    assert len(page.amounts.rows) == 40
    assert not report(alike(3.0, 40.0, 4.8, 3.0, (1.0, 1.0, 1.0, 1.0))).by_sample
    assert MOST_COLUMNS == 4


def test_an_amount_without_a_soil_test_says_what_it_follows() -> None:
    def why(*steps: Step) -> str:
        return rows(one(results=(), amounts=(amount("Q26-0411", "N", 90.0, working=steps),)))["Nitrogen"].why

    assert (
        why(Step(key="yield-goal", values={"value": 9.0, "unit": "t/ha"}))
        == "It follows the crop and its yield goal."
    )
    counted = Step(key="input", values={"name": "nitrate_kg_per_ha", "value": 30.0})
    assert why(counted) == "Worked out from: nitrate in the soil."


def test_samples_that_need_no_test_do_not_hide_the_test_of_another() -> None:
    ph_step = Step(key="input", values={"name": "ph", "value": 6.6})
    lime = (
        amount("Q26-0411", "lime", 3.5),
        *(amount(number, "lime", 0.0, working=(ph_step,)) for number in ("Q26-0412", "Q26-0413")),
    )
    why = rows(field(amounts=lime))["Lime"].why
    assert why == "Soil pH in North: 5.6, acid."


def test_a_credit_is_named_only_where_there_was_something_to_take_it_from() -> None:
    def why(raw: float) -> str:
        steps = (
            Step(key="raw-rate", values={"rate": raw, "unit": "kg/ha"}),
            Step(key="credit", values={"credit": "manure", "amount": 45.0, "unit": "kg/ha"}),
        )
        return rows(one(amounts=(amount("Q26-0411", "P2O5", 0.0, working=steps),)))["Phosphate"].why

    assert why(30.0) == "It follows the crop. Taken off: manure."
    assert why(0.0) == "It follows the crop."


def test_everything_refused_says_why_for_each() -> None:
    refusal = Refusal(key="missing-input", values={"input": "yield_goal"})
    found = rows(one(amounts=(amount("Q26-0411", "N", None, working=(), refusal=refusal),)))
    assert texts(found["Nitrogen"]) == ["not given"]
    assert found["Nitrogen"].why == "Not given: This is not known: yield goal."


@pytest.mark.parametrize("locale", ["en", "es"])
def test_a_class_below_the_middle_of_the_short_ones_is_little(locale: str) -> None:
    said = {}
    for index, value in enumerate((3.0, 9.0, 15.0, 25.0, 40.0)):
        page = rows(one(results=(result("Q26-0411", "P", value, index),)), locale=locale)
        row = next(row for name, row in page.items() if name in ("Phosphate", "Fosfato"))
        said[index] = row.why.partition(":")[0]
    little, short, enough = dict.fromkeys(said.values())
    assert list(said.values()) == [little, little, short, enough, enough]


# ------------------------------------------------------------------------------------ when and whom


def test_the_next_test_follows_from_the_day_of_sampling_and_names_whose_rule_it_is() -> None:
    said = report(one()).afterwards.again
    assert said == (
        "Test again between March 2029 and March 2030, in the same season and to the same depth. "
        "Ohio State University gives this interval (source 2). It is not a rule of the tables used here.",
        "Nitrate nitrogen: the value is for this season only. Test anew for each crop.",
    )
    own = report(one(region_publisher="Ohio State University")).afterwards.again[0]
    assert own.endswith("Ohio State University gives this interval (source 2).")


def test_without_such_a_rule_the_habit_is_told_as_a_habit() -> None:
    advice = one(notes=(), results=one().results[:1])
    assert report(advice).afterwards.again == (
        "Test again around March 2029. "
        "Every three years or so is a common habit, not a rule of these tables.",
    )
    unknown = one(notes=(), results=one().results[:1], samples=(sample("Q26-0411", "A", sampled_on=None),))
    assert report(unknown).afterwards.again == (
        "Test again in about three years. That is a common habit, not a rule of these tables.",
    )


def test_a_nitrate_test_alone_gets_no_date() -> None:
    nitrate = one(results=(result("Q26-0411", "nitrate", 14.2, 2),), notes=())
    (said,) = report(nitrate).afterwards.again
    assert "this season only" in said


def test_the_day_counts_and_not_the_clock() -> None:
    leap = one(samples=(sample("Q26-0411", "A", sampled_on=date(2024, 2, 29)),))
    assert "between February 2027 and February 2028" in report(leap).afterwards.again[0]


def test_whom_to_ask_leaves_nobody_out_who_is_known() -> None:
    asked = dict(build_report(one(), laboratory(agent_name="J. Marlow", agent_comment="x")).afterwards.ask)
    assert asked["Your adviser"] == "J. Marlow"
    assert asked["The laboratory"] == "Quillwater Soil Laboratory, reports@quillwater.example, 555 0142"
    assert "extension office" in asked["Near you"]
    unknown = dict(build_report(one(), laboratory(contact="", phone="")).afterwards.ask)
    assert "Your adviser" not in unknown
    assert unknown["The laboratory"] == "Quillwater Soil Laboratory"


def test_the_rule_is_told_once() -> None:
    page = html(report(one()))
    assert "Sample again in 3 to 4 years. Use the same" not in page
    assert isinstance(one().sources[1], SourceLine)


def test_no_line_ends_within_a_number_and_its_unit() -> None:
    kept = '<span class="whole">429 kg/ha</span> <span class="whole">(335 L/ha);</span> Lower'
    assert whole("429 kg/ha (335 L/ha); Lower") == kept
    assert whole("also N 0.13 lb/1000 ft²") == 'also N <span class="whole">0.13 lb/1000 ft²</span>'
    assert whole("a name/that is <long>") == "a name/that is &lt;long&gt;"


def test_what_is_taken_off_is_not_told_a_second_time_as_counted() -> None:
    steps = (
        Step(key="input", values={"name": "yield_goal", "value": 8.0}),
        Step(key="input", values={"name": "nitrate_kg_per_ha", "value": 13.0}),
        Step(key="input", values={"name": "ph", "value": 5.3}),
        Step(key="raw-rate", values={"rate": 166.0, "unit": "kg/ha"}),
        Step(key="credit", values={"credit": "soil-nitrate", "amount": 9.1, "unit": "kg/ha"}),
    )
    alone = one()
    nitrogen = amount(alone.samples[0].lab_number, "N", 125.0, working=steps)
    told = rows(alone.model_copy(update={"amounts": (nitrogen,)}))["Nitrogen"].why
    assert told == (
        "It follows the crop and its yield goal. Worked out also from: soil pH. "
        "Taken off: nitrate in the soil."
    )
