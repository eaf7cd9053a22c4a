"""One table of a draft as its page shows it: each cell with its label, its choices and what is wrong."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from interpretation.agronomy.formula import NAMES, NOTE_NAMES
from interpretation.agronomy.scope_rules import TEXTURES
from interpretation.agronomy.tables import Source
from interpretation.quantities import ANALYTES
from service.actions.editing import Editing
from service.books import OF_REGION
from service.entries.columns import FACTS, MOST_ROWS, ROWS, Column
from service.entries.entry import CellProblem, Entry
from service.pages.cellwords import choice_name, column_help, column_name, sheet_name
from service.pages.draftlines import title_of
from service.pages.entryforms import Grid
from service.store.tablecomments import CommentRow
from service.web.templates import Words

Choices = list[tuple[str, str]]
Told = Mapping[str, list[CellProblem]]
# Cells for which the page has a list to choose from, by column.
_LISTED = {
    "analyte": "analytes", "method": "methods", "from_method": "methods", "to_method": "methods",
    "adequate_from": "classes", "class": "classes", "rows_of": "names", "previous_crop": "crops",
    "key": "credits",
}  # fmt: skip
# Facts that the record of a kind cannot do without, whatever other kinds do.
_REQUIRED: Mapping[str, set[str]] = {
    kind: {name for name, each in OF_REGION[kind].model_fields.items() if each.is_required()}
    for kind in FACTS
}
_BROAD = {"rate", "formula", "meaning"}  # columns of rows in which something long is typed


@dataclass(frozen=True)
class Box:
    """One cell on the page.

    Attributes
    ----------
    how
        ``line``, ``area`` or ``choice``.
    listed
        Id of the list of what is usually typed; "" for none.
    broad
        Whether what is typed there is long.
    """

    name: str
    label: str
    help: str
    text: str
    how: str
    needed: bool
    options: Choices
    listed: str
    number: bool
    broad: bool
    problems: list[CellProblem]
    comments: list[CommentRow]

    @property
    def wrong(self) -> bool:
        """Whether something keeps this cell from being read."""
        return any(each.severity == "error" for each in self.problems)


@dataclass(frozen=True)
class Sheet:
    """One table of inputs."""

    name: str
    label: str
    heads: list[tuple[str, str]]  # label and help of each column
    rows: list[list[Box]]
    problems: list[CellProblem]
    full: bool


@dataclass(frozen=True)
class Cited:
    """A source that the table names: the citation in full, or where it has to be mended."""

    id: str
    source: Source | None
    entry: Entry | None  # where it is in this draft


def told_of(grid: Grid, found: Editing) -> Told:
    """Problems by the name of their input; under "" what is about the table as a whole."""
    told: dict[str, list[CellProblem]] = defaultdict(list)
    known = {column.name for column in FACTS[grid.kind]}
    for each in found.problems:
        name = grid.name(each.cell)
        if each.cell.sheet and not each.cell.column:
            name = each.cell.sheet + "."
        elif not each.cell.sheet and name not in known:
            name = ""
        told[name].append(each)
    return told


def boxes_of(w: Words, grid: Grid, found: Editing, told: Told) -> list[Box]:
    """What is said once, cell by cell."""
    said = said_of(grid, found)
    return [
        _box(w, grid.kind, column, column.name, grid.facts.get(column.name, ""), told, said)
        for column in FACTS[grid.kind]
    ]


def sheets_of(w: Words, grid: Grid, found: Editing, told: Told) -> list[Sheet]:
    """The tables of inputs."""
    said = said_of(grid, found)
    sheets = []
    for name, columns in ROWS[grid.kind].items():
        rows = [
            [
                _box(w, name, column, f"{name}.{number}.{column.name}", row.get(column.name, ""), told, said)
                for column in columns
            ]
            for number, row in enumerate(grid.rows.get(name, ()))
        ]
        heads = [(column_name(w, name, each.name), column_help(w, name, each.name)) for each in columns]
        full = len(rows) >= MOST_ROWS
        sheets.append(Sheet(name, sheet_name(w, name), heads, rows, told.get(name + ".", []), full))
    return sheets


def said_of(grid: Grid, found: Editing) -> Mapping[str, list[CommentRow]]:
    """Comments by the name of the input they stand beside; under "" those about the table as a whole."""
    said: dict[str, list[CommentRow]] = defaultdict(list)
    for each in found.comments:
        said[grid.place(each.place)].append(each)
    return said


def _box(
    w: Words, sheet: str, column: Column, name: str, text: str, told: Told,
    said: Mapping[str, list[CommentRow]],
) -> Box:  # fmt: skip
    choices = column.choices or (("yes", "no") if column.type == "yes-no" else ())
    options = [("", "–"), *((each, choice_name(w, column.name, each)) for each in choices)] if choices else []
    if choices and text not in ("", *choices):
        options.append((text, text))  # what was typed stays, also where it cannot be
    how = "choice" if choices else "area" if column.long else "line"
    return Box(
        name=name, label=column_name(w, sheet, column.name), help=column_help(w, sheet, column.name),
        text=text, how=how, options=options,
        needed=column.needed or column.path[0] in _REQUIRED.get(sheet, ()),
        listed=f"list-{_LISTED[column.name]}" if column.name in _LISTED and not choices else "",
        number=column.type in ("number", "whole"), broad=column.long or column.name in _BROAD,
        problems=told.get(name, []), comments=said.get(name, []),
    )  # fmt: skip


def lists_of(w: Words, found: Editing) -> dict[str, Choices]:
    """What can be chosen from, by the name of the list: only the lists that the table's cells ask for."""
    kind, facts = found.entry.kind, found.entry.facts
    columns = [*FACTS[kind], *(column for sheet in ROWS[kind].values() for column in sheet)]
    wanted = {_LISTED[each.name] for each in columns if each.name in _LISTED and not each.choices}
    analyte = facts.get("analyte", "")
    methods = found.around.methods.values()
    made = {
        "analytes": [(each, w.wording.name("analytes", each)) for each in ANALYTES],
        "methods": [
            (each.id, w.wording.known("methods", each.id, each.title))
            for each in methods if analyte not in ANALYTES or each.analyte == analyte
        ],
        "classes": [(name, w.wording.name("classes", name)) for name in _class_names(found)],
        "names": [(name, w.wording.name("inputs", name)) for name in NAMES if name not in NOTE_NAMES],
        "crops": [(each, w.wording.name("crops", each)) for each in found.around.crops],
        "credits": [(key, w.wording.name("credits", key)) for key in _credit_keys(found)],
    }  # fmt: skip
    return {name: made[name] for name in sorted(wanted)}


def _class_names(found: Editing) -> list[str]:
    """Class names: of the scale itself, or of the scales that the amounts could rest on."""
    if found.entry.kind == "scales":
        return [row["name"] for row in found.entry.rows.get("classes", ()) if "name" in row]
    facts = found.entry.facts
    names = [
        each.name for scale in found.scales for each in scale.classes
        if (scale.analyte, scale.method) == (facts.get("analyte"), facts.get("method"))
    ]  # fmt: skip
    return list(dict.fromkeys(names))


def _credit_keys(found: Editing) -> list[str]:
    used = {credit.key for rate in found.desk.checked.book.rates.values() for credit in rate.credits}
    return sorted(used | {"manure", "previous-crop", "soil-nitrate", "organic-matter"})


def known_of(w: Words, found: Editing) -> list[tuple[str, Choices]]:
    """What the cells that take several ids may name, list by list."""
    columns = {column.name for column in FACTS[found.entry.kind]}
    shared, region = found.around, found.desk.checked.book.regions.get(found.desk.draft.book)
    sources = {
        each: (each, _title(found.source(each)))
        for entry in found.desk.entries
        for each in (_parts(entry.facts.get("sources", "")) if entry.kind != "sources" else [entry.id])
        if each
    }
    made: dict[str, Choices] = {
        "crops": [(each, w.wording.name("crops", each)) for each in shared.crops],
        "materials": [(each, w.wording.name("materials", each)) for each in shared.materials],
        "textures": [(each, w.wording.name("textures", each)) for each in TEXTURES],
        "soil_groups": list(region.soil_groups.items()) if region else [],
        "sources": sorted(sources.values()),
        "cautions_of": [(each.id, each.name) for each in shared.regions.values()],
    }
    found_lists = [(column_name(w, found.entry.kind, name), made[name]) for name in made if name in columns]
    if {"formula", "when"} <= columns:
        names = [(each, w.wording.name("inputs", each)) for each in NAMES if each not in NOTE_NAMES]
        found_lists.append((w("drafts.names-of-formulas"), names))
    return [(label, choices) for label, choices in found_lists if choices]


def cited_by(w: Words, found: Editing) -> Choices:
    """The tables of the draft that cite a source: number and title."""
    named = found.entry.id
    return [
        (str(each.number), title_of(w, each)) for each in found.desk.entries
        if each.kind != "sources" and named and named in _parts(each.facts.get("sources", ""))
    ]  # fmt: skip


def cited_of(found: Editing) -> list[Cited]:
    """Every source that the table names."""
    if found.entry.kind == "sources":
        return []
    own = {each.id: each for each in found.desk.entries if each.kind == "sources"}
    cited = []
    for name in dict.fromkeys(_parts(found.entry.facts.get("sources", ""))):
        source = found.source(name)
        cited.append(Cited(name, source if isinstance(source, Source) else None, own.get(name)))
    return cited


def _title(source: Source | Entry | None) -> str:
    if isinstance(source, Source):
        return source.title
    return source.facts.get("title", "–") if source else "–"


def _parts(text: str) -> list[str]:
    return [part for each in text.split(";") if (part := each.strip())]


def places_of(w: Words, boxes: Iterable[Box], sheets: Iterable[Sheet]) -> Choices:
    """Every cell that a comment can be about, by its words."""
    found = [("", w("drafts.whole-table")), *((box.name, box.label) for box in boxes)]
    for sheet in sheets:
        for number, row in enumerate(sheet.rows, 1):
            found += [
                (box.name, w("drafts.cell-of-row", sheet=sheet.label, row=number, column=box.label))
                for box in row if any(each.text for each in row)
            ]  # fmt: skip
    return found
