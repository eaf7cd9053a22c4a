"""The columns of every sheet: what an agronomist may type about a record, in the order it is shown."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

from interpretation.agronomy.tables import Nutrient, YieldUnit
from interpretation.methods import Standing
from interpretation.quantities import Basis, RateUnit, SoilUnit

Kind = Literal["regions", "scales", "rates", "conversions", "sources"]
KINDS: tuple[Kind, ...] = get_args(Kind)
# How a cell is read: a list has its entries between semicolons; an amount is a number, a formula or "none".
Type = Literal["text", "number", "whole", "day", "yes-no", "list", "crops", "amount"]


@dataclass(frozen=True)
class Column:
    """One column of a sheet.

    Attributes
    ----------
    name
        Its heading in files, and the last part of the name of an input on a page.
    key
        Where its value stands in a record, as a path; the name itself if not given.
    type
        How a cell is read.
    choices
        What may be typed, where that is a short list.
    needed
        A record cannot do without.
    long
        A page gives it several lines.
    """

    name: str
    type: Type = "text"
    key: tuple[str | int, ...] = ()
    choices: tuple[str, ...] = ()
    needed: bool = False
    long: bool = False

    @property
    def path(self) -> tuple[str | int, ...]:
        """Where the value stands in a record."""
        return self.key or (self.name,)


_STANDING = Column("standing", choices=get_args(Standing), needed=True)
_SOURCES = Column("sources", "list", needed=True)
_REMARK = Column("remark", long=True)
_PERIOD = (Column("effective_from", "day", needed=True), Column("effective_to", "day"))
_SOIL = (
    Column("depth_from_cm", "number", ("depth_cm", 0)), Column("depth_to_cm", "number", ("depth_cm", 1)),
    Column("textures", "list"), Column("soil_groups", "list"),
)  # fmt: skip
_BASIS = Column("basis", choices=get_args(Basis))
_BETWEEN = Column("between_rows", choices=("step", "straight-line"))

FACTS: dict[Kind, tuple[Column, ...]] = {
    "regions": (
        Column("id", needed=True), Column("name", needed=True), Column("publisher", needed=True),
        Column("valid_for", needed=True, long=True), Column("not_for", needed=True, long=True),
        Column("edition", long=True), Column("cautions_of", "list"), _STANDING, Column("sources", "list"),
        _REMARK,
    ),
    "scales": (
        Column("id", needed=True), Column("title"), Column("crops", "crops", needed=True),
        Column("analyte", needed=True), Column("form"), Column("method", needed=True), *_SOIL,
        Column("unit", choices=get_args(SoilUnit), needed=True), _BASIS,
        Column("per_method_unit", "number"), Column("round_to", "number", needed=True), *_PERIOD,
        Column("ends_at", "number"), Column("adequate_from"), Column("scale_top", "number"), _SOURCES,
        _STANDING, _REMARK,
    ),
    "rates": (
        Column("id", needed=True), Column("title"),
        Column("nutrient", choices=get_args(Nutrient), needed=True), Column("crops", "crops", needed=True),
        Column("analyte"), Column("form"), Column("method"), *_SOIL,
        Column("unit", choices=get_args(RateUnit), needed=True), _BASIS,
        Column("yield_unit", choices=get_args(YieldUnit)), Column("formula", long=True), Column("rows_of"),
        _BETWEEN, Column("holds_if", long=True), Column("when", long=True), Column("floor", "number"),
        Column("cap", "number"), Column("round_to", "number", needed=True), Column("materials", "list"),
        *_PERIOD, _SOURCES, _STANDING, _REMARK,
    ),
    "conversions": (
        Column("id", needed=True), Column("title", needed=True), Column("analyte", needed=True),
        Column("from_method", needed=True), Column("to_method", needed=True),
        Column("formula", needed=True, long=True), Column("lowest", "number"),
        Column("highest", "number", needed=True), *_PERIOD, _SOURCES, _STANDING, _REMARK,
    ),
    "sources": (
        Column("id", needed=True), Column("title", needed=True, long=True), Column("publisher"),
        Column("year", "whole"), Column("locator"), Column("url"),
        Column("read", choices=("seen", "restated", "common-practice", "memory", "invented"), needed=True),
    ),
}  # fmt: skip

ROWS: dict[Kind, dict[str, tuple[Column, ...]]] = {
    "regions": {"soil_groups": (Column("word", needed=True), Column("meaning", needed=True))},
    "scales": {
        "classes": (
            Column("name", needed=True), Column("from", "number", needed=True), Column("to", "number"),
            Column("open_below", "yes-no"),
        ),
    },
    "rates": {
        "amounts": (
            Column("class"), Column("from", "number"), Column("rate", "amount", needed=True),
        ),
        "constants": (Column("name", needed=True), Column("value", "number", needed=True)),
        "credits": (
            Column("key", needed=True), Column("formula"), Column("previous_crop"),
            Column("amount", "number"),
        ),
    },
    "conversions": {},
    "sources": {},
}  # fmt: skip

LONGEST_CELL = 4000
LONGEST_STORED = 8 * LONGEST_CELL  # of a cell that is wrong, but kept as it was typed
MOST_ROWS = 60  # of one sheet in one record; twelve classes are the most a scale takes
MOST_ENTRIES = 400  # of one draft


def columns_of(kind: Kind, sheet: str = "") -> tuple[Column, ...]:
    """Columns of a sheet of a kind of record; without a sheet, of what is said once."""
    return ROWS[kind][sheet] if sheet else FACTS[kind]
