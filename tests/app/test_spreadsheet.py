"""Workbooks: typed cells are read as stored, and hostile ones do no harm."""

from __future__ import annotations

import io
import signal
import subprocess
import sys
import zipfile
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path

import pytest
from openpyxl import Workbook
from openpyxl.worksheet.worksheet import Worksheet

from service import spreadsheet
from service.layout import Layout, read_layout
from service.runfiles import read_run
from tests.app.run_texts import CUPS, FIRST_CUP, refused, run_text, write


def _sheet_of(text: str, sheet: Worksheet) -> None:
    """The run as somebody would type it: positions and readings as numbers, all else as text."""
    for number, line in enumerate(text.splitlines(), 1):
        for column, cell in enumerate(line.split(","), 1):
            typed = number >= FIRST_CUP and column in (1, 5, 6, 7) and cell
            sheet.cell(number, column, float(cell) if typed else cell or None)


def _workbook(folder: Path, change: Callable[[Worksheet], object] = lambda sheet: None) -> Path:
    book = Workbook()
    sheet = book.worksheets[0]
    sheet.title = "Run"
    _sheet_of(run_text(), sheet)
    change(sheet)
    path = folder / "run.xlsx"
    book.save(path)
    return path


def _rewrite(path: Path, part: str, change: Callable[[bytes], bytes]) -> Path:
    """Change one part of the workbook's archive."""
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    parts[part] = change(parts.get(part, b""))
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return path


SHEET = "xl/worksheets/sheet1.xml"
ROW = FIRST_CUP + 3  # the sample 0012


def _where(column: str, title: str) -> str:
    return f"run.xlsx, sheet 'Run', row {ROW}, column {column} ({title!r})"


def test_a_workbook_says_the_same_as_the_text(tmp_path: Path) -> None:
    from_text = read_run(write(tmp_path, run_text()))
    from_workbook = read_run(_workbook(tmp_path))
    assert from_workbook.readings.equals(from_text.readings)
    assert from_workbook.header == from_text.header


def test_typed_cells_are_read_as_stored_whatever_the_layout_declares(tmp_path: Path) -> None:
    def typed(sheet: Worksheet) -> None:
        sheet["B8"] = date(2026, 3, 4)
        sheet["F17"], sheet["F18"] = 1.25e-7, "0,5"  # a number in full, and a number typed as text
        sheet["H18"], sheet["I18"] = True, "spilt"
        sheet["C18"] = 24  # a whole number where an identifier belongs

    layout = Layout.model_validate(
        read_layout().model_dump()
        | {
            "id": "own",
            "delimiter": "semicolon",
            "decimal": "comma",
            "dates": "DD.MM.YYYY",
            "yes": ["ja", "yes"],
        }
    )
    run = read_run(_workbook(tmp_path, typed), layout)
    cups = run.readings.set_index("row")
    assert run.header.run_on == date(2026, 3, 4)
    assert (cups["signal"][17], cups["signal"][18]) == (1.25e-7, 0.5)
    assert (cups["excluded"][18], cups["cup_id"][18]) == (True, "24")


@pytest.mark.parametrize(
    ("cell", "value", "number_format", "parts"),
    [
        ("C", 12.5, None, [_where("C", "Id"), "holds a number, '12.5'", "format the column as text"]),
        ("C", 12, "0000", [_where("C", "Id"), "holds a formatted number, '12'"]),
        ("C", 1234567890123456, None, [_where("C", "Id"), "holds a number"]),
        ("C", date(2026, 3, 5), None, [_where("C", "Id"), "holds a date, '2026-03-05'"]),
        ("C", "=1+1", None, ["sheet 'Run', cell C17", "a formula whose result is not stored"]),
        ("F", date(2026, 3, 5), None, [_where("F", "Signal"), "holds a date, '2026-03-05', not a number"]),
        ("F", "0,063", None, [_where("F", "Signal"), "'0,063' is not a number", "'decimal: comma'"]),
        ("F", "１２", None, [_where("F", "Signal"), "'１２' is not a number"]),
        ("F", True, None, [_where("F", "Signal"), "holds a yes/no"]),
        ("H", 0.5, None, [_where("H", "Excluded"), "'0.5' is not a known word"]),
        ("A", 4.5, None, [_where("A", "Position"), "'4.5' is not a whole number"]),
    ],
)
def test_a_cell_of_the_wrong_kind_is_refused(
    tmp_path: Path, cell: str, value: object, number_format: str | None, parts: list[str]
) -> None:
    def broken(sheet: Worksheet) -> None:
        sheet[f"{cell}{ROW}"] = value
        if number_format:
            sheet[f"{cell}{ROW}"].number_format = number_format

    refused(_workbook(tmp_path, broken), *parts)


def test_a_time_of_day_is_no_day(tmp_path: Path) -> None:
    def broken(sheet: Worksheet) -> None:
        sheet["B8"] = datetime(2026, 3, 4, 10, 30)  # noqa: DTZ001 - a workbook knows no time zone

    refused(
        _workbook(tmp_path, broken), "sheet 'Run', row 8, column B ('Date')", "run_on is '2026-03-04 10:30"
    )


def test_an_error_cell_is_refused(tmp_path: Path) -> None:
    path = _rewrite(
        _workbook(tmp_path), SHEET,
        lambda xml: xml.replace(b'<c r="F17" t="n"><v>0.063</v>', b'<c r="F17" t="e"><v>#DIV/0!</v>'),
    )  # fmt: skip
    refused(path, "sheet 'Run', cell F17", "the cell shows the error #DIV/0!")


def test_a_stored_result_of_a_formula_is_read(tmp_path: Path) -> None:
    path = _rewrite(
        _workbook(tmp_path), SHEET,
        lambda xml: xml.replace(b'<c r="F17" t="n"><v>0.063</v>', b'<c r="F17"><f>F16*2</f><v>0.063</v>'),
    )  # fmt: skip
    assert b"<f>" in zipfile.ZipFile(path).read(SHEET)
    assert read_run(path).readings["signal"][3] == 0.063


def test_the_sheet_is_named_when_there_are_several(tmp_path: Path) -> None:
    path = _workbook(tmp_path, lambda sheet: sheet.parent.create_sheet("Notes"))
    refused(path, "run.xlsx: the workbook has 2 sheets: 'Run', 'Notes'", "declare 'sheet: NAME'")
    layout = read_layout()
    assert len(read_run(path, layout.model_copy(update={"sheet": "Run"})).readings) == len(CUPS)
    refused(path, "there is no sheet 'Lauf'", layout=layout.model_copy(update={"sheet": "Lauf"}))


def test_lines_are_skipped_and_counted(tmp_path: Path) -> None:
    path = _workbook(tmp_path, lambda sheet: sheet.insert_rows(1, 2))
    run = read_run(path, read_layout().model_copy(update={"skip_lines": 2}))
    assert run.readings["row"].tolist()[0] == FIRST_CUP + 2


# ------------------------------------------------------------------------------------------ hostile files


def test_a_far_away_cell_is_refused(tmp_path: Path) -> None:
    path = _workbook(tmp_path, lambda sheet: sheet.cell(1_048_576, 16_384, "x"))
    assert path.stat().st_size < 10_000
    refused(path, "sheet 'Run', cell XFD1048576", "more than 60 columns or 20000 rows")


def test_a_bomb_is_refused_before_it_is_unpacked(tmp_path: Path) -> None:
    path = _rewrite(_workbook(tmp_path), "xl/media/zeros.bin", lambda _: bytes(60_000_000))
    assert path.stat().st_size < 100_000
    refused(path, "run.xlsx: the archive unpacks to 60")


def test_entities_are_refused(tmp_path: Path) -> None:
    laughs = b'<!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;">]>'

    def declare(xml: bytes) -> bytes:
        # The declaration of the XML itself, if there is one, has to stay in front.
        end = xml.find(b"?>") + 2 if xml.startswith(b"<?xml") else 0
        return xml[:end] + laughs + xml[end:]

    for part in (SHEET, "xl/workbook.xml", "[Content_Types].xml"):
        path = _rewrite(_workbook(tmp_path), part, declare)
        refused(path, f"run.xlsx, {part}", "the workbook's XML defines its own entities")


def test_rows_out_of_order_are_refused(tmp_path: Path) -> None:
    path = _rewrite(_workbook(tmp_path), SHEET, lambda xml: xml.replace(b'<row r="17"', b'<row r="3"'))
    refused(path, f"run.xlsx, {SHEET}", "repeated or out of order")


@pytest.mark.parametrize(
    ("content", "part"),
    [
        (b"\xd0\xcf\x11\xe0" + bytes(600), "of the old binary kind (.xls), or has a password"),
        (b"a,b\n1,2\n", "the file is not a workbook"),
        (b"PK\x03\x04" + bytes(100), "the file is not a workbook"),
    ],
)
def test_what_is_no_workbook_is_refused(tmp_path: Path, content: bytes, part: str) -> None:
    for name in ("run.xlsx", "run.XLS"):
        refused(write(tmp_path, content, name), f"{name}: ", part, "export it as CSV")


def test_other_archives_are_refused(tmp_path: Path) -> None:
    def archive(**parts: bytes) -> Path:
        packed = io.BytesIO()
        with zipfile.ZipFile(packed, "w") as made:
            for name, content in parts.items():
                made.writestr(name, content)
        return write(tmp_path, packed.getvalue(), "run.xlsx")

    refused(archive(text=b"x"), "the archive is not an .xlsx workbook")
    refused(archive(**{f"part{i}": b"" for i in range(201)}), "more than 200 parts")
    path = _rewrite(_workbook(tmp_path), "xl/vbaProject.bin", lambda _: b"macro")
    refused(path, "the workbook carries macros")
    path = _rewrite(_workbook(tmp_path), SHEET, lambda xml: xml[:-40])
    refused(path, f"run.xlsx, {SHEET}", "the workbook is damaged")
    path = _rewrite(_workbook(tmp_path), "xl/workbook.xml", lambda _: b"<a/>")
    refused(path, "run.xlsx: the workbook")


def test_invisible_characters_are_refused(tmp_path: Path) -> None:
    path = _workbook(tmp_path, lambda sheet: sheet.cell(ROW, 9, "a\u202eb"))
    refused(path, f"sheet 'Run', row {ROW}, column I", "U+202E")


# Room for 50 MB more than the worker needs by itself, and one second of work.
SMALL_WORKER = """
import resource, sys
from pathlib import Path
from service import sheet_worker
pages = int(Path("/proc/self/statm").read_text().split()[0])
sheet_worker.MEMORY_BYTES = pages * resource.getpagesize() + 50_000_000
sheet_worker.CPU_SECONDS = 1
if sys.argv.pop() == "never ends":
    sheet_worker.read = lambda data, wanted: next(i for i in iter(int, 1) if i)
sys.exit(sheet_worker.main())
"""


def _small_worker(path: Path, how: str) -> int:
    command = [sys.executable, "-c", SMALL_WORKER, "", how]
    return subprocess.run(command, input=path.read_bytes(), capture_output=True, check=False).returncode


def test_the_operating_system_limits_memory_and_time(tmp_path: Path) -> None:
    path = _workbook(tmp_path)
    assert _small_worker(path, "ends") == 0
    assert _small_worker(path, "never ends") in (-signal.SIGXCPU, -signal.SIGKILL)
    _rewrite(path, "xl/big.xml", lambda _: b"<a>" + b"x" * 60_000_000 + b"</a>")
    assert _small_worker(path, "ends") == 3


@pytest.mark.parametrize(("code", "output"), [(3, b""), (-signal.SIGXCPU, b""), (0, b"{"), (0, b"[]")])
def test_a_worker_that_fails_is_reported(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int, output: bytes
) -> None:
    path = _workbook(tmp_path)
    done = subprocess.CompletedProcess([], code, output, b"")
    monkeypatch.setattr(spreadsheet.subprocess, "run", lambda *_, **__: done)
    refused(path, "run.xlsx: the workbook is damaged, or needs more memory or time than any run does")


def test_the_worker_sees_no_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: dict[str, object] = {}

    def run(command: list[str], **settings: object) -> object:
        seen.update(settings, command=command)
        raise ValueError("far enough")

    monkeypatch.setattr(spreadsheet.subprocess, "run", run)
    with pytest.raises(ValueError, match="far enough"):
        spreadsheet._ask_worker(b"", "")
    assert seen["env"] == {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    assert "-I" in seen["command"]  # type: ignore[operator]
