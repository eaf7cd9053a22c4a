"""Lists of samples and bench values: what they become, and what is refused with file, row and column."""

from __future__ import annotations

import os
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from openpyxl import Workbook

from interpretation.agronomy.context import CONTEXT
from interpretation.errors import SampleListError
from interpretation.quantities import SOIL_UNITS
from interpretation.soil_values import COLUMNS
from service import samplefiles
from service.layout import Dialect
from service.samplefiles import PREPARATION, REQUIRED, Samples, read_bench, read_samples

FULL = {
    "lab_number": "0012",
    "label": "north",
    "field_id": "TF-1",
    "field_name": "Long Acre",
    "farm_name": "Thistlecombe Farm",
    "grower_name": "A. Grower",
    "region": "marrowdale",
    "crop": "maize",
    "yield_goal": "9.5",
    "previous_crop": "winter-wheat",
    "texture": "loam",
    "area_ha": "4.2",
    "depth_from_cm": "0",
    "depth_to_cm": "20",
    "sampled_on": "2026-03-02",
    "received_on": "2026-03-03",
    "cores": "15",
    "bulk_density_g_per_cm3": "1.3",
    "lime_percent": "0.5",
    "manure_n_kg_per_ha": "30",
    "manure_p2o5_kg_per_ha": "",
    "manure_k2o_kg_per_ha": "60",
    "near_water": "yes",
    "example": "yes",
    "soil_g": "2.01",
    "extract_ml": "20",
    "moisture_percent": "120",
    "ph_water": "6.4",
    "air_dry_moisture_percent": "3.1",
    "yield_unit": "t/ha",
    "soil_group": "deep clayey",
    "manured_since_harvest": "no",
    "manured_in_three_years": "yes",
}
BENCH = {
    "lab_number": "0012",
    "analyte": "pH",
    "form": "pH",
    "method": "ph-water-1:1",
    "value": "6.4",
    "unit": "pH",
    "basis": "none",
    "standard_uncertainty": "0.1",
    "origin": "bench pH",
}


def _write(folder: Path, *rows: dict[str, str], name: str = "samples.csv", mark: str = ",") -> Path:
    path = folder / name
    lines = [list(rows[0]), *(list(row.values()) for row in rows)]
    path.write_text("\n".join(mark.join(line) for line in lines) + "\n", encoding="utf-8")
    return path


def _needed(**changes: str) -> dict[str, str]:
    return {name: FULL[name] for name in REQUIRED} | changes


def _samples(folder: Path) -> Samples:
    return read_samples(_write(folder, FULL, FULL | {"lab_number": "NA", "label": "south"}))


def test_a_full_list(tmp_path: Path) -> None:
    samples = _samples(tmp_path)
    assert {name: str(dtype) for name, dtype in samples.context.dtypes.items()} == CONTEXT
    assert {name: str(dtype) for name, dtype in samples.preparation.dtypes.items()} == PREPARATION
    first = samples.context.iloc[0]
    assert (first["lab_number"], first["crop"], first["near_water"]) == ("0012", "maize", True)
    assert (first["manure_n_kg_per_ha"], first["manure_p2o5_kg_per_ha"]) == (30, 0)
    assert (first["yield_unit"], first["soil_group"]) == ("t/ha", "deep clayey")
    assert (first["manured_since_harvest"], first["manured_in_three_years"]) == (0, 1)
    assert first["sampled_on"] == pd.Timestamp(2026, 3, 2)
    assert samples.preparation["moisture_percent"].tolist() == [120, 120]  # of dry mass: above 100 is legal
    assert samples.preparation["lab_number"].tolist() == ["0012", "NA"]


def test_what_is_not_required_may_be_missing(tmp_path: Path) -> None:
    samples = read_samples(_write(tmp_path, _needed(grower_name="")))
    assert list(samples.context.columns) == list(CONTEXT)
    first = samples.context.iloc[0]
    assert (first["label"], first["grower_name"], first["previous_crop"]) == ("", "", "")
    assert (first["near_water"], first["example"], first["manure_k2o_kg_per_ha"]) == (False, False, 0)
    assert (first["yield_unit"], first["soil_group"]) == ("", "")
    assert samples.context[["manured_since_harvest", "manured_in_three_years"]].isna().all().all()
    assert samples.context["received_on"].isna().all()
    assert (
        samples.preparation[["soil_g", "extract_ml", "moisture_percent", "air_dry_moisture_percent"]]
        .isna()
        .all()
        .all()
    )


def test_a_workbook_and_a_byte_order_mark_are_read(tmp_path: Path) -> None:
    book = Workbook()
    sheet = book.worksheets[0]
    sheet.append(list(REQUIRED))
    sheet.append([*list(_needed().values())[:7], 0, 20, date(2026, 3, 2)])
    book.save(tmp_path / "samples.xlsx")
    from_text = _write(tmp_path, _needed())
    from_text.write_bytes(b"\xef\xbb\xbf" + from_text.read_bytes())
    pd.testing.assert_frame_equal(
        read_samples(tmp_path / "samples.xlsx").context, read_samples(from_text).context
    )


def test_another_way_of_writing_can_be_declared(tmp_path: Path) -> None:
    dialect = Dialect(delimiter="semicolon", decimal="comma", dates="DD.MM.YYYY")
    row = _needed(depth_to_cm="22,5", sampled_on="02.03.2026")
    samples = read_samples(_write(tmp_path, row, mark=";"), dialect)
    assert samples.context["depth_to_cm"][0] == 22.5
    assert samples.context["sampled_on"][0] == pd.Timestamp(2026, 3, 2)


def _refused(path: Path, parts: list[str], context: pd.DataFrame | None = None) -> None:
    with pytest.raises(SampleListError) as caught:
        read_samples(path) if context is None else read_bench(path, context)
    message = str(caught.value)
    for part in (*parts, path.name, "Expected:", "To fix it:"):
        assert part in message, message


def _where(name: str, row: int = 2) -> str:
    return f"samples.csv, row {row}, column {list(FULL).index(name) + 1} ({name!r})"


@pytest.mark.parametrize(
    ("name", "cell", "parts"),
    [
        ("lab_number", "", ["the cell is empty"]),
        ("lab_number", "=1+1", ["'=1+1' is not an identifier"]),
        ("field_id", "a/../b c@", ["is not an identifier"]),
        ("crop", "", ["the cell is empty"]),
        ("field_name", "", ["the cell is empty"]),
        ("grower_name", "x" * 201, ["a text of 201 characters"]),
        ("yield_goal", "0", ["0 is out of range", "above 0, up to 20000"]),
        ("yield_goal", "20001", ["20001 is out of range"]),
        ("yield_unit", "kg/ha", ["'kg/ha' is not a known word", "unit of yield: t/ha, bu/ac, ton/ac, lb/ac"]),
        ("soil_group", "x" * 201, ["a text of 201 characters"]),
        ("manured_since_harvest", "last year", ["'last year' is not a known word", "yes or no: yes, no"]),
        ("manured_in_three_years", "1", ["'1' is not a known word"]),
        ("area_ha", "-1", ["-1 is out of range"]),
        ("depth_from_cm", "-0.1", ["-0.1 is out of range", "from 0 to 300"]),
        ("depth_to_cm", "", ["the cell is empty", "a number"]),
        ("depth_to_cm", "20cm", ["'20cm' is not a number"]),
        ("sampled_on", "02/03/2026", ["'02/03/2026' is not a day", "YYYY-MM-DD"]),
        ("sampled_on", "2026-02-29", ["'2026-02-29' is not a day"]),
        ("sampled_on", "", ["the cell is empty"]),
        ("received_on", "2026-03-01", ["received before it was taken"]),
        ("cores", "0", ["0 is out of range"]),
        ("bulk_density_g_per_cm3", "2.66", ["2.66 is out of range"]),
        ("lime_percent", "100.1", ["100.1 is out of range"]),
        ("manure_n_kg_per_ha", "-5", ["-5 is out of range"]),
        ("near_water", "maybe", ["'maybe' is not a known word", "yes, no"]),
        ("soil_g", "0", ["0 is out of range"]),
        ("extract_ml", "1e2", ["'1e2' is not a number"]),
        ("moisture_percent", "-1", ["-1 is out of range"]),
        ("air_dry_moisture_percent", "100.1", ["100.1 is out of range", "from 0 to 100"]),
        ("ph_water", "14.1", ["14.1 is out of range"]),
        ("ph_water", "<4", ["'<4' is not a number"]),
    ],
)
def test_a_broken_cell_is_refused(tmp_path: Path, name: str, cell: str, parts: list[str]) -> None:
    _refused(_write(tmp_path, FULL | {name: cell}), [_where(name), *parts])


def test_the_edges_of_the_ranges_are_read(tmp_path: Path) -> None:
    edges = {
        "depth_to_cm": "300",
        "lime_percent": "100",
        "moisture_percent": "0",
        "ph_water": "14",
        "cores": "1",
        "yield_goal": "20000",  # lb/ac
    }
    assert read_samples(_write(tmp_path, FULL | edges)).context["depth_to_cm"][0] == 300


def test_a_blank_about_manure_is_not_a_no(tmp_path: Path) -> None:
    rows = [
        FULL | {"lab_number": str(number), "manured_since_harvest": word}
        for number, word in enumerate(("yes", "no", ""), 1)
    ]
    said = read_samples(_write(tmp_path, *rows)).context["manured_since_harvest"]
    np.testing.assert_array_equal(said, [1, 0, np.nan])


@pytest.mark.parametrize(
    ("since", "typed", "brought"),
    [("yes", "", np.nan), ("yes", "0", 0), ("yes", "25", 25), ("no", "", 0), ("", "", 0)],
)
def test_what_manure_brought_is_none_or_not_known(
    tmp_path: Path, since: str, typed: str, brought: float
) -> None:
    # A table for fields without manure must not take a manured field for one of them.
    row = FULL | {"manured_since_harvest": since, "manure_n_kg_per_ha": typed}
    context = read_samples(_write(tmp_path, row)).context
    np.testing.assert_array_equal(context["manure_n_kg_per_ha"], [brought])


def test_units_of_yield_are_read_in_any_case(tmp_path: Path) -> None:
    context = read_samples(_write(tmp_path, FULL | {"yield_goal": "180", "yield_unit": "Bu/Ac"})).context
    assert context["yield_unit"].tolist() == ["bu/ac"]


@pytest.mark.parametrize(
    ("start", "end", "good"), [("0", "20", True), ("20", "20", False), ("20.1", "20", False)]
)
def test_a_layer_starts_above_its_end(tmp_path: Path, start: str, end: str, good: bool) -> None:
    path = _write(tmp_path, FULL | {"depth_from_cm": start, "depth_to_cm": end})
    if good:
        assert read_samples(path).context["depth_to_cm"][0] == 20
    else:
        _refused(path, [_where("depth_to_cm"), "depth_from_cm smaller than depth_to_cm"])


def test_a_lab_number_given_twice_is_refused_with_both_rows(tmp_path: Path) -> None:
    path = _write(tmp_path, FULL, FULL | {"lab_number": "0013"}, FULL)
    _refused(path, [_where("lab_number", 4), "lab number 0012 is there twice, in rows 2 and 4"])


@pytest.mark.parametrize(
    ("name", "cell"), [("crop", "soybean"), ("yield_goal", "9.4"), ("area_ha", ""), ("yield_unit", "bu/ac")]
)
def test_samples_of_one_field_agree_on_the_field(tmp_path: Path, name: str, cell: str) -> None:
    path = _write(tmp_path, FULL, FULL | {"lab_number": "0013", name: cell})
    _refused(path, [_where(name, 3), f"field TF-1 has the {name}", f"and {FULL[name]} in row 2"])
    read_samples(_write(tmp_path, FULL, FULL | {"lab_number": "0013", "field_id": "TF-2", name: cell}))


def test_field_ids_that_differ_in_capitals_only_are_refused(tmp_path: Path) -> None:
    path = _write(tmp_path, FULL, FULL | {"lab_number": "0013", "field_id": "tf-1"})
    _refused(path, [_where("field_id", 3), "the field ids TF-1 and tf-1 differ in capital letters only"])


def test_columns_are_ours(tmp_path: Path) -> None:
    _refused(_write(tmp_path, FULL | {"colour": "red"}), ["row 1, column 34", "'colour' is not known"])
    without = {name: cell for name, cell in FULL.items() if name != "region"}
    _refused(_write(tmp_path, without), ["row 1", "there is no column 'region'"])
    empty = tmp_path / "samples.csv"
    empty.write_text(",".join(FULL) + "\n")
    _refused(empty, ["row 1", "no rows below them"])
    _refused(tmp_path / "none.csv", ["there is no such file"])
    _refused(tmp_path, ["the file cannot be read: it is no file"])


# -------------------------------------------------------------------------------------------- bench values


def test_bench_values_get_their_sample_s_place(tmp_path: Path) -> None:
    context = _samples(tmp_path).context
    zinc = {"analyte": "Zn", "form": "Zn", "method": "zn-dtpa", "value": "<0.5", "unit": "mg/kg"}
    other = BENCH | zinc | {"lab_number": "NA", "basis": "air-dry", "standard_uncertainty": "", "origin": ""}
    values = read_bench(_write(tmp_path, BENCH, other, name="bench.csv"), context)
    assert {name: str(dtype) for name, dtype in values.dtypes.items()} == COLUMNS
    np.testing.assert_array_equal(values["value"], [6.4, np.nan])
    np.testing.assert_array_equal(values["below"], [np.nan, 0.5])
    np.testing.assert_array_equal(values["standard_uncertainty"], [0.1, np.nan])
    assert values["depth_to_cm"].tolist() == [20, 20]
    assert values["sampled_on"].tolist() == [pd.Timestamp(2026, 3, 2)] * 2
    assert values["origin"].tolist() == ["bench pH", "bench file bench.csv"]
    assert values["lab_number"].tolist() == ["0012", "NA"]


def test_uncertainty_and_origin_may_be_missing(tmp_path: Path) -> None:
    row = {name: BENCH[name] for name in list(BENCH)[:7]}
    values = read_bench(_write(tmp_path, row, name="bench.csv"), _samples(tmp_path).context)
    assert values["standard_uncertainty"].isna().all()
    assert values["origin"].tolist() == ["bench file bench.csv"]


@pytest.mark.parametrize(
    ("name", "cell", "parts"),
    [
        ("lab_number", "12", ["no sample has the lab number '12'"]),
        ("analyte", "Q", ["'Q' is not a known word", "analyte: P, nitrate"]),
        ("form", "P", ["'P' is not a form of pH"]),
        ("method", "pH in water", ["'pH in water' is no method id", "ph-water-1:1"]),
        ("method", "", ["the cell is empty"]),
        ("value", "", ["the cell is empty", "a limit such as <0.5"]),
        ("value", "<0", ["out of range"]),
        ("value", "12.1", ["column 5 ('value')", "pH has no such value", "from 2 to 12 pH"]),
        ("value", "0.64", ["pH has no such value", "correct the decimal mark"]),
        ("value", "<64", ["pH has no such value"]),
        ("standard_uncertainty", "13", ["pH has no such standard uncertainty"]),
        ("value", ">7", ["'>7' is not a number"]),
        ("unit", "ppm", ["'ppm' is not a known word", "mg/kg", "dS/m, pH, ratio"]),
        ("basis", "", ["the cell is empty"]),
        ("standard_uncertainty", "-0.1", ["-0.1 is out of range"]),
    ],
)
def test_a_broken_bench_value_is_refused(tmp_path: Path, name: str, cell: str, parts: list[str]) -> None:
    context = _samples(tmp_path).context
    where = f"bench.csv, row 2, column {list(BENCH).index(name) + 1} ({name!r})"
    _refused(_write(tmp_path, BENCH | {name: cell}, name="bench.csv"), [where, *parts], context)


def test_every_unit_of_a_soil_value_has_a_range() -> None:
    assert set(samplefiles._VALUE_RANGES) == set(SOIL_UNITS)


def test_the_edges_of_the_sizes_of_soil_values_are_read(tmp_path: Path) -> None:
    context = _samples(tmp_path).context
    matter = BENCH | {"analyte": "organic-matter", "form": "organic matter", "unit": "%", "basis": "air-dry"}
    bases = matter | {"analyte": "base-saturation", "form": "percent"}
    for row in (BENCH | {"value": "2"}, BENCH | {"value": "12"}, matter | {"value": "100"}):
        read_bench(_write(tmp_path, row, name="bench.csv"), context)
    read_bench(_write(tmp_path, bases | {"value": "101"}, name="bench.csv"), context)
    index = BENCH | {"analyte": "K", "form": "K", "unit": "index"}
    acre = index | {"unit": "lb/ac", "method": "k-nh4oac"}  # in another unit than the method reports in
    for row in (index | {"value": "0"}, index | {"value": "10000"}, acre | {"value": "1000000"}):
        read_bench(_write(tmp_path, row, name="bench.csv"), context)
    for row, said in (
        (index | {"value": "-1"}, "from 0 to 10000 index"),
        (index | {"value": "10001"}, "from 0 to 10000 index"),
        (acre | {"value": "1000001"}, r"from -1e\+06 to 1e\+06 lb/ac"),
        (acre | {"value": "1000001", "unit": "kg/ha"}, r"from -1e\+06 to 1e\+06 kg/ha"),
    ):
        with pytest.raises(SampleListError, match=said):
            read_bench(_write(tmp_path, row, name="bench.csv"), context)
    with pytest.raises(SampleListError, match="from -100 to 100 %"):
        read_bench(_write(tmp_path, matter | {"value": "101"}, name="bench.csv"), context)


def test_a_file_name_that_is_no_text_can_still_be_an_origin(tmp_path: Path) -> None:
    context = _samples(tmp_path).context
    name = os.fsdecode(b"bench\xff\x1b[31m.csv")
    path = _write(tmp_path, BENCH | {"origin": ""}, name="bench.csv").rename(tmp_path / name)
    assert read_bench(path, context)["origin"].tolist() == ["bench file bench??[31m.csv"]


def test_a_value_given_twice_is_refused_with_both_rows(tmp_path: Path) -> None:
    path = _write(
        tmp_path, BENCH, BENCH | {"method": "ph-water-1:2"}, BENCH | {"value": "6.5"}, name="bench.csv"
    )
    parts = ["row 4", "value 0012, pH, ph-water-1:1 is there twice, in rows 2 and 4"]
    _refused(path, parts, _samples(tmp_path).context)
