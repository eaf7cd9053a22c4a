"""Rows of growers, land, samples, values and reports, written straight into the tables."""

from __future__ import annotations

from datetime import date
from typing import Any

from service.callers import operator
from service.store import schema
from tests.app.server.conftest import World


def add(world: World, table: Any, **row: Any) -> int:
    """One row of any table; returns its id."""
    with world.site.database.housekeeping(operator()) as look:
        added: int = look.connection.execute(table.insert().values(row).returning(table.c.id)).scalar_one()
    return added


def add_field(
    world: World, code: str, laboratory: str = "a", county: str | None = "upper", **more: Any
) -> int:
    """One field with its grower and farm."""
    of = world.laboratories[laboratory]
    grower = add(
        world, schema.grower, laboratory_id=of, code=f"G-{code}", name=f"Grower {code}",
        created_at=world.clock.at,
    )  # fmt: skip
    farm = add(world, schema.farm, grower_id=grower, name=f"Farm {code}")
    row: dict[str, Any] = {
        "laboratory_id": of, "farm_id": farm, "code": code, "code_folded": code.casefold(),
        "name": f"Field {code}", "county_id": county, "region": "marrowdale", "created_at": world.clock.at,
    }  # fmt: skip
    return add(world, schema.field, **(row | more))


def add_visit(world: World, field: int, on: date = date(2026, 4, 1), **more: Any) -> int:
    """One visit to a field."""
    row: dict[str, Any] = {
        "field_id": field, "sampled_on": on, "crop": "maize", "other_crops": [],
        "registered_at": world.clock.at, "registered_by": "Laboratory",
    }  # fmt: skip
    return add(world, schema.sampling, **(row | more))


def add_sample(world: World, visit: int, number: str, laboratory: str = "a", **more: Any) -> int:
    """One sample of a visit."""
    row: dict[str, Any] = {
        "laboratory_id": world.laboratories[laboratory], "sampling_id": visit, "lab_number": number,
        "depth_from_cm": 0.0, "depth_to_cm": 20.0, "sampled_on": date(2026, 4, 1),
    }  # fmt: skip
    return add(world, schema.sample, **(row | more))


def add_value(world: World, sample: int, **more: Any) -> int:
    """One soil value of a sample, typed."""
    row: dict[str, Any] = {
        "sample_id": sample, "analyte": "K", "form": "K", "method": "k-nh4oac", "value": 96.0,
        "unit": "mg/kg", "basis": "air-dry", "origin": "bench", "released_at": world.clock.at,
        "released_by": "Laboratory",
    }  # fmt: skip
    return add(world, schema.soil_value, **(row | more))


def add_report(world: World, visit: int, name: str, laboratory: str = "a", **more: Any) -> int:
    """One issued report, with a document of its own."""
    digest = f"{name}-document"
    with world.site.database.housekeeping(operator()) as look:
        look.connection.execute(
            schema.document.insert().values(sha256=digest, content=b"%PDF-", created_at=look.now)
        )
    row: dict[str, Any] = {
        "laboratory_id": world.laboratories[laboratory], "sampling_id": visit, "report_id": name,
        "issued_on": world.clock.at.date(), "issued_at": world.clock.at, "issued_by": "Agent",
        "crop": "maize", "language": "en", "units": "metric", "paper": "a4", "advice": {}, "card": {},
        "tables_sha256": "tables", "document_sha256": digest,
    }  # fmt: skip
    return add(world, schema.report, **(row | more))
