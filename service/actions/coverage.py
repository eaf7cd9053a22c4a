"""The list of what tables cover: one entry a table or other record, narrowed down and in reading order."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from pydantic import BaseModel, ConfigDict

from interpretation.agronomy.tables import Conversion, Crop, Crops, Scoped, Source, TableSet
from interpretation.errors import FurrowsliceError
from interpretation.methods import Standing
from interpretation.quantities import ANALYTES
from service.actions.tables import Kind, State, perhaps, state

OF_REGIONS: tuple[Kind, ...] = ("scales", "rates", "conversions")

# What a reader looks under, in order: heading -> analytes and nutrients.
TOPICS: Mapping[str, frozenset[str]] = {
    heading: frozenset(names.split())
    for heading, names in (
        ("Acidity and lime", "pH buffer-pH exchangeable-acidity lime"),
        ("Phosphorus", "P P2O5"),
        ("Potassium", "K K2O"),
        ("Nitrogen", "nitrate nitrite ammonium available-nitrogen nitrogen-supply N"),
        ("Sulfur", "sulfate organic-sulfur S"),
        ("Chloride", "chloride Cl"),
        ("Magnesium", "Mg"),
        ("Calcium", "Ca"),
        ("Micronutrients", "Zn Cu Mn Fe B"),
        ("Organic matter", "organic-matter organic-carbon"),
        ("Exchange and salts", "CEC base-saturation exchangeable-sodium Na sodium-adsorption salinity Al"),
    )
}  # fmt: skip
OTHER = "Other"


class Entry(BaseModel):
    """One record as a list shows it; what a kind does not have stays empty."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    kind: Kind
    id: str
    title: str
    region: str = ""
    invented: bool = False
    topic: str = ""
    analyte: str = ""
    nutrient: str = ""
    method: str = ""
    to_method: str = ""  # conversions only
    crops: Crops = ()
    depth_cm: tuple[float, float] | None = None
    textures: tuple[str, ...] = ()
    soil_groups: tuple[str, ...] = ()
    unit: str = ""
    standing: Standing | None = None
    effective_from: date | None = None
    effective_to: date | None = None
    state: State | None = None
    sources: tuple[str, ...] = ()


@dataclass(frozen=True)
class Wanted:
    """What a list is narrowed down to; an empty name narrows nothing."""

    region: str = ""
    analyte: str = ""
    crop: str = ""
    kind: Kind | None = None


def entries(tables: TableSet, wanted: Wanted, on: date) -> tuple[Entry, ...]:
    """List the tables of the regions, or the records of one kind.

    Parameters
    ----------
    tables
        Everything that was read.
    wanted
        Region, analyte or nutrient, and crop. For a kind that no region owns, such as methods, what the
        tables so found name.
    on
        The day that tables are said to be in force on or not; tables of every day are listed.

    Returns
    -------
    tuple of Entry
        Real regions first, then by region, topic, kind and id.

    Raises
    ------
    FurrowsliceError
        If no region, analyte, nutrient or crop has that name; the nearest are named.

    Examples
    --------
    >>> entries(TableSet(), Wanted(), date(2026, 3, 1))
    ()
    """
    wanted = _known(tables, wanted)
    kinds = OF_REGIONS if wanted.kind is None else (wanted.kind,)
    if kinds[0] in OF_REGIONS:
        found = [entry for kind in kinds for entry in _tables_of(tables, kind, wanted, on)]
        return tuple(sorted(found, key=_reading_order))
    records = getattr(tables, kinds[0])
    named = _named_by(tables, kinds[0], wanted, on) if wanted != Wanted(kind=wanted.kind) else set(records)
    return tuple(_entry(tables, kinds[0], records[name], on) for name in sorted(named & set(records)))


def topic(analyte: str, nutrient: str = "") -> str:
    """Heading under which a reader looks for an analyte, or for a nutrient that is to be applied."""
    name = nutrient or analyte
    return next((heading for heading, names in TOPICS.items() if name in names), OTHER)


def _known(tables: TableSet, wanted: Wanted) -> Wanted:
    """The wish in the tables' own spelling."""
    names = {*ANALYTES, *(name for names in TOPICS.values() for name in names)}
    return Wanted(
        _spelled(wanted.region, set(tables.regions), "--region", "region"),
        _spelled(wanted.analyte, names, "--analyte", "analyte or nutrient"),
        _spelled(wanted.crop, set(tables.crops), "--crop", "crop"),
        wanted.kind,
    )


def _spelled(name: str, known: set[str], option: str, what: str) -> str:
    if not name or name in known:
        return name
    same = [one for one in sorted(known) if one.casefold() == name.casefold()]
    if len(same) == 1:
        return same[0]
    raise FurrowsliceError(
        f"no {what} is called {name!r}",
        where=option,
        expected=f"one of {', '.join(sorted(known))}" if known else "none: these tables have none",
        fix=perhaps(name, known) or "name it as the tables do",
    )


def _tables_of(tables: TableSet, kind: Kind, wanted: Wanted, on: date) -> Iterator[Entry]:
    for record in getattr(tables, kind).values():
        crops = getattr(record, "crops", "any")
        named = {record.analyte, getattr(record, "nutrient", None)}
        if (
            wanted.region in ("", record.region)
            and (not wanted.analyte or wanted.analyte in named)
            and (not wanted.crop or crops == "any" or wanted.crop in crops)
        ):
            yield _entry(tables, kind, record, on)


def _named_by(tables: TableSet, kind: Kind, wanted: Wanted, on: date) -> set[str]:
    """Ids of one kind that the tables of a region, an analyte or a crop name."""
    found = [entry for each in OF_REGIONS for entry in _tables_of(tables, each, wanted, on)]
    named: set[str] = set()
    for entry in found:
        record = getattr(tables, entry.kind)[entry.id]
        match kind:
            case "regions":
                named.add(entry.region)
            case "methods":
                named |= {entry.method, entry.to_method}
            case "crops":
                named |= {*tables.crops} if entry.crops == "any" else {*entry.crops}
            case "materials":
                named |= {*getattr(record, "materials", ())}
            case "sources":
                named |= {*entry.sources}
    if kind == "methods" and not wanted.region and not wanted.crop:  # those that no table uses yet, too
        named |= {method.id for method in tables.methods.values() if method.analyte == wanted.analyte}
    return named


def _entry(tables: TableSet, kind: Kind, record: Any, on: date) -> Entry:
    facts: dict[str, Any] = {"title": getattr(record, "title", "") or getattr(record, "name", "")}
    for name in ("standing", "effective_from", "effective_to", "sources"):
        facts[name] = getattr(record, name, Entry.model_fields[name].default)
    for name in ("region", "analyte", "nutrient", "method", "unit", "crops"):
        facts[name] = getattr(record, name, None) or ""
    facts["crops"] = facts["crops"] or (
        "any" if kind == "conversions" else ()
    )  # an equation asks for no crop
    if isinstance(record, Scoped):
        facts |= {name: getattr(record, name) for name in ("depth_cm", "textures", "soil_groups")}
    if isinstance(record, Conversion):
        facts |= {"method": record.from_method, "to_method": record.to_method}
    if isinstance(record, Crop):
        standings = {removal.standing for removal in record.removal}
        facts |= {"unit": record.yield_unit, "sources": tuple(r.source for r in record.removal)}
        facts["standing"] = standings.pop() if len(standings) == 1 else None
    if isinstance(record, Source):
        facts["standing"] = None
    owner = tables.regions.get(record.id if kind == "regions" else facts["region"])
    return Entry(
        kind=kind,
        id=record.id,
        topic=topic(facts["analyte"], facts["nutrient"]) if facts["analyte"] or facts["nutrient"] else "",
        invented=facts["standing"] == "invented" or (owner is not None and owner.standing == "invented"),
        state=state(record, on),
        **facts,
    )


def _reading_order(entry: Entry) -> tuple[bool, str, int, int, str]:
    headings = [*TOPICS, OTHER]
    return (
        entry.invented,
        entry.region,
        headings.index(entry.topic),
        OF_REGIONS.index(entry.kind),
        entry.id,
    )
