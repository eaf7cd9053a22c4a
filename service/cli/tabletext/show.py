"""One record on a page of its own: head, body, sources and who rests on it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from interpretation.agronomy.tables import (
    Conversion,
    Crop,
    Material,
    RateTable,
    Region,
    ScaleTable,
    Source,
    TableSet,
)
from interpretation.methods import Method
from interpretation.results import Record
from service.actions.tables import SINGULAR, Kind, Named, naming, state
from service.cli.tabletext.crops import crop_lines
from service.cli.tabletext.listing import first_line
from service.cli.tabletext.methods import method_lines
from service.cli.tabletext.others import (
    cited_lines,
    conversion_lines,
    material_lines,
    region_lines,
    source_lines,
    standing_line,
)
from service.cli.tabletext.rates import rate_lines
from service.cli.tabletext.scales import scale_lines
from service.cli.tabletext.words import EXAMPLE, facts, headed, point, wrapped

CALLED = SINGULAR | {"scales": "scale of classes", "rates": "table of amounts"}


def lines(tables: TableSet, kind: Kind, record: Record, on: date) -> Iterator[str]:
    """Lines of one record.

    Parameters
    ----------
    kind
        Which kind it is of.
    on
        The day on which it is said to hold or not.
    """
    name: str = getattr(record, "id", "")
    yield from first_line(name, CALLED[kind])
    title = getattr(record, "title", "") or getattr(record, "name", "")
    yield from wrapped(title) if kind != "sources" else ()
    yield from _warnings(tables, record, on)
    yield ""
    yield from facts(_dates(record))
    yield from _body(tables, record, on)
    yield from headed("REMARK", _remark(record))
    yield from headed("SOURCES", cited_lines(tables, record) if kind != "sources" else [])
    yield from headed("NAMED BY", [_user(each) for each in _users(tables, kind, name)])


def _body(tables: TableSet, record: Record, on: date) -> list[str]:
    match record:
        case ScaleTable():
            return scale_lines(tables, record)
        case RateTable():
            return rate_lines(tables, record)
        case Conversion():
            return conversion_lines(tables, record)
        case Region():
            return region_lines(tables, record, on)
        case Method():
            return method_lines(tables, record)
        case Crop():
            return crop_lines(tables, record)
        case Material():
            return material_lines(record)
        case Source():
            return source_lines(record)
    raise AssertionError(type(record))


def _warnings(tables: TableSet, record: Record, on: date) -> Iterator[str]:
    region = tables.regions.get(getattr(record, "region", ""))
    if "invented" in (getattr(record, "standing", ""), region.standing if region else ""):
        yield EXAMPLE
    match state(record, on):
        case "expired":
            yield f"EXPIRED: it no longer holds on {on}."
        case "not-yet":
            yield f"NOT YET IN FORCE on {on}."


def _dates(record: Record) -> list[tuple[str, str]]:
    begins, ends = getattr(record, "effective_from", None), getattr(record, "effective_to", None)
    days = f"from {begins} {f'to {ends}' if ends else 'until further notice'}" if begins else ""
    return [("Standing", standing_line(record)), ("In force", days)]


def _remark(record: Record) -> list[str]:
    """What the agronomist remarks, paragraph by paragraph."""
    said = getattr(record, "remark", "")
    return [line for paragraph in said.split("\n") for line in point(paragraph)] if said else []


def _users(tables: TableSet, kind: Kind, name: str) -> tuple[Named, ...]:
    """A region's own tables stand in its body already."""
    return () if kind == "regions" else naming(tables, kind, name)


def _user(named: Named) -> str:
    return f"  {'note' if named.kind == 'notes' else SINGULAR[named.kind]:<12}{named.id}"
