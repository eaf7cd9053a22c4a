"""The laboratory card: who answers for a page, kept in a small YAML file, and the identity of each page."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from interpretation.errors import FurrowsliceError
from reports.view import LaboratoryCard
from service.logos import read_logo_beside
from service.yamlfiles import read

NOT_ISSUED = date(1, 1, 1)
OF_ONE_PAGE = frozenset(
    {"report_id", "issued_on", "replaces", "agent_name", "agent_comment", "tables_release"}
)
NOT_OPTIONAL = frozenset({"name", "address"}) | OF_ONE_PAGE
# What the record's own words for a mistake mean to the person who wrote the card.
MISTAKES = {
    "missing": "this is required",
    "extra_forbidden": "a laboratory card has no such line",
    "tuple_type": "this must be a list of lines",
    "string_type": "this must be a text; put quotation marks around a number",
    "string_pattern_mismatch": "this must not be blank",
    "date_type": "this must be a day such as 2026-01-31, without quotation marks",
}


def read_laboratory(path: Path) -> LaboratoryCard:
    """Read a laboratory card; its page identity is given by :func:`issued`.

    Parameters
    ----------
    path
        YAML with ``name``, ``address`` (a list of lines) and any other field of
        :class:`reports.view.LaboratoryCard` except those of :data:`OF_ONE_PAGE`; ``logo`` is the name of a
        picture beside it.

    Raises
    ------
    FurrowsliceError
        With file and line, when the card or its logo is not as described.
    """
    document = read(path)
    facts = dict(document.value) if isinstance(document.value, dict) else {}
    if isinstance(name := facts.get("logo"), str) and name:
        facts["logo"] = read_logo_beside(path, name, f"{path.name}, line {document.line(('logo',))}")
    try:
        if given := OF_ONE_PAGE & facts.keys():
            raise FurrowsliceError(
                f"{min(given)!r} is not part of a laboratory card",
                where=f"{path.name}, line {document.line((min(given),))}",
                expected="facts about the laboratory",
                fix="leave the line out; it belongs to one page and is given when that is issued",
            )
        return LaboratoryCard.model_validate(facts | {"report_id": "-", "issued_on": NOT_ISSUED}, strict=True)
    except ValidationError as error:
        first = error.errors()[0]
        raise FurrowsliceError(
            f"{'.'.join(str(part) for part in first['loc'])}: {MISTAKES.get(first['type'], first['msg'])}",
            where=f"{path.name}, line {document.line(first['loc'])}",
            expected="a laboratory card: name, address (a list of lines begun with '- '); if you like "
            + ", ".join(name for name in LaboratoryCard.model_fields if name not in NOT_OPTIONAL),
            fix="correct that line",
        ) from None


def card_of(facts: Mapping[str, Any]) -> LaboratoryCard:
    """The card of a laboratory from what is kept of it; its page identity is given by :func:`issued`."""
    kept = {name: value for name, value in facts.items() if name not in OF_ONE_PAGE}
    return LaboratoryCard.model_validate(kept | {"report_id": "-", "issued_on": NOT_ISSUED})


def issued(card: LaboratoryCard, content: str, on: date) -> LaboratoryCard:
    """The card as printed on one page: with the page's date and an identity made from its content.

    The identity is 12 characters of the SHA-256 of card, date and content, so that the same page always
    has the same identity and a changed page never keeps it.
    """
    dated = card.model_copy(update={"issued_on": on})
    digest = hashlib.sha256((dated.model_dump_json() + content).encode()).digest()
    identity = base64.b32encode(digest)[:12].decode()
    return dated.model_copy(update={"report_id": f"{identity[:4]}-{identity[4:8]}-{identity[8:]}"})


def with_comment(card: LaboratoryCard, agent: str, comment: str) -> LaboratoryCard:
    """The card of one report, with the comment of the adviser who hands it over."""
    return card.model_copy(update={"agent_name": agent if comment else "", "agent_comment": comment})
