"""Pages of what a draft would do to past samples, and of a report as the draft would make it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Query
from starlette.responses import HTMLResponse, Response

from interpretation.errors import FurrowsliceError
from service.actions import impact, impactreport
from service.actions.checking import checked
from service.files import safe_name
from service.impact import MOST_CHOSEN, Filter, Impact
from service.pages.forms import Id, wrong_fields
from service.pages.impactviews import amounts_of, fields_of, flows_of, still_of, whole
from service.pages.reports import pdf_answer
from service.refusals import Conflict, NotAllowed, NotFound
from service.store.pastsamples import Choices
from service.web.problems import status_of
from service.web.visit import Visit, Visiting

router = APIRouter()
USUAL_YEARS = 2  # newest years that are ticked at first
Word = Annotated[str, Query(max_length=120)]
Words = Annotated[list[Word] | None, Query(max_length=MOST_CHOSEN)]


@router.get("/tables/drafts/{draft_id}/impact")
def impact_page(
    visit: Visiting, draft_id: Id, years: Words = None, counties: Words = None,
    crops: Words = None, as_if: Word = "", go: Word = "",
) -> HTMLResponse:  # fmt: skip
    """Show what to choose by; once chosen, what the draft would do."""
    draft, choices = impact.offered(visit.site, visit.caller, draft_id)
    given = {"years": years or [], "counties": counties or [], "crops": crops or [], "as_if": as_if}
    if not go:
        given["years"] = [str(year) for year in choices.years[:USUAL_YEARS]]
    found: Impact | None = None
    error: FurrowsliceError | None = None
    if go:
        try:
            found = impact.preview(visit.site, visit.caller, draft_id, _asked(given))
        except (NotAllowed, NotFound, Conflict):
            raise
        except FurrowsliceError as refused:
            error = refused
    w = visit.words
    return visit.page(
        "drafts/impact.html.j2", status_of(error) if error else 200, draft=draft, given=given, error=error,
        wrong=wrong_fields(error), found=found, options=_options(visit, choices), whole=lambda n: whole(w, n),
        region_name=_region_name(visit, draft.book),
        flows=flows_of(w, found) if found else [], still=still_of(w, found) if found else [],
        amounts=amounts_of(w, found) if found else [], fields=fields_of(w, found) if found else [],
        pdf_query=f"?{urlencode({'as_if': as_if})}" if as_if else "",
    )  # fmt: skip


@router.get("/tables/drafts/{draft_id}/impact/fields/{visit_id}/report.pdf")
def report(visit: Visiting, draft_id: Id, visit_id: Id, as_if: Word = "") -> Response:
    """Draw a visit's report as the draft would make it, marked as a draft on every page."""
    year = checked(Filter, {"as_if_year": as_if or None}).as_if_year
    made = impactreport.draft_report(visit.site, visit.caller, draft_id, visit_id, year)
    content = impactreport.drawn(made, visit.words.language)
    return pdf_answer(content, f"{safe_name(made.advice.field_id)}.draft-{draft_id}.pdf", kind="inline")


def _region_name(visit: Visit, region: str) -> str:
    known = visit.tables.regions.get(region)
    return known.name if known else region


def _asked(given: Mapping[str, Any]) -> Filter:
    """What a form asks for, in one order: the same question is worked out once.

    Raises
    ------
    Invalid
        With what is wrong with each field.
    """
    years = sorted({*given["years"]}, reverse=True)
    return checked(
        Filter,
        {
            "years": years, "counties": sorted({*given["counties"]}), "crops": sorted({*given["crops"]}),
            "as_if_year": given["as_if"] or None,
        },
    )  # fmt: skip


def _options(visit: Visit, choices: Choices) -> dict[str, list[tuple[str, str]]]:
    crops = [(crop, visit.words.wording.name("crops", crop)) for crop in choices.crops]
    return {
        "years": [(str(year), str(year)) for year in choices.years], "counties": list(choices.counties),
        "crops": sorted(crops, key=lambda each: each[1].casefold()),
    }  # fmt: skip
