"""Layouts: small YAML files that map a laboratory's own export to our names, without code.

The format is described in ``service/layouts/README.md``. Nothing about a file is guessed: what a layout
does not declare is refused with file, row and column.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from interpretation.errors import RunFileError
from interpretation.laboratory.run import KINDS, CurveChoice, RunHeader
from service.grids import fold
from service.paths import layouts_directory
from service.yamlfiles import read

Encoding = Literal["utf-8", "utf-8-sig", "cp1252", "cp1250", "iso-8859-1", "iso-8859-2", "iso-8859-15"]
DateFormat = Literal["YYYY-MM-DD", "DD.MM.YYYY", "DD/MM/YYYY", "MM/DD/YYYY"]
DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "pipe": "|"}
MARKS = {"point": ".", "comma": ","}
COLUMNS = (
    "position", "kind", "cup_id", "of", "nominal_mg_per_l", "signal", "solution_mg_per_l", "dilution",
    "excluded", "reason",
)  # fmt: skip
FACTS = (*(name for name in RunHeader.model_fields if name != "curve"), *CurveChoice.model_fields)
DEFAULT = "point-comma"

Words = Annotated[
    tuple[str, ...], BeforeValidator(lambda value: (value,) if isinstance(value, str) else value)
]


class _Declaration(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


class Dialect(_Declaration):
    """How a file writes its cells; the defaults are those of our own files."""

    delimiter: Literal["comma", "semicolon", "tab", "pipe"] = "comma"
    decimal: Literal["point", "comma"] = "point"
    encoding: Encoding = Field(default="utf-8", description="utf-8-sig is UTF-8 with a byte order mark")
    skip_lines: int = Field(default=0, ge=0, le=1000, description="lines to leave out at the top")
    sheet: str = Field(
        default="", max_length=200, description="sheet of a workbook; not needed when it has only one"
    )
    exponent: bool = Field(default=False, description="whether 1.2E-3 is a number")
    less_than: str = Field(
        default="",
        max_length=3,
        pattern=r"^[^-0-9.,]*$",  # nothing that a number may begin with: -0.5 is no limit of 0.5
        description="sign before a limit, as in <0.05",
    )
    blank_cells: Words = Field(default=(), description="words that mean 'no value', besides nothing at all")
    dates: DateFormat = "YYYY-MM-DD"
    yes: Words = Field(default=("yes",), min_length=1)
    no: Words = Field(default=("no",), min_length=1)

    @model_validator(mode="after")
    def _delimiter_is_not_the_decimal_mark(self) -> Dialect:
        if self.delimiter == "comma" and self.decimal == "comma":
            raise ValueError("delimiter and decimal are both the comma; a file cannot be read that way")
        return self

    @model_validator(mode="after")
    def _yes_is_not_no(self) -> Dialect:
        said = [[fold(word) for word in words] for words in (self.yes, self.no, self.blank_cells)]
        if both := set(said[0]) & {"", *said[1], *said[2]}:
            raise ValueError(f"the word {min(both)!r} stands for yes, and for no or nothing")
        return self


class HeaderPlace(_Declaration):
    """Where the facts about a whole run stand."""

    place: Literal["top", "beside", "constants"] = "top"
    names: dict[str, str] = Field(default={}, description="our field: the file's word, for place 'top'")
    optional: Words = ()
    ignore_others: bool = False
    constants: dict[str, str] = Field(default={}, description="facts that are the same in every run")

    @model_validator(mode="after")
    def _only_known_facts(self) -> HeaderPlace:
        _check_names("fact", (*self.names, *self.constants, *self.optional), FACTS)
        if self.place == "top" and not self.names:
            raise ValueError("place 'top' needs names: which word in the file stands for which fact")
        _check_mapping(self.names, self.optional, self.ignore_others)
        return self


class Layout(Dialect):
    """One laboratory's way of writing a run file."""

    id: str = Field(pattern=r"^[a-z0-9][a-z0-9-]*$", max_length=60)
    title: str = ""
    header: HeaderPlace
    columns: dict[str, str] = Field(description="our column: the file's title")
    optional: Words = Field(default=(), description="our columns that may be missing")
    ignore: Words = Field(default=(), description="titles that are known and not needed")
    ignore_others: bool = Field(default=False, description="leave out every column not named here")
    position_from_order: bool = Field(default=False, description="cups stand in the order they were read")
    kinds: dict[str, Words] = Field(default={kind: (kind,) for kind in KINDS})

    @model_validator(mode="after")
    def _columns_make_a_run(self) -> Layout:
        _check_names("column", (*self.columns, *self.optional), COLUMNS)
        for name in ("kind", "cup_id"):
            if name not in self.columns or name in self.optional:
                raise ValueError(f"columns must name {name}, and it cannot be optional")
        if self.position_from_order == ("position" in self.columns):
            raise ValueError("give either the column position or 'position_from_order: yes'")
        if not {"signal", "solution_mg_per_l"} & set(self.columns):
            raise ValueError("columns must name signal or solution_mg_per_l")
        _check_mapping(self.columns, self.optional, self.ignore_others)
        return self

    @model_validator(mode="after")
    def _kinds_are_ours_and_distinct(self) -> Layout:
        _check_names("kind", tuple(self.kinds), KINDS)
        words = [fold(word) for theirs in self.kinds.values() for word in theirs]
        if twice := {word for word in words if words.count(word) > 1}:
            raise ValueError(f"the word {min(twice)!r} stands for two kinds")
        return self


def _check_names(what: str, names: tuple[str, ...], known: tuple[str, ...]) -> None:
    for name in names:
        if name not in known:
            raise ValueError(f"unknown {what} {name!r}; expected {', '.join(known)}")


def _check_mapping(names: dict[str, str], optional: tuple[str, ...], ignore_others: bool) -> None:
    folded = [fold(title) for title in names.values()]
    if twice := {title for title in folded if folded.count(title) > 1 or not title}:
        raise ValueError(f"the title {min(twice)!r} stands for two of our names, or is empty")
    if optional and ignore_others:
        # Together they would let a misspelt title of an optional column vanish without a word.
        raise ValueError("optional and ignore_others cannot be used together: list what to ignore")


def read_layout(name: Path | str | None = None) -> Layout:
    """Read a layout file.

    Parameters
    ----------
    name
        Path of a layout file, or the name of one that ships with the program (``point-comma``,
        ``comma-semicolon``). Without it: the default, ``point-comma``.

    Raises
    ------
    RunFileError
        With the file and the line or field that is wrong.

    Examples
    --------
    >>> read_layout("comma-semicolon").decimal
    'comma'
    """
    path = Path(name or DEFAULT)
    shipped = layouts_directory() / f"{path.name}.yaml"
    if path.name == str(path) and not path.suffix and shipped.is_file():
        path = shipped
    facts = read_words(path)
    try:
        return Layout.model_validate(facts)
    except ValidationError as error:
        first = error.errors()[0]
        field = ".".join(str(part) for part in first["loc"])
        raise RunFileError(
            first["msg"].removeprefix("Value error, "),
            where=f"{path.name}, {field}" if field else path.name,
            expected="a layout as described in the layouts' README",
            fix="correct the layout file",
        ) from None


@lru_cache(maxsize=1)
def default_layout() -> Layout:
    """The layout of a file that comes without one."""
    return read_layout()


def read_words(path: Path) -> dict[str, Any]:
    """Read a YAML file of names and words.

    Returns
    -------
    dict
        Names to texts, lists or further names; every value is text, as it is written.

    Raises
    ------
    RunFileError
        With the line, when the file is not such a list.
    """
    content = read(path, as_text=True, refuse_with=RunFileError).value
    if not isinstance(content, dict):
        raise RunFileError(
            "the file holds no names",
            where=path.name,
            expected="YAML lines 'name: value'",
            fix="write one 'name: value' a line",
        )
    return content
