"""``furrowslice tables list`` and ``show`` as a stranger reads them, and the page about what is covered.

The whole text of some pages is kept in ``tests/golden/shown``. After a change that is meant:
``python -m tests.app.test_tables_commands`` rewrites them; read the difference.
"""

from __future__ import annotations

import doctest
import io
import os
import subprocess
import sys
from dataclasses import replace
from datetime import date
from itertools import pairwise
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from interpretation.agronomy.classing import classify
from interpretation.agronomy.tables import TableSet
from service.actions import coverage as coverage_list
from service.actions import tables as tables_action
from service.actions.coverage import Wanted, entries
from service.actions.tables import KINDS, find, naming, reported_classes
from service.cli import console
from service.cli.tabletext import amounts, coverage, formulas, pictures, show
from service.cli.tabletext.coverage import REFRESH, coverage_page
from service.cli.tabletext.formulas import in_words
from service.cli.tabletext.words import WIDTH
from service.paths import tables_directory
from service.tablefiles import read_tables
from tests.app.test_command_line import Command, Done, answer
from tests.app.test_command_line import command as furrowslice

__all__ = ["furrowslice"]  # the fixture

ROOT = Path(__file__).parents[2]
CASES = ROOT / "tests" / "cases" / "shown_tables"
GOLDEN = ROOT / "tests" / "golden" / "shown"
SHIPPED = ROOT / "tables"
DAY = "2026-04-17"
PROGRAM = [sys.executable, "-c", "from service.cli.app import main; main()"]

# Golden file: what is asked of the tables in tests/cases/shown_tables.
PAGES = {
    "list": ("list",),
    "methods": ("list", "--kind", "methods"),
    "scale": ("show", "vale/phosphorus-heavy"),
    "scale-long-names": ("show", "vale/phosphorus-heavy-2014"),
    "rate-straight-lines": ("show", "vale/nitrogen-wheat"),
    "rate-formula": ("show", "vale/nitrogen-oats"),
    "rate-by-class": ("show", "vale/phosphate"),
    "rate-drawn-formula": ("show", "vale/phosphate-sown"),
    "conversion": ("show", "vale/mehlich3-to-bray"),
    "region": ("show", "vale"),
    "method": ("show", "bray"),
    "method-from-memory": ("show", "scooped"),
    "crop": ("show", "wheat", "--kind", "crops"),
    "material": ("show", "wheat", "--kind", "materials"),
    "source": ("show", "vale-bulletin-7"),
}


@pytest.fixture
def command(furrowslice: Command) -> Command:
    """Commands about the tables of this file's cases, or of another folder."""

    def ran(*arguments: object, tables: Path = CASES) -> Done:
        return furrowslice("tables", *arguments, "--tables", tables)

    return ran


@pytest.fixture(scope="module")
def cases() -> TableSet:
    return read_tables(CASES)


@pytest.fixture(scope="module")
def shipped() -> TableSet:
    return read_tables(SHIPPED)


# ----------------------------------------------------------------------------------- the pages as printed


@pytest.mark.parametrize("name", list(PAGES))
def test_the_page_is_as_kept(command: Command, name: str) -> None:
    done = command(*PAGES[name], "--on", DAY)
    assert (done.status, done.err) == (0, "")
    assert done.out == (GOLDEN / f"{name}.txt").read_text(encoding="utf-8")


def test_a_terminal_without_the_characters_gets_plain_ones() -> None:
    done = subprocess.run(
        [*PROGRAM, "tables", "show", "vale/phosphorus-heavy", "--tables", str(CASES), "--on", DAY],
        capture_output=True,
        text=True,
        env=os.environ | {"PYTHONIOENCODING": "ascii"},
        check=True,
    )
    kept = (GOLDEN / "scale.txt").read_text(encoding="utf-8")
    for box, plain in zip("├─┼▶▲", "|-+>^", strict=True):
        kept = kept.replace(box, plain)
    assert done.stdout == kept


@pytest.mark.parametrize("page", ["rate-formula", "method-from-memory", "list", "rate-drawn-formula"])
def test_formulas_and_units_stay_readable_in_ascii(monkeypatch: pytest.MonkeyPatch, page: str) -> None:
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(io.BytesIO(), encoding="ascii"))
    plain = "\n".join(map(console.spelled, (GOLDEN / f"{page}.txt").read_text(encoding="utf-8").split("\n")))
    monkeypatch.undo()
    assert set(plain) - set(map(chr, range(128))) <= {pictures.BOXES.bar}  # bars are drawn in their own way


def test_every_shipped_record_has_a_page_that_fits_a_terminal(shipped: TableSet) -> None:
    wide = []
    for kind in KINDS:
        for record in getattr(shipped, kind).values():
            lines = list(show.lines(shipped, kind, record, date(2026, 4, 17)))
            assert lines[0].startswith(record.id)
            # An address, or an id, is kept whole: then the line is that and little else.
            wide += [line for line in lines if len(line) > WIDTH and max(map(len, line.split())) < 40]
    assert wide == []


def test_the_shipped_list_fits_a_terminal_and_names_every_table(command: Command, shipped: TableSet) -> None:
    lines = command("list", tables=SHIPPED).out.splitlines()
    assert [line for line in lines if len(line) > WIDTH] == []
    words = {word for line in lines for word in line.split()}
    assert {*shipped.scales, *shipped.rates, *shipped.conversions} <= words


def test_the_invented_region_stands_last_and_is_marked(command: Command) -> None:
    out = command("list", tables=SHIPPED).out
    assert "MARROWDALE (marrowdale)\nMarrowdale Example Board\nINVENTED EXAMPLE." in out
    assert out.count("INVENTED EXAMPLE.") == 1
    assert out.index("MARROWDALE") > max(out.index(f"({name})") for name in ("ireland", "uk", "texas"))


def test_a_soil_test_that_no_scale_covers_is_named_in_the_unit_that_the_amount_would_take(
    cases: TableSet,
) -> None:
    # Bray P is reported in mg/kg, the scales of the region count lb/ac, none is for light soils.
    rate = cases.rates["vale/phosphate"]
    assert cases.methods["bray"].unit == "mg/kg"
    assert amounts.test_unit(cases, rate) == "lb/ac"
    assert amounts.test_unit(cases, rate.model_copy(update={"soil_groups": ("light",)})) == "lb/ac"
    # With a scale in another unit beside it, the classes of the rate hold for both.
    second = cases.scales["vale/phosphorus-heavy"].model_copy(update={"id": "vale/second", "unit": "mg/kg"})
    both = replace(cases, scales={**cases.scales, second.id: second})
    assert amounts.test_unit(both, rate) == "lb/ac or mg/kg"


# ---------------------------------------------------------------------------------- narrowing the list down


def ids(done: Done) -> list[str]:
    return [record["id"] for record in answer(done, "tables-list")["records"]]


@pytest.mark.parametrize(
    ("options", "found"),
    [
        (("--region", "hill"), ["hill/ph"]),
        (("--region", "HILL"), ["hill/ph"]),
        (("--analyte", "P", "--region", "vale", "--kind", "scales"),
         ["vale/phosphorus-heavy", "vale/phosphorus-heavy-2014"]),
        (("--analyte", "p2o5"), ["vale/phosphate", "vale/phosphate-sown"]),
        (("--analyte", "N", "--crop", "wheat"), ["vale/nitrogen-wheat"]),
        # A table for any crop is one for oats too; an equation asks for no crop.
        (("--crop", "oats", "--kind", "scales"),
         ["hill/ph", "vale/phosphorus-heavy", "vale/phosphorus-heavy-2014"]),
        (("--kind", "conversions"), ["vale/mehlich3-to-bray"]),
        (("--region", "hill", "--kind", "methods"), ["scooped"]),
        (("--region", "hill", "--kind", "materials"), []),
        (("--analyte", "P2O5", "--kind", "materials"), ["wheat"]),
        (("--region", "vale", "--kind", "crops"), ["oats", "wheat"]),
        (("--analyte", "nitrate", "--kind", "methods"), ["nitrate-moist"]),  # that no table uses yet
        (("--region", "hill", "--kind", "regions"), ["hill"]),
        (("--region", "hill", "--kind", "sources"), ["trade"]),
        (("--kind", "crops"), ["oats", "wheat"]),
    ],
)  # fmt: skip
def test_a_list_is_narrowed_down(command: Command, options: tuple[str, ...], found: list[str]) -> None:
    assert ids(command("list", *options, "--json")) == found


def test_a_list_of_nothing_says_so(command: Command) -> None:
    done = command("list", "--region", "hill", "--analyte", "K")
    assert (done.status, done.out) == (0, "Nothing in these tables fits that.\n")


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--region", "vael"), "--region: no region is called 'vael'\nExpected: one of hill, vale\n"
                               "To fix it: perhaps vale is meant"),
        (("--crop", "rye"), "--crop: no crop is called 'rye'\nExpected: one of oats, wheat\n"
                            "To fix it: name it as the tables do"),
        (("--analyte", "phosphorus"), "--analyte: no analyte or nutrient is called 'phosphorus'"),
    ],
)  # fmt: skip
def test_a_name_that_is_not_known_is_refused_with_the_known_ones(
    command: Command, options: tuple[str, ...], message: str
) -> None:
    done = command("list", *options)
    assert (done.status, done.out) == (2, "")
    assert done.err.startswith(message)


# The edition of 2014 ends on the last day of June 2024, and that day belongs to it; the next one begins a
# day later.
@pytest.mark.parametrize(
    ("on", "old", "new"),
    [
        ("2013-12-31", "not-yet", "not-yet"),
        ("2014-01-01", "in-force", "not-yet"),
        ("2024-06-30", "in-force", "not-yet"),
        ("2024-07-01", "expired", "in-force"),
    ],
)
def test_first_and_last_day_belong_to_a_table(command: Command, on: str, old: str, new: str) -> None:
    records = answer(command("list", "--kind", "scales", "--on", on, "--json"), "tables-list")["records"]
    states = {record["id"]: record["state"] for record in records}
    assert (states["vale/phosphorus-heavy-2014"], states["vale/phosphorus-heavy"]) == (old, new)


def test_today_is_the_day_where_none_is_named(command: Command) -> None:
    assert answer(command("list", "--json"), "tables-list")["on"] == str(date.today())  # noqa: DTZ011


# -------------------------------------------------------------------------------------- one record by its id


EXPECTED = "Expected: an id as 'furrowslice tables list' prints it\n"


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        (("vale/phosphorus-hevy",), f"there is no table or other record 'vale/phosphorus-hevy'\n{EXPECTED}"
                                    "To fix it: perhaps vale/phosphorus-heavy or "),
        (("phosphate",), f"there is no table or other record 'phosphate'\n{EXPECTED}"
                         "To fix it: perhaps vale/phosphate or "),
        (("oats", "--kind", "methods"), "there is no method 'oats'\n"),
        (("zzzzzzz",), f"there is no table or other record 'zzzzzzz'\n{EXPECTED}"
                       "To fix it: look it up with 'furrowslice tables list'"),
        (("wheat",), "'wheat' is the id of a crop and of a material\nExpected: one of them\n"
                     "To fix it: add --kind crops or --kind materials"),
    ],
)  # fmt: skip
def test_an_id_that_leads_to_nothing_names_the_nearest(
    command: Command, asked: tuple[str, ...], message: str
) -> None:
    done = command("show", *asked)
    assert (done.status, done.out) == (2, "")
    assert done.err.startswith(message)


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_has_a_json_document(command: Command, cases: TableSet, kind: str) -> None:
    name = min(getattr(cases, kind))
    shown = answer(command("show", name, "--kind", kind, "--on", DAY, "--json"), "tables-show")
    assert (shown["kind"], shown["id"], shown["record"]["id"]) == (kind, name, name)


def test_the_document_of_a_scale_has_its_classes_as_they_are_reported(command: Command) -> None:
    shown = answer(command("show", "vale/phosphorus-heavy", "--on", DAY, "--json"), "tables-show")
    # Whole lb/ac: 60 is still medium, since the source says "above 60".
    assert shown["classes"] == [
        {"name": "low", "from": 0, "up_to": 24},
        {"name": "medium", "from": 25, "up_to": 60},
        {"name": "high", "from": 61, "up_to": None},
    ]
    assert shown["record"]["classes"][2] == {"name": "high", "from": 60, "to": None, "open_below": True}
    assert shown["state"] == "in-force"
    assert [source["id"] for source in shown["sources"]] == ["vale-bulletin-7"]


def test_the_document_of_a_crop_counts_every_edition_in_kg_per_tonne(command: Command) -> None:
    shown = answer(command("show", "wheat", "--kind", "crops", "--json"), "tables-show")
    first, second, third = shown["removal_kg_per_t"]
    # 5 lb in a bushel of 60 lb is 1/12, 83.33 kg/t; 0.3/60 is 5 kg/t.
    assert first == pytest.approx({"P2O5": 83.333333, "K2O": 5})
    # 0.35 % P is 3.5 kg/t, as P2O5 x (2 x 30.974 + 5 x 15.999) / (2 x 30.974) = 2.29132: 8.0196; 0.4 % K is
    # 4 kg/t, as K2O x (2 x 39.098 + 15.999) / (2 x 39.098) = 1.20460: 4.8184.
    assert second == pytest.approx({"N": 20, "P2O5": 8.0196, "K2O": 4.8184}, abs=1e-4)
    assert third == pytest.approx({"P2O5": 1.5, "K2O": 12})  # 3 lb and 24 lb in 2000 lb


def test_who_rests_on_what(cases: TableSet) -> None:
    named = [(each.kind, each.id) for each in naming(cases, "methods", "scooped")]
    assert named == [("scales", "hill/ph"), ("methods", "bray")]  # bray says: use scooped instead
    users = naming(cases, "materials", "wheat")
    assert [each.id for each in users] == ["vale/phosphate", "vale/phosphate-sown"]
    assert [(each.kind, each.id) for each in naming(cases, "sources", "vale-bulletin-5")] == [
        ("scales", "vale/phosphorus-heavy-2014"),
        ("rates", "vale/phosphate-sown"),
        ("crops", "wheat"),
    ]


def test_reported_classes_are_those_a_value_is_classed_in(shipped: TableSet, cases: TableSet) -> None:
    for scale in (*shipped.scales.values(), *cases.scales.values()):
        classes = reported_classes(scale)
        ends = [each.first if each.last is None else each.last for each in classes]
        values = np.array([*(each.first for each in classes), *ends])
        nothing = np.full(len(values), np.nan)
        found = classify(values, nothing, nothing, scale).index.tolist()
        assert found == [*range(len(classes))] * 2, scale.id
        for one, following in pairwise(classes):
            assert one.last is not None
            assert following.first - one.last == pytest.approx(scale.round_to)  # nothing lies between them


# ---------------------------------------------------------------------------------------------- formulas


@pytest.mark.parametrize(
    ("formula", "said"),
    [
        ("a - (b - c) / 2", "1 − (2 − 0.5) / 2"),
        ("a - b - c", "1 − 2 − 0.5"),
        ("a / (b * c)", "1 / (2 × 0.5)"),
        ("-soil_test * a", "(−soil test) × 1"),
        ("max(0, a - soil_test) * yield_goal", "(the larger of 0 and (1 − soil test)) × yield goal"),
        ("min(a, b, yield_goal)", "the smaller of 1, 2 and yield goal"),
        ("a if ph < 6 else b", "1 if soil pH is below 6, otherwise 2"),
        ("(a if near_water else b) * c", "(1 if water next to the field, otherwise 2) × 0.5"),
        ("a if ph < 5 else (b if ph <= 6 else c)",
         "1 if soil pH is below 5, otherwise (2 if soil pH is at most 6, otherwise 0.5)"),
        ('crop == "wheat" and not near_water', "the crop is wheat and no water next to the field"),
        ('previous_crop != "oats" or texture == "x"', "the crop before is not oats or the texture is x"),
        ("(ph > 7 or om_percent >= 3) and ph != 8",
         "(soil pH is above 7 or organic matter is at least 3) and soil pH is not 8"),
        ("not (ph < 6)", "not (soil pH is below 6)"),
        ("always", "always"),
        ("0.00001 * 1234567", "0.00001 × 1234567"),
    ],
)  # fmt: skip
def test_a_formula_in_words_keeps_its_brackets(cases: TableSet, formula: str, said: str) -> None:
    assert in_words(cases, formula, {"a": 1, "b": 2, "c": 0.5}) == said


# ---------------------------------------------------------------------------------------------- pictures


@given(
    steps=st.lists(st.floats(min_value=0.01, max_value=1e4), min_size=1, max_size=11),
    top=st.one_of(st.none(), st.floats(min_value=0.01, max_value=1e6)),
    lengths=st.lists(st.integers(min_value=1, max_value=60), min_size=12, max_size=12),
    draw=st.sampled_from([pictures.BOXES, pictures.ASCII]),
)
def test_any_scale_is_drawn_within_the_page(
    steps: list[float], top: float | None, lengths: list[int], draw: pictures.Strokes
) -> None:
    limits = [0.0, *np.cumsum(steps).tolist()]
    names = ["n" * length for length in lengths[: len(limits)]]
    lines = pictures.scale_picture(names, limits, top, len(limits) - 1, draw)
    assert max(map(len, lines)) <= WIDTH
    (bar,) = (line for line in lines if line.count(draw.limit) == len(limits) - 1 and draw.start in line)
    assert bar.strip()[0] == draw.start
    assert bar.strip()[-1] == draw.on
    text = " ".join(lines)
    assert all(name in text for name in names)
    assert all(pictures.exact(limit) in text for limit in limits)


def test_limits_stand_where_their_values_are() -> None:
    # 74 columns from 0 to 73: 25 of 100 is column 18.25, 60 of 100 column 43.8; two blanks are set before.
    words, bar, numbers, enough = pictures.scale_picture(("low", "medium", "high"), (0, 25, 60), 100, 1)
    assert [place for place, sign in enumerate(bar) if sign == "┼"] == [2 + 18, 2 + 44]
    assert [numbers.index(limit) for limit in ("25", "60")] == [2 + 18, 2 + 44]
    assert enough.index("▲") == 2 + 18
    assert words.split() == ["low", "medium", "high"]


def test_bars_are_as_long_as_their_numbers() -> None:
    rows = (("a", 80.0), ("b", 40.0), ("c", 0.1), ("d", 0.0), ("e", None))
    lengths = [line.count("#") for line in pictures.bars(rows, "refused", pictures.ASCII)]
    assert lengths[0] == 2 * lengths[1]
    assert lengths[2:] == [1, 0, 0]  # a small amount still shows; none does not
    assert pictures.bars(rows, "refused")[-1].endswith("refused")


# ------------------------------------------------------------------------------------- pipes and the page


def test_a_reader_that_leaves_early_is_no_mistake() -> None:
    # The list of the shipped tables is longer than what a pipe holds before its reader must take some.
    script = '("$@"; echo "status $?" >&2) | head -n 1'
    for asked in (["tables", "list"], ["tables", "list", "--json"]):
        words = ["/bin/sh", "-c", script, "sh", *PROGRAM, *asked]
        done = subprocess.run(words, capture_output=True, text=True, check=True)
        assert len(done.stdout.splitlines()) == 1
        assert done.stderr == "status 0\n"


def test_a_reader_that_leaves_early_does_not_hide_a_refusal() -> None:
    demo = ROOT / "service" / "demo"
    script = '("$@"; echo "status $?" >&2) | true'
    arguments = ["advise", str(demo / "bench.csv"), "--samples", str(demo / "samples.csv")]
    words = ["/bin/sh", "-c", script, "sh", *PROGRAM, *arguments]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert done.stderr == "status 1\n"


def test_the_page_of_what_is_covered_is_up_to_date(shipped: TableSet) -> None:
    kept = (SHIPPED / "COVERAGE.md").read_text(encoding="utf-8")
    assert kept == coverage_page(shipped), f"tables/COVERAGE.md is out of date: run `{REFRESH}`"


def test_the_page_is_what_the_command_prints(command: Command) -> None:
    done = command("list", "--page")
    assert (done.status, done.out) == (0, coverage_page(read_tables(CASES)))


@pytest.mark.parametrize("option", [("--json",), ("--region", "vale"), ("--kind", "crops")])
def test_the_page_is_not_narrowed_down(command: Command, option: tuple[str, ...]) -> None:
    done = command("list", "--page", *option)
    assert (done.status, done.out) == (2, "")
    assert done.err.startswith("--page is about all tables, and is no JSON\nExpected: --page alone")


def test_the_page_names_every_table_region_method_crop_and_material(cases: TableSet) -> None:
    page = coverage_page(cases)
    for kind in ("scales", "rates", "conversions", "methods", "crops", "materials"):
        assert all(f"`{name}`" in page for name in getattr(cases, kind))
    assert "| [Vale](#vale-vale-invented) | Vale Example Board | 7 |" in page
    assert "## Vale (vale, invented)\n\n**Publisher:** Vale Example Board\n" in page
    assert "| invented | invented for the example | 2 | 4 | 1 | – |" in page
    assert "from 2014-01-01 to 2024-06-30" in page
    assert "**Bulletin 7**; Vale Example Board 2024 (straw)" in page
    assert "Bulletin 5 (harvest, doubtful)" in page


def test_the_readmes_lead_to_the_page() -> None:
    assert "(tables/COVERAGE.md)" in (ROOT / "README.md").read_text(encoding="utf-8")
    assert "(COVERAGE.md)" in (SHIPPED / "README.md").read_text(encoding="utf-8")


def test_the_page_travels_with_the_tables() -> None:
    assert (tables_directory() / "COVERAGE.md").is_file()


@pytest.mark.parametrize("module", [coverage_list, tables_action, formulas, coverage, pictures])
def test_the_examples_work(module: ModuleType) -> None:
    failed, tried = doctest.testmod(module, optionflags=doctest.NORMALIZE_WHITESPACE)
    assert (failed, tried > 0) == (0, True)


def test_reading_order_and_kinds_are_complete(shipped: TableSet) -> None:
    listed = entries(shipped, Wanted(), date(2026, 4, 17))
    assert {entry.id for entry in listed} == {*shipped.scales, *shipped.rates, *shipped.conversions}
    assert "Other" not in {entry.topic for entry in listed}
    assert find(shipped, "marrowdale")[0] == "regions"


if __name__ == "__main__":
    GOLDEN.mkdir(exist_ok=True)
    for page, asked in PAGES.items():
        done = subprocess.run(
            [*PROGRAM, "tables", *asked, "--tables", str(CASES), "--on", DAY],
            capture_output=True, text=True, check=True, env=os.environ | {"PYTHONIOENCODING": "utf-8"},
        )  # fmt: skip
        (GOLDEN / f"{page}.txt").write_text(done.stdout, encoding="utf-8")
