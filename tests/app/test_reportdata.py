"""The data inside a report: schema, unit codes, terms of where they come from, how they are written."""

from __future__ import annotations

import json
import re
from typing import Any

import jsonschema
import pint
import pytest

from interpretation.agronomy.context import CONTEXT
from interpretation.agronomy.tables import YIELD_UNITS
from interpretation.quantities import RATE_UNITS, SOIL_UNITS
from interpretation.results import MaterialRate
from service.actions.datachecking import work_out
from service.actions.reportdocument import plain_data, report_data, schema
from service.actions.reportinputs import ReportInputs, advise_each, page_of
from service.books import canonical, digest
from service.reportdata.provenance import provenance
from service.reportdata.units import CODE_OF, CODES, OF_COLUMNS, with_codes, without_codes
from service.reportdata.writing import FORMAT, software
from tests.app.reportdata_cases import fields_of
from tests.app.tampering import DAY, made_inputs, shipped

VALIDATOR = jsonschema.Draft202012Validator(schema())
REGIONS = tuple(shipped().regions)


def data_of(inputs: ReportInputs) -> dict[str, Any]:
    (advice,) = advise_each([inputs], shipped())
    issued = inputs.on(DAY, advice.model_dump_json())
    return json.loads(page_of(issued, advice, shipped()).attachment)  # type: ignore[no-any-return]


# ------------------------------------------------------------------------------------------- the schema


def test_the_schema_is_one_and_describes_every_part() -> None:
    jsonschema.Draft202012Validator.check_schema(schema())
    parts = schema()["properties"]
    assert parts.keys() == data_of(made_inputs()).keys() | {"prov:wasRevisionOf"}
    assert schema()["additionalProperties"] is False


@pytest.mark.parametrize("region", REGIONS)
def test_data_of_every_region_are_as_the_schema_says(region: str) -> None:
    card = made_inputs().card
    for field in fields_of(region, shipped()):
        told = {**field, "card": card, "language": "en", "units": "metric", "paper": "a4"}
        VALIDATOR.validate(data_of(ReportInputs.model_validate(told)))


def test_the_schema_refuses_what_is_missing_or_too_much() -> None:
    for spoil in (
        lambda data: data.pop("software"),
        lambda data: data.update(more=1),
        lambda data: data["advice"]["results"][0].pop("unit"),
        lambda data: data["inputs"]["values"][0].update(value="12"),
        lambda data: data["inputs"]["samples"][0].pop("crop"),
        lambda data: data.update(format="furrowslice-field-report-1"),
    ):
        data = data_of(made_inputs())
        spoil(data)
        assert not VALIDATOR.is_valid(data)


def test_data_are_read_back_as_they_were_written() -> None:
    text = json.dumps(data_of(made_inputs()))
    found = report_data(plain_data(text))
    (advice,) = advise_each([found.inputs], shipped())
    assert found.advice == advice
    assert found.format == FORMAT
    assert found.software.model_dump() == software()


# ----------------------------------------------------------------------------------------- unit codes


def units_in(value: Any) -> list[tuple[str, Any]]:
    """Every unit in plain values, with its code."""
    if isinstance(value, dict):
        own = [(value[name], value.get(code)) for name, code in CODE_OF.items() if value.get(name)]
        return own + [each for inner in value.values() for each in units_in(inner)]
    return [each for inner in value for each in units_in(inner)] if isinstance(value, list) else []


def test_a_code_stands_beside_every_unit() -> None:
    data = data_of(made_inputs())
    found = units_in(data["inputs"]) + units_in(data["advice"])
    assert {unit for unit, _ in found} >= {"mg/kg", "pH", "kg/ha", "t/ha"}
    assert [(unit, code) for unit, code in found if code != CODES[unit]] == []
    assert units_in(data["tables"]["records"])[0][1] is None  # records are as a release has them


def test_every_unit_has_a_code() -> None:
    assert {*SOIL_UNITS, *RATE_UNITS, *YIELD_UNITS} <= CODES.keys()
    in_names = {name for name in CONTEXT if re.search(r"_(ha|cm|percent|per_cm3)$", name)}
    in_names |= {name for name in MaterialRate.model_fields if re.search(r"_(ha|cm3)$", name)}
    assert in_names == OF_COLUMNS.keys()


# What codes of UCUM mean, as pint calls it. By UCUM's own list (ucum.org) a hectare is `har` and not `ha`,
# a short ton `[ston_av]` and not `[ton_us]`, a pound `[lb_av]`, a square foot `[sft_i]`; `[acr_us]` is the
# survey acre, as pint's acre is, and four millionths larger than ours. What stands in braces counts as one.
# `[pH]` is a label that pint does not know.
AS_PINT = {
    "mg/L": "mg/L", "mg/kg": "mg/kg", "ug/kg": "ug/kg", "g/kg": "g/kg", "mg/dm3": "mg/dm**3",
    "cmol/kg": "cmol/kg", "cmol/dm3": "cmol/dm**3", "%": "percent", "dS/m": "dS/m", "1": "",
    "[lb_av]/(1000.[sft_i])": "lb/kilofoot2", "kg/har": "kg/hectare", "t/har": "metric_ton/hectare",
    "[lb_av]/[acr_us]": "lb/acre", "[ston_av]/[acr_us]": "short_ton/acre", "{bushel}/[acr_us]": "1/acre",
    "{bale}/[acr_us]": "1/acre", "mL": "mL", "g": "g", "cm": "cm", "cm3": "cm**3", "har": "hectare",
    "L/har": "L/hectare", "g/cm3": "g/cm**3",
}  # fmt: skip
# The units themselves, in trade words.
IN_WORDS = {
    "ratio": "", "index": "", "lb/1000ft2": "lb/kilofoot2", "kg/ha": "kg/hectare",
    "t/ha": "metric_ton/hectare", "lb/ac": "lb/acre", "ton/ac": "short_ton/acre",
    "bu/ac": "1/acre", "bale/ac": "1/acre",
}  # fmt: skip


def test_codes_mean_what_the_units_mean() -> None:
    units = pint.UnitRegistry()
    units.define("kilofoot2 = 1000 * foot ** 2")
    for unit, code in CODES.items():
        if code == "[pH]":
            assert unit == "pH"
            continue
        ours = units.Quantity(1.0, IN_WORDS.get(unit, AS_PINT.get(unit, "no such unit")))
        assert (ours / units.Quantity(1.0, AS_PINT[code])).to("").magnitude == pytest.approx(1.0, rel=1e-12)
    assert {*OF_COLUMNS.values()} <= AS_PINT.keys()


@pytest.mark.parametrize("code", sorted({*CODES.values(), *OF_COLUMNS.values()}))
def test_codes_are_written_as_ucum_asks(code: str) -> None:
    """Terms of a unit, an exponent, brackets and braces; none of the usual slips."""
    term = r"(1|10+\.|%|\{[a-z]+\}|\[[a-zA-Z_]+\]|[a-zA-Z]+\d?|\((?:\d+\.)?\[[a-z_]+\]\))"
    assert re.fullmatch(rf"{term}(/{term})?", code), code
    assert not {"ha", "ac", "lb", "ton", "ppm", "meq"} & {*re.split(r"[/.()]", code)}


def test_codes_are_put_beside_and_taken_away_again() -> None:
    plain = {
        "unit": "mg/kg",
        "inner": [{"yield_unit": "", "factor_unit": "lb/ac"}],
        "other": {"unit": "of its own"},
    }
    coded = with_codes(plain)
    assert coded["ucum"] == "mg/kg"
    assert coded["inner"] == [{"yield_unit": "", "factor_unit": "lb/ac", "factor_ucum": "[lb_av]/[acr_us]"}]
    assert coded["other"] == {"unit": "of its own"}
    assert without_codes(coded) == plain


# ------------------------------------------------------------------------------------------ provenance


def test_the_activity_names_what_it_used_and_who_answers_for_it() -> None:
    data = data_of(made_inputs())
    assert data["@context"]["prov"] == "http://www.w3.org/ns/prov#"
    assert (data["@type"], data["prov:wasGeneratedBy"]["@type"]) == ("prov:Entity", "prov:Activity")
    used = {each["label"] for each in data["prov:wasGeneratedBy"]["prov:used"]}
    assert used == {"run A-1", "tables of marrowdale, from a folder of files"}
    program, person = data["prov:wasGeneratedBy"]["prov:wasAssociatedWith"]
    assert (program["@type"], person["@type"]) == ("prov:SoftwareAgent", "prov:Person")
    assert program["label"] == f"furrowslice {software()['version']}"
    assert person["label"] == made_inputs().card.authorised_by
    assert "prov:wasRevisionOf" not in data


def test_a_release_revises_the_one_before_it_and_a_report_the_one_it_replaces() -> None:
    card = {"authorised_by": "", "replaces": "AAAA-BBBB-CCCC"}
    card |= {"tables_release": {"number": 3, "shared_number": 1}}
    told = provenance(card, "iowa", ("run 1", "run 1", "run 2"), "furrowslice 1")
    region, shared = told["prov:wasGeneratedBy"]["prov:used"][2:]
    assert region["label"] == "tables of iowa, release 3"
    assert region["prov:wasRevisionOf"] == {
        "@id": "#tables-iowa-2", "@type": "prov:Entity", "label": "tables of iowa, release 2"
    }  # fmt: skip
    assert "prov:wasRevisionOf" not in shared
    assert told["prov:wasRevisionOf"]["label"] == "report AAAA-BBBB-CCCC"
    assert len(told["prov:wasGeneratedBy"]["prov:wasAssociatedWith"]) == 1


def test_nothing_in_the_data_is_a_moment_or_differs_from_time_to_time() -> None:
    one, two = (json.dumps(data_of(made_inputs())) for _ in range(2))
    assert one == two
    assert re.search(r"T\d\d:\d\d", one) is None


# ------------------------------------------------------------------------------------- how it is written


def test_the_text_has_no_blanks_and_its_keys_are_in_order() -> None:
    inputs = made_inputs()
    (advice,) = advise_each([inputs], shipped())
    text = page_of(inputs, advice, shipped()).attachment
    assert json.dumps(json.loads(text), ensure_ascii=False, separators=(",", ":")) == text
    assert list(json.loads(text)) == sorted(json.loads(text))
    records = json.loads(text)["tables"]["records"]
    assert digest(canonical(records)) == json.loads(text)["tables"]["sha256"]


def test_written_from_what_is_carried_it_is_the_same_text() -> None:
    inputs = made_inputs()
    (advice,) = advise_each([inputs], shipped())
    found = report_data(plain_data(page_of(inputs, advice, shipped()).attachment))
    due = work_out(found)
    assert page_of(due.inputs, due.advice, due.tables) == page_of(inputs, advice, shipped())
    assert len(due.tables.notes) < len(shipped().notes)
