"""Runs: upload, look, decide, release."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Any

from fastapi import APIRouter, BackgroundTasks, File, Form, Query, Response, UploadFile
from pydantic import Field

from interpretation.errors import FurrowsliceError
from interpretation.laboratory.run import Model, RunHeader, Weighting
from interpretation.results import CupLine, CurveSummary, Flag, RunSheet, Verdict
from service.actions import bench, releasing, runviews
from service.actions.bench import Choice, Decision, Exclusion
from service.actions.runviews import Comparison, RunView, Side, ValueChange
from service.api.common import LARGEST_ID, After, Id, Input, Limit, Line, Output, Page, page_of
from service.layout import DEFAULT
from service.store.runs import RunRow, State
from service.uploads import Upload
from service.web.asking import ApiCaller, TheSite

router = APIRouter()
Position = Annotated[int, Field(ge=0, le=999_999_999)]
PDF: dict[int | str, dict[str, Any]] = {
    200: {"content": {"application/pdf": {"schema": {"type": "string", "format": "binary"}}}}
}


class TakenOut(Input):
    """A cup that a person takes out, and why."""

    position: Position
    reason: Line


class GivenChoice(Input):
    """How a run is to be worked out; what is left out is as the run's own header says."""

    model: Model | None = None
    weighting: Weighting | None = None
    zero_standard: bool | None = Field(None, description="whether the zero standard takes part in the fit")
    excluded: list[TakenOut] = Field([], max_length=200, description="every cup that is to be out")


class Seen(Input):
    """The version of the run that the decision rests on; 409 if somebody else was faster."""

    version: int = Field(ge=1, le=LARGEST_ID)


class KeptChoice(GivenChoice, Seen):
    """A choice to keep."""


class GivenDecision(Seen):
    """What is to become of a run."""

    state: Decision
    reason: Line = Field("", description="needed to hold or to reject")


class ListedRun(Output):
    """One run of the list."""

    id: int
    name: str
    state: State
    version: int = Field(description="rises with every step; each step names the one it saw")
    analyte: str
    method: str
    run_on: date
    operator: str
    file_name: str
    file_sha256: str
    layout: str
    replaces: str
    reason: str
    uploaded_at: datetime
    uploaded_by: str
    decided_at: datetime | None
    decided_by: str
    released_at: datetime | None
    released_by: str


class Problem(Output):
    """Why a run cannot be worked out."""

    what: str
    where: str
    expected: str
    fix: str


class Released(Output):
    """A sample whose value this run released."""

    lab_number: str
    sample: int
    stands: bool = Field(description="whether no newer value has superseded it")


class Waiting(Output):
    """A cup that waited at the release; `sample` is there since a list has named it."""

    lab_number: str
    sample: int | None


class Withheld(Output):
    """A sample whose value stays in the laboratory, and why."""

    lab_number: str
    flag: Flag


class OneRun(ListedRun):
    """A run as it stands: worked out now, or as it was frozen at the release."""

    header: RunHeader
    choice: GivenChoice
    sheet: RunSheet | None = Field(description="null where `problem` says why")
    problem: Problem | None
    samples: dict[str, int] = Field(description="sample of each lab number that a list has named")
    unmatched: list[str] = Field(description="lab numbers that no list has named; none is dropped")
    withheld: list[Withheld]
    left_out: list[str] = Field(description="not stored at the release, because another value stood by then")
    released: list[Released]
    waiting: list[Waiting]


class OneSide(Output):
    """A run by one choice."""

    choice: GivenChoice
    verdict: Verdict | None
    curve: CurveSummary | None
    problem: Problem | None


class Change(Output):
    """How one sample would be reported otherwise."""

    lab_number: str
    percent: float | None
    standing: CupLine | None
    proposed: CupLine | None


class Compared(Output):
    """The standing choice and another one; the largest changes come first."""

    version: int
    standing: OneSide
    proposed: OneSide
    samples: int
    changes: list[Change]


class DoneRelease(Output):
    """What a release has done."""

    run: ListedRun
    values: int
    superseded: int
    waiting: list[str]
    withheld: list[Withheld]
    left_out: list[str] = Field(description="samples that have another value by now, which stands")


@router.post("/runs", status_code=201, summary="Upload a run file")
def upload_run(
    site: TheSite,
    caller: ApiCaller,
    file: Annotated[UploadFile, File(description="CSV or .xlsx as the instrument exports it")],
    side: Annotated[UploadFile | None, File(description="YAML with facts about the run")] = None,
    layout: Annotated[Line, Form(description="name of a layout that ships with the program")] = DEFAULT,
    replaces: Annotated[Line, Form(description="name of the run that this one is a rerun of")] = "",
) -> ListedRun:
    """Read a run file and keep it as it came; it is to be confirmed before anything is decided."""
    beside = Upload(side.filename or "", side.file.read()) if side is not None else None
    run_id = bench.upload_run(
        site, caller, Upload(file.filename or "", file.file.read()), side=beside, layout=layout,
        replaces=replaces,
    )  # fmt: skip
    return _row(runviews.run_row(site, caller, run_id))


@router.get("/runs", summary="Runs")
def list_runs(
    site: TheSite,
    caller: ApiCaller,
    after: After = 0,
    limit: Limit = 100,
    state: Annotated[State | None, Query(description="only runs in this state")] = None,
) -> Page[ListedRun]:
    """List the runs of the laboratory by rising id."""
    return page_of(runviews.runs_after(site, caller, after, limit + 1, state), limit, _row)


@router.get("/runs/{run_id}", summary="One run with its sheet")
def one_run(site: TheSite, caller: ApiCaller, run_id: Id) -> OneRun:
    """Work a run out, or show it as it was frozen at the release."""
    return _view(runviews.show_run(site, caller, run_id))


@router.post("/runs/{run_id}/confirm", summary="Confirm that a run was read as it was meant")
def confirm(site: TheSite, caller: ApiCaller, run_id: Id, seen: Seen) -> ListedRun:
    """Confirm a run that was read."""
    bench.confirm_run(site, caller, run_id, seen.version)
    return _row(runviews.run_row(site, caller, run_id))


@router.post("/runs/{run_id}/discard", status_code=204, summary="Throw away a run that was not confirmed")
def discard(site: TheSite, caller: ApiCaller, run_id: Id, seen: Seen) -> None:
    """Throw away the wrong file."""
    bench.discard_run(site, caller, run_id, seen.version)


@router.post("/runs/{run_id}/comparison", summary="Another choice beside the one that stands")
def compare(site: TheSite, caller: ApiCaller, run_id: Id, given: GivenChoice) -> Compared:
    """Work a run out by another choice; nothing is kept."""
    return _compared(runviews.compare(site, caller, run_id, _choice(given)))


@router.post("/runs/{run_id}/choice", summary="Keep another curve, or cups taken out")
def choose(site: TheSite, caller: ApiCaller, run_id: Id, given: KeptChoice) -> ListedRun:
    """Keep a choice whole; a decision made before no longer stands."""
    bench.keep_choice(site, caller, run_id, given.version, _choice(given))
    return _row(runviews.run_row(site, caller, run_id))


@router.post("/runs/{run_id}/decision", summary="Accept, hold or reject a run")
def decide(site: TheSite, caller: ApiCaller, run_id: Id, given: GivenDecision) -> ListedRun:
    """Decide about a run; it is accepted only where every check allows it."""
    bench.decide(site, caller, run_id, given.version, given.state, given.reason)
    return _row(runviews.run_row(site, caller, run_id))


@router.post("/runs/{run_id}/release", summary="Release the values of an accepted run")
def release(site: TheSite, caller: ApiCaller, run_id: Id, seen: Seen, later: BackgroundTasks) -> DoneRelease:
    """Release values and freeze the sheet, for good."""
    done = releasing.release_run(site, caller, run_id, seen.version)
    later.add_task(releasing.print_sheet, site, caller, run_id)
    return _done(done, runviews.run_row(site, caller, run_id))


@router.post("/runs/{run_id}/release-waiting", summary="Release cups that a list has named since")
def release_waiting(site: TheSite, caller: ApiCaller, run_id: Id, seen: Seen) -> DoneRelease:
    """Release the values of cups that had waited for their samples."""
    done = releasing.release_waiting(site, caller, run_id, seen.version)
    return _done(done, runviews.run_row(site, caller, run_id))


@router.get(
    "/runs/{run_id}/sheet.pdf",
    summary="The laboratory sheet of a released run",
    response_class=Response,
    responses=PDF,
)
def sheet_pdf(site: TheSite, caller: ApiCaller, run_id: Id) -> Response:
    """Give the sheet as it was frozen at the release."""
    name, content = releasing.print_sheet(site, caller, run_id)
    headers = {"content-disposition": f'attachment; filename="{name}"'}
    return Response(content, media_type="application/pdf", headers=headers)


def _choice(given: GivenChoice) -> Choice:
    out = tuple(Exclusion(position=each.position, reason=each.reason) for each in given.excluded)
    return Choice(
        model=given.model, weighting=given.weighting, zero_standard=given.zero_standard, excluded=out
    )


def _shown_choice(choice: Choice) -> GivenChoice:
    return GivenChoice.model_validate(choice.model_dump())


def _row(row: RunRow) -> ListedRun:
    return ListedRun(**_facts(row))


def _facts(row: RunRow) -> dict[str, Any]:
    facts = row.model_dump(exclude={"choice", "excluded", "sheet_sha256"})
    return facts | {"name": facts.pop("run_id"), "file_sha256": facts.pop("content_sha256")}


def _problem(error: FurrowsliceError | None) -> Problem | None:
    if error is None:
        return None
    return Problem(what=error.what, where=error.where, expected=error.expected, fix=error.fix)


def _view(view: RunView) -> OneRun:
    return OneRun(
        **_facts(view.row),
        header=view.header,
        choice=_shown_choice(view.choice),
        sheet=view.sheet,
        problem=_problem(view.problem),
        samples=dict(view.sample_ids),
        unmatched=list(view.unmatched),
        withheld=[Withheld(lab_number=number, flag=flag) for number, flag in view.withheld.items()],
        left_out=list(view.left_out),
        released=[
            Released(lab_number=number, sample=sample, stands=stands)
            for number, (sample, stands) in view.released.items()
        ],
        waiting=[Waiting(lab_number=cup.lab_number, sample=cup.sample_id) for cup in view.waiting],
    )


def _side(side: Side) -> OneSide:
    return OneSide(
        choice=_shown_choice(side.choice),
        verdict=side.verdict,
        curve=side.sheet.curve if side.sheet else None,
        problem=_problem(side.problem),
    )


def _change(change: ValueChange) -> Change:
    return Change(
        lab_number=change.lab_number, percent=change.percent, standing=change.before, proposed=change.after
    )


def _compared(compared: Comparison) -> Compared:
    return Compared(
        version=compared.row.version,
        standing=_side(compared.standing),
        proposed=_side(compared.proposed),
        samples=compared.samples,
        changes=[_change(each) for each in compared.changes],
    )


def _done(done: releasing.Released, row: RunRow) -> DoneRelease:
    return DoneRelease(
        run=_row(row),
        values=done.values,
        superseded=done.superseded,
        waiting=list(done.waiting),
        withheld=[Withheld(lab_number=number, flag=flag) for number, flag in done.withheld],
        left_out=list(done.left_out),
    )
