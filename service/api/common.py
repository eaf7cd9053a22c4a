"""What every part of the API shares: identifiers, texts, and the pages of a long list.

A list is read page by page: ``after`` is the last id seen, ``limit`` how many are wanted. The answer's
``next`` is what to give as ``after`` for the next page; null at the end.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Annotated, Generic, Protocol, TypeVar

from fastapi import Path, Query
from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from service.characters import UNSEEN

LARGEST_ID = 2**31 - 1  # what the narrower of the two engines takes as a whole number
LONGEST_LINE = 200
LONGEST_TEXT = 2000

Item = TypeVar("Item")
Row = TypeVar("Row", bound="HasId")


class HasId(Protocol):
    """A row of a list: its id rises from one to the next."""

    @property
    def id(self) -> int:
        """The row's number in the database."""


def seen(text: str) -> str:
    """Take a text whose every character can be seen."""
    if found := UNSEEN.search(text):
        raise ValueError(f"the text holds the invisible character U+{ord(found[0]):04X}; type it again")
    return text


def _one_line(text: str) -> str:
    if "\n" in text or "\r" in text or "\t" in text:
        raise ValueError("this text is one line, without tabs or line ends")
    return seen(text)


Id = Annotated[int, Path(ge=1, le=LARGEST_ID, description="the number that the API gave to it")]
GivenId = Annotated[int, Field(ge=1, le=LARGEST_ID)]
Line = Annotated[str, Field(max_length=LONGEST_LINE), AfterValidator(_one_line)]
Text = Annotated[str, Field(max_length=LONGEST_TEXT), AfterValidator(seen)]
After = Annotated[int, Query(ge=0, le=LARGEST_ID, description="the last id already seen; 0: from the first")]
Limit = Annotated[int, Query(ge=1, le=500, description="how many at most")]


class Input(BaseModel):
    """What a program sends: fields that were not declared are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Output(BaseModel):
    """What a program gets."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Page(BaseModel, Generic[Item]):
    """One page of a long list."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    items: list[Item]
    next: int | None = Field(description="give it as `after` for the next page; null: this is the last")


def page_of(found: Sequence[Row], limit: int, shown: Callable[[Row], Item]) -> Page[Item]:
    """Make a page of rows.

    Parameters
    ----------
    found
        Rows by rising id; ask the store for ``limit + 1``: one too many says that there is another page.
    limit
        How many were wanted.
    shown
        Turns a row into what the program gets.
    """
    rows = found[:limit]
    return Page(items=[shown(row) for row in rows], next=rows[-1].id if len(found) > limit else None)
