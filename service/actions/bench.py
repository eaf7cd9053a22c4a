"""Runs on the server: upload, confirm, choose a curve, decide. Each step names the version it saw.

Nothing of a run is stored but the bytes that came, the choices that were made and what was decided; the
numbers are worked out from them each time, until the release freezes them.
"""

from __future__ import annotations

import hashlib
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from interpretation.laboratory.run import Model, Run, Weighting
from service.actions.measuring import chosen_run, parse, stored_run
from service.actions.runsteps import checked_reason, require_acceptable, run_at, worked_run, wrong_field
from service.callers import Caller, Right
from service.layout import DEFAULT
from service.paths import layouts_directory
from service.refusals import Conflict
from service.site import Site
from service.store import runs as store
from service.store.runs import RunInputs
from service.uploads import Upload

Decision = Literal["accepted", "held", "rejected"]
DECISIONS: tuple[Decision, ...] = ("accepted", "held", "rejected")


class Exclusion(BaseModel):
    """One cup that a person takes out, and why."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    position: int = Field(ge=0, le=999_999_999)
    reason: str


class Choice(BaseModel):
    """How a person wants a run worked out; None leaves what the run's header says."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    model: Model | None = None
    weighting: Weighting | None = None
    zero_standard: bool | None = None
    excluded: tuple[Exclusion, ...] = ()

    @property
    def curve(self) -> dict[str, Any]:
        """The choices of the curve that were made."""
        return self.model_dump(exclude={"excluded"}, exclude_none=True)

    @property
    def out(self) -> list[tuple[int, str]]:
        """Positions and reasons."""
        return [(each.position, each.reason) for each in self.excluded]


# ------------------------------------------------------------------------------------------ upload, confirm


def layouts() -> tuple[str, ...]:
    """Names of the layouts that ship with the program."""
    return tuple(sorted(path.stem for path in layouts_directory().glob("*.yaml")))


def upload_run(
    site: Site, caller: Caller, file: Upload, *, side: Upload | None = None, layout: str = DEFAULT,
    replaces: str = "",
) -> int:  # fmt: skip
    """Read a run file and keep it as it came; returns the run's id.

    Parameters
    ----------
    site, caller
        Where, and who asks.
    file, side
        The run file, and the side file with facts about the run where its layout wants one.
    layout
        Name of a layout that ships with the program.
    replaces
        Name of the run that this one is a rerun of, or "".

    Raises
    ------
    RunFileError, RunError
        If the file is no run.
    Conflict
        If the laboratory has a run of this name.
    Invalid
        If the layout or the run to be replaced is unknown.
    """
    if layout not in layouts():
        raise wrong_field("layout", f"there is no layout {layout!r}", f"one of {', '.join(layouts())}")
    with site.database.look(caller, Right.WRITE_RUNS):
        pass  # who may not write is told so before the file is read
    name, side_content = file.safe_name, None if side is None else side.content
    header = parse(name, file.content, side_content, layout).header
    with site.database.change(caller, Right.WRITE_RUNS) as change:
        if there := store.by_name(change, header.run_id):
            raise Conflict(
                f"there is a run {there.run_id} already",
                where=f"{name}, the run's name",
                expected="a name that this laboratory has not given to a run before",
                fix="give a rerun a name of its own in its file; where the earlier file was wrong and is not "
                "confirmed yet, throw it away on its page in the list of runs",
            )
        if replaces and store.by_name(change, replaces) is None:
            raise wrong_field(
                "replaces", f"there is no run {replaces!r}", "the name of an earlier run, or nothing"
            )
        sha256 = hashlib.sha256(file.content).hexdigest()
        facts = {
            "run_id": header.run_id, "analyte": header.analyte, "method": header.method,
            "run_on": header.run_on, "operator": header.operator, "file_name": name, "layout": layout,
            "content_sha256": sha256, "replaces": replaces,
        }  # fmt: skip
        added = store.add(
            change, facts | {"choice": {}, "excluded": []}, RunInputs(file.content, side_content)
        )
        change.note("upload", "run", added, after={"run": header.run_id, "sha256": sha256, "layout": layout})
    return added


def confirm_run(site: Site, caller: Caller, run_id: int, version: int) -> None:
    """Say that the run was read as it was meant."""
    with site.database.change(caller, Right.WRITE_RUNS) as change:
        row = run_at(change, run_id, version, "read")
        store.update(change, row, state="confirmed")
        change.note("confirm", "run", run_id, {"state": "read"}, {"state": "confirmed"})


def discard_run(site: Site, caller: Caller, run_id: int, version: int) -> None:
    """Throw away a run that nobody has confirmed: it was the wrong file, or read wrongly."""
    with site.database.change(caller, Right.WRITE_RUNS) as change:
        row = run_at(change, run_id, version, "read")
        store.remove(change, row)
        change.note("discard", "run", run_id, {"run": row.run_id, "sha256": row.content_sha256})


# ------------------------------------------------------------------------------------------ choose, decide


def keep_choice(site: Site, caller: Caller, run_id: int, version: int, choice: Choice) -> None:
    """Keep another curve, or cups taken out; a decision made before no longer stands.

    Raises
    ------
    Invalid
        If a reason is missing.
    RunError
        If a cup to be taken out is not in the run.
    """
    checked_choice(choice)
    with site.database.change(caller, Right.WRITE_RUNS) as change:
        row = run_at(change, run_id, version, "confirmed", "accepted", "held", "rejected")
        run = stored_run(row, store.inputs(change, row))
        curve = differing(run, choice)
        chosen_run(run, curve, choice.out)
        before = {"choice": row.choice, "excluded": row.excluded, "state": row.state}
        after = {"choice": curve, "excluded": choice.out, "state": "confirmed"}
        store.update(change, row, **after, reason="", decided_at=None, decided_by="")
        change.note("choose", "run", run_id, before, after)


def checked_choice(choice: Choice) -> Choice:
    """A choice whose exclusions have reasons, and name every cup once."""
    positions = [each.position for each in choice.excluded]
    for each in choice.excluded:
        checked_reason(each.reason, "excluded", needed=True)
    if len(set(positions)) < len(positions):
        raise wrong_field("excluded", "a cup is taken out twice", "every position once")
    return choice


def differing(run: Run, choice: Choice) -> dict[str, Any]:
    """The choices of the curve that differ from the run's own header."""
    return {name: value for name, value in choice.curve.items() if getattr(run.header.curve, name) != value}


def decide(site: Site, caller: Caller, run_id: int, version: int, state: Decision, reason: str = "") -> None:
    """Accept, hold or reject a run.

    A run is accepted only where every check of the science allows it. To hold or to reject it a reason is
    needed.

    Raises
    ------
    Conflict
        If the checks do not allow it, or somebody else was faster.
    Invalid
        If a reason is missing.
    """
    reason = checked_reason(reason, "reason", needed=state != "accepted")
    with site.database.change(caller, Right.WRITE_RUNS) as change:
        row = run_at(change, run_id, version, "confirmed", "accepted", "held", "rejected")
        if state == "accepted":
            require_acceptable(worked_run(site, change, row)[1], row)
        store.update(
            change, row, state=state, reason=reason, decided_at=change.now, decided_by=change.caller.name
        )
        change.note("decide", "run", run_id, {"state": row.state}, {"state": state}, reason)
