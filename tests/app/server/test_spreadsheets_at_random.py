"""A thousand spreadsheets of random shapes, types, headings and junk: each is refused in words or taken.

They are drawn by numbers from 0 up, so that each is the same every time; ``./run fuzz`` draws more of them.
"""

from __future__ import annotations

import datetime
import io
import json
import os
import random
import zipfile
from typing import Any

import openpyxl
import pytest

from interpretation.errors import FurrowsliceError
from service import sheet_worker, spreadsheet
from service.actions import draftfiles
from service.actions.draftdesk import desk
from service.bookfiles import forms
from service.bookfiles.sheets import SHEETS
from service.refusals import Invalid
from service.uploads import Upload
from tests.app.server.conftest import World
from tests.app.server.draft_steps import begun

COUNT = max(1000, 10 * int(os.environ.get("FUZZ_EXAMPLES", "0")))
A_WORKBOOK_IN = 4  # the others are CSV: a workbook takes ten times as long
TAKEN_IN = 10  # of those that can be read, every tenth is taken over as well
JUNK: list[Any] = [
    "", " ", "maize", "any", "0012", "1,5", "1e400", "=1+1", "=HYPERLINK(1)", "'=1", "@x", "-", "none", "yes",
    "no", "2026-02-30", "2026-01-31", "mg/kg", "high", "low", "a; b;;c", "\n", "a\nb", "\t", "x" * 5000,
    "é😀",
    "\u202e1", "\u200b", "<b>", "{{ x }}", "../x", "marrowdale/phosphorus-bray1", "marrowdale/new", "ohio/p",
    "invented", "min(1", "ph < 6", "none of it", "#N/A", "NULL", 0, 1, -1, 12, 7.5, 1e300, -0.1, 2**53, True,
    False, datetime.date(2026, 3, 1), datetime.datetime(2026, 3, 1, 12, 30),  # noqa: DTZ001 - as a cell has it
    datetime.time(8), None,
]  # fmt: skip
IDS = [
    "marrowdale/phosphorus-bray1",
    "marrowdale/k2o-arable",
    "marrowdale",
    "marrowdale/new",
    "new",
    "",
    None,
    7,
]


def drawn_rows(rng: random.Random) -> dict[str, list[list[Any]]]:
    """Sheets of rows: some as they should be, some nearly, some nothing like it."""
    made: dict[str, list[list[Any]]] = {}
    for _ in range(rng.randint(0, 4)):
        sheet = rng.choice(SHEETS)
        heads: list[Any] = list(sheet.headings)
        if rng.random() < 0.5:
            rng.shuffle(heads)
        heads = heads[: rng.randint(1, len(heads))]
        if rng.random() < 0.2:
            heads.insert(rng.randrange(len(heads) + 1), rng.choice(["", "extra", heads[0], None, 5]))
        key = sheet.headings[0]
        if key not in heads and rng.random() < 0.8:
            heads.insert(0, key)
        rows: list[list[Any]] = [heads] if rng.random() < 0.95 else []
        for _ in range(rng.choice([0, 1, 2, 3, 8, 30])):
            width = len(heads) + rng.choice([0, 0, 0, -1, 1])
            row = [rng.choice(JUNK) for _ in range(max(width, 0))]
            if row and heads and heads[0] == key and rng.random() < 0.8:
                row[0] = rng.choice(IDS)
            rows.append(row)
        name = sheet.name if rng.random() < 0.9 else rng.choice(["Sheet1", "Scales", sheet.name + "2"])
        made[name] = rows
    return made


def as_workbook(sheets: dict[str, list[list[Any]]], rng: random.Random) -> bytes:
    book = openpyxl.Workbook()
    for name, rows in sheets.items():
        page = book.create_sheet(name)
        for number, row in enumerate(rows, 1 + rng.choice([0, 0, 0, 3])):
            for place, cell in enumerate(row, 1):
                if not isinstance(cell, str) or not openpyxl.cell.cell.ILLEGAL_CHARACTERS_RE.search(cell):
                    page.cell(number, place, cell)
    if len(book.worksheets) > 1 and rng.random() < 0.9:
        del book["Sheet"]
    made = io.BytesIO()
    book.save(made)
    return made.getvalue()


def as_csv(sheets: dict[str, list[list[Any]]], rng: random.Random) -> bytes:
    made = io.BytesIO()
    mark = rng.choice(",,,;\t|")
    with zipfile.ZipFile(made, "w") as archive:
        if rng.random() < 0.97:
            region = rng.choice(["marrowdale"] * 8 + ["ohio", ""])
            archive.writestr("datapackage.json", json.dumps({"form": "furrowslice-csv-1", "region": region}))
        for name, rows in sheets.items():
            lines = []
            for row in rows:
                texts = ["" if cell is None else str(cell) for cell in row]
                quoted = rng.random() < 0.9
                texts = [f'"{t.replace(chr(34), chr(34) * 2)}"' if quoted or "\n" in t else t for t in texts]
                lines.append(mark.join(texts))
            text = rng.choice(["\r\n", "\n"]).join(lines)
            archive.writestr(f"{name}.csv", text.encode(rng.choice(["utf-8"] * 9 + ["utf-16"])))
    return made.getvalue()


def spoilt(content: bytes, rng: random.Random) -> bytes:
    """The same with some of its bytes missing or turned."""
    at = rng.randrange(max(len(content), 1))
    if rng.random() < 0.5:
        return content[:at]
    return content[:at] + bytes(rng.randrange(256) for _ in range(8)) + content[at + 8 :]


def in_this_process(data: bytes, _sheet: str | None) -> Any:
    """What the worker answers; a fault of its own is what its process would have ended with."""
    try:
        sheet_worker.check_parts(data)
        return json.loads(json.dumps(sheet_worker.read_every(data)))
    except sheet_worker.Refused as refused:
        return {"refused": refused.answer}
    except Exception:  # in a process of its own: no answer
        return None


def test_each_is_refused_in_words_or_becomes_a_revision(
    lite_world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(spreadsheet, "_ask_worker", in_this_process)
    site, caller = lite_world.site, lite_world.caller("agronomist")
    draft = begun(lite_world)
    counted = {"read": 0, "taken": 0}
    in_words: dict[int, bool] = {}  # the refusals
    for number in range(COUNT):
        rng = random.Random(number)
        book = number % A_WORKBOOK_IN == 0
        sheets = drawn_rows(rng)
        content = as_workbook(sheets, rng) if book else as_csv(sheets, rng)
        if rng.random() < 0.1:
            content = spoilt(content, rng)
        name = "drawn.xlsx" if book else "drawn.zip"
        try:
            read = forms.read(name, content)
        except FurrowsliceError as error:
            in_words[number] = bool(error.what and error.fix)
            continue
        counted["read"] += 1
        if counted["read"] % TAKEN_IN:
            assert all(each.id for each in read.entries)
            continue
        try:
            upload = draftfiles.upload(site, caller, draft, Upload(name, content))
        except Invalid as error:
            in_words[number] = error.what.startswith("these are tables of")
            continue
        shown = draftfiles.waiting(site, caller, draft, upload, whole=False)
        made = draftfiles.take(site, caller, draft, upload, shown.desk.revision, shown.sha256, whole=False)
        now = desk(site, caller, draft)
        assert (now.revision, now.entries) == (made, shown.after)
        counted["taken"] += 1
    assert min(counted.values()) > COUNT / 100, (
        counted
    )  # each way out was taken often enough to mean something
