"""What a grower's report says: classes, amounts, reasons, the frame."""

from __future__ import annotations

import pytest

from interpretation.errors import FurrowsliceError
from interpretation.results import ClassProbability, FieldAdvice, MethodLine, Refusal, Step
from reports.build import FRAME, build_report
from reports.findings import close_call
from reports.format import Format
from reports.render import html
from reports.view import BarGroup, GrowerReport
from reports.wording import Wording
from tests.render.demo_world import amount, field, laboratory, result, sample


def report(advice: FieldAdvice | None = None, **choices: str) -> GrowerReport:
    return build_report(advice or field(), laboratory(), **choices)  # type: ignore[arg-type]


def phosphorus(page: GrowerReport) -> BarGroup:
    return next(group for group in page.groups if group.title == "Phosphorus")


def test_what_a_grower_acts_on_first_comes_first() -> None:
    order = [found.nutrient for found in report().findings]
    assert order[:3] == ["Soil pH", "Phosphorus", "Potassium"]
    assert [group.title for group in report().groups] == order


def test_findings_say_each_nutrient_in_plain_sentences() -> None:
    said = {finding.nutrient: finding for finding in report().findings}
    assert said["Phosphorus"].sentences == (
        "Phosphorus is low in North and West. It has no class in South. It is a close call in West."
    )
    assert said["Phosphorus"].outlook == "may run short"  # low is below the class `high`
    assert said["Potassium"].outlook == "may run short in places"
    assert said["Soil pH"].outlook == ""  # nobody runs short of pH
    assert "It was not measured in South." in said["Nitrate nitrogen"].sentences


def test_a_field_of_one_sample_names_no_place() -> None:
    advice = field(
        samples=(sample("1", "A"),), results=(result("1", index=4, value=40.0),), amounts=(), notes=()
    )
    (found,) = report(advice).findings
    assert (found.sentences, found.outlook) == ("Phosphorus is very high.", "enough")


def test_many_samples_are_counted_not_named() -> None:
    samples = tuple(sample(str(n), f"Zone {n}") for n in range(12))
    results = tuple(result(str(n), index=0 if n < 5 else 3) for n in range(12))
    (found,) = report(field(samples=samples, results=results, amounts=(), notes=())).findings
    assert found.sentences == "Phosphorus is very low in 5 of 12 samples. It is high in 7 of 12 samples."


def test_samples_that_would_read_alike_carry_their_lab_numbers() -> None:
    strip = "The long strip beside the old mill race, "
    labels = ("Zone 11", "Zone 11", f"{strip}upper half", f"{strip}lower half", "Yard")
    samples = tuple(sample(f"T{n}", label) for n, label in enumerate(labels))
    table = report(field(samples=samples, results=(), amounts=(amount("T0", "N", 90.0),), notes=())).amounts
    assert table is not None
    named = [row.sample for row in table.rows]
    assert named == [
        "T0 Zone 11",
        "T1 Zone 11",
        "T2 The long strip besid…",
        "T3 The long strip besid…",
        "Yard",
    ]


def test_what_holds_everywhere_is_said_of_all_samples() -> None:
    results = tuple(result(s.lab_number, borderline=True) for s in field().samples)
    (found,) = report(field(results=results)).findings
    assert found.sentences == "Phosphorus is low in all 3 samples. It is a close call in all 3 samples."


WORDS = Wording(Format("en"))
ALMOST = (ClassProbability(name="low", probability=0.97), ClassProbability(name="medium", probability=0.03))


def test_a_close_call_is_told_in_odds() -> None:
    odds = (ClassProbability(name="low", probability=0.75), ClassProbability(name="medium", probability=0.25))
    told = close_call(odds, WORDS).replace("\u00a0", " ")
    assert told == "Close call: about 3 in 4 it is low, 1 in 4 it is medium."
    assert close_call(ALMOST, WORDS) == "Near a limit, but nearly sure to be low."


@pytest.mark.parametrize(
    ("other", "outlook", "close"),
    [(0.04, "enough", False), (0.05, "enough, but close", True), (0.5, "enough, but close", True)],
)
def test_enough_that_may_be_short_is_not_plainly_enough(other: float, outlook: str, close: bool) -> None:
    """Classes that are less likely than 5 % are told nowhere on the front."""
    odds = (
        ClassProbability(name="medium", probability=other),
        ClassProbability(name="high", probability=1 - other),
    )
    value = result("1", value=20.0, index=3, borderline=True, probabilities=odds)
    (found,) = report(field(samples=(sample("1", "A"),), results=(value,), amounts=(), notes=())).findings
    assert (found.outlook, "This is a close call." in found.sentences) == (outlook, close)


def test_close_to_a_richer_class_is_enough() -> None:
    odds = (
        ClassProbability(name="high", probability=0.6),
        ClassProbability(name="very high", probability=0.4),
    )
    value = result("1", value=34.0, index=3, borderline=True, probabilities=odds)
    (found,) = report(field(samples=(sample("1", "A"),), results=(value,), amounts=(), notes=())).findings
    assert (found.outlook, "This is a close call." in found.sentences) == ("enough", True)


def test_beside_a_lane_of_several_the_odds_are_one_short_line() -> None:
    bars = {row.sample: row for row in phosphorus(report()).rows}
    assert bars["West"].remark.replace("\u00a0", " ") == "3 in 4 low, 1 in 4 medium"
    assert bars["North"].remark == ""
    assert close_call(ALMOST, WORDS, brief=True) == "nearly sure: low"


def test_one_sample_has_its_close_call_in_a_sentence() -> None:
    alone = result("1", borderline=True, probabilities=ALMOST)
    (row,) = phosphorus(
        report(field(samples=(sample("1", "A"),), results=(alone,), amounts=(), notes=()))
    ).rows
    assert row.remark == "Near a limit, but nearly sure to be low."


def test_only_what_is_on_the_boards_is_explained() -> None:
    def told(**changes: object) -> list[bool]:
        said = report(field(amounts=(), notes=(), **changes)).scale_help
        return [word in said for word in ("“Close call”", "The odds", "“Enough”", "An open arrow")]

    crowd = tuple(sample(str(number), str(number)) for number in range(13))
    plain, close = result("Q26-0411"), result("Q26-0411", borderline=True)  # low; enough is `high` and above
    assert told(results=(plain,)) == [False, False, False, False]
    assert told(results=(close,)) == [True, True, False, False]
    assert told(results=(result("Q26-0411", index=2),)) == [False, False, False, False]
    assert told(results=(result("Q26-0411", index=3),)) == [False, False, True, False]
    below = result("Q26-0411", value=None, below=2.5, u=None, index=0)
    assert told(results=(below,)) == [False, False, False, True]
    many = tuple(result(each.lab_number, borderline=True) for each in crowd)
    assert told(samples=crowd, results=(*many, below)) == [True, False, False, False]


def test_a_value_without_class_says_why_and_what_to_ask_for() -> None:
    south = phosphorus(report()).rows[2]
    assert south.bar is None
    assert south.remark == (
        "No class: This test does not suit this soil. The soil pH is 8.1, and the limit is 7.4. "
        "Ask the lab for Olsen phosphorus."
    )


def test_soil_groups_are_printed_where_the_region_has_them() -> None:
    plain = report().sampling
    assert "Soil group" not in plain.head
    samples = (sample("1", "North", soil_group="light"), sample("2", "West"))
    table = report(field(samples=samples, results=(), amounts=(), notes=())).sampling
    assert table.head == (*plain.head[:-1], "Soil group", plain.head[-1])
    assert [row[-2] for row in table.rows] == ["light", "–"]


def test_a_value_without_table_names_the_soil_group() -> None:
    refusal = Refusal(key="no-table", values={"failed": "texture,soil-group"})
    advice = field(results=(result("Q26-0411", index=None, limits=(), table=None, refusal=refusal),))
    said = {language: report(advice, locale=language).groups[0].rows[0].remark for language in ("en", "es")}
    assert said["en"] == (
        "No class: No table fits this value. What does not match: soil texture and soil group."
    )
    assert said["es"].endswith("Lo que no coincide: textura y grupo de suelo.")


def test_the_printed_interval_is_two_standard_uncertainties() -> None:
    # 7.2 with u = 0.6: 2 x 0.6 = 1.2
    assert phosphorus(report()).rows[0].value == "7.2 ± 1.2 mg/kg"


def test_amounts_none_needed_and_not_given_are_three_things() -> None:
    table = report().amounts
    assert table is not None
    assert [n.label for n in table.nutrients] == [
        "Lime (as CaCO₃)",
        "Nitrogen (N)",
        "Phosphate (P₂O₅)",
        "Potash (K₂O)",
    ]
    cells = {row.sample: [(c.kind, c.text, c.mark) for c in row.cells] for row in table.rows}
    assert cells["North"][2] == ("amount", "60", "")
    assert cells["West"][0] == ("none", "none needed", "")
    assert cells["South"][2] == ("refused", "not given", "b")
    assert [(r.label, r.value) for r in table.reasons] == [
        ("a", "not given: This is not known: nitrate nitrogen in the sampled layer, kg/ha."),
        ("b", "not given: The soil test cannot be used. The test does not suit this soil."),
    ]


def test_us_amounts_are_converted_and_the_factor_is_printed() -> None:
    page = report(units="us")
    assert page.amounts is not None
    # 60 kg/ha / (0.45359237 / 0.40468564224) = 53.53 lb/ac -> 54;
    # lime 3.5 t/ha / 2.2417 = 1.561 ton/ac -> 1.6
    assert [c.text for c in page.amounts.rows[0].cells] == ["1.6", "98", "54", "36"]
    assert any("0.892179 lb/ac" in line for line in page.conversions)
    assert phosphorus(page).rows[0].value.endswith("mg/kg")  # soil values keep their unit


def test_metric_converts_a_table_in_pounds() -> None:
    advice = field(amounts=(amount("Q26-0411", "P2O5", 40.0, unit="lb/ac"),))
    table = report(advice).amounts
    assert table is not None
    # 40 lb/ac x 1.12085 = 44.83 kg/ha -> 45
    assert (table.nutrients[0].value, table.rows[0].cells[0].text) == ("kg/ha", "45")


def test_lime_in_pounds_is_told_in_tonnes_or_tons_with_its_factor() -> None:
    advice = field(amounts=(amount("Q26-0411", "lime", 5040.0, unit="lb/ac"),))
    shown = {}
    for units in ("metric", "us"):
        page = report(advice, units=units)
        assert page.amounts is not None
        table = page.amounts
        shown[units] = (table.rows[0].cells[0].text, table.nutrients[0].value, page.conversions)
    # 5040 lb/ac = 2.52 ton/ac; x 0.00112085 = 5.649 t/ha
    assert shown["us"][:2] == ("2.5", "ton/ac")
    assert shown["metric"][:2] == ("5.6", "t/ha")
    assert any("0.001121 t/ha" in line for line in shown["metric"][2])
    assert any("0.000500 ton/ac" in line for line in shown["us"][2])


def test_materials_are_examples_with_what_else_they_bring() -> None:
    line = next(m for m in report().materials if "monoammonium" in m.material)
    assert line.amounts == "North: 115 kg/ha; West: 87 kg/ha"
    assert line.remark == "It also brings N 9.6 to 13 kg/ha."  # 87 x 0.11 = 9.57, 115 x 0.11 = 12.65


def test_notes_come_by_severity() -> None:
    groups = report().notes
    assert [group.title for group in groups] == ["Danger", "Take care", "Good to know"]
    assert groups[1].notes[0].samples == "For West."


@pytest.mark.parametrize(
    ("added", "printed"),
    [
        (True, "10 g + 100 mL; Soil water: added to the extract volume"),
        (False, "10 g + 100 mL; Soil water: not added to the extract volume"),
        (None, "10 g + 100 mL"),  # weighed dry: there is no water to speak of
    ],
)
def test_what_became_of_the_water_of_a_moist_soil_is_printed(*, added: bool | None, printed: str) -> None:
    kcl = MethodLine(id="kcl", title="Nitrate", note="10 g + 100 mL", soil_water_added=added)
    assert f"<td>{printed}</td>" in html(report(field(methods=(kcl,))))


@pytest.mark.parametrize("locale", ["en", "es"])
def test_the_deferral_is_on_every_report(locale: str) -> None:
    bare = field(results=(), amounts=(), notes=(), tables=(), methods=(), sources=(), example=False)
    page = build_report(bare, laboratory(), locale=locale)
    wording = Wording(Format(locale))
    written = html(page)
    whose = wording.page("frame-tables", publisher="Marrowdale Example Board")
    assert page.frame == (*(wording.page(key) for key in FRAME), whose)
    unsigned = build_report(field(region_publisher=""), laboratory(), locale=locale)
    assert unsigned.frame == page.frame[:-1]
    assert all(line in written for line in page.frame)


def test_examples_are_marked_and_others_are_not() -> None:
    assert report().band == "EXAMPLE – invented data, not for use"
    assert report().declarations[0].endswith("It must not be used in a field.")
    plain = report(field(example=False))
    assert plain.band == ""
    assert "EXAMPLE" not in html(plain)


def test_drafts_are_marked_before_all_else() -> None:
    page = report(field(draft=True))
    assert page.band == "DRAFT TABLES – not for use"
    assert "a draft that nobody has published" in page.declarations[0]
    assert "invented" in page.declarations[1]  # the example's own warning stays
    assert report(field(draft=True, example=False)).band == page.band


def test_unknown_names_print_as_given() -> None:
    advice = field(
        crop="spelt-under-oats",
        results=(result("Q26-0411", class_name="frugal", class_index=0),),
        amounts=(
            amount("Q26-0411", "P2O5", None, refusal=Refusal(key="moon-is-full", values={"days": 3.0})),
        ),
    )
    page = report(advice)
    assert page.facts[0].value == "spelt-under-oats"
    assert page.findings[0].sentences == "Phosphorus is frugal in North."
    assert page.amounts is not None
    assert page.amounts.reasons[0].value == "not given: moon is full (days 3)"


def test_a_missing_value_of_a_sentence_prints_a_dash() -> None:
    advice = field(results=(result("Q26-0411", index=None, limits=(), refusal=Refusal(key="below-scale")),))
    remark = report(advice).groups[0].rows[0].remark
    assert remark == "No class: The value is below the start of the scale, which is –."


def test_the_back_page_has_what_the_standard_asks_for() -> None:
    page = report()
    facts = {fact.label: fact.value for fact in page.back_facts}
    # ISO/IEC 17025:2017, 7.8.2.1: laboratory, place, customer, dates of testing, condition, deviations,
    # who authorised, identification; the results relate only to the items; reproduce only in full.
    for label in (
        "Laboratory",
        "Place of the work",
        "Customer",
        "Tested",
        "Condition of the samples",
        "Deviations and exclusions",
        "Authorized by",
        "Report",
        "Issued",
        "Sampled by",
    ):
        assert facts[label]
    assert any("relate only to the samples" in line for line in page.declarations)
    assert any("in full only" in line for line in page.declarations)
    assert page.end == "End of report"
    assert page.tables.rows[0][5] == "3f9a0c57be42"  # twelve characters of the fingerprint


def test_every_amount_has_its_working() -> None:
    page = report()
    assert len(page.workings) == len(field().amounts)
    north = next(w for w in page.workings if w.title == "North: Phosphate (P₂O₅), 60 kg/ha")
    assert north.steps[0] == "Table marrowdale/rate-p2o5: Phosphate (P₂O₅) in kg/ha."
    assert north.steps[-1] == "Rounded in steps of 5: 60 kg/ha."


def test_unknown_language_and_locale_are_refused() -> None:
    with pytest.raises(FurrowsliceError, match="no wording in language 'fr'"):
        report(locale="fr")
    with pytest.raises(FurrowsliceError, match="unknown locale 'es-QQ'"):
        report(locale="es-QQ")


def test_a_test_that_only_serves_another_stands_at_the_back() -> None:
    aid = result("Q26-0411", "pH", 6.4, None, limits=()).model_copy(update={"analyte": "buffer-pH"})
    page = report(field(results=(result("Q26-0411"), aid)))
    assert [found.nutrient for found in page.findings] == ["Phosphorus"]
    assert [group.title for group in page.groups] == ["Phosphorus"]
    assert page.results.rows[1][5] == "none; it serves to work out an amount"


def test_a_test_that_was_not_done_is_named() -> None:
    told = {"input": "soil_test", "method": "sulfate-mcp"}
    page = report(
        field(amounts=(amount("Q26-0411", "S", None, refusal=Refusal(key="missing-input", values=told)),))
    )
    assert page.amounts is not None
    assert (
        page.amounts.reasons[0].value
        == "not given: A test that is needed was not done: sulfate in calcium phosphate."
    )


def test_a_nutrient_without_amounts_in_the_region_is_said_once() -> None:
    told = {"nutrient": "Zn", "crop": "maize"}
    none = [
        amount(s.lab_number, "Zn", None, refusal=Refusal(key="not-calibrated", values=told))
        for s in field().samples
    ]
    table = report(field(amounts=(*field().amounts, *none))).amounts
    assert table is not None
    assert table.no_tables == ("Zinc (Zn): no amount can be given. The region has no table of it for maize.",)
    assert "Zinc (Zn)" not in [nutrient.label for nutrient in table.nutrients]
    alone = report(field(amounts=tuple(none)))
    assert alone.amounts is not None
    assert alone.amounts.nutrients == ()
    assert "The region has no table of it for maize." in html(alone)


def test_a_rate_that_credits_cover_says_what_covers_it() -> None:
    def covered(raw: float) -> list[tuple[str, str]]:
        steps = (
            Step(key="raw-rate", values={"rate": raw, "unit": "kg/ha"}),
            Step(key="credit", values={"credit": "manure", "amount": 45.0, "unit": "kg/ha"}),
            Step(key="credit", values={"credit": "previous-crop", "amount": 0.0, "unit": "kg/ha"}),
        )
        table = report(field(amounts=(amount("Q26-0411", "P2O5", 0.0, working=steps),))).amounts
        assert table is not None
        assert "none needed" in [row.cells[0].text for row in table.rows]
        return [(reason.label, reason.value) for reason in table.reasons]

    assert covered(30.0) == [("a", "none needed: what is counted already covers it (manure).")]
    assert covered(0.0) == []  # the soil itself is rich enough


def test_a_method_from_memory_says_who_answers_for_its_details() -> None:
    line = MethodLine(id="p-mehlich1", title="Mehlich 1", note="5 g + 20 mL", unit="mg/kg", from_memory=True)

    def told(run_here: bool = True, **card: tuple[str, ...]) -> str:
        methods = (line.model_copy(update={"run_here": run_here}),)
        return build_report(field(methods=methods), laboratory(**card)).methods.rows[0][2]

    # A value typed from another laboratory's paper is taken; that laboratory measured it.
    answers = "details recalled, not looked up; the laboratory that measured answers for them"
    assert told() == f"5 g + 20 mL; {answers}"
    assert told(confirmed_methods=("p-mehlich1",)) == (
        "5 g + 20 mL; details recalled, and confirmed by this laboratory"
    )
    assert told(run_here=False, confirmed_methods=("p-mehlich1",)) == f"5 g + 20 mL; {answers}"
