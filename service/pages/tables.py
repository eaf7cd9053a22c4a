"""Pages of the tables in force: whose they are, and each in full. They are read here, not changed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from fastapi import APIRouter
from starlette.responses import HTMLResponse

from interpretation.agronomy.tables import RateTable, Scoped
from reports.format import printed
from service.actions import releasehistory, tablereading
from service.actions.tablereading import RegionTables, WholeTable
from service.web.templates import Words
from service.web.visit import Visit, Visiting

router = APIRouter()
Trail = Sequence[tuple[str, str]]
Pairs = list[tuple[str, str]]


@router.get("/tables")
def regions(visit: Visiting) -> HTMLResponse:
    """List the regions, with the release of each that is used."""
    return visit.page(
        "tables/regions.html.j2", regions=tablereading.regions(visit.site, visit.caller),
        used=releasehistory.used(visit.site, visit.caller),
    )  # fmt: skip


@router.get("/tables/regions/{region_id}")
def region(visit: Visiting, region_id: str) -> HTMLResponse:
    """Show one region with its tables."""
    found = tablereading.region(visit.site, visit.caller, region_id)
    used = releasehistory.used(visit.site, visit.caller)
    return visit.page(
        "tables/region.html.j2", found=found, used=used[region_id],
        lists=listed(visit, found, lambda each: _day(visit, each) or visit.words("tables.in-force")),
    )  # fmt: skip


@router.get("/tables/scales/{table_id:path}")
def scale(visit: Visiting, table_id: str) -> HTMLResponse:
    """Show one scale of classes."""
    return show(visit, tablereading.whole(visit.site, visit.caller, "scales", table_id))


@router.get("/tables/rates/{table_id:path}")
def rate(visit: Visiting, table_id: str) -> HTMLResponse:
    """Show one table of amounts."""
    return show(visit, tablereading.whole(visit.site, visit.caller, "rates", table_id))


def show(visit: Visit, found: WholeTable, trail: Trail = (), note: str = "") -> HTMLResponse:
    """Show one table.

    Parameters
    ----------
    trail
        Where its page lies; below its region if not given.
    note
        What is to be said about it above all else.
    """
    w, record = visit.words, found.record
    rows, taken_off, constants = _amounts(w, record) if isinstance(record, RateTable) else ([], [], [])
    below = (found.region.name, f"/tables/regions/{found.region.id}")
    return visit.page(
        "tables/table.html.j2", found=found, facts=_facts(visit, found), rows=rows, credits=taken_off,
        constants=constants, trail=trail or (below,), note=note,
    )  # fmt: skip


def listed(visit: Visit, found: RegionTables, day: Callable[[Scoped], str]) -> dict[str, Any]:
    """The lines of a region's tables, and what is said of each about the day."""
    w = visit.words
    return {
        "scales": [(each, *_named(w, each), day(each)) for each in found.scales],
        "rates": [
            (each, w.wording.name("nutrients", each.nutrient), _crops(w, each), day(each))
            for each in found.rates
        ],
    }


def _amounts(w: Words, record: RateTable) -> tuple[Pairs, Pairs, list[tuple[str, float]]]:
    """Rows, credits and constants of a table of amounts."""
    rows = [
        (w.wording.name("classes", name), _amount(w, each)) for name, each in (record.by_class or {}).items()
    ]
    rows += [
        (w("tables.from", value=w.number(step.at)), _amount(w, step.rate)) for step in record.by_value or ()
    ]
    if record.formula is not None:
        rows.append((w("tables.formula"), record.formula))
    taken_off = [
        (w.wording.name("credits", credit.key), credit.formula or _by_crop(w, credit.by_previous_crop or {}))
        for credit in record.credits
    ]
    return rows, taken_off, list(record.values.items())


def _named(w: Words, table: Scoped) -> tuple[str, str, str]:
    wording = w.wording
    analyte = wording.name("analytes", table.analyte) if table.analyte else "–"
    method = wording.name("methods", table.method) if table.method else "–"
    return analyte, method, _crops(w, table)


def _day(visit: Visit, table: Scoped) -> str:
    """A word where a table does not hold today."""
    found = tablereading.in_force(visit.site, table)
    return "" if found in (None, "in-force") else visit.words(f"tables.{found}")


def _crops(w: Words, table: Scoped) -> str:
    if table.crops == "any":
        return w("tables.any-crop")
    return w.format.join([w.wording.name("crops", crop) for crop in table.crops])


def _facts(visit: Visit, found: WholeTable) -> list[tuple[str, str]]:
    """What a table is for, fact by fact; what it does not say is left out."""
    w, table = visit.words, found.record
    wording = w.wording
    facts: list[tuple[str, Any]] = [("region", found.region.name), ("publisher", found.region.publisher)]
    if isinstance(table, RateTable):
        facts.append(("nutrient", wording.name("nutrients", table.nutrient)))
    facts += [
        ("analyte", wording.name("analytes", table.analyte) if table.analyte else ""),
        ("form", printed(table.form) if table.form else ""),
        ("method", wording.name("methods", table.method) if table.method else ""),
        ("crops", _crops(w, table)),
        ("depth", wording.layer(*table.depth_cm) if table.depth_cm else ""),
        ("textures", w.format.join([wording.name("textures", each) for each in table.textures])),
        ("soil-groups", w.format.join(list(table.soil_groups))),
        ("unit", printed(table.unit) or table.unit),
        ("basis", wording.name("bases", table.basis) if table.basis else ""),
        ("round-to", w.number(table.round_to)),
        ("from-day", w.day(table.effective_from)),
        ("to-day", w.day(table.effective_to) if table.effective_to else ""),
        ("standing", w(f"tables.standing-{table.standing}")),
    ]
    if isinstance(table, RateTable):
        facts += [("when", table.when or ""), ("holds-if", table.holds_if or ""),
                  ("cap", w.number(table.cap) if table.cap is not None else "")]  # fmt: skip
    facts.append(("remark", table.remark))
    return [(w(f"tables.{key}"), str(value)) for key, value in facts if value]


def _amount(w: Words, rate: float | str | None) -> str:
    if rate is None:
        return w("tables.none-given")
    return rate if isinstance(rate, str) else w.number(rate)


def _by_crop(w: Words, amounts: dict[str, float]) -> str:
    return "; ".join(f"{w.wording.name('crops', crop)} {w.number(each)}" for crop, each in amounts.items())
