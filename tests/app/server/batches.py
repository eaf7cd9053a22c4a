"""Batches for tests: visits that can be reported on, and hands that draw them without a process or a page."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Mapping
from datetime import date
from typing import Any

import pytest
import sqlalchemy as sa

from reports.view import GrowerReport
from service.actions import batches
from service.actions.batches import BatchWish, Choice
from service.callers import Caller, operator
from service.outputs import Outputs, outputs_at
from service.store import jobs, schema
from service.work import drawing
from service.work.drawing import ChunkOrder
from service.work.runner import Ways, run_job
from tests.app.server.conftest import World
from tests.app.server.land import PH, K, Land, P, add_field, add_value, add_visit

FAST = Ways(pauses=(0.0, 0.0))
SMALL = Ways(sizes=((0, 0, 3), (1, 1, 2), (2, 5, 1)), pauses=(0.0, 0.0))


class Inline:
    """Hands that draw in this very process, one chunk after the other."""

    def __init__(self, before: Callable[[ChunkOrder], None] = lambda _: None) -> None:
        self.before = before
        self.orders: list[ChunkOrder] = []

    def run(
        self, function: Callable[[ChunkOrder], Any], chunks: Iterable[ChunkOrder], /
    ) -> Generator[tuple[ChunkOrder, Any]]:
        for chunk in chunks:
            self.orders.append(chunk)
            try:
                self.before(chunk)
                outcome: Any = function(chunk)
            except Exception as error:
                outcome = error
            yield chunk, outcome


def plain_page(page: GrowerReport, paper: str = "a4") -> bytes:
    """A stand-in for a drawn page: quick, and different for every report."""
    return f"%PDF-1.7 {page.report_id} {page.language} {paper}\n".encode()


def use_plain_pages(world: World, patch: pytest.MonkeyPatch) -> Outputs:
    """Let chunks be drawn here, on the world's own database, with stand-ins for pages."""
    outputs = outputs_at(world.site.settings.outputs_url)
    patch.setattr(drawing, "pdf", plain_page)
    patch.setattr(drawing, "_site", lambda *_: (world.site, outputs))
    return outputs


def add_ready(world: World, number: int, *, values: bool = True, **more: Any) -> Land:
    """A field with a visit that can be reported on, unless it has no values."""
    land = add_field(world, f"TC-{number}", name=f"Plot {number}", grower_name=f"Grower {number}", **more)
    add_visit(world, land, date(2026, 4, 2), (f"26-{number:05d}",), laboratory=more.get("laboratory", "a"))
    if values:
        for kind, value in ((PH, 6.3), (P, 9.0), (K, 96.0)):
            add_value(world, land.samples[0], kind, value)
    return land


def start(world: World, wish: BatchWish | None = None, person: str = "laboratory", **choice: Any) -> int:
    """Ask for a batch of everything that is ready."""
    caller = world.caller(person)
    return batches.start(world.site, caller, "Spring", Choice(**choice), wish or BatchWish())


def work(world: World, job_id: int, hands: Any = None, **more: Any) -> str:
    """Work on a batch to its end."""
    return run_job(world.site, job_id, hands or Inline(), ways=more.pop("ways", FAST), **more)


def rows(world: World, table: sa.Table) -> list[Any]:
    """All rows of a table by id."""
    with world.site.database.look(operator(), None) as look:
        return list(look.connection.execute(sa.select(table).order_by(*table.primary_key)))


def items(world: World) -> list[Any]:
    """All items by their number."""
    return sorted(rows(world, schema.job_item), key=lambda row: (row.job_id, row.number))


def states(world: World) -> list[str]:
    """The state of each item in its order."""
    return [row.state for row in items(world)]


def fail_for(visit_ids: Iterable[int], error: Exception) -> Callable[..., Any]:
    """What raises an error wherever one of some visits is advised on."""
    broken = set(visit_ids)
    real = drawing.advised

    def advised(asked: Any) -> Any:
        if any(each.visit.id in broken for each in asked):
            raise error
        return real(asked)

    return advised


def add_many(world: World, number: int) -> list[int]:
    """So many visits that can be reported on, each of a grower of its own, in a few statements."""
    lab, day, ids = world.laboratories["a"], date(2026, 4, 2), range(1, number + 1)
    at = world.clock.at
    with world.site.database.housekeeping(operator()) as look:
        for table, rows_of_it in (
            (schema.grower, [
                {"id": i, "laboratory_id": lab, "name": f"Grower {i}", "created_at": at} for i in ids
            ]),
            (schema.farm, [{"id": i, "grower_id": i, "name": f"Farm {i}"} for i in ids]),
            (schema.field, [
                {"id": i, "laboratory_id": lab, "farm_id": i, "code": f"F-{i}", "code_folded": f"f-{i}",
                 "name": f"Plot {i}", "county_id": "upper", "region": "marrowdale", "area_ha": 12.4,
                 "created_at": at}
                for i in ids
            ]),
            (schema.sampling, [
                {"id": i, "field_id": i, "sampled_on": day, "crop": "maize", "other_crops": [],
                 "yield_goal": 9.5, "previous_crop": "winter-wheat", "example": True, "registered_at": at,
                 "registered_by": "test"}
                for i in ids
            ]),
            (schema.sample, [
                {"id": i, "laboratory_id": lab, "sampling_id": i, "lab_number": f"26-{i:05d}",
                 "depth_from_cm": 0, "depth_to_cm": 20, "sampled_on": day, "texture": "silt loam",
                 "bulk_density_g_per_cm3": 1.25, "lime_percent": 0.0}
                for i in ids
            ]),
            (schema.soil_value, [
                dict(zip(("analyte", "form", "method", "unit", "basis"), kind, strict=True))
                | {"sample_id": i, "value": value, "origin": "run BR-0412", "released_at": at,
                   "released_by": "test"}
                for i in ids
                for kind, value in ((PH, 6.3), (P, 9.0), (K, 96.0))
            ]),
        ):  # fmt: skip
            look.connection.execute(table.insert(), rows_of_it)
        if world.site.database.engine.dialect.name == "postgresql":  # which counts by itself
            for table in ("grower", "farm", "field", "sampling", "sample"):
                look.connection.execute(sa.text(f"SELECT setval('{table}_id_seq', {number + 1})"))
    return list(ids)


def ended_batch(world: World, caller: Caller, reports: Mapping[int, int | None]) -> int:
    """A batch that has ended: for each visit the report that it issued, or None where it failed."""
    item = schema.job_item
    with world.site.database.change(caller, None) as change:
        job_id = jobs.add(
            change, title="Spring samples", wish=BatchWish().model_dump(), day=change.now.date(),
            items=[(visit_id, "") for visit_id in reports],
        )  # fmt: skip
        change.note("start", "batch", job_id)
        for visit_id, report_id in reports.items():
            done = {"state": "done", "report_id": report_id, "file_name": "000001-A.pdf"}
            failed = {"state": "failed", "attempts": 1, "reason": "there is nothing to report yet"}
            mine = (item.c.job_id == job_id) & (item.c.sampling_id == visit_id)
            change.connection.execute(item.update().where(mine).values(failed if report_id is None else done))
        ended = {"state": "done", "ended_at": change.now}
        change.connection.execute(schema.job.update().where(schema.job.c.id == job_id).values(ended))
    return job_id
