"""One crop: its yield, and what a harvest carries away by every edition that prints it."""

from __future__ import annotations

from interpretation.agronomy.materials import removal_kg_per_t, usable_removal
from interpretation.agronomy.tables import Crop, Removal, TableSet
from service.cli.tabletext.words import columns, exact, facts, headed, wrapped

PARTS = {"harvest": "harvest", "harvest-and-straw": "harvest and straw", "straw": "straw"}
OXIDES = ("N", "P2O5", "K2O", "S")
PRINTED = ("N", "P2O5", "K2O", "P", "K", "S", "MgO")


def crop_lines(tables: TableSet, crop: Crop) -> list[str]:
    """Yield unit and range, then the removal editions side by side, then as each prints them."""
    return [
        *facts(
            [
                ("Yield goal", f"in {crop.yield_unit}, plausible {_span(crop)}"),
                ("Bushel", f"{exact(crop.bushel_lb)} lb" if crop.bushel_lb else ""),
                ("Target pH", exact(crop.target_ph) if crop.target_ph is not None else ""),
            ]
        ),
        *headed("WHAT A HARVEST CARRIES AWAY, kg in each tonne, P and K as oxides", _side_by_side(crop)),
        *headed("AS PRINTED", _printed(tables, crop)),
    ]


def edition(tables: TableSet, removal: Removal) -> str:
    """An edition's own name, or publisher and year of its source."""
    source = tables.sources.get(removal.source)
    year = str(source.year or "") if source else ""
    return removal.edition or f"{source.publisher if source else removal.source} {year}".strip()


def _side_by_side(crop: Crop) -> list[str]:
    if not crop.removal:
        return []
    rows: list[tuple[str, ...]] = [("", *OXIDES, "")]
    doubts = []
    for number, each in enumerate(crop.removal, 1):
        found = removal_kg_per_t(each, crop.bushel_lb)
        figures = (f"{found[name]:.4g}" if name in found else "-" for name in OXIDES)
        mark = "used" if each is usable_removal(crop) else "DOUBTFUL" if each.doubtful else ""
        rows.append((f"{number}  {PARTS[each.part]}", *figures, mark))
        if each.doubtful:
            doubts += wrapped(f"{number} is doubtful and never used: {each.doubtful}", "  ", "     ")
    lines = [f"  {line}" for line in columns(rows, right=range(1, len(OXIDES) + 1))]
    return [*lines, *doubts]


def _printed(tables: TableSet, crop: Crop) -> list[str]:
    return [line for at, each in enumerate(crop.removal, 1) for line in _as_printed(tables, at, each)]


def _as_printed(tables: TableSet, number: int, removal: Removal) -> list[str]:
    """One edition in its own units."""
    figures = [f"{name} {exact(value)}" for name in PRINTED if (value := getattr(removal, name)) is not None]
    said = f"{edition(tables, removal)}: {', '.join(figures)} {removal.per}"
    return wrapped(f"{number}  {said}; {removal.standing}, {removal.source}", "  ", "     ")


def _span(crop: Crop) -> str:
    return f"from {exact(crop.yield_from)} to {exact(crop.yield_to)}"
