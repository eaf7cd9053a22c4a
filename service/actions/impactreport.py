"""The report of a past visit as a draft of the tables would make it, marked as a draft on every page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from interpretation.results import FieldAdvice
from reports.build import build_report
from reports.render import pdf
from reports.view import LaboratoryCard
from service.actions.card import card_of
from service.actions.impact import both_sides, one_at_a_time
from service.actions.impactfields import advice_of_visit
from service.callers import Caller, Right
from service.site import Site
from service.store import laboratories


@dataclass(frozen=True)
class DraftReport:
    """What is printed: the advice and the card, neither of which names the grower, the farm or an adviser."""

    advice: FieldAdvice
    card: LaboratoryCard


def draft_report(
    site: Site, caller: Caller, draft_id: int, visit_id: int, year: int | None = None
) -> DraftReport:
    """Put together what the draft would have printed for a visit.

    Parameters
    ----------
    year
        Tables are chosen as if the samples had been taken in this year; None: in their own.

    Raises
    ------
    NotFound
        If there is no such draft, or no such visit in its region.
    Invalid
        If something in the draft is wrong, or there is nothing to report.
    """
    with site.database.look(caller, Right.EDIT_TABLES) as look:
        sides = both_sides(site, look, draft_id)
        place, advice = advice_of_visit(look, sides.after, sides.desk.draft.book, visit_id, year)
        found = laboratories.laboratory_by_id(look, place.laboratory_id)
        assert found is not None
        card = card_of(found.card).model_copy(
            update={
                "report_id": f"DRAFT-{draft_id}-{sides.desk.revision}", "issued_on": look.now.date(),
                "customer_address": "", "sampled_by": "",
            }
        )  # fmt: skip
    return DraftReport(advice.model_copy(update={"draft": True}), card)


def drawn(made: DraftReport, language: str, paper: Literal["a4", "letter"] = "a4") -> bytes:
    """Draw it.

    Raises
    ------
    Unavailable
        If others wait already.
    """
    page = build_report(made.advice, made.card, locale=language)
    with one_at_a_time():
        return pdf(page, paper)
