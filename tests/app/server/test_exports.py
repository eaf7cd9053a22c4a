"""Whole collections to take away: right, scope, filters, and every value as it was."""

from __future__ import annotations

import csv
import io
import json
import math
from datetime import UTC, date, datetime
from typing import Any

import openpyxl
import pandas as pd
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service import exportfiles
from service.actions import exports
from service.actions.exports import choose, write_export
from service.callers import Right
from service.exportfiles import Column, safe_text
from service.refusals import Invalid, NoRoom, NotAllowed, NotFound, TooMany
from service.store.exports import COLLECTIONS, Wanted
from tests.app.server.conftest import World
from tests.app.server.land_rows import add_field, add_report, add_sample, add_value, add_visit
from tests.app.server.tokens import program

# Twenty texts with which a spreadsheet would begin to calculate.
PAYLOADS = (
    "=1+1", '=HYPERLINK("https://elsewhere.example","see")', "=cmd|' /C calc'!A0", "+1+1", "-1+1",
    "+cmd|' /C calc'!A0", "-2+3+cmd|' /C calc'!A0", "@SUM(1+1)", "@A1", "\t=1+1", "\r=1+1", "\n=1+1",
    "\0=1+1", "＝1+1", "＋1", "－1", "＠A1", '=IMPORTXML("https://elsewhere.example","//a")',
    '="a"&"b"', "-12",
)  # fmt: skip
HARMLESS = (
    "004811",
    "1E5",
    "NA",
    "0012",
    "'quoted",
    " =1",
    "a=b",
    "TRUE",
    "2026-04-01",
    "https://x.example",
    "ñ",
)


def taken(world: World, person: str, name: Any, kind: Any = "csv", **wanted: Any) -> bytes:
    made = write_export(world.site, world.caller(person), name, kind, Wanted(**wanted))
    with made.file as file:
        content = file.read()
    assert len(content) == made.size_bytes
    return content


def read(content: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(content.decode("utf-8"), newline="")))


def numbers(world: World, person: str, **wanted: Any) -> list[str]:
    return [row["lab_number"] for row in read(taken(world, person, "samples", **wanted))]


@pytest.fixture
def filled(world: World) -> World:
    return fill(world)


def fill(world: World) -> World:
    """Two fields of laboratory a in two counties, one in none, one of laboratory b."""
    for code, laboratory, county, on, number in (
        ("01", "a", "upper", date(2025, 12, 31), "004811"),
        ("02", "a", "lower", date(2026, 1, 1), "004812"),
        ("03", "a", None, date(2026, 4, 1), "004813"),
        ("01", "b", "upper", date(2026, 4, 1), "004811"),
    ):
        field = add_field(world, code, laboratory, county)
        visit = add_visit(world, field, on)
        sample = add_sample(world, visit, number, laboratory, sampled_on=on)
        add_value(world, sample, value=96.5 if laboratory == "a" else 1.0)
        add_report(world, visit, f"{laboratory}-{code}", laboratory, issued_on=on)
    return world


def test_a_laboratory_takes_its_own_and_an_agent_those_of_the_counties(filled: World) -> None:
    assert numbers(filled, "laboratory") == ["004811", "004812", "004813"]
    assert numbers(filled, "agent") == ["004811"]
    assert numbers(filled, "other-agent") == ["004812"]
    assert numbers(filled, "other-laboratory") == ["004811"]
    for name, column, ours, theirs in (
        ("values", "value", ["96.5"] * 3, ["1.0"]),
        ("reports", "report", ["a-01", "a-02", "a-03"], ["b-01"]),
        ("fields", "grower_name", ["Grower 01", "Grower 02", "Grower 03"], ["Grower 01"]),
    ):
        assert [row[column] for row in read(taken(filled, "laboratory", name))] == ours
        assert [row[column] for row in read(taken(filled, "agent", name))] == ours[:1]
        assert [row[column] for row in read(taken(filled, "other-laboratory", name))] == theirs


@pytest.mark.parametrize("name", list(COLLECTIONS))
def test_who_has_no_such_right_takes_nothing(lite_world: World, name: Any) -> None:
    for person in ("agronomist", "administrator"):
        with pytest.raises(NotAllowed, match="not part of your work"):
            taken(lite_world, person, name)


def test_days_and_years_include_their_ends(filled: World) -> None:
    last, first = date(2025, 12, 31), date(2026, 1, 1)
    assert numbers(filled, "laboratory", first=first) == ["004812", "004813"]
    assert numbers(filled, "laboratory", last=last) == ["004811"]
    assert numbers(filled, "laboratory", first=last, last=first) == ["004811", "004812"]
    assert choose(2026, Wanted()) == Wanted(None, date(2026, 1, 1), date(2026, 12, 31))
    assert choose(2026, Wanted(first=date(2025, 5, 5), last=date(2026, 5, 5))).first == first
    assert choose(None, Wanted("upper")) == Wanted("upper")
    for name, column in (("reports", "report"), ("values", "lab_number"), ("fields", "field_code")):
        rows = read(taken(filled, "laboratory", name, first=first))
        assert [row[column][-1] for row in rows] == (["2", "3"]), name


def test_days_in_the_wrong_order_are_refused(lite_world: World) -> None:
    with pytest.raises(Invalid, match="the first day is after the last") as refused:
        taken(lite_world, "agent", "samples", first=date(2026, 1, 2), last=date(2026, 1, 1))
    assert refused.value.fields == {"query/from": "is after the last day"}
    assert numbers(lite_world, "agent", first=date(2026, 1, 1), last=date(2026, 1, 1)) == []


def test_a_county_that_is_not_the_callers_is_not_found(filled: World) -> None:
    assert numbers(filled, "laboratory", county="lower") == ["004812"]
    assert numbers(filled, "agent", county="upper") == ["004811"]
    for person, county in (("agent", "lower"), ("laboratory", "nowhere"), ("agent", "")):
        with pytest.raises(NotFound, match="no such county among yours"):
            numbers(filled, person, county=county)


def test_only_values_that_stand_unless_all_are_wanted(filled: World) -> None:
    field = add_field(filled, "09")
    sample = add_sample(filled, add_visit(filled, field), "9")
    old = add_value(filled, sample, value=1.0, superseded_at=filled.clock.at)
    new = add_value(filled, sample, value=None, below=0.5)
    mine = [row for row in read(taken(filled, "agent", "values")) if row["lab_number"] == "9"]
    assert [(row["value_id"], row["value"], row["below"]) for row in mine] == [(str(new), "", "0.5")]
    every = [
        row for row in read(taken(filled, "agent", "values", superseded=True)) if row["lab_number"] == "9"
    ]
    assert [row["value_id"] for row in every] == [str(old), str(new)]
    assert every[0]["superseded_at_utc"] == "2026-04-20T09:00:00Z"


def test_a_value_has_its_unit_and_basis_beside_it_and_a_number_its_unit_in_its_name() -> None:
    names = {name: [column.name for column in made.columns] for name, made in COLLECTIONS.items()}
    place = names["values"].index("value")
    assert names["values"][place : place + 5] == ["value", "below", "unit", "basis", "standard_uncertainty"]
    with_unit = ("_cm", "_percent", "_g_per_cm3", "_ha", "_degrees")
    for made in COLLECTIONS.values():
        for column in made.columns:
            if column.kind == "number":
                beside = column.name in ("value", "below", "standard_uncertainty", "cores")
                assert column.name.endswith(with_unit) or beside, column.name
            assert column.name.endswith("_utc") == (column.kind == "moment")
            assert column.help


def test_rows_come_some_at_a_time_and_none_is_lost(filled: World, monkeypatch: pytest.MonkeyPatch) -> None:
    field = add_field(filled, "10")
    visit = add_visit(filled, field)
    for number in range(7):
        add_sample(filled, visit, f"S{number}")
    whole = numbers(filled, "agent")
    assert len(whole) == 8
    for at_once in (1, 2, 4, 8, 9):
        monkeypatch.setattr(exports, "ROWS_AT_ONCE", at_once)
        assert numbers(filled, "agent") == whole
    monkeypatch.setattr(exportfiles, "ROW_GROUP", 3)
    monkeypatch.setattr(exports, "ROWS_AT_ONCE", 2)
    table = pq.ParquetFile(io.BytesIO(taken(filled, "agent", "samples", "parquet")))
    assert table.num_row_groups == 2
    assert table.read().column("lab_number").to_pylist() == whole


def test_what_is_taken_comes_back_as_it_was(filled: World) -> None:
    """Exact doubles, leading zeros, days, instants and blanks, in every format."""
    field = add_field(filled, "0009", name="Ñandú \u201chigh\u201d, 1E5", area_ha=0.1 + 0.2)
    visit = add_visit(filled, field)
    sample = add_sample(
        filled, visit, "0012", label="NA", longitude=-93.123456789012345, latitude=42.0000000001,
        bulk_density_g_per_cm3=1.1, moisture_percent=None,
    )  # fmt: skip
    add_value(filled, sample, value=1e-300, standard_uncertainty=5e-324)
    (row,) = (row for row in read(taken(filled, "agent", "samples")) if row["lab_number"] == "0012")
    assert (row["label"], row["field_name"]) == ("NA", "Ñandú \u201chigh\u201d, 1E5")
    assert float(row["longitude_degrees"]) == -93.123456789012345
    assert (row["sampled_on"], row["moisture_percent"], row["received_on"]) == ("2026-04-01", "", "")

    frame = pd.read_csv(io.BytesIO(taken(filled, "agent", "values")), dtype=str, keep_default_na=False)
    (value,) = frame[frame["lab_number"] == "0012"].to_dict("records")
    assert (float(value["value"]), float(value["standard_uncertainty"])) == (1e-300, 5e-324)
    assert (value["unit"], value["basis"], value["released_at_utc"]) == (
        "mg/kg",
        "air-dry",
        "2026-04-20T09:00:00Z",
    )

    table = pq.read_table(io.BytesIO(taken(filled, "agent", "values", "parquet"))).to_pylist()
    (value,) = (row for row in table if row["lab_number"] == "0012")
    assert (value["value"], value["standard_uncertainty"], value["below"]) == (1e-300, 5e-324, None)
    assert value["released_at_utc"] == datetime(2026, 4, 20, 9, tzinfo=UTC)
    assert value["sampled_on"] == date(2026, 4, 1)

    as_text = dict.fromkeys(("lab_number", "label", "field_code"), str)  # pandas guesses otherwise
    book = io.BytesIO(taken(filled, "agent", "samples", "xlsx"))
    sheet = pd.read_excel(book, dtype=as_text, keep_default_na=False)
    (row,) = sheet[sheet["lab_number"] == "0012"].to_dict("records")
    assert (row["label"], row["field_code"], row["field_name"]) == (
        "NA",
        "0009",
        "Ñandú \u201chigh\u201d, 1E5",
    )
    assert math.isclose(row["longitude_degrees"], -93.123456789012345, rel_tol=1e-15)  # 16 digits in XLSX
    assert row["sampled_on"].to_pydatetime() == datetime(2026, 4, 1)  # noqa: DTZ001 - a day of a worksheet


def test_geojson_has_longitude_first_and_keeps_what_has_no_place(filled: World) -> None:
    outline = {
        "type": "Polygon",
        "coordinates": [[[-93.0, 42.0], [-92.9, 42.0], [-92.9, 42.1], [-93.0, 42.0]]],
    }
    field = add_field(filled, "09", outline=outline)
    sample = add_sample(filled, add_visit(filled, field), "9", longitude=-93.25, latitude=42.5)
    add_value(filled, sample)
    for name in ("samples", "values"):
        told = json.loads(taken(filled, "agent", name, "geojson"))
        assert (told["type"], sorted(told)) == ("FeatureCollection", ["features", "type"])
        assert [each["type"] for each in told["features"]] == ["Feature"] * 2
        assert [each["geometry"] for each in told["features"]] == [
            None, {"type": "Point", "coordinates": [-93.25, 42.5]},
        ]  # fmt: skip
        properties = told["features"][1]["properties"]
        assert (properties["lab_number"], properties["sampled_on"]) == ("9", "2026-04-01")
    fields = json.loads(taken(filled, "agent", "fields", "geojson"))["features"]
    assert [each["geometry"] for each in fields] == [None, outline]
    with pytest.raises(Invalid, match="reports have no place on a map"):
        taken(filled, "agent", "reports", "geojson")


@pytest.mark.parametrize("kind", list(exportfiles.MEDIA_TYPES))
def test_an_empty_collection_still_has_its_columns(lite_world: World, kind: Any) -> None:
    content = taken(lite_world, "agent", "fields", kind)
    names = [column.name for column in COLLECTIONS["fields"].columns]
    if kind == "csv":
        assert content.decode() == ",".join(names) + "\r\n"
    elif kind == "xlsx":
        book = openpyxl.load_workbook(io.BytesIO(content))
        assert [cell.value for cell in book["fields"][1]] == names
        assert [row[0].value for row in book["columns"].iter_rows(min_row=2)] == names
    elif kind == "parquet":
        table = pq.read_table(io.BytesIO(content))
        assert (table.column_names, table.num_rows) == (names, 0)
        assert table.schema.field("area_ha").metadata == {b"description": b"area, in hectares"}
    else:
        assert json.loads(content) == {"type": "FeatureCollection", "features": []}


# ------------------------------------------------------------------------------------------ formulas


COLUMNS = (Column("name", "text", "a text"), Column("number", "number", "a number"))


def test_the_payloads_are_twenty() -> None:
    assert len(set(PAYLOADS)) == 20


def written(kind: str, texts: tuple[str, ...], number: float = -0.5) -> io.BytesIO:
    file = io.BytesIO()
    rows = [[(text, number) for text in texts]]
    if kind == "csv":
        exportfiles.write_csv(file, COLUMNS, rows)
    else:
        exportfiles.write_xlsx(file, COLUMNS, rows, "rows")
    return io.BytesIO(file.getvalue())


def test_no_text_is_a_formula_in_a_worksheet() -> None:
    texts = (*PAYLOADS, *HARMLESS)
    sheet = openpyxl.load_workbook(written("xlsx", texts))["rows"]
    cells = [(row[0].data_type, row[0].hyperlink, row[1].data_type) for row in sheet.iter_rows(min_row=2)]
    assert cells == [("s", None, "n")] * len(texts)
    # A worksheet's file writes CR and NUL as _xHHHH_, which the reader turns back for CR alone.
    names = [row[0].value for row in sheet.iter_rows(min_row=2)]
    assert [name.replace("_x0000_", "\0").replace("_x000D_", "\r") for name in names] == list(texts)
    assert {row[1].value for row in sheet.iter_rows(min_row=2)} == {-0.5}


def test_no_text_of_a_csv_begins_to_calculate_and_numbers_stay_numbers() -> None:
    texts = (*PAYLOADS, *HARMLESS)
    frame = pd.read_csv(
        written("csv", texts),
        dtype={"name": str},
        keep_default_na=False,
        lineterminator=None,
        engine="python",
    )
    rows = list(csv.reader(io.StringIO(written("csv", texts).read().decode(), newline="")))
    assert [row[0] for row in rows[1:]] == [f"'{text}" for text in PAYLOADS] + list(HARMLESS)
    assert {row[1] for row in rows[1:]} == {"-0.5"}
    assert (len(frame), set(frame["number"])) == (len(texts), {-0.5})


@given(st.text())
def test_no_written_text_begins_with_such_a_sign(text: str) -> None:
    assert not safe_text(text).startswith(("=", "+", "-", "@", "\t", "\r", "\0"))
    assert safe_text(text).removeprefix("'") == text.removeprefix("'") or safe_text(text) == f"'{text}"


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_double_comes_back_from_text(number: float) -> None:
    assert float(exportfiles.plain(number, "number")) == number


def test_a_payload_that_was_registered_stays_a_text_to_the_end(lite_world: World) -> None:
    field = add_field(lite_world, "=1+1", name="@SUM(A1)")
    add_sample(lite_world, add_visit(lite_world, field), "-12", label="+1")
    (row,) = read(taken(lite_world, "agent", "samples"))
    assert (row["lab_number"], row["label"], row["field_code"]) == ("'-12", "'+1", "'=1+1")
    sheet = openpyxl.load_workbook(io.BytesIO(taken(lite_world, "agent", "samples", "xlsx")))["samples"]
    assert [cell.data_type for cell in sheet[2][1:5]] == ["s"] * 4
    (row,) = pq.read_table(io.BytesIO(taken(lite_world, "agent", "samples", "parquet"))).to_pylist()
    assert row["field_code"] == "=1+1"


# ------------------------------------------------------------------------------------------- refusals


def test_more_rows_than_a_worksheet_has_are_refused(filled: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(exportfiles, "LONGEST_SHEET", 4)  # titles and three rows
    assert taken(filled, "laboratory", "samples", "xlsx")
    add_sample(filled, add_visit(filled, add_field(filled, "10")), "10")
    with pytest.raises(Invalid, match="more rows than a worksheet has"):
        taken(filled, "laboratory", "samples", "xlsx")
    with pytest.raises(Invalid, match="more rows than a worksheet has"):  # should rows be added meanwhile
        exportfiles.write_xlsx(io.BytesIO(), COLUMNS, [[("a", 1.0)] * 4], "rows")
    assert len(numbers(filled, "laboratory")) == 4


def test_a_text_longer_than_a_cell_is_refused_and_not_cut(lite_world: World) -> None:
    assert written("xlsx", ("x" * 32_767,))
    with pytest.raises(Invalid, match="a text is longer than a cell"):
        written("xlsx", ("x" * 32_768,))


def test_a_day_before_the_days_of_worksheets_is_a_text() -> None:
    file = io.BytesIO()
    exportfiles.write_xlsx(file, (Column("on", "day", "a day"),), [[(date(1899, 12, 31),)]], "rows")
    assert openpyxl.load_workbook(io.BytesIO(file.getvalue()))["rows"]["A2"].value == "1899-12-31"


def test_a_full_disk_is_told_and_nothing_is_sent(lite_world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    import errno

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(exportfiles, "write_csv", full)
    with pytest.raises(NoRoom, match="disk is full"):
        taken(lite_world, "agent", "samples")


def test_only_a_few_are_written_at_once(lite_world: World) -> None:
    held = 0
    while exports._writing.acquire(blocking=False):
        held += 1
    try:
        with pytest.raises(TooMany, match="several exports") as refused:
            taken(lite_world, "agent", "samples")
        assert refused.value.wait_seconds == 15
    finally:
        for _ in range(held):
            exports._writing.release()
    assert held == 3
    assert numbers(lite_world, "agent") == []


# ----------------------------------------------------------------------------------------- the API's door


def test_the_api_sends_files_to_be_kept(lite_world: World) -> None:
    fill(lite_world)
    client = program(lite_world, "agent")
    answer = client.get("/api/v1/exports/samples.csv?year=2025&county=upper&from=2025-12-31&to=2025-12-31")
    assert answer.status_code == 200
    assert [row["lab_number"] for row in read(answer.content)] == ["004811"]
    assert (
        answer.headers["content-disposition"] == 'attachment; filename="furrowslice-samples-2026-04-20.csv"'
    )
    assert answer.headers["content-type"] == "text/csv; charset=utf-8; header=present"
    assert answer.headers["content-length"] == str(len(answer.content))
    assert answer.headers["x-content-type-options"] == "nosniff"
    for kind, media_type in exportfiles.MEDIA_TYPES.items():
        answer = client.get(f"/api/v1/exports/fields.{kind}")
        assert (answer.status_code, answer.headers["content-type"]) == (200, media_type)


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("samples.csv?year=1899", 422), ("samples.csv?from=04/01/2026", 422),
        ("samples.csv?county=lower", 404),
        ("samples.csv?from=2026-01-02&to=2026-01-01", 422), ("samples.csv?year=2025&from=2026-01-01", 422),
        ("samples.csv?counties=upper", 422), ("samples.ods", 404), ("growers.csv", 404), ("samples", 404),
        ("reports.geojson", 422), ("samples.csv", 200),
    ],
)  # fmt: skip
def test_what_the_api_refuses(lite_world: World, path: str, status: int) -> None:
    answer = program(lite_world, "agent").get(f"/api/v1/exports/{path}")
    assert answer.status_code == status


def test_a_token_without_the_right_takes_nothing_away(lite_world: World) -> None:
    client = program(lite_world, "agent", [Right.READ_REPORTS])
    statuses = {name: client.get(f"/api/v1/exports/{name}.csv").status_code for name in COLLECTIONS}
    assert statuses == {"samples": 403, "values": 403, "reports": 200, "fields": 403}


def test_the_api_lists_what_can_be_taken(lite_world: World) -> None:
    items = program(lite_world, "agent").get("/api/v1/exports").json()["items"]
    assert {item["name"]: item["formats"] for item in items} == {
        "samples": ["csv", "xlsx", "geojson", "parquet"], "values": ["csv", "xlsx", "geojson", "parquet"],
        "reports": ["csv", "xlsx", "parquet"], "fields": ["csv", "xlsx", "geojson", "parquet"],
    }  # fmt: skip
    assert {"name": "depth_from_cm", "kind": "number"}.items() <= items[0]["columns"][8].items()


# -------------------------------------------------------------------------------------- the page's door


def test_a_person_takes_the_same_file_by_a_form(lite_world: World) -> None:
    fill(lite_world)
    client = lite_world.client("agent")
    page = client.get("/exports")
    assert page.status_code == 200
    for name in (*COLLECTIONS, *exportfiles.MEDIA_TYPES, "upper"):
        assert f'value="{name}"' in page.text
    assert 'value="lower"' not in page.text
    empty = {"county": "", "year": "", "from": "", "to": ""}
    answer = client.get("/exports/file", params={"name": "samples", "format": "csv"} | empty)
    assert [row["lab_number"] for row in read(answer.content)] == ["004811"]
    assert (
        answer.headers["content-disposition"] == 'attachment; filename="furrowslice-samples-2026-04-20.csv"'
    )
    answer = client.get(
        "/exports/file", params={"name": "samples", "format": "csv"} | empty | {"year": "2026"}
    )
    assert read(answer.content) == []
    assert 'href="/exports"' in client.get("/").text


@pytest.mark.parametrize(
    ("name", "text"),
    [("year", "26"), ("year", "x"), ("year", "２０２６"), ("from", "1.4.2026"), ("to", "2026-02-30")],
)
def test_what_a_form_cannot_mean_is_told(lite_world: World, name: str, text: str) -> None:
    answer = lite_world.client("agent").get(
        "/exports/file", params={"name": "samples", "format": "csv", name: text}
    )
    assert answer.status_code == 422
    assert f"{name} cannot be read" in answer.text
