"""The page ``tables/COVERAGE.md``: what the shipped tables cover, written from the tables themselves.

Nothing on it depends on the day it is written, so that a test can hold it to the tables.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from itertools import groupby

from interpretation.agronomy.materials import usable_removal
from interpretation.agronomy.tables import Region, TableSet
from service.actions.coverage import Entry, Wanted, entries
from service.actions.tables import SINGULAR
from service.cli.console import WORDING
from service.cli.tabletext.crops import edition
from service.cli.tabletext.words import (
    also_tested,
    analyte_name,
    crop_names,
    days,
    depth,
    exact,
    listed,
    nutrient_name,
    source_line,
    unit_words,
)

REFRESH = "./run furrowslice tables list --page > tables/COVERAGE.md"
HEAD = f"""# What the tables cover

This page is written by the program from the files of this folder. Do not edit it. After a change of a table:

    {REFRESH}

One table in full, with its classes and a picture: `furrowslice tables show ID`. How the files are written:
[README.md](README.md)."""
LEFT_OUT = (
    "Left out on purpose: numbers that were only recalled, tables that rest on a shop, a brand or a reposting"
    " site, equations between methods that no publisher prints for its own region, and legal limits (nitrate "
    "zones, frozen ground, distances from water), which the reports only point to."
)
CAUTIONS = (
    "A table holds for its own region, method, depth, unit and soils, and for nothing else: a value that does"
    " not match gets no class, and no other region's table is used in its place.",
    "A table printed years ago may have been replaced by its publisher. Look at the dates here, and ask the "
    "publisher before you rely on it.",
    "Amounts are starting points, not permission. Local law, nutrient-management rules and a licensed or "
    "certified adviser come first.",
    "A method of standing `memory` is refused for release until your laboratory confirms it.",
    "An invented region shows how tables are written. Never use it for a real field.",
)


def coverage_page(tables: TableSet) -> str:
    """Write the page, as Markdown.

    Examples
    --------
    >>> coverage_page(TableSet()).splitlines()[0]
    '# What the tables cover'
    """
    found = entries(tables, Wanted(), date.max)  # in force or not is not said: the page has no day
    parts = [
        HEAD,
        _counts(tables, found),
        _section("Who publishes", _publishers(tables, found)),
        *(_region(tables, name, list(own)) for name, own in groupby(found, lambda entry: entry.region)),
        _section("Methods", _methods(tables)),
        _section("Crops and what a harvest carries away", _crops(tables)),
        _section("Materials", _materials(tables)),
        f"## What is not covered\n\n{LEFT_OUT}",
        "## Cautions\n\n" + "\n".join(f"- {caution}" for caution in CAUTIONS),
    ]
    return "\n\n".join(parts) + "\n"


def _section(heading: str, lines: Iterable[str]) -> str:
    return "\n".join((f"## {heading}", "", *lines))


def _grid(columns: Sequence[str], rows: Iterable[Sequence[str]]) -> Iterator[str]:
    """A Markdown table."""
    yield f"| {' | '.join(columns)} |"
    yield f"|{'---|' * len(columns)}"
    for row in rows:
        yield f"| {' | '.join(_cell(text) for text in row)} |"


def _cell(text: str) -> str:
    return " ".join(text.replace("|", "\\|").split()) or "–"


def _counts(tables: TableSet, found: Sequence[Entry]) -> str:
    """Tables by standing, real ones and invented ones apart by their standing."""
    kinds = ("scales", "rates", "conversions")
    by_standing = Counter((str(entry.standing), str(entry.kind)) for entry in found)
    methods = Counter(str(method.standing) for method in tables.methods.values())
    standings = sorted({*(key for key, _ in by_standing), *methods})
    rows = [
        (
            key,
            WORDING.name("standings", key),
            *(str(by_standing[key, kind] or "") for kind in kinds),
            str(methods[key] or ""),
        )
        for key in standings
    ]
    totals = (
        str(sum(count for (_, kind), count in by_standing.items() if kind == wanted)) for wanted in kinds
    )
    rows.append(("all", "", *totals, str(len(tables.methods))))
    titles = ("Standing", "Meaning", "Scales of classes", "Tables of amounts", "Conversions", "Methods")
    real = len({entry.region for entry in found if not entry.invented})
    sources = len({source for entry in found if not entry.invented for source in entry.sources})
    said = f"{real} published {'region' if real == 1 else 'regions'}, whose tables cite {sources} sources."
    return _section("How sure they are", (said, "", *_grid(titles, rows)))


def _publishers(tables: TableSet, found: Sequence[Entry]) -> Iterator[str]:
    counts = Counter(entry.region for entry in found)
    regions = sorted(tables.regions.values(), key=lambda region: (region.standing == "invented", region.id))
    yield from _grid(
        ("Region", "Publisher", "Tables", "Edition"),
        (
            (f"[{region.name}](#{_anchor(region)})", region.publisher, str(counts[region.id]), region.edition)
            for region in regions
        ),
    )


def _title(region: Region) -> str:
    return f"{region.name} ({region.id}{', invented' if region.standing == 'invented' else ''})"


def _anchor(region: Region) -> str:
    """How a heading is linked to on the common hosts: small letters, digits and hyphens."""
    kept = "".join(each for each in _title(region).lower() if each.isalnum() or each in " -")
    return kept.replace(" ", "-")


def _region(tables: TableSet, name: str, own: list[Entry]) -> str:
    region = tables.regions[name]
    facts = [
        f"**Publisher:** {region.publisher}",
        f"**Valid for:** {' '.join(region.valid_for.split())}",
        f"**Not for:** {' '.join(region.not_for.split())}",
    ]
    facts += [f"**Edition:** {' '.join(region.edition.split())}"] if region.edition else []
    facts += [
        f"**Soil groups:** {'; '.join(f'{word} ({meaning})' for word, meaning in region.soil_groups.items())}"
    ] if region.soil_groups else []  # fmt: skip
    rows = [
        (
            f"`{entry.id}`",
            _about(entry),
            _methods_of(tables, entry),
            _scope(tables, entry),
            depth(entry.depth_cm),
            days(entry),
            entry.standing or "",
            source_line(tables.sources[entry.sources[0]]) if entry.sources else "",
        )
        for entry in own
    ]
    titles = ("Table", "Of", "Method", "Crops and soils", "Depth", "In force", "Standing", "First source")
    return _section(_title(region), (*(line for fact in facts for line in (fact, "")), *_grid(titles, rows)))


def _about(entry: Entry) -> str:
    if entry.kind == "rates":
        return f"{SINGULAR[entry.kind]}: {nutrient_name(entry.nutrient)}, {entry.unit}"
    unit = f", {unit_words(entry.unit)}" if entry.unit else ""
    return f"{SINGULAR[entry.kind]}: {analyte_name(entry.analyte)}{unit}"


def _methods_of(tables: TableSet, entry: Entry) -> str:
    tests = [f"`{name}`" for name in (entry.method, entry.to_method) if name]
    return listed(filter(None, (*tests, also_tested(tables, entry)))) or "no soil test"


def _scope(tables: TableSet, entry: Entry) -> str:
    only = listed((*entry.textures, *entry.soil_groups))
    crops = crop_names(tables, entry.crops)
    return f"{crops}; only {only}" if only else crops


def _methods(tables: TableSet) -> Iterator[str]:
    yield from _grid(
        ("Method", "What it is", "Reported in", "Standing"),
        (
            (f"`{key}`", method.title, unit_words(method.unit, method.basis), method.standing)
            for key, method in sorted(tables.methods.items())
        ),
    )


def _crops(tables: TableSet) -> Iterator[str]:
    yield "The edition in bold is the one that is reckoned with; a doubtful one is never used."
    yield ""
    rows = []
    for key, crop in sorted(tables.crops.items()):
        told = []
        for each in crop.removal:
            name = edition(tables, each)
            doubt = ", doubtful" if each.doubtful else ""
            told.append(f"**{name}**" if each is usable_removal(crop) else f"{name} ({each.part}{doubt})")
        rows.append((f"`{key}`", crop.name, crop.yield_unit, "; ".join(dict.fromkeys(told))))
    yield from _grid(("Crop", "Name", "Yield in", "Removal editions"), rows)


def _materials(tables: TableSet) -> Iterator[str]:
    rows = []
    for key, material in sorted(tables.materials.items()):
        holds = [f"{nutrient} {exact(percent)} %" for nutrient, percent in material.analysis_percent.items()]
        neutral = material.neutralising_value_percent
        holds += [f"neutralising value {exact(neutral)} %"] if neutral else []
        rows.append((f"`{key}`", material.name, listed(holds), material.standing))
    yield from _grid(("Material", "Name", "Holds", "Standing"), rows)
