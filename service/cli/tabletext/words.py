"""Words that the pages about tables share, and the width they are set in."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

import numpy as np

from interpretation.agronomy.rates import names_in
from interpretation.agronomy.samples import SOIL_NAMES
from interpretation.agronomy.tables import Crops, Source, TableSet
from interpretation.methods import Method
from reports.format import printed
from reports.wording import catalogue
from service.actions.coverage import Entry
from service.cli.console import WORDING

WIDTH = 78  # fits a terminal of 80 columns
EXAMPLE = "INVENTED EXAMPLE. Never use it for a real field."


def exact(value: float) -> str:
    """Write a number with all the digits it has, and never with an exponent."""
    return np.format_float_positional(value, trim="-")


def wrapped(text: str, indent: str = "", hang: str | None = None) -> list[str]:
    """Break a text into lines of :data:`WIDTH`; an id or an address longer than that stays whole."""
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=indent,
        subsequent_indent=indent if hang is None else hang,
        break_long_words=False,
        break_on_hyphens=False,
    )


def point(text: str) -> list[str]:
    """One point of a list."""
    return wrapped(text, "  - ", "    ")


def facts(pairs: Iterable[tuple[str, str]], column: int = 16) -> list[str]:
    """Set names and what is said of them in two columns; a fact without words is left out."""
    lines: list[str] = []
    for name, said in pairs:
        if said:
            lines += wrapped(said, f"{name:<{column}}", " " * column)
    return lines


def headed(heading: str, lines: Sequence[str]) -> list[str]:
    """Set lines under a heading after an empty line; nothing where there are none."""
    return ["", *wrapped(heading), *lines] if lines else []


def columns(rows: Sequence[Sequence[str]], gap: int = 2, right: Iterable[int] = ()) -> list[str]:
    """Align rows of cells, each column as wide as its widest cell; some columns flush right."""
    widths = [max(len(row[at]) for row in rows) for at in range(len(rows[0]))] if rows else []
    flush = set(right)

    def cell(at: int, text: str) -> str:
        return text.rjust(widths[at]) if at in flush else text.ljust(widths[at])

    return [(" " * gap).join(cell(at, text) for at, text in enumerate(row)).rstrip() for row in rows]


def listed(names: Iterable[str], joined: str = ", ") -> str:
    """Names behind each other."""
    return joined.join(names)


def analyte_name(key: str) -> str:
    """An analyte as it is called, such as ``Nitrate nitrogen``."""
    return WORDING.name("analytes", key)


def nutrient_name(key: str) -> str:
    """A nutrient that is applied, such as ``Phosphate (P₂O₅)``."""
    return WORDING.name("nutrients", key)


def crop_name(tables: TableSet, key: str) -> str:
    """A crop as it is called in a sentence."""
    crop = tables.crops.get(key)
    return WORDING.known("crops", key, crop.name.lower() if crop else "")


def crop_names(tables: TableSet, crops: Crops) -> str:
    """Crops as a list in words."""
    if crops == "any":
        return "any crop"
    names = [crop_name(tables, key) for key in crops]
    return listed(names, "; " if any("," in name for name in names) else ", ")


def crop_ids(crops: Crops) -> str:
    """Crops as the list of samples has them."""
    return "any crop" if crops == "any" else listed(crops)


def typed_row(method: Method, unit: str = "") -> str:
    """How a value by a method is typed into a file of soil values, after the lab number."""
    return ",".join((method.analyte, method.form, method.id, "VALUE", unit or method.unit, method.basis))


def also_tested(tables: TableSet, entry: Entry) -> str:
    """Names of the further soil tests that an amount is worked out from, besides the one of its method."""
    if entry.kind != "rates":
        return ""
    table = tables.rates[entry.id]
    asked = names_in(table)
    tests = [test for name, (test, _) in SOIL_NAMES.items() if name in asked]
    tests += ["nitrate"] if "nitrate_kg_per_ha" in asked else []
    own = tables.methods[table.method].analyte if table.method else None
    return listed(analyte_name(test) for test in dict.fromkeys(tests) if test != own)


def material_name(tables: TableSet, key: str) -> str:
    """A material as it is called in a list."""
    material = tables.materials.get(key)
    return WORDING.known("materials", key, material.name if material else "")


def method_name(tables: TableSet, key: str) -> str:
    """A method's title and id; the id alone where there is no such method."""
    method = tables.methods.get(key)
    return f"{method.title} ({key})" if method else key


def depth(layer: tuple[float, float] | None) -> str:
    """A sampled layer."""
    return f"{exact(layer[0])}-{exact(layer[1])} cm" if layer else ""


def unit_words(unit: str, basis: str | None = None) -> str:
    """A soil unit for the eye, with the soil it counts."""
    shown = "pH units" if unit == "pH" else "index" if unit == "index" else printed(unit) or unit
    if basis is None or basis == "none":
        return shown
    soil = "soil measured by volume" if basis == "scooped-volume" else WORDING.name("bases", basis)
    return f"{shown} of {soil}"


def days(entry: Entry) -> str:
    """The days a table holds on."""
    if entry.effective_to is None:
        return f"since {entry.effective_from}" if entry.effective_from else ""
    return f"from {entry.effective_from} to {entry.effective_to}"


def standing(key: str) -> str:
    """A standing, with what it means where that says more."""
    meaning = WORDING.name("standings", key)
    return meaning if meaning.startswith(key.replace("-", " ")) else f"{key}: {meaning}"


def source_line(source: Source) -> str:
    """A source in one line: title, publisher, year, place."""
    parts = [source.publisher, str(source.year or ""), source.locator]
    return ", ".join(filter(None, (source.title, *parts)))


def phrase(group: str, key: str) -> str:
    """What the wording says for a key of the tables; the key's own words where it says nothing."""
    said: str = catalogue("en").get(group, {}).get(key, "")
    return said or key.replace("-", " ")
