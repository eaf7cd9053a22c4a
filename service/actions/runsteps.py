"""What every step on a run asks first: is it as the caller saw it, and what do the checks say of it now?"""

from __future__ import annotations

from interpretation.errors import FurrowsliceError
from interpretation.results import Verdict
from service.actions.measuring import (
    Workbench,
    Worked,
    chosen_run,
    named_samples,
    stored_run,
    work_out,
    workbench,
)
from service.characters import check_text
from service.refusals import Conflict, Invalid
from service.site import Site
from service.store import runs as store
from service.store.database import Look
from service.store.runs import RunRow

LONGEST_REASON = 200


def worked_run(site: Site, look: Look, row: RunRow) -> tuple[Workbench, Worked]:
    """Work a stored run out, as it was chosen."""
    bench = workbench(site, look)
    run = chosen_run(stored_run(row, store.inputs(look, row)), row.choice, row.excluded)
    return bench, work_out(bench, run, named_samples(look, run))


def run_at(look: Look, run_id: int, version: int, *states: str) -> RunRow:
    """The run, if it is as the caller saw it and in a state that allows the step."""
    row = store.the_run(look, run_id)
    store.check_version(row, version)
    if row.state not in states:
        raise Conflict(
            f"the run is {row.state}, which does not allow this step",
            where=f"run {row.run_id}",
            expected=f"a run that is {' or '.join(states)}",
            fix="load the run again and look at what was done; what is released never changes: a rerun "
            "replaces it",
        )
    return row


def require_acceptable(worked: Worked, row: RunRow) -> None:
    """Refuse what the checks do not accept."""
    if worked.problem is not None:
        raise Conflict(
            f"the run cannot be worked out: {worked.problem.what}",
            where=worked.problem.where or f"run {row.run_id}",
            expected=worked.problem.expected,
            fix=worked.problem.fix,
        )
    if worked.verdict is not Verdict.ACCEPT:
        assert worked.verdict is not None
        raise Conflict(
            f"the checks say {worked.verdict.value}, and no switch overrules a check",
            where=f"run {row.run_id}",
            expected="a run that its checks accept",
            fix="choose another curve, or take cups out with a reason, and look again; or rerun it",
        )


def checked_reason(text: str, name: str, *, needed: bool) -> str:
    """A reason in one line; refused where one is needed and there is none."""
    text = " ".join(text.split())
    if needed and not text:
        raise wrong_field(name, "a reason is missing", f"a reason of at most {LONGEST_REASON} characters")
    try:
        return check_text(text, name, LONGEST_REASON)
    except FurrowsliceError as error:
        raise wrong_field(name, error.what, error.expected) from None


def wrong_field(name: str, what: str, expected: str) -> Invalid:
    """Make the refusal of one field."""
    return Invalid(what, where=name, expected=expected, fix="correct the field", fields={name: what})
