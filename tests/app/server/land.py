"""A field with a history, put into the database as registering and releasing leave it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Any

from service.callers import operator
from service.store import schema
from tests.app.server.conftest import World

PH = ("pH", "pH", "ph-water-1:1", "pH", "none")
P = ("P", "P", "bray1-1:10-colour", "mg/kg", "air-dry")
K = ("K", "K", "k-nh4oac", "mg/kg", "air-dry")


@dataclass
class Land:
    """Ids of what was put there."""

    grower: int
    farm: int
    field: int
    visits: list[int] = field(default_factory=list)
    samples: list[int] = field(default_factory=list)


def add_field(
    world: World, code: str = "TC-1", *, county: str | None = "upper", name: str = "Long Meadow",
    laboratory: str = "a", grower_name: str = "E. Marlowe-Quint", farm_name: str = "Thistlecombe Farm",
    **grower: Any,
) -> Land:  # fmt: skip
    """Put a grower with one farm and one field there."""
    with world.site.database.housekeeping(operator()) as look:
        lab = world.laboratories[laboratory]
        grower_id = look.connection.execute(
            schema.grower.insert()
            .values(laboratory_id=lab, name=grower_name, created_at=look.now, **grower)
            .returning(schema.grower.c.id)
        ).scalar_one()
        farm_id = look.connection.execute(
            schema.farm.insert().values(grower_id=grower_id, name=farm_name).returning(schema.farm.c.id)
        ).scalar_one()
        field_id = look.connection.execute(
            schema.field.insert()
            .values(
                laboratory_id=lab, farm_id=farm_id, code=code, code_folded=code.casefold(), name=name,
                county_id=county, region="marrowdale", area_ha=12.4, created_at=look.now,
            )
            .returning(schema.field.c.id)
        ).scalar_one()  # fmt: skip
    return Land(grower_id, farm_id, field_id)


def add_visit(
    world: World, land: Land, day: date = date(2026, 4, 2), samples: tuple[str, ...] = ("004811",),
    laboratory: str = "a", **plan: Any,
) -> int:  # fmt: skip
    """Put a visit with samples there; returns its id."""
    with world.site.database.housekeeping(operator()) as look:
        visit: int = look.connection.execute(
            schema.sampling.insert()
            .values(
                {
                    "field_id": land.field, "sampled_on": day, "crop": "maize", "other_crops": [],
                    "yield_goal": 9.5, "previous_crop": "winter-wheat", "example": True,
                    "registered_at": look.now, "registered_by": "test",
                }
                | plan
            )
            .returning(schema.sampling.c.id)
        ).scalar_one()  # fmt: skip
        for number, label in zip(samples, ("North", "East", "South", "West"), strict=False):
            land.samples.append(
                look.connection.execute(
                    schema.sample.insert()
                    .values(
                        laboratory_id=world.laboratories[laboratory], sampling_id=visit, lab_number=number,
                        label=label, depth_from_cm=0, depth_to_cm=20, sampled_on=day, texture="silt loam",
                        bulk_density_g_per_cm3=1.25, lime_percent=0.0,
                    )
                    .returning(schema.sample.c.id)
                ).scalar_one()
            )  # fmt: skip
    land.visits.append(visit)
    return visit


def add_value(
    world: World, sample: int, kind: tuple[str, str, str, str, str], value: float | None,
    below: float | None = None, **more: Any,
) -> int:  # fmt: skip
    """Put a released value there; returns its id."""
    analyte, form, method, unit, basis = kind
    with world.site.database.housekeeping(operator()) as look:
        added: int = look.connection.execute(
            schema.soil_value.insert()
            .values(
                {
                    "sample_id": sample, "analyte": analyte, "form": form, "method": method, "value": value,
                    "below": below, "unit": unit, "basis": basis, "origin": "run BR-0412",
                    "released_at": look.now, "released_by": "test",
                }
                | more
            )
            .returning(schema.soil_value.c.id)
        ).scalar_one()  # fmt: skip
    return added


def advised_land(world: World) -> Land:
    """A field with one visit of two samples, each with pH, phosphorus and potassium."""
    land = add_field(world)
    add_visit(world, land, samples=("004811", "004812"))
    for sample, ph, p, k in zip(land.samples, (6.3, 5.6), (9.0, 22.0), (96.0, 140.0), strict=True):
        add_value(world, sample, PH, ph, standard_uncertainty=0.1)
        add_value(world, sample, P, p, standard_uncertainty=0.5)
        add_value(world, sample, K, k)
    return land
