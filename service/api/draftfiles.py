"""A draft's files: taken away in three forms, brought back, and taken over once the difference was seen."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, File, Path, Query, Response, UploadFile
from pydantic import Field

from service.actions import draftdesk, draftfiles
from service.actions.draftfiles import Waiting
from service.api.common import LARGEST_ID, Id, Input, Output
from service.api.draftmodels import RecordDifference, SavedDraft, SeenRevision, Sha256
from service.api.draftviews import difference, problems_of
from service.bookfiles.book import Form
from service.uploads import Upload
from service.web.asking import ApiCaller, TheSite

router = APIRouter()
_BINARY = {"schema": {"type": "string", "format": "binary"}}
FILE: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "the file",
        "content": dict.fromkeys(draftfiles.MEDIA_TYPES.values(), _BINARY),
    }
}
Whole = Annotated[bool, Query(description="the file is the whole region: tables that it lacks are removed")]


class FileDifference(Output):
    """A file that waits beside a draft, and what it would change."""

    id: int
    file_name: str
    sha256: str = Field(description="of what it says: who takes it over names it")
    revision: int = Field(description="of the draft that it is held against")
    errors: int = Field(description="things that would keep the draft from being released")
    changes: list[RecordDifference]


class TakenFile(Input):
    """The difference that was looked at; if draft or file is another by now, nothing is done (409)."""

    revision: SeenRevision
    sha256: Sha256
    whole: bool = Field(False, description="tables that the file lacks are removed")


@router.get(
    "/tables/drafts/{draft_id}/files/{form}", summary="A draft as a file", response_class=Response,
    responses=FILE,
)  # fmt: skip
def download(
    site: TheSite, caller: ApiCaller, draft_id: Id,
    form: Annotated[Form, Path(description="csv is a ZIP that describes its columns")],
    entry: Annotated[
        int | None, Query(ge=1, le=LARGEST_ID, description="number of one table; left out: all of them")
    ] = None,
) -> Response:  # fmt: skip
    """Give the draft as a workbook, as comma-separated values or as YAML; read again it is the same."""
    file = draftfiles.download(site, caller, draft_id, form, entry)
    told = {"content-disposition": f'attachment; filename="{file.name}"'}
    return Response(file.content, media_type=file.media_type, headers=told)


@router.post("/tables/drafts/{draft_id}/files", status_code=201, summary="Bring a file back")
def upload(
    site: TheSite, caller: ApiCaller, draft_id: Id,
    file: Annotated[UploadFile, File(description="workbook, ZIP of comma-separated values, or YAML")],
) -> FileDifference:  # fmt: skip
    """Read a file and let it wait: the draft stays as it is until the difference was looked at."""
    sent = Upload(file.filename or "", file.file.read())
    added = draftfiles.upload(site, caller, draft_id, sent)
    return _shown(draftfiles.waiting(site, caller, draft_id, added, whole=False))


@router.get("/tables/drafts/{draft_id}/uploads/{upload_id}", summary="What a file would change")
def waiting(
    site: TheSite, caller: ApiCaller, draft_id: Id, upload_id: Id, whole: Whole = False
) -> FileDifference:
    """Say what a file that waits would change in the draft as it is now, cell by cell."""
    return _shown(draftfiles.waiting(site, caller, draft_id, upload_id, whole=whole))


@router.post("/tables/drafts/{draft_id}/uploads/{upload_id}/taken", summary="Take a file over")
def take(site: TheSite, caller: ApiCaller, draft_id: Id, upload_id: Id, given: TakenFile) -> SavedDraft:
    """Put a file that waits into the draft, as the difference has shown it."""
    made = draftfiles.take(site, caller, draft_id, upload_id, given.revision, given.sha256, whole=given.whole)
    return SavedDraft(revision=made, problems=problems_of(draftdesk.desk(site, caller, draft_id), 0))


@router.delete("/tables/drafts/{draft_id}/uploads", status_code=204, summary="Let go of a file that waits")
def drop(site: TheSite, caller: ApiCaller, draft_id: Id) -> None:
    """Drop the file that waits beside a draft; the draft is not changed."""
    draftfiles.drop(site, caller, draft_id)


def _shown(found: Waiting) -> FileDifference:
    return FileDifference(
        id=found.upload.id, file_name=found.upload.file_name, sha256=found.sha256,
        revision=found.desk.revision, errors=found.checked.errors(),
        changes=[difference(each) for each in found.changes],
    )  # fmt: skip
