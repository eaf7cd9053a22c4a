"""The laboratory's runs: upload, curve, checks, decision, release."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import APIRouter, File, Form, Query, UploadFile
from pydantic import ValidationError
from starlette.background import BackgroundTask
from starlette.responses import HTMLResponse, Response

from interpretation.errors import FurrowsliceError
from service.actions import bench, releasing, runviews
from service.actions.bench import DECISIONS, Choice
from service.layout import DEFAULT
from service.pages import runrows
from service.pages.forms import Id, wrong_fields
from service.refusals import Conflict, Invalid, NotAllowed, NotFound
from service.store.runs import STATES
from service.uploads import Upload
from service.web.problems import status_of
from service.web.visit import Posted, Visit, Visiting

router = APIRouter()
A_PAGE = 50
Version = Annotated[int, Form(ge=1)]
Line = Annotated[str, Form(max_length=400)]
Before = Annotated[int | None, Query(ge=1, le=2**31 - 1)]


@router.get("/runs")
def runs(
    visit: Visiting, search: Annotated[str, Query(max_length=64)] = "",
    state: Annotated[str, Query(max_length=20)] = "", before: Before = None,
) -> HTMLResponse:  # fmt: skip
    """List runs, and count those that wait for somebody."""
    chosen = next((each for each in STATES if each == state), None)
    found = runviews.list_runs(
        visit.site, visit.caller, search=search, state=chosen, before=before, most=A_PAGE + 1
    )
    counts, named = runviews.count_runs(visit.site, visit.caller)
    w = visit.words
    return visit.page(
        "runs/list.html.j2", runs=found[:A_PAGE], more=len(found) > A_PAGE, search=search, state=chosen or "",
        before=before, counts=counts, named=named,
        state_options=[("", w("runs.any-state")), *((each, w(f"runs.state-{each}")) for each in STATES)],
    )  # fmt: skip


@router.get("/runs/upload")
def upload_form(
    visit: Visiting, replaces: Annotated[str, Query(max_length=64)] = ""
) -> HTMLResponse:  # fmt: skip
    """Show the form for a run file; ``replaces`` names the run that it is a rerun of."""
    runviews.count_runs(visit.site, visit.caller)  # who has no business with runs is told so here
    return _upload_form(visit, {"replaces": replaces}, None)


@router.post("/runs/upload")
def upload(
    visit: Posted, file: Annotated[UploadFile, File()], side: Annotated[UploadFile | None, File()] = None,
    layout: Line = "", replaces: Line = "",
) -> Response:  # fmt: skip
    """Read a run file and show what was read."""
    given = {"layout": layout, "replaces": replaces.strip()}
    try:
        run_id = bench.upload_run(
            visit.site, visit.caller, sent(file), side=sent(side) if side and side.filename else None,
            layout=layout, replaces=replaces.strip(),
        )  # fmt: skip
    except (NotAllowed, NotFound):
        raise
    except FurrowsliceError as error:
        return _upload_form(visit, given, error)
    return visit.go(f"/runs/{run_id}", "runs.done-uploaded")


def sent(file: UploadFile) -> Upload:
    """A file as it came."""
    return Upload(file.filename or "", file.file.read())


def _upload_form(visit: Visit, given: Mapping[str, str], error: FurrowsliceError | None) -> HTMLResponse:
    w = visit.words
    layouts = [
        (name, w(f"runs.layout-{name}") if w.has(f"runs.layout-{name}") else name) for name in bench.layouts()
    ]
    return visit.page(
        "runs/upload.html.j2", 200 if error is None else status_of(error), error=error, layouts=layouts,
        values={"layout": DEFAULT, "replaces": ""} | dict(given), wrong=wrong_fields(error),
        largest=visit.site.settings.largest_upload_mib,
    )  # fmt: skip


@router.get("/runs/{run_id}")
def one_run(visit: Visiting, run_id: Id, page: Annotated[int, Query(ge=1, le=1000)] = 1) -> HTMLResponse:
    """Show a run as it stands."""
    return _run_page(visit, run_id, page)


def _run_page(
    visit: Visit, run_id: int, page: int = 1, error: FurrowsliceError | None = None
) -> HTMLResponse:
    view = runviews.show_run(visit.site, visit.caller, run_id)
    w = visit.words
    sheet = runrows.worded_sheet(view, w)
    reading = view.row.state == "read"
    cups = runrows.cup_rows(view, sheet, page) if sheet and not reading else []
    raw = runrows.raw_cups(view.readings, w, page) if reading or sheet is None else []
    return visit.page(
        "runs/run.html.j2", 200 if error is None else status_of(error), view=view, row=view.row, sheet=sheet,
        cups=cups, raw=raw, page=page, last=runrows.pages_of(len(view.readings)), error=error,
        wrong=wrong_fields(error), facts=runrows.header_facts(view, w), decisions=DECISIONS,
    )  # fmt: skip


# ------------------------------------------------------------------------------------------ another choice


@router.get("/runs/{run_id}/compare")
def compare(visit: Visiting, run_id: Id) -> HTMLResponse:
    """Show another choice beside the one that stands; nothing is kept.

    The address says it: ``model``, ``weighting``, ``zero``, ``why-9`` for each cup that is taken out, and
    ``out`` with ``why`` for one more.
    """
    query = visit.request.query_params
    view = runviews.show_run(visit.site, visit.caller, run_id)
    error: FurrowsliceError | None = None
    choice = view.choice
    if query:
        try:
            choice = asked_choice(query)
            compared = runviews.compare(visit.site, visit.caller, run_id, choice)
        except (NotAllowed, NotFound):
            raise
        except FurrowsliceError as refusal:
            error, choice = refusal, view.choice
    if not query or error is not None:
        compared = runviews.compare(visit.site, visit.caller, run_id, choice)
    w = visit.words
    return visit.page(
        "runs/compare.html.j2", 200 if error is None else status_of(error), view=view, row=view.row,
        choice=choice, curve=_resolved(choice, view), compared=compared, error=error,
        facts=runrows.side_by_side(compared, w), changes=runrows.change_rows(compared, w),
        cups=_cups_to_take_out(view, choice), asked=bool(query) and error is None, given=dict(query),
    )  # fmt: skip


def asked_choice(query: Mapping[str, str]) -> Choice:
    """The choice that an address asks about."""
    out: dict[str, str] = {
        name.removeprefix("why-"): text
        for name, text in query.items()
        if name.startswith("why-") and text.strip()
    }
    if query.get("out"):
        out[query["out"]] = query.get("why", "")
    given: dict[str, Any] = {name: query[name] for name in ("model", "weighting") if query.get(name)}
    if query.get("zero"):
        given["zero_standard"] = query["zero"] == "yes"
    excluded = [{"position": position, "reason": reason} for position, reason in out.items()]
    return _validated(given | {"excluded": sorted(excluded, key=lambda each: each["position"].zfill(9))})


def _validated(given: Any) -> Choice:
    try:
        return Choice.model_validate_json(given) if isinstance(given, str) else Choice.model_validate(given)
    except ValidationError as error:
        raise Invalid(
            "this choice cannot be taken", where="choice",
            expected="a model, a weighting and cups that the page offers", fix="choose again on the page",
        ) from error  # fmt: skip


def _resolved(choice: Choice, view: runviews.RunView) -> dict[str, Any]:
    """The curve of a choice, with the file's own where nothing else was chosen."""
    return view.header.curve.model_dump() | choice.curve


def _cups_to_take_out(view: runviews.RunView, choice: Choice) -> list[dict[str, Any]]:
    out = {each.position for each in choice.excluded}
    cups = view.readings[~view.readings["position"].isin(sorted(out)) & ~view.readings["excluded"]]
    standards = cups["kind"].ne("standard")  # standards first: they are what a curve is chosen with
    rows = cups.assign(later=standards).sort_values(["later", "position"], kind="stable")
    columns = (rows[name].tolist() for name in ("position", "kind", "cup_id"))
    return [
        {"position": position, "kind": kind, "cup_id": cup}
        for position, kind, cup in zip(*columns, strict=True)
    ]


@router.post("/runs/{run_id}/choice")
def choose(
    visit: Posted, run_id: Id, version: Version, choice: Annotated[str, Form(max_length=20_000)]
) -> Response:
    """Keep another choice."""
    return _step(
        visit, run_id, "choice",
        lambda: bench.keep_choice(visit.site, visit.caller, run_id, version, _validated(choice)),
    )  # fmt: skip


# ------------------------------------------------------------------------------------------------- steps


@router.post("/runs/{run_id}/confirm")
def confirm(visit: Posted, run_id: Id, version: Version) -> Response:
    """Confirm that the run was read as it was meant."""
    return _step(
        visit, run_id, "confirmed", lambda: bench.confirm_run(visit.site, visit.caller, run_id, version)
    )


@router.post("/runs/{run_id}/discard")
def discard(visit: Posted, run_id: Id, version: Version) -> Response:
    """Throw away a run that was not confirmed."""
    answer = _step(visit, run_id, "", lambda: bench.discard_run(visit.site, visit.caller, run_id, version))
    return answer if answer.status_code >= 400 else visit.go("/runs", "runs.done-discarded")


@router.post("/runs/{run_id}/decision")
def decide(visit: Posted, run_id: Id, version: Version, state: Line, reason: Line = "") -> Response:
    """Accept, hold or reject a run."""
    chosen = next((each for each in DECISIONS if each == state), None)
    if chosen is None:
        raise Invalid(
            "no decision was chosen", where="state", expected=f"one of {', '.join(DECISIONS)}",
            fix="choose one of them", fields={"state": "choose one"},
        )  # fmt: skip
    return _step(
        visit, run_id, chosen,
        lambda: bench.decide(visit.site, visit.caller, run_id, version, chosen, reason),
    )  # fmt: skip


@router.post("/runs/{run_id}/release")
def release(visit: Posted, run_id: Id, version: Version) -> Response:
    """Release the values of an accepted run; its sheet is printed when the answer is on its way."""
    answer = _step(
        visit, run_id, "released",
        lambda: releasing.release_run(visit.site, visit.caller, run_id, version),
    )  # fmt: skip
    if answer.status_code == 303:
        answer.background = BackgroundTask(releasing.print_sheet, visit.site, visit.caller, run_id)
    return answer


@router.post("/runs/{run_id}/release-waiting")
def release_waiting(visit: Posted, run_id: Id, version: Version) -> Response:
    """Release the values of cups that a list has named since."""
    return _step(
        visit, run_id, "late",
        lambda: releasing.release_waiting(visit.site, visit.caller, run_id, version),
    )  # fmt: skip


def _step(visit: Visit, run_id: int, done: str, step: Any) -> Response:
    """Carry out a step; a refusal is shown on the run's page, as the run is by now."""
    try:
        step()
    except (Conflict, Invalid) as error:
        return _run_page(visit, run_id, error=error)
    return visit.go(f"/runs/{run_id}", f"runs.done-{done}" if done else "")


@router.get("/runs/{run_id}/sheet")
def sheet(visit: Visiting, run_id: Id) -> Response:
    """Give the frozen sheet of a released run."""
    name, content = releasing.print_sheet(visit.site, visit.caller, run_id)
    return Response(
        content, media_type="application/pdf",
        headers={"content-disposition": f'attachment; filename="{name}"'},
    )  # fmt: skip
