"""A region's tables as workbook, CSV and YAML: there and back the same entries, and again the same bytes."""

from __future__ import annotations

import csv
import io
import json
import os
import zipfile
from collections.abc import Callable
from functools import partial
from typing import Any

import pytest
import xlsxwriter
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from interpretation.agronomy.tables import TableSet
from interpretation.errors import TableError
from service import sheet_worker, spreadsheet
from service.bookfiles import archives, forms
from service.bookfiles.book import Form, in_order
from service.bookfiles.datapackage import guarded, unguarded
from service.bookfiles.sheets import SHEETS, sheets_for
from service.bookfiles.yamlfolder import texts
from service.entries.columns import FACTS, KINDS, MOST_ROWS, ROWS, Kind
from service.entries.entry import Entry, entry
from service.entries.writing import entries_of
from service.paths import tables_directory
from service.tablefiles import read_tables

FORMS: tuple[Form, ...] = ("xlsx", "csv", "yaml")
NAMES = {"xlsx": "book.xlsx", "csv": "book.csv.zip", "yaml": "book.yaml.zip"}
SHIPPED = tables_directory()


@pytest.fixture(scope="module")
def tables() -> TableSet:
    return read_tables(SHIPPED)


def in_this_process(data: bytes, _sheet: str | None) -> Any:
    """What the worker answers, without a process of its own for each of many workbooks."""
    try:
        sheet_worker.check_parts(data)
        return json.loads(json.dumps(sheet_worker.read_every(data)))
    except sheet_worker.Refused as refused:
        return {"refused": refused.answer}


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spreadsheet, "_ask_worker", in_this_process)


# ------------------------------------------------------------------------------------------ there and back


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("form", FORMS)
def test_every_shipped_region_comes_back_as_it_was(tables: TableSet, form: Form) -> None:
    for region in tables.regions:
        written = in_order(entries_of(tables, region))
        content = forms.write(form, region, entries_of(tables, region))
        book = forms.read(NAMES[form], content)
        assert (book.region, book.entries) == (region, written)
        assert forms.write(form, region, book.entries) == content


def test_a_workbook_comes_back_through_the_worker(tables: TableSet) -> None:
    content = forms.write("xlsx", "ohio", entries_of(tables, "ohio"))
    assert forms.read("ohio.xlsx", content).entries == in_order(entries_of(tables, "ohio"))


def test_the_files_of_a_shipped_region_are_written_as_they_are_shipped(tables: TableSet) -> None:
    """``furrowslice tables export REGION --to FOLDER`` tidies a file that was edited by hand."""
    for region in tables.regions:
        shipped = {
            path.relative_to(SHIPPED).as_posix(): path.read_text(encoding="utf-8")
            for path in (SHIPPED / region).rglob("*.yaml")
        }
        assert texts(region, entries_of(tables, region)) == shipped


def test_a_region_s_own_source_has_its_file(tables: TableSet) -> None:
    source = entry(
        "sources", {"id": "trial-2025", "title": "Trial: 2025", "read": "seen", "year": "2025"}, {}
    )
    entries = (*entries_of(tables, "ohio"), source)
    assert texts("ohio", entries)["ohio/sources/trial-2025.yaml"] == (
        'id: trial-2025\ntitle: "Trial: 2025"\nregion: ohio\nyear: 2025\nread: seen\n'
    )
    content = forms.write("yaml", "ohio", entries)
    assert forms.read("a.zip", content).entries == in_order(entries)


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("form", FORMS)
def test_one_table_alone_comes_back(tables: TableSet, form: Form) -> None:
    for table in ("marrowdale/p2o5-arable-bray1", "marrowdale/ph", "marrowdale"):
        (one,) = (each for each in in_order(entries_of(tables, "marrowdale")) if each.id == table)
        content = forms.write_one(form, "marrowdale", one)
        book = forms.read(forms.file_name(form, "marrowdale", [one]), content)
        assert (book.region, book.entries) == ("marrowdale", (one,))
        assert forms.write_one(form, "marrowdale", book.entries[0]) == content


def test_files_are_called_after_what_is_in_them(tables: TableSet) -> None:
    one = next(each for each in entries_of(tables, "marrowdale") if each.id == "marrowdale/ph")
    assert [forms.file_name(form, "marrowdale") for form in FORMS] == [
        "marrowdale.xlsx", "marrowdale.csv.zip", "marrowdale.yaml.zip",
    ]  # fmt: skip
    assert [forms.file_name(form, "marrowdale", [one]) for form in FORMS] == [
        "marrowdale-ph.xlsx", "marrowdale-ph.csv.zip", "marrowdale-ph.yaml",
    ]  # fmt: skip


ODD = st.text(st.characters(exclude_categories=["Cc", "Cf", "Cs", "Zl", "Zp"]), max_size=20).map(
    lambda text: text.replace("\ufffe", "").replace("\uffff", "")
)
TEXT = st.one_of(
    st.sampled_from(
        ["0012", "2026-01-31", "=1+1", "+1", "-1", "-x", "@a", "'", "''=1", "'tis", "＝1", 'a"b', '"',
         "a,b;c\td",         "a\nb",
         "a\n\n  b", "TRUE", "1e5", "#N/A", "_x0041_", "yes", "none", "é😀", "  x  "]
    ),
    ODD,
)  # fmt: skip


@st.composite
def made(draw: st.DrawFn) -> tuple[Entry, ...]:
    """Entries that nobody would type, each with an id."""
    count = draw(st.integers(0, 4))
    found = []
    for number in range(count):
        kind: Kind = draw(st.sampled_from(KINDS))
        facts = {c.name: draw(TEXT) for c in FACTS[kind] if draw(st.booleans())}
        rows = {
            sheet: [{c.name: draw(TEXT) for c in columns} for _ in range(draw(st.integers(0, 3)))]
            for sheet, columns in ROWS[kind].items()
        }
        found.append(entry(kind, facts | {"id": f"{draw(TEXT).strip()}{number}"}, rows))
    return tuple(found)


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("form", ["xlsx", "csv"])
@settings(max_examples=40, deadline=None, derandomize=True,
          suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])  # fmt: skip
@given(entries=made())
def test_entries_that_nobody_would_type_come_back_as_typed(form: Form, entries: tuple[Entry, ...]) -> None:
    content = forms.write(form, "vale", entries)
    book = forms.read(NAMES[form], content)
    assert book.entries == in_order(entries)
    assert forms.write(form, "vale", book.entries) == content


@given(st.text(st.sampled_from("'=+-@＝1.5ax "), max_size=6))
def test_the_guard_against_calculating_is_taken_away_again(text: str) -> None:
    assert unguarded(guarded(text)) == text
    assert guarded(text)[:1] not in tuple("=+@＝")
    assert guarded(text)[:1] != "-" or float(guarded(text)) <= 0


def test_no_cell_of_csv_begins_a_formula(tables: TableSet) -> None:
    typed = entry("rates", {"id": "marrowdale/x", "formula": "-5 * soil_test", "title": "=HYPERLINK(1)"}, {})
    files = unzipped(forms.write("csv", "marrowdale", [typed]))
    (row,) = csv.DictReader(io.StringIO(files["rates.csv"].decode(), newline=""))
    assert (row["formula"], row["title"]) == ("'-5 * soil_test", "'=HYPERLINK(1)")


def test_entries_without_numbers_and_in_any_order_are_the_same_bytes(tables: TableSet) -> None:
    entries = entries_of(tables, "ohio")
    turned = [each.model_copy(update={"number": 99 - each.number}) for each in entries[::-1]]
    for form in FORMS:
        assert forms.write(form, "ohio", entries) == forms.write(form, "ohio", turned)


# ------------------------------------------------------------------------------------- the description of CSV


def unzipped(content: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def test_csv_is_described_file_by_file_and_column_by_column(tables: TableSet) -> None:
    files = unzipped(forms.write("csv", "marrowdale", entries_of(tables, "marrowdale")))
    said = json.loads(files["datapackage.json"])
    assert said["$schema"] == "https://datapackage.org/profiles/2.0/datapackage.json"
    assert {each["path"] for each in said["resources"]} == files.keys() - {"datapackage.json"}
    ids = {}
    for each in said["resources"]:
        rows = list(csv.reader(io.StringIO(files[each["path"]].decode(), newline="")))
        names = [field["name"] for field in each["schema"]["fields"]]
        assert rows[0] == names
        assert all(field["description"] and field["type"] for field in each["schema"]["fields"])
        cells = [dict(zip(names, row, strict=True)) for row in rows[1:]]
        for field in each["schema"]["fields"]:
            check_column(field, [row[field["name"]] for row in cells])
        key = each["schema"].get("primaryKey", [])
        assert len({tuple(row[name] for name in key) for row in cells}) == len(cells) or not key
        ids[each["name"]] = {row.get("id") for row in cells}
        for foreign in each["schema"].get("foreignKeys", []):
            assert {row["table"] for row in cells} <= ids[foreign["reference"]["resource"]]


def check_column(field: dict[str, Any], cells: list[str]) -> None:
    """What the schema says of a column holds for the tables that are shipped."""
    limits = field.get("constraints", {})
    for text in cells:
        if text == "":
            assert not limits.get("required")
            continue
        assert text in limits.get("enum", [text])
        assert len(text) <= limits.get("maxLength", len(text))
        if field["type"] == "number":
            float(text)
        elif field["type"] == "boolean":
            assert text in ("yes", "no")


# ---------------------------------------------------------------------------------------- what is refused


def refused(action: Callable[[], object], what: str, where: str = "") -> TableError:
    with pytest.raises(TableError) as error:
        action()
    assert what in error.value.what
    assert where in error.value.where
    assert error.value.expected or "\n" in error.value.what
    assert error.value.fix
    return error.value


@pytest.mark.parametrize("form", FORMS)
def test_what_no_file_can_hold_is_refused(form: Form) -> None:
    def wrote(*entries: Entry) -> Callable[[], object]:
        return lambda: forms.write(form, "vale", entries)

    named = entry("scales", {"id": "vale/p"}, {})
    refused(wrote(named, named), "two of the scales have the id 'vale/p'", "scales vale/p")
    refused(wrote(entry("rates", {"title": "x"}, {})), "one of the rates has no id", "rates (without an id)")
    hidden = entry("scales", {"id": "vale/p"}, {"classes": [{"name": "a\u200bb"}]})
    refused(wrote(hidden), "the invisible character U+200B", "scales vale/p, classes.0.name")
    refused(wrote(entry("scales", {"id": "vale/p", "title": "x" * 32_001}, {})), "a cell of 32001 characters")


def test_a_wrong_cell_has_no_yaml_and_stays_as_typed_elsewhere(tables: TableSet) -> None:
    typed = [
        each.model_copy(update={"facts": each.facts | {"round_to": "one"}}) if each.kind == "scales" else each
        for each in entries_of(tables, "ohio")
    ]
    error = refused(lambda: forms.write("yaml", "ohio", typed), "'one' is no number", "scales ohio/")
    assert "round_to" in error.where
    assert "take a workbook or CSV" in error.fix
    assert forms.read("a.zip", forms.write("csv", "ohio", typed)).entries == in_order(typed)


def book_of(sheets: dict[str, list[list[Any]]], change: Callable[[Any, Any], object] | None = None) -> bytes:
    made = io.BytesIO()
    book = xlsxwriter.Workbook(made, {"strings_to_formulas": False})
    for name, rows in sheets.items():
        page = book.add_worksheet(name)
        for number, row in enumerate(rows):
            page.write_row(number, 0, row)
        if change:
            change(book, page)
    book.close()
    return made.getvalue()


HEAD = ["id", "title", "round_to", "effective_from"]


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize(
    ("sheets", "what", "where"),
    [
        ({"scales": [["id", "titel"]]}, "no column 'titel'", "sheet scales, row 1, column B"),
        ({"scales": [["id", "title", "title"]]}, "'title' is here twice", "sheet scales, row 1, column C"),
        ({"scales": [HEAD, ["a", "", "", "", "x"]]}, "under no heading", "sheet scales, row 2, column E"),
        ({"scales": [HEAD, ["", "A"]]}, "the id is missing", "sheet scales, row 2, column id"),
        ({"scales": [HEAD, ["a", "A"], ["a", "B"]]}, "'a' is here twice", "sheet scales, row 3, column id"),
        (
            {"scales": [HEAD, ["a"]], "scales-classes": [["table", "name"], ["b", "low"]]},
            "no row of the sheet scales has the id 'b'", "sheet scales-classes, row 2, column table",
        ),
        (
            {"scales": [HEAD, ["a"]], "scales-classes": [["table"], *[["a"]] * (MOST_ROWS + 1)]},
            f"more than {MOST_ROWS} rows of 'a'", f"row {MOST_ROWS + 2}, column table",
        ),
        ({"scales": [HEAD, ["a"]], "Sheet9": [["x"]]}, "no sheet 'Sheet9'", "vale.xlsx"),
        ({"Sheet1": [["id"]]}, "none of the sheets", "vale.xlsx"),
        ({"scales": [HEAD, ["a", "b\u202ec"]]}, "U+202E", "sheet scales, row 2, column title"),
        ({"about": [["form", "other-2"]], "scales": [HEAD]}, "of the form 'other-2'", "sheet about"),
        ({"scales": [HEAD, *[[f"a{n}"] for n in range(401)]]}, "more than 400 tables", "row 402, column id"),
    ],
)  # fmt: skip
def test_a_workbook_that_leaves_something_open_is_refused_at_its_cell(
    sheets: dict[str, list[list[Any]]], what: str, where: str
) -> None:
    refused(lambda: forms.read("vale.xlsx", book_of(sheets)), what, where)


@pytest.mark.usefixtures("quick")
def test_a_formula_is_refused_whether_its_result_is_stored_or_not() -> None:
    def formula(_book: Any, page: Any) -> None:
        page.write_formula("C2", "=1+1", None, 2)

    error = refused(
        lambda: forms.read("vale.xlsx", book_of({"scales": [HEAD, ["vale/p", "P"]]}, formula)),
        "a formula of the spreadsheet", "sheet 'scales', cell C2",
    )  # fmt: skip
    assert "paste its value over it" in error.fix


@pytest.mark.usefixtures("quick")
def test_what_a_spreadsheet_has_made_of_a_text_is_read_as_typed() -> None:
    """Somebody types into a cell that is no text cell: a number is its digits, a day its date."""
    import datetime

    def typed(book: Any, page: Any) -> None:
        day = book.add_format({"num_format": "yyyy-mm-dd"})
        page.write_datetime("D2", datetime.date(2026, 3, 1), day)

    sheets = {
        "scales": [HEAD, ["vale/p", "0012", 0.5]],
        "about": [["form", "furrowslice-sheets-1"], ["region", "vale"]],
    }
    book = forms.read("vale.xlsx", book_of(dict([*sheets.items()][:1]), typed))
    (only,) = book.entries
    assert only.facts == {"id": "vale/p", "title": "0012", "round_to": "0.5", "effective_from": "2026-03-01"}
    assert book.region == ""
    assert forms.read("vale.xlsx", book_of(sheets)).region == "vale"


def zipped(files: dict[str, bytes | str]) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return made.getvalue()


PACKAGE = '{"form": "furrowslice-csv-1", "region": "vale"}'


@pytest.mark.parametrize(
    ("files", "what"),
    [
        ({"../x.yaml": "a: 1"}, "names a file outside of itself: '../x.yaml'"),
        ({"/etc/x.yaml": "a: 1"}, "names a file outside of itself"),
        ({"C:/x.yaml": "a: 1"}, "names a file outside of itself"),
        ({"a\\..\\x.yaml": "a: 1"}, "names a file outside of itself"),
        ({"a.csv": "", "A.CSV": ""}, "two files of one name"),
        ({"a.csv": " " * 2_000_000}, "the archive unpacks to 2000000 bytes"),
        ({f"{n}.yaml": "" for n in range(501)}, "more than 500 files"),
        ({"vale/notes.txt": "x"}, "'vale/notes.txt' is no file of a region's tables"),
        ({"datapackage.json": "{}"}, "datapackage.json does not describe such tables"),
        ({"datapackage.json": "[" * 50_000}, "datapackage.json does not describe such tables"),
        ({"datapackage.json": PACKAGE, "x.csv": "id"}, "no file 'x.csv' in these tables"),
        ({"datapackage.json": PACKAGE, "scales.csv": b"\xff\xfe"}, "this is not UTF-8 text"),
        ({"datapackage.json": PACKAGE, "scales.csv": 'id\n"open'}, "cannot be split into cells"),
        ({"datapackage.json": PACKAGE, "scales.csv": "id\n\0a"}, "invisible character U+0000"),
        ({"datapackage.json": PACKAGE, "scales.csv": "\n" * 20_001}, "more than 20000 rows"),
        ({"a.yaml": os.urandom(2**20 * 5)}, "the archive unpacks to 5242880 bytes"),
        ({f"vale/scales/{n}.yaml": os.urandom(2**20) for n in range(3)}, "3145728 bytes of YAML"),
        ({}, "there are 0 tables in it"),
    ],
)  # fmt: skip
def test_an_archive_that_is_hostile_or_none_of_ours_is_refused(
    files: dict[str, bytes | str], what: str
) -> None:
    refused(lambda: forms.read("vale.zip", zipped(files)), what, "vale.zip")


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04", b"no archive", b"PK\x05\x06" + bytes(18)])
def test_what_is_no_archive_is_refused(content: bytes) -> None:
    for name in ("a.zip", "a.xlsx"):
        with pytest.raises(TableError):
            forms.read(name, content)


def test_a_size_that_is_a_lie_is_found_out(tables: TableSet) -> None:
    content = bytearray(forms.write("csv", "ohio", entries_of(tables, "ohio")))
    at = content.index(b"PK\x01\x02") + 24
    content[at : at + 4] = (1).to_bytes(4, "little")
    refused(lambda: forms.read("a.zip", bytes(content)), "the archive is damaged")


def test_what_file_managers_add_is_passed_over(tables: TableSet) -> None:
    entries = in_order(entries_of(tables, "ohio"))
    for form in ("csv", "yaml"):
        files: dict[str, bytes | str] = {
            f"kept/{k}": v for k, v in unzipped(forms.write(form, "ohio", entries)).items()
        }
        files |= {"__MACOSX/kept/._x": b"\0", "kept/.DS_Store": b"\0"}
        assert forms.read("a.zip", zipped(files)).entries == entries


@pytest.mark.parametrize("mark", [";", "\t"])
def test_csv_with_another_mark_and_a_mark_of_order_is_read(mark: str) -> None:
    text = f'\ufeffid{mark}title{mark}round_to\r\nvale/p{mark}"a, b{mark} c"{mark}0.5\r\n'
    files = {"datapackage.json": PACKAGE, "scales.csv": text.encode()}
    (only,) = forms.read("vale.zip", zipped(files)).entries  # type: ignore[arg-type]
    assert only.facts == {"id": "vale/p", "title": f"a, b{mark} c", "round_to": "0.5"}


@pytest.mark.parametrize(
    ("text", "what", "where"),
    [
        ("a: 1", "it cannot be told which kind of table this is", "p.yaml"),
        ("- a", "it cannot be told which kind of table this is", "p.yaml"),
        ("id: vale/p\n\tx: 1", "a tab", "p.yaml:2"),
        ("id: vale/p\nregion: vale\nclasses: 5\n", "p.yaml:3: error: classes: 5 is no list", "p.yaml"),
        ("classes: []\n", "p.yaml:1: error:", "p.yaml"),
        ("- {id: x, read: seen, region: a}\n- {id: y, read: seen, region: b}", "p.yaml:1: error", "p.yaml"),
    ],
)  # fmt: skip
def test_yaml_is_refused_with_its_line(text: str, what: str, where: str) -> None:
    with pytest.raises(TableError) as error:
        forms.read("p.yaml", text.encode())
    assert what in error.value.what
    assert error.value.where == where


def test_tables_of_two_regions_are_not_one_file(tables: TableSet) -> None:
    files: dict[str, bytes | str] = {}
    for region in ("ohio", "iowa"):
        files |= unzipped(forms.write("yaml", region, entries_of(tables, region)))
    refused(lambda: forms.read("a.zip", zipped(files)), "tables of several regions: iowa, ohio")
    moved = {name.replace("iowa/", "ohio/"): text for name, text in files.items() if name.startswith("iowa")}
    refused(
        lambda: forms.read("a.zip", zipped(moved)),
        "the record is of region 'iowa', and its folder is of region 'ohio'",
    )


def test_another_ending_is_refused_by_its_name() -> None:
    refused(lambda: forms.read("tables.ods", b""), "a file ending in 'ods' is not read here", "tables.ods")


def test_a_text_that_workbooks_use_for_themselves_is_refused() -> None:
    typed = entry("scales", {"id": "vale/p", "title": "a x005F_ b"}, {})
    refused(lambda: forms.write("xlsx", "vale", [typed]), "x005F_", "sheet scales, row 2")


def test_one_table_has_the_sheets_of_its_kind_and_a_region_all() -> None:
    names = [sheet.name for sheet in sheets_for([entry("rates", {"id": "a"}, {})])]
    assert names == ["rates", "rates-amounts", "rates-constants", "rates-credits"]
    assert sheets_for([entry("regions", {"id": "a"}, {})]) == SHEETS == sheets_for([])


def test_an_archive_is_the_same_bytes_each_time() -> None:
    files = {"b": b"2", "a": b"1"}
    assert archives.pack(files) == archives.pack(dict(reversed(files.items())))
    assert archives.unpack(archives.pack(files), "x") == files


@pytest.mark.parametrize("way", [zipfile.ZIP_LZMA, zipfile.ZIP_BZIP2])
def test_an_archive_that_is_packed_in_a_rare_way_is_refused(way: int) -> None:
    """Such a part can ask for any amount of memory, and fails in ways of its own when it is damaged."""
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", way) as archive:
        archive.writestr("vale/region.yaml", "id: vale\n" * 2000)
    damaged = bytearray(made.getvalue())
    damaged[60] ^= 0xFF
    for content in (made.getvalue(), bytes(damaged)):
        refused(partial(archives.unpack, content, "x.zip"), "packed in a way that is not read here", "x.zip")
