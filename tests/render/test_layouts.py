"""Whatever comes, the page holds it: long names, many or no values, other scripts, other languages."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from typing import Any

import pikepdf
import pytest

from interpretation.results import ClassLimit, FieldAdvice, MaterialRate, Note, Refusal
from reports.build import build_report
from reports.render import Paper, html, page_kind, pdf
from reports.renderer import Renderer, fill, renderer
from reports.sheet import build_sheet
from reports.view import GrowerReport, RunPage
from tests.render.demo_run import curve, run_sheet
from tests.render.demo_world import amount, field, laboratory, result, sample

TWO_HUNDRED = "Upper Thistlecombe Meadow behind the old mill, " * 4 + "far corner ends"
UNBROKEN = "W" * 200
ROOM = 0.5  # px, for rounding
NUTRIENTS = ("N", "P2O5", "K2O", "S", "Cl", "Mg", "Zn", "Cu", "Mn", "B", "lime")


LIQUID = MaterialRate(
    material="uan-28", rate=120.0, unit="kg/ha", litres_per_ha=93.75,
    supplies_kg_per_ha={"N": 33.6, "S": 4.0}, cautions=("liquid-density-varies",),
)  # fmt: skip


def one_sample(**changes: Any) -> FieldAdvice:
    fields: dict[str, Any] = {
        "samples": (sample("Q1", "A"),), "results": (result("Q1"),), "amounts": (amount("Q1", "P2O5", 60.0),),
        "notes": (),
    }  # fmt: skip
    return field(**(fields | changes))


def twelve_samples() -> FieldAdvice:
    numbers = [f"Q26-{n:04}" for n in range(12)]
    return field(
        samples=tuple(sample(n, f"Zone {i}") for i, n in enumerate(numbers)),
        results=tuple(
            result(n, analyte, borderline=i % 3 == 0)
            for analyte in ("P", "K") for i, n in enumerate(numbers)
        ),
        amounts=tuple(
            amount(
                n, nutrient, None if i == 4 else 12345.5,
                refusal=Refusal(key="missing-input", values={"input": "yield_goal"}) if i == 4 else None,
                materials=(LIQUID,), working=(),
            )
            for nutrient in NUTRIENTS for i, n in enumerate(numbers)
        ),
    )  # fmt: skip


def forty_analytes() -> FieldAdvice:
    results = tuple(result("Q1", origin=f"bench {n}", method=f"method-{n:02}") for n in range(40))
    return one_sample(results=results)


def long_names(name: str) -> FieldAdvice:
    return one_sample(
        field_name=name, farm_name=name, grower_name=name, region_name=name, crop=name, previous_crop=name,
        samples=(sample("Q1", name, texture=name), sample(name, "B")),
        results=(result("Q1", origin=name), result(name)),
        amounts=(
            amount(name, "P2O5", 60.0, table=name, materials=(LIQUID.model_copy(update={"material": name}),)),
        ),
        notes=(Note(key=name, severity="caution", topic="soil"),),
    )  # fmt: skip


def many_classes() -> FieldAdvice:
    limits = tuple(ClassLimit(name=f"a class with a long name {n}", lower=float(n)) for n in range(12))
    return one_sample(
        results=(result("Q1", class_name=limits[11].name, class_index=11, limits=limits, value=40.0),)
    )


REPORTS = {
    "plain": field(),
    "one sample": one_sample(),
    "nothing measured": one_sample(results=(), amounts=(), tables=(), methods=(), sources=(), runs=()),
    "no goal, no area": one_sample(yield_goal=None, area_ha=None, previous_crop="", samples=(
        sample("Q1", "", sampled_on=None, received_on=None, texture="", cores=None),)),
    "three-line name": one_sample(field_name="Long Acre\nbelow the wood\neast of the brook"),
    "long names": long_names(TWO_HUNDRED),
    "unbroken names": long_names(UNBROKEN),
    "twelve samples, eleven nutrients": twelve_samples(),
    "forty analytes": forty_analytes(),
    "twelve classes": many_classes(),
    "missing values": one_sample(results=(
        result("Q1", value=None, index=None, u=None), result("Q1", "K", None, None, None, below=4.0),
        result("Q1", "Zn", 0.5, None, None, refusal=Refusal(key="no-table", values={"failed": "crop,day"})))),
    "cyrillic": one_sample(field_name="Длинное поле", grower_name="Ада Феннимор"),
}  # fmt: skip

SHEETS = {
    "plain": run_sheet(),
    "concentrations": run_sheet(curve=None, signal_kind="concentration"),
    "second order": run_sheet(
        curve=curve(
            model="quadratic", coefficients=(0.003, 0.042, 1e-5), standard_errors=(1e-3, 1e-4, 1e-6),
            mandel_statistic=None, mandel_critical=None, ratio_worst_percent=None, proposed_model="linear",
        )
    ),
    "no checks, no cups": run_sheet(checks=(), cups=()),
    "many cups": run_sheet(cups=run_sheet().cups * 8),
    "long names": run_sheet(operator=TWO_HUNDRED, instrument=UNBROKEN, standards_matrix=UNBROKEN),
}  # fmt: skip


def misplaced(page: GrowerReport | RunPage, paper: Paper) -> list[str]:
    """Texts that stick out of the page's content area or of the table cell that holds them."""
    kind = page_kind(page)
    document = renderer().lay_out(fill(kind, page=page), kind, paper)
    found = []
    for laid_out in document.pages:
        box = laid_out._page_box
        right, bottom = box.content_box_x() + box.width, box.content_box_y() + box.height
        body = next(child for child in box.children if child.element_tag == "html")
        for part in texts(body):
            if part.position_x + part.width > right + ROOM or part.position_y + part.height > bottom + ROOM:
                found.append(part.text)
        for cell in descendants(body):
            if cell.element_tag in ("td", "th"):
                edge = cell.border_box_x() + cell.border_width() + ROOM
                found += [part.text for part in texts(cell) if part.position_x + part.width > edge]
    return found


def texts(box: Any) -> list[Any]:
    return [part for part in descendants(box) if getattr(part, "text", "").strip()]


def descendants(box: Any) -> Iterator[Any]:
    yield box
    for child in getattr(box, "children", ()):
        yield from descendants(child)


@pytest.mark.parametrize("name", REPORTS)
def test_nothing_leaves_the_page_of_a_report(name: str) -> None:
    lab = laboratory(agent_comment=TWO_HUNDRED * 2)
    page = build_report(REPORTS[name], lab)
    assert misplaced(page, "a4") == []


@pytest.mark.parametrize("name", ["plain", "long names", "unbroken names"])
def test_nothing_leaves_the_page_in_spanish_on_letter_in_pounds(name: str) -> None:
    page = build_report(REPORTS[name], laboratory(), locale="es", units="us")
    assert misplaced(page, "letter") == []


@pytest.mark.parametrize("name", SHEETS)
def test_nothing_leaves_the_page_of_a_sheet(name: str) -> None:
    assert misplaced(build_sheet(SHEETS[name], laboratory(), locale="es"), "letter") == []


def test_the_check_sees_what_sticks_out(monkeypatch: pytest.MonkeyPatch) -> None:
    stiff = renderer().weasyprint.CSS(string="td, p { white-space: nowrap }")
    monkeypatch.setattr(Renderer, "styles", lambda self, kind, paper: stiff)
    assert misplaced(build_report(REPORTS["long names"], laboratory()), "a4")


def test_a_long_label_is_short_in_sentences_and_whole_at_the_back() -> None:
    page = build_report(long_names(TWO_HUNDRED), laboratory())
    assert page.groups[0].rows[0].sample == "Upper Thistlecombe Mead…"
    assert page.sampling.rows[0][1] == TWO_HUNDRED


def test_a_script_the_font_lacks_prints_boxes_and_borrows_no_font(caplog: pytest.LogCaptureFixture) -> None:
    """No bundled font has Georgian: the letters print as empty boxes, and no font of the machine steps in."""
    page = build_report(one_sample(field_name="გრძელი მინდორი"), laboratory())
    assert "გრძელი მინდორი" in html(page)
    document = pikepdf.open(io.BytesIO(pdf(page)))
    names = {str(font.BaseFont) for p in document.pages for font in p.Resources.Font.values()}
    assert all(re.search("Fira-Sans|Mukta|IBM-Plex-Sans-Arabic", name) for name in names)
    assert any(
        "missing glyphs" in record.getMessage() or "glyph" in record.getMessage() for record in caplog.records
    )
    caplog.clear()
