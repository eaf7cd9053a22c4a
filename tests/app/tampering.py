"""Reports to be checked, and ways in which somebody may change a PDF: pages, data, description."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable
from datetime import date
from functools import cache
from typing import Any

import pikepdf

from interpretation.agronomy.tables import TableSet
from reports.render import pdf
from service.actions.card import read_laboratory
from service.actions.reportdocument import plain_data, report_data
from service.actions.reportinputs import ReportInputs, advise_each, page_of
from service.paths import demo_directory, tables_directory
from service.reportdata.carried import tables_of
from service.tablefiles import read_tables
from tests.app.reportdata_cases import SAMPLE, in_scale, soil_value

DAY = date(2026, 4, 17)
Steps = list[Any]


@cache
def shipped() -> TableSet:
    """The shipped tables."""
    return read_tables(tables_directory())


def made_inputs(phosphorus: float = 9.0, field_name: str = "Long Meadow", **style: Any) -> ReportInputs:
    """What a small report is made from, not issued yet."""
    tables = shipped()
    scales = (tables.scales[f"marrowdale/{name}"] for name in ("phosphorus-bray1", "potassium"))
    p, k = (in_scale(scale, tables, value) for scale, value in zip(scales, (phosphorus, 96.0), strict=True))
    ph = soil_value("pH", "pH", "ph-water-1:1", "pH", "none", 6.1)
    plan = {
        "region": "marrowdale",
        "crop": "maize",
        "yield_goal": 9.5,
        "field_name": field_name,
        "example": True,
    }
    asked = {"language": "en", "units": "metric", "paper": "a4"} | style
    card = read_laboratory(demo_directory() / "laboratory.yaml")
    samples = (dict(SAMPLE) | plan,)
    return ReportInputs.model_validate({"values": (p, k, ph), "samples": samples, "card": card} | asked)


def issue(inputs: ReportInputs, tables: TableSet) -> bytes:
    """Issue a report as the command line does."""
    (advice,) = advise_each([inputs], tables)
    issued = inputs.on(DAY, advice.model_dump_json())
    return pdf(page_of(issued, advice, tables), issued.paper)


def data_in(content: bytes) -> dict[str, Any]:
    """The data of a report."""
    with pikepdf.open(io.BytesIO(content)) as opened:
        (spec,) = opened.attachments.values()
        return json.loads(spec.get_file().read_bytes())  # type: ignore[no-any-return]


def changed(content: bytes, change: Callable[[pikepdf.Pdf], Any]) -> bytes:
    """The file with something changed, saved as any program would."""
    written = io.BytesIO()
    with pikepdf.open(io.BytesIO(content)) as opened:
        change(opened)
        opened.save(written)
    return written.getvalue()


def with_data(content: bytes, change: Callable[[dict[str, Any]], Any]) -> bytes:
    """The file with something changed in its data."""

    def write(opened: pikepdf.Pdf) -> None:
        (spec,) = opened.attachments.values()
        data = json.loads(spec.get_file().read_bytes())
        change(data)
        text = json.dumps(data, ensure_ascii=False, separators=(",", ":"), sort_keys=True)
        spec.get_file().obj.write(text.encode())

    return changed(content, write)


def with_steps(content: bytes, page: int, change: Callable[[pikepdf.Page, Steps], None]) -> bytes:
    """The file with something changed in what is drawn on a page."""

    def write(opened: pikepdf.Pdf) -> None:
        steps = list(pikepdf.parse_content_stream(opened.pages[page - 1]))
        change(opened.pages[page - 1], steps)
        opened.pages[page - 1].Contents = opened.make_stream(pikepdf.unparse_content_stream(steps))

    return changed(content, write)


def glyphs(page: pikepdf.Page, font: str) -> dict[int, str]:
    """Which glyph of a page's font stands for which letters."""
    table = page.Resources.Font[font].ToUnicode.read_bytes().decode()
    pairs = re.findall(r"<([0-9a-fA-F]+)> <([0-9a-fA-F]+)>", table)
    return {int(glyph, 16): bytes.fromhex(letters).decode("utf-16-be") for glyph, letters in pairs}


def with_number(content: bytes, page: int, printed: str, instead: str) -> bytes:
    """The file with other digits drawn in the place of a number, in the number's own font."""

    def replace(drawn_on: pikepdf.Page, steps: Steps) -> None:
        font = ""
        for step in steps:
            if str(step.operator) == "Tf":
                font = str(step.operands[0])
            if str(step.operator) != "TJ":
                continue
            letters = glyphs(drawn_on, font)
            codes = {value: key for key, value in letters.items()}
            texts = [each for each in step.operands[0] if isinstance(each, pikepdf.String)]
            said = "".join(letters[code] for each in texts for code in _codes(bytes(each)))
            if said.strip() == printed and set(instead) <= codes.keys():
                step.operands[0][:] = [
                    pikepdf.String(b"".join(codes[each].to_bytes(2, "big") for each in instead))
                ]
                return
        raise AssertionError(f"{printed} is not printed on page {page}")

    return with_steps(content, page, replace)


def _codes(text: bytes) -> list[int]:
    return [int.from_bytes(text[at : at + 2], "big") for at in range(0, len(text), 2)]


def forged(content: bytes, change: Callable[[dict[str, Any]], Any]) -> bytes:
    """A report made anew from other tables, so that everything in the file agrees with everything else."""
    plain = data_in(content)
    change(plain["tables"]["records"])
    data = report_data(plain_data(json.dumps(plain)))
    tables = tables_of(plain["tables"]["records"], data.advice.region)
    (advice,) = advise_each([data.inputs], tables)
    inputs = data.inputs
    if inputs.card.tables_release is None:
        card = inputs.card.model_copy(update={"report_id": "-", "issued_on": date(1, 1, 1)})
        inputs = inputs.model_copy(update={"card": card}).on(DAY, advice.model_dump_json())
    return pdf(page_of(inputs, advice, tables), inputs.paper)
