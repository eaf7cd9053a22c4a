"""What a field's report cites: the tables and methods behind its numbers, and where they were printed."""

from __future__ import annotations

from interpretation.agronomy.tables import Conversion, RateTable, ScaleTable, TableSet
from interpretation.methods import Method
from interpretation.results import Amount, MethodLine, Note, SoilResult, SourceLine, TableLine

Results = tuple[SoilResult, ...]
Amounts = tuple[Amount, ...]


def table_lines(results: Results, amounts: Amounts, tables: TableSet) -> tuple[TableLine, ...]:
    """List every table that was used, once: equations between methods, then scales, then rates."""
    behind = (result.measured_as for result in results)
    used: list[Conversion | ScaleTable | RateTable] = [
        *(tables.conversions[one.conversion] for one in behind if one and one.conversion),
        *(tables.scales[result.table] for result in results if result.table),
        *(tables.rates[amount.table] for amount in amounts if amount.table),
    ]
    return tuple(_table_line(table, tables) for table in {table.id: table for table in used}.values())


def method_lines(results: Results, tables: TableSet) -> tuple[MethodLine, ...]:
    """List every method of the results, the measured ones and those whose values were worked out."""
    ids = _methods(results)
    run_here = {_measured_by(result) for result in results if result.origin.startswith("run ")}
    return tuple(
        _method_line(tables.methods[key], ids[key], key in run_here) for key in ids if key in tables.methods
    )


def source_lines(
    lines: tuple[TableLine, ...],
    results: Results,
    amounts: Amounts,
    notes: tuple[Note, ...],
    tables: TableSet,
) -> tuple[SourceLine, ...]:
    """List every source behind the field's numbers: tables first, then materials, methods and notes."""
    materials = dict.fromkeys(m.material for amount in amounts for m in amount.materials)
    methods = [name for name in _methods(results) if name in tables.methods]
    ids = dict.fromkeys(
        [source for line in lines for source in line.sources]
        + [source for key in materials for source in tables.materials[key].sources]
        + [one.source for key in materials for one in tables.materials[key].bulk_densities[:1]]
        + [source for key in methods for source in tables.methods[key].sources]
        + [source for note in notes for source in note.sources]
    )
    sources = [tables.sources[key] for key in ids if key in tables.sources]
    return tuple(
        SourceLine(
            **{name: getattr(s, name) for name in ("id", "title", "publisher", "year", "locator", "url")},
            standing=s.read,
        )
        for s in sources
    )


def _table_line(table: Conversion | ScaleTable | RateTable, tables: TableSet) -> TableLine:
    return TableLine(
        id=table.id,
        title=table.title or table.id,
        standing=table.standing,
        effective_from=table.effective_from,
        sources=table.sources,
        fingerprint=tables.fingerprints.get(table.id, ""),
        equation=table.formula if isinstance(table, Conversion) else "",
    )


def _measured_by(result: SoilResult) -> str:
    """The method a value was measured by; its own method is another one where it was worked out."""
    return result.measured_as.method if result.measured_as else result.method


def _methods(results: Results) -> dict[str, bool]:
    """Methods of a field's results, and whether a value was measured by them."""
    measured = set(map(_measured_by, results))
    return {name: name in measured for r in results for name in (_measured_by(r), r.method)}


def _method_line(method: Method, measured: bool, run_here: bool) -> MethodLine:
    soil = (
        f"{method.soil_g:g} g" if method.soil_g else f"{method.scoop_cm3:g} cm3" if method.scoop_cm3 else ""
    )
    ratio = f"{soil} + {method.extract_ml:g} mL" if method.extract_ml and soil else ""
    parts = (method.extractant, ratio, method.shake, method.finish)
    return MethodLine(
        id=method.id,
        title=method.title,
        note="; ".join(part for part in parts if part),
        unit=method.unit,
        basis=method.basis,
        soil_water_added=(
            method.soil_water_added
            if method.soil_water_added or method.weighed_basis == "as-received"
            else None
        ),
        from_memory=method.standing == "memory",
        measured=measured,
        run_here=run_here,
    )
