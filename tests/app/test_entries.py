"""Records in cells: every shipped record there and back, and each cell read in one way only."""

from __future__ import annotations

import pytest

from interpretation.agronomy.tables import TableSet
from service.books import plain
from service.entries.celltext import WrongCellError, read_cell
from service.entries.checking import check
from service.entries.columns import FACTS, LONGEST_CELL, MOST_ROWS, Column, Kind
from service.entries.comparing import CellChange, compare
from service.entries.entry import Cell, Entry, entry
from service.entries.reading import cell_at, read_entry
from service.entries.writing import entries_of, entry_of
from service.paths import tables_directory
from service.tablefiles import read_tables
from tests.small_world import rate, scale


@pytest.fixture(scope="module")
def tables() -> TableSet:
    return read_tables(tables_directory())


def test_every_shipped_record_comes_back_from_its_cells(tables: TableSet) -> None:
    seen = 0
    for region in tables.regions:
        for typed in entries_of(tables, region):
            reading = read_entry(typed, region)
            assert reading.problems == ()
            assert reading.record is not None
            assert plain(reading.record) == plain(getattr(tables, typed.kind)[typed.id])
            seen += 1
    assert seen == sum(len(getattr(tables, kind)) for kind in ("regions", "scales", "rates", "conversions"))


def test_every_shipped_region_is_a_draft_without_errors(tables: TableSet) -> None:
    for region in tables.regions:
        checked = check(entries_of(tables, region), region, tables)
        assert checked.errors() == 0, checked.problems


def test_a_formula_is_told_by_its_cell_and_not_by_the_record_s_own_names(tables: TableSet) -> None:
    typed = entries_of(tables, "marrowdale")
    one = next(each for each in typed if each.id == "marrowdale/k2o-arable")
    rows = ({**one.rows["amounts"][0], "rate": "2 * yeild_goal"}, *one.rows["amounts"][1:])
    wrong = one.model_copy(update={"rows": one.rows | {"amounts": rows}})
    checked = check([wrong if each is one else each for each in typed], "marrowdale", tables)
    (problem,) = checked.problems[one.number]
    assert problem.message == "column 5: 'yeild_goal' is not a known name"


@pytest.mark.parametrize(
    ("type_", "text", "value"),
    [
        ("number", "12", 12), ("number", "-0.5", -0.5), ("number", "123456789012345", 123456789012345),
        ("whole", "2026", 2026), ("yes-no", "yes", True), ("yes-no", "no", False),
        ("list", "a; b ;;c", ("a", "b", "c")), ("crops", "any", "any"), ("crops", "maize", ("maize",)),
        ("amount", "none", None), ("amount", "40", 40), ("amount", "2 * yield_goal", "2 * yield_goal"),
        ("text", "any", "any"),
    ],
)  # fmt: skip
def test_a_cell_is_read_by_the_type_of_its_column(type_: str, text: str, value: object) -> None:
    assert read_cell(text, Column("x", type_)) == value  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("type_", "text", "message"),
    [
        ("number", "1,5", "'1,5' is no number"), ("number", "1e3", "'1e3' is no number"),
        ("number", "012", "'012' is no number"), ("number", "１２", "'１２' is no number"),
        ("number", "1234567890123456", "is no number"), ("amount", "1,5", "'1,5' is no number"),
        ("amount", "40%", "'40%' is no number"), ("whole", "2026.5", "is no whole number"),
        ("day", "31.12.2026", "is no day"), ("day", "2026-02-30", "is no day"),
        ("yes-no", "true", "neither yes nor no"), ("text", "a\u202eb", "invisible character U+202E"),
        ("text", "x" * (LONGEST_CELL + 1), f"{LONGEST_CELL + 1} characters"),
    ],
)  # fmt: skip
def test_a_cell_that_could_be_misread_is_told(type_: str, text: str, message: str) -> None:
    with pytest.raises(WrongCellError) as wrong:
        read_cell(text, Column("x", type_))  # type: ignore[arg-type]
    assert message in wrong.value.args[0]
    assert all(wrong.value.args)  # what is expected, and how to mend it


def problems(typed: Entry) -> dict[str, str]:
    return {each.cell.name: each.message for each in read_entry(typed, "vale").problems}


def test_each_mistake_is_told_beside_its_cell() -> None:
    typed = entry_of("scales", scale())
    facts = typed.facts | {"depth_to_cm": "", "unit": "furlong", "standing": ""}
    rows = {"classes": ({"name": "low", "from": "0"}, {"from": "x"}, {"name": "high", "from": "20"})}
    told = problems(entry("scales", facts, rows))
    assert told == {
        "depth_to_cm": "missing", "classes.1.name": "missing", "classes.1.from": "'x' is no number",
    }  # fmt: skip
    facts |= {"depth_to_cm": "20"}
    told = problems(entry("scales", facts, {"classes": rows["classes"][::2]}))
    assert told == {"unit": "'furlong' is not known here", "standing": "missing"}


def test_amounts_are_by_class_or_by_value() -> None:
    typed = entry_of("rates", rate(formula="1"))
    by = entry("rates", {k: v for k, v in typed.facts.items() if k != "formula"}, {})

    def told(*rows: dict[str, str]) -> dict[str, str]:
        return problems(entry("rates", by.facts, {"amounts": rows}))

    assert told({"class": "low", "rate": "1"}, {"class": "high", "rate": "none"}) == {}
    assert told({"from": "0", "rate": "1"}, {"from": "5", "rate": "soil_test"}) == {}
    assert told({"class": "low", "rate": "1"}, {"from": "5", "rate": "2"}) == {"amounts.1.class": "missing"}
    assert told({"class": "low", "rate": "1"}, {"class": "a", "from": "5", "rate": "2"}) == {
        "amounts.1.from": "a class and a value in one table"
    }
    assert told({"class": "low", "rate": "1"}, {"class": "low", "rate": "2"}) == {
        "amounts.1.class": "'low' is here twice"
    }
    assert told({"rate": "1"}) == {"amounts.0.from": "missing"}


def test_a_sheet_has_so_many_rows_and_no_more() -> None:
    typed = entry_of("rates", rate(formula="1"))
    for count, message in ((MOST_ROWS, None), (MOST_ROWS + 1, f"{MOST_ROWS + 1} rows")):
        rows = [{"name": f"c{number}", "value": "1"} for number in range(count)]
        assert problems(entry("rates", typed.facts, {"constants": rows})).get("constants.0.") == message


def test_credits_by_previous_crop_are_one_row_each() -> None:
    record = rate(
        formula="100",
        credits=(
            {"key": "previous-crop", "by_previous_crop": {"soybean": 20, "alfalfa": 60.5}},
            {"key": "manure", "formula": "manure_n_kg_per_ha"},
        ),
    )
    typed = entry_of("rates", record)
    assert [dict(row) for row in typed.rows["credits"]] == [
        {"key": "previous-crop", "previous_crop": "soybean", "amount": "20"},
        {"key": "previous-crop", "previous_crop": "alfalfa", "amount": "60.5"},
        {"key": "manure", "formula": "manure_n_kg_per_ha"},
    ]
    assert read_entry(typed, "vale").record == record
    assert cell_at(typed, ("credits", 0, "by_previous_crop", "alfalfa")) == Cell(
        "previous_crop", "credits", 1
    )
    assert cell_at(typed, ("credits", 1, "formula")) == Cell("formula", "credits", 2)


def test_every_kind_has_a_column_for_each_key_of_its_record(tables: TableSet) -> None:
    """A key that somebody adds to a record has to get its column, or it could not be edited."""
    from service.books import OF_REGION
    from service.entries.columns import ROWS

    elsewhere = {"classes", "by_class", "by_value", "values", "credits", "soil_groups", "region"}
    kinds: tuple[Kind, ...] = tuple(FACTS)
    for kind in kinds:
        keys = {info.alias or name for name, info in OF_REGION[kind].model_fields.items()}
        named = {column.path[0] for column in FACTS[kind]}
        assert keys - named <= elsewhere, kind
        assert named <= keys, kind
        assert not named & {"region"}, kind
        assert all(sheet in {"amounts", "constants", *elsewhere} for sheet in ROWS[kind])


def test_what_differs_is_told_record_by_record_and_cell_by_cell() -> None:
    one = entry_of("scales", scale(), 1)
    bounds = {"low": "0", "medium": "12", "top": "20"}
    classes = [{"name": name, "from": bound} for name, bound in bounds.items()]
    other = entry("scales", one.facts | {"title": "New"}, {"classes": classes})
    (change,) = compare([one], [other])
    assert (change.kind, change.id, change.what) == ("scales", "vale/p", "changed")
    assert change.cells == (
        CellChange("", "", "title", "", "New"),
        CellChange("classes", "medium", "from", "10", "12"),
        CellChange("classes", "high", "name", "high", ""),
        CellChange("classes", "high", "from", "20", ""),
        CellChange("classes", "top", "name", "", "top"),
        CellChange("classes", "top", "from", "", "20"),
    )
    assert compare([one], [one.model_copy(update={"number": 9})]) == ()
    assert [(each.what, each.id) for each in compare([one], [])] == [("removed", "vale/p")]
    assert [(each.what, each.id) for each in compare([], [one])] == [("added", "vale/p")]
    turned = one.model_copy(update={"rows": {"classes": one.rows["classes"][::-1]}})
    (change,) = compare([one], [turned])
    assert change.cells == (CellChange("classes", "", "order", "low; medium; high", "high; medium; low"),)
