"""One record of the tables: found by its id, with its classes as reported and with who rests on it."""

from __future__ import annotations

import difflib
from datetime import date
from typing import Any, Literal, get_args

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from interpretation.agronomy.classing import decimals_of, first_steps
from interpretation.agronomy.tables import ScaleTable, TableSet
from interpretation.errors import FurrowsliceError
from interpretation.results import Record

Kind = Literal["scales", "rates", "conversions", "regions", "methods", "crops", "materials", "sources"]
KINDS: tuple[Kind, ...] = get_args(Kind)
SINGULAR = {kind: kind[:-1] for kind in KINDS}
State = Literal["in-force", "expired", "not-yet"]


class ReportedClass(BaseModel):
    """The reported values of one class: first and last on the scale's step, both belong to it."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)

    name: str
    first: float = Field(alias="from")
    last: float | None = Field(default=None, alias="up_to")  # none: the class has no end


class Named(BaseModel):
    """A record that names another one."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    kind: Literal[Kind, "notes"]
    id: str  # of a note: its key


def find(tables: TableSet, name: str, kind: Kind | None = None) -> tuple[Kind, Record]:
    """Find one record by its id.

    Parameters
    ----------
    name
        The id; unique inside a kind.
    kind
        Look only among these.

    Raises
    ------
    FurrowsliceError
        If there is no such id (the nearest are named), or if several kinds have it.
    """
    kinds = KINDS if kind is None else (kind,)
    having = [each for each in kinds if name in getattr(tables, each)]
    if len(having) == 1:
        record: Record = getattr(tables, having[0])[name]
        return having[0], record
    if having:
        raise FurrowsliceError(
            f"{name!r} is the id of a {' and of a '.join(SINGULAR[each] for each in having)}",
            expected="one of them",
            fix=f"add {' or '.join(f'--kind {each}' for each in having)}",
        )
    known = {one for each in kinds for one in getattr(tables, each)}
    raise FurrowsliceError(
        f"there is no {SINGULAR[kind] if kind else 'table or other record'} {name!r}",
        expected="an id as 'furrowslice tables list' prints it",
        fix=perhaps(name, known) or "look it up with 'furrowslice tables list'",
    )


def perhaps(name: str, known: set[str]) -> str:
    """Say which known names come near to one; nothing where none does."""
    wanted = name.casefold()
    by_end = {one.rpartition("/")[2]: one for one in sorted(known)}  # an id without its region
    near = [by_end[wanted]] if wanted in by_end else []
    near += [one for one in sorted(known) if wanted in one.casefold()][:5]
    near += difflib.get_close_matches(wanted, sorted(known), n=5, cutoff=0.6)
    near += [by_end[end] for end in difflib.get_close_matches(wanted, sorted(by_end), n=3, cutoff=0.6)]
    few = list(dict.fromkeys(near))[:5]
    return f"perhaps {' or '.join(few)} is meant" if few else ""


def reported_classes(scale: ScaleTable) -> tuple[ReportedClass, ...]:
    """The reported values of each class: a value is rounded first, so that nothing lies between two.

    Examples
    --------
    >>> scale = ScaleTable.model_validate({
    ...     "id": "x/p", "region": "x", "crops": "any", "analyte": "P", "method": "olsen", "unit": "mg/kg",
    ...     "basis": "air-dry", "depth_cm": (0, 15), "round_to": 1, "effective_from": "2026-01-01",
    ...     "sources": ("s",), "standing": "invented",
    ...     "classes": [{"name": "low", "from": 0}, {"name": "high", "from": 10, "open_below": True}]})
    >>> [(each.first, each.last) for each in reported_classes(scale)]
    [(0.0, 10.0), (11.0, None)]
    """
    first, digits = first_steps(scale), decimals_of(scale.round_to)
    begins = np.round(first * scale.round_to, digits).tolist()
    ends = [*np.round((first[1:] - 1) * scale.round_to, digits).tolist(), scale.ends_at]
    named = zip(scale.classes, begins, ends, strict=True)
    return tuple(ReportedClass(name=each.name, first=begin, last=end) for each, begin, end in named)


def naming(tables: TableSet, kind: Kind, name: str) -> tuple[Named, ...]:
    """Every record that names one: who cites a source, which tables use a method, a crop or a material.

    A region is named by its tables. Records come by kind and id.
    """
    found = []
    for each in (*KINDS, "notes"):
        for _, record in sorted(getattr(tables, each).items()):
            if name in _names_in(each, record)[kind]:
                found.append(Named(kind=each, id=record.key if each == "notes" else record.id))
    return tuple(found)


def sources_of(record: Record) -> tuple[str, ...]:
    """Ids of every source of a record, once each."""
    given = tuple(getattr(record, "sources", ()))
    given += tuple(removal.source for removal in getattr(record, "removal", ()))
    given += tuple(salt.source for salt in getattr(record, "salt_indices", ()))
    given += tuple(density.source for density in getattr(record, "bulk_densities", ()))
    return tuple(dict.fromkeys(given))


def _names_in(kind: str, record: Any) -> dict[str, tuple[str, ...]]:
    """What one record names, by kind of the named."""
    given: dict[str, tuple[str, ...]] = dict.fromkeys(KINDS, ()) | {"sources": sources_of(record)}
    match kind:
        case "notes":
            given["regions"] = record.regions
        case "methods":
            given["methods"] = (record.use_instead,)
        case "conversions":
            given |= {"methods": (record.from_method, record.to_method), "regions": (record.region,)}
        case "scales" | "rates":
            given |= {"methods": (record.method or "",), "regions": (record.region,)}
            given["crops"] = () if record.crops == "any" else record.crops
            given["materials"] = getattr(record, "materials", ())
    return given


def state(record: object, on: date) -> State | None:
    """Whether a record holds on a day; records without dates hold on all."""
    begins, ends = getattr(record, "effective_from", None), getattr(record, "effective_to", None)
    if begins is None:
        return None
    if ends is not None and ends < on:
        return "expired"
    return "not-yet" if begins > on else "in-force"
