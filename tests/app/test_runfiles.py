"""Run files in both shipped layouts, and in a laboratory's own."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pytest

from interpretation.errors import RunFileError
from interpretation.laboratory.run import READINGS
from service.layout import Layout, read_layout
from service.runfiles import read_run
from tests.app.run_texts import CUPS, FACTS, FIRST_CUP, TITLE_ROW, TITLES, refused, run_text, write

SIDE = """\
run_id: NO-0107
laboratory: Quillwater Soil Laboratory
analyte: nitrate
form: NO3-N
method: kcl-1:10-nitrate-colour
signal_kind: concentration
standards_matrix: 2 M potassium chloride
run_on: 2026-03-04
operator: E. Rowe
blank_subtracted: no
dilution_applied: no
curve: {model: quadratic, weighting: 1/x2}
"""
SEMICOLON = """\
Nr;Typ;Kennung;Gehört zu;Sollwert mg/L;Gehalt mg/L;Verdünnung;Gestrichen;Grund
1;Leerwert;;;;-0,01;;;
2;Kontrolle;K1;;1,5;1,48;;;
3;Probe;0012;;;<0,05;;;
4;PROBE;24-0013;;;2,75;10;;
5;Probe;24-0014;;;-;;x;Küvette verschüttet
6;Doppel;;24-0013;;2,71;10;nein;
"""


def test_the_default_layout(tmp_path: Path) -> None:
    run = read_run(write(tmp_path, run_text()))
    readings = run.readings
    assert {name: str(dtype) for name, dtype in readings.dtypes.items()} == READINGS
    assert readings["cup_id"].tolist() == ["", "S1", "S2", "0012", "1E5", "NA", "0012 d"]
    assert readings["row"].tolist() == list(range(FIRST_CUP, FIRST_CUP + 7))
    assert readings["dilution"].tolist() == [1, 1, 1, 1, 10, 1, 1]
    assert readings["excluded"].tolist() == [False] * 5 + [True, False]
    assert readings["reason"][5] == "bubble in the cell"
    assert readings["solution_mg_per_l"].isna().all()
    assert (run.header.run_id, run.header.run_on) == ("BR-0412", date(2026, 3, 4))
    assert (run.header.blank_subtracted, run.header.curve.model) == (False, "linear")
    assert run.source == "run.csv"


def test_semicolon_decimal_comma_cp1252_and_a_side_file(tmp_path: Path) -> None:
    path = write(tmp_path, SEMICOLON.encode("cp1252"))
    write(tmp_path, SIDE, "run.header.yaml")
    run = read_run(path, read_layout("comma-semicolon"))
    readings = run.readings
    assert readings["kind"].tolist() == ["blank", "check", "sample", "sample", "sample", "duplicate"]
    np.testing.assert_array_equal(readings["solution_mg_per_l"], [-0.01, 1.48, np.nan, 2.75, np.nan, 2.71])
    np.testing.assert_array_equal(readings["below_mg_per_l"], [np.nan, np.nan, 0.05, *[np.nan] * 3])
    assert readings["reason"][4] == "Küvette verschüttet"
    assert (run.header.curve.model, run.header.curve.weighting) == ("quadratic", "1/x2")


def test_a_side_file_may_lie_anywhere(tmp_path: Path) -> None:
    path = write(tmp_path, SEMICOLON.encode("cp1252"))
    header = write(tmp_path, SIDE.replace("NO-0107", "NO-0108"), "elsewhere.yaml")
    assert read_run(path, read_layout("comma-semicolon"), header).header.run_id == "NO-0108"
    refused(path, "run.header.yaml: the file cannot be opened", layout=read_layout("comma-semicolon"))


@pytest.mark.parametrize("delimiter", ["tab", "pipe"])
def test_a_laboratory_s_own_layout(tmp_path: Path, delimiter: str) -> None:
    mark = {"tab": "\t", "pipe": "|"}[delimiter]
    layout = Layout.model_validate(
        {
            "id": "own", "delimiter": delimiter, "skip_lines": 2, "exponent": True, "dates": "DD/MM/YYYY",
            "yes": ["Y"], "no": ["N"], "blank_cells": ["n/a"], "ignore": ["Operator note"],
            "position_from_order": True,
            "columns": {"kind": "Type", "cup_id": "Name", "signal": "Area", "nominal_mg_per_l": "Conc"},
            "kinds": {"standard": ["STD", "CAL"], "sample": "UNK"},
            "header": {
                "place": "top", "ignore_others": True,
                "names": {"run_id": "Sequence", "run_on": "Day", "blank_subtracted": "Blank off"},
                "constants": {
                    "laboratory": "Quillwater Soil Laboratory", "analyte": "P", "form": "P", "method": "m",
                    "signal_kind": "peak area", "standards_matrix": "extractant", "operator": "E. Rowe",
                    "dilution_applied": "no",
                },
            },
        }
    )  # fmt: skip
    lines = [
        ["a title"], ["made by hand, 'as it was"], ["Sequence", "S-7"], ["Day", "04/03/2026"],
        ["Blank off", "Y"],
        ["Room", "21"], [""], ["Type", "Name", "Area", "CONC", "Operator  note"],
        ["std", "S1", "1.5E3", "0.5", ""], ["cal", "S2", "2900", "1", "refilled"],
        ["unk", "7", "n/a", "n/a", ""],
        ["unk", "8", "1700", "", ""],
    ]  # fmt: skip
    run = read_run(write(tmp_path, "\n".join(mark.join(line) for line in lines), "run.txt"), layout)
    assert run.readings["kind"].tolist() == ["standard", "standard", "sample", "sample"]
    assert run.readings["position"].tolist() == [1, 2, 3, 4]
    assert run.readings["row"].tolist() == [9, 10, 11, 12]
    np.testing.assert_array_equal(run.readings["signal"], [1500, 2900, np.nan, 1700])
    assert (run.header.run_on, run.header.blank_subtracted) == (date(2026, 3, 4), True)


def test_cups_are_put_into_instrument_order(tmp_path: Path) -> None:
    run = read_run(write(tmp_path, run_text(*reversed(CUPS))))
    assert run.readings["position"].tolist() == [1, 2, 3, 4, 5, 6, 7]
    assert run.readings["row"].tolist() == list(range(FIRST_CUP + 6, FIRST_CUP - 1, -1))
    assert run.readings["cup_id"][3] == "0012"


def test_a_byte_order_mark_mixed_line_ends_and_quoted_newlines_are_read(tmp_path: Path) -> None:
    plain = read_run(write(tmp_path, run_text()))
    mixed = run_text().replace("\n", "\r\n", 5)
    mixed = mixed.replace(CUPS[2] + "\n", CUPS[2] + "\r")
    read = read_run(write(tmp_path, b"\xef\xbb\xbf" + mixed.encode()))
    assert read.readings.equals(plain.readings)
    quoted = run_text(*CUPS[:5], '6,sample,NA,,,0.071,,yes,"bubble\n""large"""', CUPS[6])
    read = read_run(write(tmp_path, quoted))
    assert read.readings["reason"][5] == 'bubble "large"'
    assert read.readings["row"].tolist()[-2:] == [FIRST_CUP + 5, FIRST_CUP + 7]


def test_empty_rows_are_passed_over_and_counted(tmp_path: Path) -> None:
    text = run_text(*CUPS[:3], "", ",,,,,,,,", *CUPS[3:], "", "")
    assert read_run(write(tmp_path, text)).readings["row"].tolist()[3] == FIRST_CUP + 5


# ------------------------------------------------------------------------------------- the header refuses


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("Run,BR-0412\n", "", ["run.csv, row 11", "the header lines lack 'Run'"]),
        (
            "Operator,E. Rowe",
            "Operater,E. Rowe",
            ["row 9, column 1", "'Operater' is not known", "a comma, its value"],
        ),
        ("Operator,E. Rowe", "Operator,", ["row 9, column 2", "'Operator' has no value"]),
        ("Operator,E. Rowe", "Operator,Rowe, E.", ["row 9", "more than one value", "quotation marks"]),
        ("Date,2026-03-04", "Date,04.03.2026", ["row 8, column 2 ('Date')", "'04.03.2026'", "YYYY-MM-DD"]),
        ("Date,2026-03-04", "Date,2026-02-30", ["row 8", "run_on is '2026-02-30'"]),
        ("subtracted,no", "subtracted,maybe", ["row 10", "blank_subtracted is 'maybe'", "yes, no"]),
        ("Reading,absorbance", "Reading,colour", ["row 6", "signal_kind is 'colour'", "'peak area'"]),
        ("Run,BR-0412", "Run,../x", ["row 1", "run_id is '../x'", "pattern"]),
        ("Analyte,P", "Analyte,Q", ["run.csv, run BR-0412", "unknown analyte 'Q'"]),
        ("Form,P", "Form,NO3-N", ["'NO3-N' is not a form of P", "P2O5"]),
        ("Dilution applied,no", "Dilution applied,yes", ["dilution_applied is said of a run", "absorbance"]),
    ],
)
def test_a_broken_header_line_is_refused(tmp_path: Path, old: str, new: str, parts: list[str]) -> None:
    assert old in FACTS
    refused(write(tmp_path, run_text(facts=FACTS.replace(old, new))), *parts)


def test_header_lines_need_an_empty_line_after_them(tmp_path: Path) -> None:
    text = "\n".join((FACTS.strip(), TITLES, *CUPS))
    refused(write(tmp_path, text), "row 12, column 1", "'Position' is not known", "empty line")
    refused(write(tmp_path, FACTS.strip()), "no empty line between the header lines")


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("form: NO3-N\n", "", ["run.csv", "the run's header lacks form", "none is guessed"]),
        ("operator:", "operater:", ["run.header.yaml", "'operater' is no fact about a run"]),
        ("operator: E. Rowe", "operator: [a, b]", ["'operator' has several values"]),
        ("run_on: 2026-03-04", "run_on: 4 March", ["run.header.yaml, run_on", "'4 March'"]),
        ("model: quadratic", "model: cubic", ["run.header.yaml, model", "'linear' or 'quadratic'"]),
        (
            "curve: {model: quadratic, weighting: 1/x2}",
            "curve: [quadratic]",
            ["run.header.yaml: 'curve' holds no choices", "one value each of model, weighting"],
        ),
        ("operator: E. Rowe", "operator: E. Rowe\nmodel: linear", ["one that is also outside it"]),
        (
            "operator: E. Rowe",
            "operator: E. Rowe\noperator: x",
            ["run.header.yaml:10", "the key 'operator' is here twice"],
        ),
    ],
)
def test_a_broken_side_file_is_refused(tmp_path: Path, old: str, new: str, parts: list[str]) -> None:
    path = write(tmp_path, SEMICOLON.encode("cp1252"))
    assert old in SIDE
    write(tmp_path, SIDE.replace(old, new), "run.header.yaml")
    refused(path, *parts, layout=read_layout("comma-semicolon"))


def test_two_places_may_not_disagree(tmp_path: Path) -> None:
    path = write(tmp_path, run_text())
    agrees = write(tmp_path, "operator: E. Rowe\ninstrument: bench 2\n", "agrees.yaml")
    assert read_run(path, header=agrees).header.instrument == "bench 2"
    differs = write(tmp_path, "operator: R. Ash\n", "differs.yaml")
    refused(path, "row 9", "differs.yaml, operator", "'E. Rowe' in one place and 'R. Ash'", header=differs)


# ------------------------------------------------------------------------------------ the columns refuse


@pytest.mark.parametrize(
    ("titles", "parts"),
    [
        (TITLES.replace("Kind", "Sort"), ["no column 'Kind'", "the file has Position, Sort, Id"]),
        (TITLES.replace("Dilution", "Dilutoin"), ["column 7", "'dilutoin' is not known", "misspelt"]),
        (TITLES.replace("Of", "ID"), ["'id' is there twice, in columns 3 and 4"]),
        (TITLES.replace("Excluded", ""), ["column 8", "a column with content has no title"]),
    ],
)
def test_broken_titles_are_refused(tmp_path: Path, titles: str, parts: list[str]) -> None:
    refused(write(tmp_path, run_text(titles=titles)), f"run.csv, row {TITLE_ROW}", *parts)


def test_a_column_without_title_and_content_is_passed_over(tmp_path: Path) -> None:
    cups = [cup + "," for cup in CUPS]
    assert len(read_run(write(tmp_path, run_text(*cups, titles=TITLES + ","))).readings) == len(CUPS)


def test_what_is_known_and_not_needed_may_be_declared(tmp_path: Path) -> None:
    path = write(tmp_path, run_text(*(cup + ",21.5" for cup in CUPS), titles=TITLES + ",Room"))
    refused(path, "column 10", "'room' is not known")
    default = read_layout().model_copy(update={"ignore": ("Room",)})
    assert len(read_run(path, default).readings) == len(CUPS)


def test_a_calibration_alone_has_to_be_meant(tmp_path: Path) -> None:
    path = write(tmp_path, run_text(*CUPS[:3]))
    refused(path, "run.csv: the run has no samples", "standards alone can be calibrated")
    assert len(read_run(path, calibration_only=True).readings) == 3


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    refused(tmp_path / "none.csv", "none.csv: the file cannot be read: there is no such file")
    with pytest.raises(RunFileError, match="cannot be read"):
        read_run(tmp_path)  # a folder
