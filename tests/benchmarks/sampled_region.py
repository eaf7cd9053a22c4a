"""A region with two years of samples: 100,000 of them from four laboratories, nine values each, all invented.

Rows are written past the actions, as :mod:`tests.benchmarks.big_laboratory` does.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import sqlalchemy as sa

from service.actions.card import read_laboratory
from service.paths import demo_directory
from service.store import schema

LABORATORIES, COUNTIES, FIELDS = 4, ("upper", "middle", "lower"), 25_000
SAMPLES_OF_VISIT, TODAY = 2, date(2026, 11, 26)
AT = datetime(2026, 11, 26, 8, 0, tzinfo=UTC)
CROPS = ("maize", "winter-wheat", "spring-barley", "soybean", "potato", "grass-clover")
GOALS = {
    "maize": 9.0, "winter-wheat": 8.0, "spring-barley": 6.0, "soybean": 3.0, "potato": 40.0,
    "grass-clover": 9.0,
}  # fmt: skip
TEXTURES = ("silt loam", "sandy loam", "clay loam", "loam", "")
# analyte, form, method, unit, basis, a usual value, its spread on a logarithmic scale (of a pH: plain)
KINDS = (
    ("pH", "pH", "ph-water-1:1", "pH", "none", 6.3, 0.5),
    ("buffer-pH", "pH", "buffer-ph-sikora", "pH", "none", 6.8, 0.3),
    ("organic-matter", "organic matter", "om-loi-360", "%", "oven-dry", 3.1, 0.4),
    ("P", "P", "bray1-1:10-colour", "mg/kg", "air-dry", 18.0, 0.6),
    ("K", "K", "k-nh4oac", "mg/kg", "air-dry", 130.0, 0.5),
    ("Ca", "Ca", "ca-nh4oac", "mg/kg", "air-dry", 1600.0, 0.4),
    ("Mg", "Mg", "mg-nh4oac", "mg/kg", "air-dry", 210.0, 0.4),
    ("Zn", "Zn", "zn-dtpa", "mg/kg", "air-dry", 1.1, 0.6),
    ("sulfate", "SO4-S", "sulfate-mcp", "mg/kg", "air-dry", 9.0, 0.5),
)


def fill(engine: sa.Engine, samples: int = 100_000) -> None:
    """Fill a migrated database that holds the shipped tables; some ten seconds' work on SQLite."""
    visits = samples // SAMPLES_OF_VISIT
    draw = np.random.default_rng(7)
    with engine.begin() as connection:
        _land(connection)
        _put(connection, schema.sampling, _visits(draw, visits))
        _put(connection, schema.sample, _samples(draw, visits))
        _put(connection, schema.soil_value, _values(draw, visits * SAMPLES_OF_VISIT))


def _put(connection: sa.Connection, table: sa.Table, rows: Iterator[dict[str, Any]]) -> None:
    some: list[dict[str, Any]] = []
    for row in rows:
        some.append(row)
        if len(some) == 20_000:
            connection.execute(table.insert(), some)
            some = []
    if some:
        connection.execute(table.insert(), some)


def _land(connection: sa.Connection) -> None:
    card = read_laboratory(demo_directory() / "laboratory.yaml").model_dump(mode="json")
    named: Sequence[str] = [f"Laboratory {n}" for n in range(1, LABORATORIES + 1)]
    _put(connection, schema.laboratory, iter(
        {"id": n, "name": name, "card": json.loads(json.dumps(card | {"name": name})), "created_at": AT}
        for n, name in enumerate(named, 1)
    ))  # fmt: skip
    _put(connection, schema.county, iter(
        {"id": each, "name": each.title(), "region": "marrowdale"} for each in COUNTIES
    ))  # fmt: skip
    _put(connection, schema.grower, iter(
        {"id": n, "laboratory_id": n, "name": f"Grower {n}", "created_at": AT}
        for n in range(1, LABORATORIES + 1)
    ))  # fmt: skip
    _put(connection, schema.farm, iter(
        {"id": n, "grower_id": n, "name": f"Farm {n}"} for n in range(1, LABORATORIES + 1)
    ))  # fmt: skip
    _put(connection, schema.field, iter(
        {
            "id": n, "laboratory_id": n % LABORATORIES + 1, "farm_id": n % LABORATORIES + 1,
            "code": f"F{n:06d}", "code_folded": f"f{n:06d}", "county_id": COUNTIES[n % 3],
            "region": "marrowdale", "area_ha": None if n % 10 == 0 else 2.0 + n % 30, "created_at": AT,
        }
        for n in range(1, FIELDS + 1)
    ))  # fmt: skip


def _day(visit: int) -> date:
    """Autumn and spring of 2025 and 2026."""
    return date(2025 + visit % 2, 3 if visit % 3 else 9, 1) + timedelta(days=visit % 60)


def _visits(draw: np.random.Generator, visits: int) -> Iterator[dict[str, Any]]:
    shift = draw.normal(1.0, 0.15, visits).clip(0.7, 1.3)
    for n in range(1, visits + 1):
        crop = CROPS[n % 7 % 6]
        yield {
            "id": n, "field_id": n % FIELDS + 1, "sampled_on": _day(n), "crop": crop, "other_crops": [],
            "yield_goal": round(GOALS[crop] * shift[n - 1], 1), "yield_unit": "t/ha",
            "previous_crop": CROPS[(n + 1) % 6], "manured_since_harvest": n % 5 == 0,
            "manure_n_kg_per_ha": 20.0 if n % 5 == 0 else None,
            "manure_p2o5_kg_per_ha": 15.0 if n % 5 == 0 else None,
            "manure_k2o_kg_per_ha": 30.0 if n % 5 == 0 else None,
            "registered_at": AT, "registered_by": "Laboratory",
        }  # fmt: skip


def _samples(draw: np.random.Generator, visits: int) -> Iterator[dict[str, Any]]:
    texture = draw.integers(0, len(TEXTURES), visits)
    number = 0
    for visit in range(1, visits + 1):
        for label in "AB"[:SAMPLES_OF_VISIT]:
            number += 1
            yield {
                "id": number, "laboratory_id": (visit % FIELDS + 1) % LABORATORIES + 1,
                "sampling_id": visit, "lab_number": f"{number:07d}", "label": label, "depth_from_cm": 0.0,
                "depth_to_cm": 20.0, "sampled_on": _day(visit), "texture": TEXTURES[texture[visit - 1]],
                "bulk_density_g_per_cm3": 1.3 if visit % 2 else None,
            }  # fmt: skip


def _values(draw: np.random.Generator, samples: int) -> Iterator[dict[str, Any]]:
    drawn = {}
    for analyte, *_, usual, spread in KINDS:
        spreads = draw.normal(0.0, spread, samples)
        drawn[analyte] = usual + spreads if "pH" in analyte else usual * np.exp(spreads)
    for sample in range(1, samples + 1):
        for analyte, form, method, unit, basis, usual, _ in KINDS:
            found = round(float(drawn[analyte][sample - 1]), 2)
            censored = analyte in ("P", "Zn") and found < usual / 5
            yield {
                "sample_id": sample, "analyte": analyte, "form": form, "method": method,
                "value": None if censored else found, "below": round(usual / 5, 2) if censored else None,
                "unit": unit, "basis": basis,
                "standard_uncertainty": None if censored else round(found * 0.05, 3),
                "origin": f"run R-{sample // 60:05d}", "released_at": AT, "released_by": "Laboratory",
            }  # fmt: skip
