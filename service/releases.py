"""What a release of a book says of itself and of its records, written so that nothing can be changed later.

The content of a release is canonical JSON. Its SHA-256 names it, and the next release of the book carries
that digest: whoever holds the newest one can tell whether any earlier one was changed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

from pydantic import BaseModel, ConfigDict

from interpretation.agronomy.tables import TableSet
from service.books import Written, canonical, digest, read

FORM = "furrowslice-tables-1"


class Content(BaseModel):
    """Everything that a release freezes.

    Attributes
    ----------
    previous
        SHA-256 of the book's release before it; empty in the first.
    shared
        SHA-256 of the release of the shared book it was checked with; empty in a release of that book.
    records
        Kind -> id -> record, as :func:`service.books.written` writes them.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    form: str = FORM
    book: str
    number: int
    previous: str
    shared: str
    effective_on: date
    published_at: datetime
    published_by: str
    written_by: tuple[str, ...]
    approved_by: str  # empty where a book was taken over from files
    why: str
    records: Written

    def text(self) -> str:
        """Canonical JSON."""
        values: dict[str, Any] = self.model_dump(mode="json")
        values["published_at"] = self.published_at.astimezone(UTC).isoformat()
        return canonical(values)

    def tables(self) -> TableSet:
        """The records."""
        return read(self.book, self.records)


def content_of(text: str) -> Content:
    """Read the content of a release."""
    return Content.model_validate_json(text)


@dataclass(frozen=True)
class Link:
    """One release as the database holds it."""

    book: str
    number: int
    effective_on: date
    published_at: datetime
    sha256: str
    previous_sha256: str
    content: str


def breaks(links: Sequence[Link]) -> tuple[str, ...]:
    """Say what is wrong with the chain of one book.

    Parameters
    ----------
    links
        All releases of the book, first to last.

    Returns
    -------
    tuple of str
        A sentence for each break; empty when the chain is whole.
    """
    found, before = [], ""
    for expected, link in enumerate(links, 1):
        if link.number != expected:
            found.append(f"release {expected} is missing: the next one is {link.number}")
        if digest(link.content) != link.sha256:
            found.append(f"release {link.number} is not what was published: its content has another digest")
        found += _differs(link)
        if link.previous_sha256 != before:
            found.append(f"release {link.number} does not follow the one before it: that has another digest")
        before = link.sha256
    return tuple(found)


def _differs(link: Link) -> Iterator[str]:
    """What the row of a release says otherwise than its content: what is in force is chosen by the row."""
    try:
        said = content_of(link.content)
    except ValueError:
        yield f"release {link.number} cannot be read"
        return
    if (said.number, said.previous) != (link.number, link.previous_sha256):
        yield f"release {link.number} says another number or predecessor than its row"
    if said.book != link.book:
        yield f"release {link.number} is of {said.book}, not of {link.book}"
    if said.effective_on != link.effective_on:
        days = f"{link.effective_on}; it was published to be used from {said.effective_on}"
        yield f"release {link.number} is used from {days}"
    if said.published_at != link.published_at:
        yield f"release {link.number} was published at {said.published_at}, not at {link.published_at}"
