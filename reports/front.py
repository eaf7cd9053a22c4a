"""What the grower's part of a report shows, as frozen records in which every string is final.

:mod:`reports.view` says what they are parts of.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Word:
    """A text on a picture, set around its middle."""

    x: float
    y: float
    text: str
    ink: str = "#161616"
    bold: bool = False


@dataclass(frozen=True, slots=True)
class Box:
    """A class that is filled."""

    x: float
    y: float
    width: float
    height: float
    fill: str


@dataclass(frozen=True, slots=True)
class Lane:
    """One line of a board, ready to be drawn; all paths are SVG path data.

    A lane has few elements, because each of them costs time on every page.
    """

    alt: str
    height: float
    columns: str  # where classes begin
    boxes: tuple[Box, ...] = ()
    words: tuple[Word, ...] = ()
    marks: str = ""  # filled
    hollow: str = ""  # filled white
    dots: str = ""  # points, drawn as the round ends of lines without length


@dataclass(frozen=True, slots=True)
class BoardRow:
    """A line of a board: whose, the picture or why there is none, the value in figures."""

    who: tuple[str, ...]
    lane: Lane | None
    value: str
    remark: str  # "close call", or the reason there is no class
    kind: str = "now"  # now | earlier


@dataclass(frozen=True, slots=True)
class Board:
    """Values that are read on one scale, whose words and limits stand once at its head."""

    title: str
    method: str
    head: Lane | None
    rows: tuple[BoardRow, ...]


@dataclass(frozen=True, slots=True)
class Found:
    """One analyte: the answer in a sentence, then its boards."""

    sentences: str
    outlook: str  # "may run short" or ""
    boards: tuple[Board, ...]


@dataclass(frozen=True, slots=True)
class ClassCell:
    """One sample's class on one analyte, in the table of many samples."""

    value: str
    word: str
    style: str  # names the colour, "" without a class


@dataclass(frozen=True, slots=True)
class ClassTable:
    """Samples down, analytes across."""

    head: tuple[tuple[str, str], ...]  # analyte and unit
    rows: tuple[tuple[str, tuple[ClassCell, ...]], ...]


@dataclass(frozen=True, slots=True)
class ToDoCell:
    """How much of a nutrient goes where; ``kind`` is ``amount``, ``none`` or ``refused``."""

    kind: str
    text: str
    where: str = ""
    unit: str = ""


@dataclass(frozen=True, slots=True)
class ToDo:
    """One nutrient: what it is, why, how much for each sample or group of samples, how much in all."""

    nutrient: str
    why: str
    cells: tuple[tuple[ToDoCell, ...], ...]
    total: str


@dataclass(frozen=True, slots=True)
class ToDoTable:
    """What to do, a nutrient a row."""

    columns: tuple[str, ...]
    total: str  # head of the last column, "" where no total can be told
    help: str  # how to read the amounts
    rows: tuple[ToDo, ...]
    long_units: bool = False  # set smaller than the number, so that four stand side by side


@dataclass(frozen=True, slots=True)
class Afterwards:
    """When to test again and whom to ask."""

    again: tuple[str, ...]
    ask: tuple[tuple[str, str], ...]  # who, and how to reach them


@dataclass(frozen=True, slots=True)
class WorkingTable:
    """How the amounts of one nutrient came about: what is the same for all samples, then samples by line."""

    nutrient: str
    shared: str
    rows: tuple[tuple[str, str, str], ...]  # samples, amount, steps
