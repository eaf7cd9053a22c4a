"""A grower's own data: told on request, erased on request; and the links by which growers open a report.

What erasing keeps, and why. A laboratory must be able to show which samples it measured, with which values
and which reports it issued, after the client has gone: so lab numbers, soil values, crops, counties, areas
and the numbers of reports stay. Nothing that stays says whose they are or where the field lies: names,
contacts, codes made by people, outlines, places of samples, comments and free texts go, in the audit list
as well. A report's PDF says it all again and cannot be scrubbed, so it goes whole; a page that says so
takes its place, because every report names a document. What was printed or sent, and backups made before,
are out of the server's reach.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cache
from typing import Any

from reports.format import Format
from reports.notice import notice_pdf
from reports.wording import LANGUAGES, Wording
from service.callers import Caller, Right
from service.outputs import outputs_at
from service.refusals import Conflict, NotAllowed, NotFound
from service.site import Site
from service.store import documents, jobprivacy, links, openedreports, privacy, reports
from service.store.database import Look
from service.store.openedreports import IssuedReport
from service.store.privacy import Holding

FORMAT = "furrowslice grower export 1"
REPORT_LINK = "/r/"


@dataclass(frozen=True)
class Kept:
    """How much is kept about a grower; the name is empty once it was erased."""

    grower_id: int
    name: str
    erased_at: datetime | None
    farms: int
    fields: int
    samplings: int
    samples: int
    values: int
    reports: int


def show_kept(site: Site, caller: Caller, grower_id: int) -> Kept:
    """How much is kept about a grower.

    Raises
    ------
    NotFound
        If there is no such grower within the caller's scope.
    NotAllowed
        If the grower also has fields that are not.
    """
    with site.database.look(caller, Right.HANDLE_PERSONAL_DATA) as look:
        holding = _whole(look, grower_id)
    return Kept(
        grower_id, holding.grower["name"], holding.grower["erased_at"], len(holding.farms),
        len(holding.fields), len(holding.samplings), len(holding.samples), holding.values,
        len(holding.reports),
    )  # fmt: skip


def _whole(look: Look, grower_id: int) -> Holding:
    """A grower all of whose fields are within the scope: half a grower is neither told nor erased."""
    holding = privacy.find(look, grower_id)
    if holding is None:
        raise NotFound("there is no such grower", expected="one of your own", fix="look for the grower again")
    counties = look.scope.counties
    if counties is not None and not holding.counties <= counties:
        raise NotAllowed(
            "this grower also has fields in counties that are not yours",
            where="grower",
            expected="somebody who looks after all of the grower's counties",
            fix="let a colleague do it who has them all, or let an administrator give you the other counties",
        )
    return holding


def export_grower(site: Site, caller: Caller, grower_id: int) -> dict[str, Any]:
    """Everything kept about a grower, as one JSON document. That it was fetched is kept as a change.

    Raises
    ------
    NotFound, NotAllowed
        As :func:`show_kept`.
    """
    with site.database.change(caller, Right.HANDLE_PERSONAL_DATA) as change:
        holding = _whole(change, grower_id)
        change.note("export", "grower", grower_id)
        return {
            "format": FORMAT,
            "made_at": change.now.isoformat(),
            "about": "document_sha256 of a report is the SHA-256 of its PDF, which is fetched as a report",
        } | privacy.everything(change, holding)


def erase_grower(site: Site, caller: Caller, grower_id: int) -> None:
    """Erase what says who a grower is and where the fields lie; see the top of this module.

    Raises
    ------
    NotFound, NotAllowed
        As :func:`show_kept`.
    Conflict
        If it was done before, or a report of the grower's was issued at this very moment.
    Unavailable
        If files of the grower's reports cannot be removed from the outputs; nothing is erased then.
    """
    pages = {language: _notice(language) for language in LANGUAGES}  # drawn before anything is held
    with site.database.look(caller, Right.HANDLE_PERSONAL_DATA) as look:
        known = privacy.mentions(look, _whole(look, grower_id))
        files = jobprivacy.files_of(look, grower_id)
        drawn = jobprivacy.without_files(look, grower_id)
    _remove(site, files, drawn)  # first: without their names in the database nobody would find them any more
    with site.database.change(caller, Right.HANDLE_PERSONAL_DATA) as change:
        reports.in_turn(change)  # one that is being issued would keep the name
        holding = _whole(change, grower_id)
        if holding.grower["erased_at"] is not None:
            raise Conflict(
                "what was kept about this grower was erased before",
                where="grower",
                expected="a grower who is still known",
                fix="nothing is left to do",
            )
        if jobprivacy.files_of(change, grower_id) != files:
            raise Conflict(
                "a report of this grower was issued at this very moment, so nothing was erased",
                where="grower", expected="nothing that is issued meanwhile", fix="do it once more",
            )  # fmt: skip
        notices = {language: hashlib.sha256(page).hexdigest() for language, page in pages.items()}
        if holding.reports:
            for page in pages.values():
                documents.put(change, page)
        privacy.erase(change, holding, notices, known)
        change.note("erase", "grower", grower_id, after={"reports": len(holding.reports)})


def _remove(site: Site, files: Mapping[str, Collection[str]], drawn: Mapping[str, Collection[int]]) -> None:
    """Remove the files of issued reports, and those that were drawn and never issued."""
    if files or drawn:
        outputs = outputs_at(site.settings.outputs_url)
        for folder, names in files.items():
            outputs.remove(folder, names)
        for folder, numbers in drawn.items():
            outputs.remove_items(folder, numbers)


@cache
def _notice(language: str) -> bytes:
    say = Wording(Format(language)).page
    return notice_pdf(say("erased-title"), say("erased"), language)


# ------------------------------------------------------------------------------ links for growers


def report_link(site: Site, caller: Caller, report_id: int) -> str:
    """Make a link by which a grower opens one report without an account; returns its path.

    Parameters
    ----------
    site, caller
        Where, and who gives it.
    report_id
        The report's number in the database.

    Raises
    ------
    NotFound
        If there is no such report within the caller's scope, or its grower was erased.
    """
    with site.database.change(caller, Right.ISSUE_REPORTS) as change:
        if not openedreports.may_be_opened(change, report_id):
            raise NotFound(
                "there is no such report", expected="one of your own", fix="look for the report again"
            )
        lasts = timedelta(days=site.settings.link_days)
        token = links.make(change, "report", lasts, report_id=report_id)
        change.note("make link", "report", report_id, after={"days": site.settings.link_days})
    return REPORT_LINK + token


@dataclass(frozen=True)
class Opened:
    """What a grower's link opens."""

    report: IssuedReport
    until: date


def opened_report(site: Site, visitor: Caller, token: str) -> Opened:
    """The report of a link.

    Raises
    ------
    NotFound
        If the link has expired, what it opened was erased, or there is none.
    """
    with site.database.look(visitor, None) as look:
        link = links.find(look, "report", token)
        found = None if link is None or link.report_id is None else openedreports.get(look, link.report_id)
        if link is None or found is None:
            raise NotFound(
                "this link does not work: it has expired, or was not copied whole",
                expected="a link that still holds",
                fix="ask whoever gave it to you for a new one",
            )
        return Opened(found, link.expires_at.date())
