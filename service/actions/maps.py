"""Where samples were taken: read from GeoJSON, and given out with values and classes."""

from __future__ import annotations

from typing import Any

from service.actions.advising import Advised
from service.actions.geojson import Ground
from service.callers import Caller, Right
from service.refusals import Invalid
from service.site import Site
from service.store import land, visits


def check_may_load(site: Site, caller: Caller) -> None:
    """Make sure that somebody may load places, before a form for them is shown.

    Raises
    ------
    NotAllowed
        Otherwise.
    """
    with site.database.look(caller, Right.PLAN_FIELDS):
        pass


def load_ground(site: Site, caller: Caller, ground: Ground) -> tuple[int, int]:
    """Set where samples were taken and how fields are outlined, all or nothing; returns how many of each.

    Raises
    ------
    Invalid
        If a sample or a field is not one of the caller's.
    """
    with site.database.change(caller, Right.PLAN_FIELDS) as change:
        numbers = list(ground.points)
        ids = visits.samples_by_number(change, numbers)
        _refuse_unknown("sample", "lab number", [number for number in numbers if number not in ids])
        fields = {code: land.field_of_code(change, code) for code in ground.outlines}
        _refuse_unknown("field", "code", [code for code, each in fields.items() if each is None])
        visits.place_samples(change, {ids[number]: place for number, place in ground.points.items()})
        for code, field_id in fields.items():
            assert field_id is not None
            land.change_field(change, land.the_field(change, field_id), {"outline": ground.outlines[code]})
        # Where a field lies says whose it is: how many, and not where.
        change.note(
            "place", "samples", next(iter(ids.values()), 0),
            after={"samples": len(ids), "fields": len(fields)},
        )  # fmt: skip
    return len(ids), len(fields)


def _refuse_unknown(kind: str, name: str, unknown: list[str]) -> None:
    if unknown:
        few = ", ".join(unknown[:5]) + (", ..." if len(unknown) > 5 else "")
        raise Invalid(
            f"{len(unknown)} of the {kind}s are none of yours: {few}", where=f"{name} {unknown[0]}",
            expected=f"{name}s of your own {kind}s", fix=f"correct the {name}, or take the feature out",
        )  # fmt: skip


def features(found: Advised) -> dict[str, Any]:
    """A visit as a GeoJSON FeatureCollection: its samples with values, units and classes, and the outline.

    Names of people are left out: such files are passed on.
    """
    results: dict[str, list[dict[str, Any]]] = {}
    for each in found.advice.results if found.advice else ():
        results.setdefault(each.lab_number, []).append(
            each.model_dump(include={"analyte", "form", "method", "value", "below", "unit", "basis"})
            | {"class": each.class_name}
        )
    points = []
    for sample in found.samples:
        own = results.get(sample.lab_number, [])
        facts: dict[str, Any] = {
            "lab_number": sample.lab_number, "label": sample.label, "field_id": found.visit.field_code,
            "sampled_on": sample.sampled_on.isoformat(), "depth_from_cm": sample.depth_from_cm,
            "depth_to_cm": sample.depth_to_cm,
        }  # fmt: skip
        for each in reversed(own):  # so that the first method of an analyte is the one that stays
            facts |= {
                f"{each['analyte']}_value": each["value"], f"{each['analyte']}_below": each["below"],
                f"{each['analyte']}_unit": each["unit"], f"{each['analyte']}_class": each["class"],
            }  # fmt: skip
        here = None
        if sample.longitude is not None and sample.latitude is not None:
            here = {"type": "Point", "coordinates": [sample.longitude, sample.latitude]}
        points.append({"type": "Feature", "geometry": here, "properties": facts | {"results": own}})
    outline = found.visit.outline
    if outline is not None:
        facts = {"field_id": found.visit.field_code, "area_ha": found.visit.area_ha}
        points.append({"type": "Feature", "geometry": outline, "properties": facts})
    return {"type": "FeatureCollection", "features": points}
