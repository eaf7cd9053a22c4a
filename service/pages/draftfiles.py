"""Pages of a draft's files: taken away in three forms, brought back, and the difference looked at."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, File, Form, Query, UploadFile
from starlette.responses import HTMLResponse, Response

from interpretation.errors import FurrowsliceError
from service.actions import draftfiles
from service.actions.draftfiles import Waiting
from service.bookfiles.book import Form as FileForm
from service.entries.entry import CellProblem
from service.pages.cellwords import one_name
from service.pages.changelines import cell_name, in_words
from service.pages.draftlines import region_name
from service.pages.forms import Id
from service.pages.runs import sent
from service.refusals import NotAllowed, NotFound
from service.web.problems import status_of
from service.web.visit import Posted, Visit, Visiting

router = APIRouter()
HERE = "/tables/drafts/{draft_id}/files"
FORMS: tuple[FileForm, ...] = ("xlsx", "csv", "yaml")
SHOWN = 20  # things wrong with what a file would bring; the rest is counted
One = Annotated[int | None, Query(alias="entry", ge=1, le=2**31 - 1)]
Whole = Annotated[str, Query(max_length=3)]


@router.get(HERE)
def files_page(visit: Visiting, draft_id: Id, entry: One = None) -> HTMLResponse:
    """Show the forms in which a draft is taken away, and where a file is brought back."""
    return _files(visit, draft_id, entry)


def _files(
    visit: Visit, draft_id: int, number: int | None, error: FurrowsliceError | None = None
) -> HTMLResponse:
    desk, waits = draftfiles.files(visit.site, visit.caller, draft_id)
    one = None if number is None else desk.entry(number)
    return visit.page(
        "drafts/files.html.j2", status_of(error) if error else 200, error=error, draft=desk.draft,
        region_name=region_name(desk), forms=FORMS, one=one, waits=waits,
        kind=one_name(visit.words, one.kind) if one else "", may_change=desk.draft.state == "open",
        largest=visit.site.settings.largest_upload_mib,
    )  # fmt: skip


@router.get(HERE + "/download")
def download(
    visit: Visiting, draft_id: Id, form: Annotated[FileForm, Query()], entry: One = None
) -> Response:
    """Send the draft, or one of its tables, as a file."""
    try:
        file = draftfiles.download(visit.site, visit.caller, draft_id, form, entry)
    except (NotAllowed, NotFound):
        raise
    except FurrowsliceError as error:
        return _files(visit, draft_id, entry, error)
    told = {"content-disposition": f'attachment; filename="{file.name}"'}
    return Response(file.content, media_type=file.media_type, headers=told)


@router.post(HERE)
def upload(
    visit: Posted, draft_id: Id, file: Annotated[UploadFile, File()], whole: Annotated[str, Form()] = ""
) -> Response:
    """Read a file; what it would change is shown next."""
    try:
        added = draftfiles.upload(visit.site, visit.caller, draft_id, sent(file))
    except (NotAllowed, NotFound):
        raise
    except FurrowsliceError as error:
        return _files(visit, draft_id, None, error)
    return visit.go(f"/tables/drafts/{draft_id}/files/{added}{'?whole=yes' if whole == 'yes' else ''}")


@router.get(HERE + "/{upload_id}")
def difference(visit: Visiting, draft_id: Id, upload_id: Id, whole: Whole = "") -> HTMLResponse:
    """Show what a file that waits would change."""
    return _difference(visit, draft_id, upload_id, whole)


def _difference(
    visit: Visit, draft_id: int, upload_id: int, whole: str, error: FurrowsliceError | None = None
) -> HTMLResponse:
    w = visit.words
    found = draftfiles.waiting(visit.site, visit.caller, draft_id, upload_id, whole=whole == "yes")
    problems = _problems(visit, found)
    return visit.page(
        "drafts/difference.html.j2", status_of(error) if error else 200, error=error, draft=found.desk.draft,
        desk=found.desk, region_name=region_name(found.desk), upload=found.upload, sha256=found.sha256,
        whole=whole == "yes", changes=in_words(w, found.changes), checked=found.checked,
        mine=found.upload.by_id == visit.caller.account_id,
        problems=problems[:SHOWN], more=len(problems) - SHOWN, may_change=found.desk.draft.state == "open",
    )  # fmt: skip


def _problems(visit: Visit, found: Waiting) -> list[tuple[str, str, CellProblem]]:
    """What would be wrong, mistakes first: which table, which cell, and what."""
    called = {each.number: (each.id or one_name(visit.words, each.kind), each.kind) for each in found.after}
    lines = [
        (name, cell_name(visit.words, kind, problem.cell), problem)
        for number, problems in sorted(found.checked.problems.items())
        for name, kind in [called.get(number, (found.desk.draft.book, "regions"))]
        for problem in problems
    ]
    return sorted(lines, key=lambda line: line[2].severity != "error")


@router.post(HERE + "/{upload_id}/take")
def take(
    visit: Posted, draft_id: Id, upload_id: Id, revision: Annotated[int, Form(ge=1, le=2**31 - 1)],
    sha256: Annotated[str, Form(max_length=64)], whole: Annotated[str, Form()] = "",
) -> Response:  # fmt: skip
    """Put the file into the draft, as the difference has shown it."""
    try:
        draftfiles.take(visit.site, visit.caller, draft_id, upload_id, revision, sha256, whole=whole == "yes")
    except (NotAllowed, NotFound):
        raise
    except FurrowsliceError as error:
        return _difference(visit, draft_id, upload_id, whole, error)
    return visit.go(f"/tables/drafts/{draft_id}", "draftfiles.done-taken")


@router.post(HERE + "/drop")
def drop(visit: Posted, draft_id: Id) -> Response:
    """Let go of the file that waits."""
    draftfiles.drop(visit.site, visit.caller, draft_id)
    return visit.go(f"/tables/drafts/{draft_id}/files", "draftfiles.done-dropped")
