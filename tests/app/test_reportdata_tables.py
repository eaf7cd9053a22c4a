"""The tables that a report carries: few, and enough to work the same result out."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from interpretation.agronomy.advise import advise
from interpretation.agronomy.context import CONTEXT
from interpretation.agronomy.records import field_advice
from interpretation.agronomy.tables import TableSet
from interpretation.errors import FurrowsliceError
from interpretation.quantities import BASES, SOIL_UNITS
from interpretation.results import FieldAdvice
from interpretation.soil_values import COLUMNS
from service.actions.fields import inputs_by_field
from service.actions.reportinputs import frame_of
from service.books import SHARED, books_of, canonical, digest, read, written
from service.paths import demo_directory, tables_directory
from service.reportdata.carried import carried_text, names_needed, need_of, pruned, tables_of
from service.samplefiles import read_bench, read_samples
from service.tablefiles import read_tables
from tests.app.reportdata_cases import SAMPLE, VALUE, fields_of, soil_value
from tests.second_opinion.agreement import steady

TABLES = read_tables(tables_directory())
METHODS = (*TABLES.methods, "by-nobody")
CROPS = tuple(TABLES.crops)
REGIONS = tuple(TABLES.regions)
KINDS_OF_VALUE = {
    region: tuple(
        {
            (each.analyte, each.method, each.unit): each
            for each in TABLES.scales.values()
            if each.region == region
        }
    )
    for region in REGIONS
}


def advised(field: Mapping[str, Any], tables: TableSet) -> FieldAdvice | str:
    """What is advised on a field, or why nothing is."""
    values, samples = frame_of(field["values"], COLUMNS), frame_of(field["samples"], CONTEXT)
    try:
        advice = advise(values, tables, samples, field["convert"])
    except FurrowsliceError as error:
        return str(error)
    return field_advice(advice, str(field["samples"][0]["field_id"]))


def need(field: Mapping[str, Any]):
    return need_of(field["values"], field["samples"], field["convert"])


@pytest.mark.parametrize("region", REGIONS)
def test_carried_tables_advise_as_all_tables_do(region: str) -> None:
    for field in fields_of(region, TABLES):
        found = advised(field, TABLES)
        assert isinstance(found, FieldAdvice)
        assert advised(field, pruned(TABLES, need(field))) == found


def test_those_fields_have_classes_amounts_and_every_usual_refusal() -> None:
    advice = [advised(field, TABLES) for region in REGIONS for field in fields_of(region, TABLES)]
    results = [result for each in advice if isinstance(each, FieldAdvice) for result in each.results]
    amounts = [amount for each in advice if isinstance(each, FieldAdvice) for amount in each.amounts]
    assert sum(result.class_name is not None for result in results) > 100
    assert sum(amount.rate is not None for amount in amounts) > 40
    refused = {each.refusal.key for each in (*results, *amounts) if each.refusal}
    assert {"no-table", "method-not-valid", "missing-input", "soil-test-refused", "no-rate-row"} <= refused
    wanted = {name for each in results if each.refusal for name in each.refusal.values}
    assert {"wanted_method", "wanted_crop", "wanted_depth", "unknown_method"} <= wanted


def test_so_they_do_for_the_fields_of_the_demo() -> None:
    context = read_samples(demo_directory() / "samples.csv").context
    made_from = inputs_by_field([read_bench(demo_directory() / "bench.csv", context)], context)
    assert len(made_from) == 6
    for field in made_from.values():
        found = advised(field, TABLES)
        assert isinstance(found, FieldAdvice)
        assert advised(field, pruned(TABLES, need(field))) == found


@st.composite
def fields(draw: st.DrawFn) -> dict[str, Any]:
    """Any field: values that some table is for, values that none is for, crops, layers, days, equations."""
    region = draw(st.sampled_from(REGIONS))
    layer = draw(st.sampled_from([(0.0, 20.0), (0.0, 15.0), (0.0, 60.0), (15.0, 60.0), (0.0, 7.5)]))
    day = draw(st.sampled_from(["2026-03-10", "2019-09-01", "1985-05-05", None]))
    tested: dict[tuple[str, str], dict[str, Any]] = {}
    for _ in range(draw(st.integers(1, 6))):
        number = draw(st.floats(-1, 400))
        below = draw(st.sampled_from([False, False, False, True]))
        told = dict(VALUE) | {"depth_from_cm": layer[0], "depth_to_cm": layer[1], "sampled_on": day}
        told |= {"value": None, "below": abs(number)} if below else {"value": number}
        if draw(st.booleans()) and KINDS_OF_VALUE[region]:
            analyte, method, unit = draw(st.sampled_from(KINDS_OF_VALUE[region]))
        else:
            method = draw(st.sampled_from(METHODS))
            known = TABLES.methods.get(method)
            analyte = known.analyte if known else "P"
            unit = known.unit if known and draw(st.booleans()) else draw(st.sampled_from(SOIL_UNITS))
        known = TABLES.methods.get(method)
        told |= {"analyte": analyte, "method": method, "unit": unit}
        told["form"] = known.form if known else "P"
        told["basis"] = known.basis if known else draw(st.sampled_from(BASES))
        tested[analyte, method] = told
    plan = {
        "region": region, "crop": draw(st.sampled_from(CROPS)), "sampled_on": day,
        "previous_crop": draw(st.sampled_from(("", *CROPS))), "depth_from_cm": layer[0],
        "depth_to_cm": layer[1], "yield_goal": draw(st.sampled_from([None, 5.0, 60.0, 9000.0])),
        "yield_unit": draw(st.sampled_from(["", "t/ha", "bu/ac", "lb/ac"])),
        "texture": draw(st.sampled_from(["", "silt loam", "sand", "clay"])),
        "manure_n_kg_per_ha": draw(st.sampled_from([None, 0.0, 40.0])),
        "lime_percent": draw(st.sampled_from([None, 0.0, 12.0])),
    }  # fmt: skip
    convert = draw(st.lists(st.sampled_from(sorted(TABLES.conversions)), max_size=1))
    return {"values": tuple(tested.values()), "samples": (dict(SAMPLE) | plan,), "convert": tuple(convert)}


@steady(100)
@given(fields())
def test_carried_tables_advise_so_on_any_field(field: dict[str, Any]) -> None:
    assert advised(field, pruned(TABLES, need(field))) == advised(field, TABLES)


@steady(25)
@given(fields())
def test_what_is_carried_carries_itself(field: dict[str, Any]) -> None:
    few = pruned(TABLES, need(field))
    text = carried_text(TABLES, need(field))
    assert carried_text(few, need(field)) == text
    assert names_needed(few, need(field)) == names_needed(TABLES, need(field))
    assert canonical(json.loads(text)) == text


def test_equations_that_were_switched_on_are_carried_and_used() -> None:
    name = "ohio/bray-from-mehlich3-icp"
    measured = soil_value("P", "P", "p-mehlich3-icp", "mg/kg", "air-dry", 42.0, sampled_on="2010-03-10")
    for region, expected in (("ohio", name), ("iowa", None)):  # named for a batch, also where it is not used
        plan = {"region": region, "crop": "maize", "sampled_on": "2010-03-10"}
        field = {"values": (measured,), "samples": (dict(SAMPLE) | plan,), "convert": (name,)}
        found = advised(field, pruned(TABLES, need(field)))
        assert isinstance(found, FieldAdvice)
        behind = found.results[0].measured_as
        assert (behind.conversion if behind else None) == expected
        assert found == advised(field, TABLES)


def test_records_are_carried_as_a_release_has_them() -> None:
    field = next(fields_of("marrowdale", TABLES))
    records = json.loads(carried_text(TABLES, need(field)))
    books = books_of(TABLES)
    released = written("marrowdale", books["marrowdale"]), written(SHARED, books[SHARED])
    for kind, carried in records.items():
        there = {name: record for book in released for name, record in book.get(kind, {}).items()}
        assert carried == {name: there[name] for name in carried}
    for kind in ("scales", "rates", "conversions", "regions"):
        assert records[kind] == released[0][kind]
    again = tables_of(records, "marrowdale")
    assert (
        again.fingerprints["marrowdale/phosphorus-bray1"]
        == TABLES.fingerprints["marrowdale/phosphorus-bray1"]
    )
    assert digest(canonical(records["notes"]["over-liming"])) == again.fingerprints["notes/over-liming"]


def test_files_and_releases_have_their_records_in_one_order() -> None:
    """Of two tables that miss a value by as much the first is told: it must be the same one."""
    for book, tables in books_of(TABLES).items():
        again = read(book, json.loads(canonical(written(book, tables))))
        for kind in ("scales", "rates", "conversions", "notes", "methods"):
            assert list(getattr(again, kind)) == list(getattr(tables, kind)), (book, kind)


def test_only_what_can_matter_is_carried() -> None:
    field = next(fields_of("iowa", TABLES))
    names = names_needed(TABLES, need(field))
    assert names["regions"] == {"iowa"}
    assert names["crops"] == need(field).crops
    assert 0 < len(names["methods"]) < len(TABLES.methods) / 4
    assert "law-ohio" not in names["notes"]
    assert "over-liming" in names["notes"]


def test_cautions_of_a_region_it_was_copied_from_are_carried() -> None:
    ohio = TABLES.regions["ohio"]
    copied = ohio.model_copy(update={"id": "newvale", "cautions_of": ("ohio",)})
    tables = TableSet(regions={"newvale": copied}, notes=TABLES.notes, sources=TABLES.sources)
    asked = need_of((), ({"region": "newvale", "crop": "maize", "previous_crop": ""},), ())
    assert "law-ohio" in names_needed(tables, asked)["notes"]
