"""Whatever else people send as a run file ends in an error with file, row and column."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from interpretation.errors import FurrowsliceError
from service.layout import Layout, read_layout
from service.runfiles import read_run
from tests.app.run_texts import CUPS, FACTS, FIRST_CUP, TITLE_ROW, TITLES, refused, run_text, write

PLAIN_UTF8 = read_layout().model_copy(update={"encoding": "utf-8"})
CP1252 = read_layout().model_copy(update={"encoding": "cp1252"})
NO_LIMITS = read_layout().model_copy(update={"less_than": ""})
CONCENTRATIONS = FACTS.replace("absorbance", "concentration")
DECIMAL_COMMA = Layout.model_validate(
    read_layout().model_dump() | {"id": "x", "delimiter": "semicolon", "decimal": "comma"}
)


@pytest.mark.parametrize(
    ("content", "parts"),
    [
        (b"", ["run.csv, row 1", "the file is empty"]),
        (b"\xef\xbb\xbf", ["run.csv", "no empty line between the header lines and the column titles"]),
        (b"\n\n\n", ["run.csv, row 1", "the header lines lack 'Run'"]),
        (b"\x89PNG\r\n\x1a\n" + bytes(range(256)), ["run.csv, row 1", "a PNG picture, not delimited text"]),
        (b"PK\x03\x04rest", ["run.csv, row 1", "a workbook or another zip archive", ".xlsx"]),
        (b"%PDF-1.7\n", ["a PDF page"]),
        (b"\xff\xfea\x00b\x00", ["UTF-16 text"]),
        (bytes(range(1, 256)) * 10, ["run.csv, row 2, byte 118 of the row", "the byte 0x80 is not utf-8"]),
        (b"Run,a\nb\0c\n", ["run.csv, row 2, byte 2 of the row", "a zero byte"]),
        (b"a" * (10 * 1024 * 1024 + 1), ["run.csv: the file is larger than 10 MiB"]),
    ],
)  # fmt: skip
def test_what_is_no_text_is_refused(tmp_path: Path, content: bytes, parts: list[str]) -> None:
    refused(write(tmp_path, content), *parts)


def test_header_only_is_refused(tmp_path: Path) -> None:
    refused(write(tmp_path, FACTS + "\n"), "run.csv: the file ends before the column titles")
    refused(write(tmp_path, FACTS + "\n" + TITLES), f"run.csv, row {TITLE_ROW}", "no rows below them")


def test_an_encoding_is_read_when_declared_and_refused_when_not(tmp_path: Path) -> None:
    facts = FACTS.replace("E. Rowe", "Zoë")
    cp1252 = write(tmp_path, run_text(facts=facts).encode("cp1252"))
    refused(cp1252, "run.csv, row 9, byte 12 of the row", "0xEB is not utf-8-sig", "cp1252")
    utf8 = write(tmp_path, run_text(facts=facts), "utf8.csv")
    refused(utf8, "utf8.csv, row 9, byte 12 of the row", "the file is UTF-8 text", layout=CP1252)
    marked = write(tmp_path, b"\xef\xbb\xbf" + run_text().encode(), "marked.csv")
    refused(marked, "marked.csv, row 1, byte 1", "byte order mark", "utf-8-sig", layout=PLAIN_UTF8)


def _column(name: str) -> str:
    return f"column {TITLES.split(',').index(name) + 1} ({name!r})"


@pytest.mark.parametrize(
    ("cell", "parts"),
    [
        ("１２", ["'１２' is not a number", "plain digits 0-9"]),
        ("٣", ["is not a number"]),
        ("1_000", ["'1_000' is not a number", "plain digits 0-9"]),
        ("1e3", ["'1e3' is not a number", "'exponent: yes'"]),
        ("nan", ["'nan' is not a number", "leave the cell empty"]),
        ("inf", ["'inf' is not a number"]),
        ("-", ["'-' is not a number", "blank_cells"]),
        ('"1.234,5"', ["'1.234,5' is not a number", "no thousands mark"]),
        ('"1,234"', ["'1,234' is not a number", "'decimal: comma'"]),
        ("1 234", ["'1 234' is not a number"]),
        ("+1", ["'+1' is not a number"]),
        (".5", ["'.5' is not a number"]),
        ("5.", ["'5.' is not a number"]),
        ("<0.05", ["'<0.05' is not a number", "less_than"]),
        ("9" * 400, ["is too large"]),
    ],
)
def test_what_only_looks_like_a_number_is_refused(tmp_path: Path, cell: str, parts: list[str]) -> None:
    path = write(tmp_path, run_text(*CUPS[:3], f"4,sample,0012,,,{cell},,no,"))
    refused(path, f"run.csv, row {FIRST_CUP + 3}, {_column('Signal')}", *parts)


def test_a_point_under_a_decimal_comma_is_refused(tmp_path: Path) -> None:
    text = run_text(*CUPS[:3], "4,sample,0012,,,1.234,,no,").replace(",", ";")
    text = text.replace("0.0", "0,0").replace("0.1", "0,1").replace("0.5", "0,5").replace("1.0", "1,0")
    refused(
        write(tmp_path, text), f"row {FIRST_CUP + 3}, {_column('Signal')}", "'1.234' is not a number",
        "decimal mark ','", "'decimal: point'", layout=DECIMAL_COMMA,
    )  # fmt: skip


def test_a_limit_is_read_only_when_declared(tmp_path: Path) -> None:
    titles = TITLES.replace("Signal", "Concentration mg/L")
    path = write(
        tmp_path, run_text("1,sample,7,,,<0.05,,,", "2,sample,8,,,1,,,", facts=CONCENTRATIONS, titles=titles)
    )
    refused(path, f"row {FIRST_CUP}, column 6", "'<0.05' is not a number", "less_than", layout=NO_LIMITS)
    for cell, part in (
        ("<", "'<' is not a limit"),
        ("<<1", "'<<1' is not a limit"),
        ("<0", "a limit of zero"),
    ):
        cups = (f"1,sample,7,,,{cell},,,", "2,sample,8,,,1,,,")
        refused(
            write(tmp_path, run_text(*cups, facts=CONCENTRATIONS, titles=titles)), f"row {FIRST_CUP}", part
        )


@pytest.mark.parametrize(
    "cell",
    ["=1+1", "@SUM(A1)", "+1", "-1", "=cmd|' /C calc'!A0", "../x", "a\\b", "ä", "a\u0430", "１２", "x" * 65,
     "a;b"],
)  # fmt: skip
def test_an_id_is_letters_digits_and_a_few_signs(tmp_path: Path, cell: str) -> None:
    path = write(tmp_path, run_text(*CUPS[:3], f"4,sample,{cell},,,0.1,,no,"))
    refused(
        path, f"run.csv, row {FIRST_CUP + 3}, {_column('Id')}", "is not an identifier", "a letter or digit"
    )


@pytest.mark.parametrize(
    ("cell", "code"),
    [("a\u202eb", "U+202E"), ("a\u200bb", "U+200B"), ("a\x07b", "U+0007"), ("a\x85b", "U+0085")],
)
def test_invisible_characters_are_refused_wherever_they_stand(tmp_path: Path, cell: str, code: str) -> None:
    path = write(tmp_path, run_text(*CUPS[:3], f"4,sample,12,,,0.1,,yes,{cell}"))
    refused(path, f"run.csv, row {FIRST_CUP + 3}, column 9", f"invisible character {code}")


@pytest.mark.parametrize(
    ("cup", "parts"),
    [
        ("4,sample,12,,,0.1,,no", ["column 9", "8 cells under 9 column titles"]),
        ("4,sample,12,,,0.1,,no,,", ["column 10", "10 cells under 9 column titles", "quotation marks"]),
        (
            "4,sampel,12,,,0.1,,no,",
            [_column("Kind"), "'sampel' is not a known word", "standard, blank", "kinds"],
        ),
        ("4,,12,,,0.1,,no,", [_column("Kind"), "the cell is empty"]),
        ("4a,sample,12,,,0.1,,no,", [_column("Position"), "'4a' is not a whole number"]),
        (",sample,12,,,0.1,,no,", [_column("Position"), "the cell is empty"]),
        ("4,sample,12,,,0.1,,perhaps,", [_column("Excluded"), "'perhaps' is not a known word", "yes, no"]),
        ('4,sample,12,,,0.1,,yes,"open', ["cannot be split into cells", "quotation mark"]),
        ('4,sample,12,,,0.1,,yes,"a"b', ["cannot be split into cells", "quotation mark"]),
        ("4,sample,12,,,0.1,,yes," + "x" * 50_000, ["column 9", "a cell of 50000 characters"]),
        ("4,sample,12,,,0.1,,yes," + "x" * 201, [_column("Reason"), "a text of 201 characters"]),
        ("4,sample,12,,,0.1,,yes" + "," * 60, ["column 61", "68 columns", "at most 60"]),
    ],
)
def test_a_broken_row_is_refused(tmp_path: Path, cup: str, parts: list[str]) -> None:
    refused(write(tmp_path, run_text(*CUPS[:3], cup)), f"run.csv, row {FIRST_CUP + 3}", *parts)


def test_too_many_rows_are_refused(tmp_path: Path) -> None:
    path = write(tmp_path, "x\n" * 20_001)
    refused(path, "run.csv, row 20001", "more than 20000 rows")


def test_the_wrong_delimiter_is_recognised(tmp_path: Path) -> None:
    text = FACTS + "\n" + "\n".join((TITLES, *CUPS)).replace(",", ";")
    refused(
        write(tmp_path, text), f"run.csv, row {TITLE_ROW}, column 1", "one single column",
        "columns separated by comma", "'delimiter: semicolon'",
    )  # fmt: skip


GOOD = run_text().encode()


@given(
    st.integers(0, len(GOOD) - 1), st.integers(0, 4),
    st.binary(max_size=4) | st.sampled_from([b'"', b",", b"\n", b"\r", b"-", b"9" * 400, b"\xe2\x80\xae"]),
)  # fmt: skip
def test_a_damaged_file_is_a_run_or_a_refusal(
    tmp_path_factory: pytest.TempPathFactory, at: int, removed: int, put: bytes
) -> None:
    path = tmp_path_factory.getbasetemp() / "damaged.csv"
    path.write_bytes(GOOD[:at] + put + GOOD[at + removed :])
    outcome: int | FurrowsliceError
    try:
        outcome = len(read_run(path).readings)
    except FurrowsliceError as error:
        outcome = error
    if isinstance(outcome, FurrowsliceError):
        assert outcome.expected
        assert outcome.fix
    else:
        assert outcome <= len(CUPS) + 2
