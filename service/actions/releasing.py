"""Releasing: the values of an accepted run leave the laboratory and its sheet is frozen, for good."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from contextlib import suppress
from dataclasses import dataclass
from threading import Lock

from interpretation.results import Flag, RunSheet
from reports.render import pdf
from reports.sheet import build_sheet
from reports.view import LaboratoryCard
from service.actions.card import issued
from service.actions.measuring import Worked
from service.actions.runsteps import require_acceptable, run_at, worked_run
from service.callers import Caller, Right
from service.files import safe_name
from service.refusals import Conflict, NotFound
from service.site import Site
from service.store import documents, values
from service.store import runs as store
from service.store.database import Change
from service.store.runs import RunRow
from service.store.values import NewValue

_ONE_AT_A_TIME = Lock()  # printing keeps a processor busy for seconds; who waits finds the page made


@dataclass(frozen=True)
class Released:
    """What a release has done.

    ``left_out`` are samples that got a value of another run meanwhile, which stands.
    """

    values: int
    superseded: int
    waiting: tuple[str, ...] = ()
    withheld: tuple[tuple[str, Flag], ...] = ()
    left_out: tuple[str, ...] = ()


def release_run(site: Site, caller: Caller, run_id: int, version: int) -> Released:
    """Release the values of an accepted run and freeze its sheet.

    The sheet's page is printed by :func:`print_sheet`: that takes longer than anybody should wait. What is
    released never changes. Earlier values of the same samples and method are superseded, and kept, except
    those of a rerun of this very run, which stand. Cups that no list has named wait.

    Raises
    ------
    Conflict
        If the run is not accepted, the checks no longer allow it, or somebody else was faster.
    """
    with site.database.look(caller, Right.RELEASE_RUNS) as look:
        row = run_at(look, run_id, version, "accepted")
        bench, worked = worked_run(site, look, row)
        now = look.now
    require_acceptable(worked, row)
    sheet = worked.sheet
    assert sheet is not None
    card = issued(bench.card, sheet.model_dump_json(), now.date())
    with site.database.change(caller, Right.RELEASE_RUNS) as change:
        store.update(
            change, row, state="released", released_at=change.now, released_by=change.caller.name,
            sheet=sheet.model_dump(mode="json"), sheet_card=card.model_dump(mode="json"),
            sheet_language=caller.language,
        )  # fmt: skip
        new = _new_values(worked, row, set(worked.named.ids))
        new, left_out = _without_standing(change, new, store.reruns(change, row))
        put = values.put(change, new)
        store.add_waiting(change, run_id, worked.unmatched)
        held_back = tuple(worked.withheld.items())
        change.note(
            "release", "run", run_id, {"state": "accepted"},
            {
                "state": "released", "values": put.stored, "superseded": put.superseded,
                "waiting": len(worked.unmatched), "withheld": len(held_back), "left_out": len(left_out),
            },
        )  # fmt: skip
    return Released(put.stored, put.superseded, worked.unmatched, held_back, _numbers(worked, left_out))


def print_sheet(site: Site, caller: Caller, run_id: int) -> tuple[str, bytes]:
    """The page of a released run, as a file name and a PDF; made once, from what the release has frozen.

    Raises
    ------
    NotFound
        If the run is not released.
    """
    row, page = _kept_page(site, caller, run_id)
    if page is None:
        with _ONE_AT_A_TIME:
            row, page = _kept_page(site, caller, run_id)
            page = page or _print(site, caller, row)
    return f"{safe_name(row.run_id)}.sheet.pdf", page


def _kept_page(site: Site, caller: Caller, run_id: int) -> tuple[RunRow, bytes | None]:
    with site.database.look(caller, Right.READ_RUNS) as look:
        row = store.the_run(look, run_id)
        if row.state != "released":
            raise NotFound(
                "this run has no sheet yet",
                where=f"run {row.run_id}",
                expected="a run that is released",
                fix="release the run first",
            )
        return row, None if row.sheet_sha256 is None else documents.get(look, row.sheet_sha256)


def _print(site: Site, caller: Caller, row: RunRow) -> bytes:
    with site.database.look(caller, Right.READ_RUNS) as look:
        sheet, card, language = store.sheet_to_print(look, row)
    view = build_sheet(RunSheet.model_validate(sheet), LaboratoryCard.model_validate(card), locale=language)
    page = pdf(view)
    with suppress(Conflict), site.database.housekeeping(caller) as look:  # another server has just kept it
        store.keep_page(look, row, documents.put(look, page))
    return page


def release_waiting(site: Site, caller: Caller, run_id: int, version: int) -> Released:
    """Release the values of cups that waited and whose samples a list has named since.

    They are worked out from the same bytes and choices as the sheet, with what the list says of these
    samples. Where a sample has got a value of the same method meanwhile, that one stands.

    Raises
    ------
    Conflict
        If no waiting cup has been named, the checks do not allow it, or somebody else was faster.
    """
    with site.database.change(caller, Right.RELEASE_RUNS) as change:
        row = run_at(change, run_id, version, "released")
        named = [cup.lab_number for cup in store.waiting(change, run_id) if cup.sample_id is not None]
        if not named:
            raise Conflict(
                "no cup that waits has been named by a list",
                where=f"run {row.run_id}",
                expected="a list that names the lab number of a waiting cup",
                fix="register the samples first",
            )
        _, worked = worked_run(site, change, row)
        require_acceptable(worked, row)
        new, left_out = _without_standing(change, _new_values(worked, row, set(named)))
        put = values.put(change, new)
        store.end_waiting(change, run_id, named)
        store.update(change, row)
        kept_back = tuple((number, flag) for number, flag in worked.withheld.items() if number in named)
        after = {"values": put.stored, "withheld": len(kept_back), "left_out": len(left_out)}
        change.note("release-waiting", "run", run_id, after=after)
    return Released(put.stored, put.superseded, withheld=kept_back, left_out=_numbers(worked, left_out))


def _without_standing(
    change: Change, new: Sequence[NewValue], runs: Collection[int] | None = None
) -> tuple[list[NewValue], list[NewValue]]:
    """Values to store, and those left out because another value stands; with ``runs``, one of these."""
    keys = {each: (each.sample_id, each.analyte, each.method) for each in new}
    standing = values.standing_keys(change, set(keys.values()), runs)
    free = [each for each in new if keys[each] not in standing]
    return free, [each for each in new if keys[each] in standing]


def _numbers(worked: Worked, some: Sequence[NewValue]) -> tuple[str, ...]:
    """Lab numbers of some values."""
    number_of = {sample_id: number for number, sample_id in worked.named.ids.items()}
    return tuple(number_of[each.sample_id] for each in some)


def _new_values(worked: Worked, row: RunRow, numbers: set[str]) -> list[NewValue]:
    """The values that may leave the laboratory, of these samples."""
    assert worked.measurement is not None
    frame = worked.measurement.soil_values
    return values.new_values(frame[frame["lab_number"].isin(sorted(numbers))], worked.named.ids, row.id)
