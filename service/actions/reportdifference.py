"""What a report says and what one issued now would say: classes and amounts, sample by sample."""

from __future__ import annotations

from dataclasses import dataclass

from interpretation.results import Amount, FieldAdvice, SoilResult, TableLine
from service.actions.reporting import Draft
from service.callers import Caller, Right
from service.site import Site
from service.store import releases, reports
from service.store.releases import ReleaseRow


@dataclass(frozen=True)
class ResultPair:
    """One soil value before and after; None where there is none."""

    before: SoilResult | None
    after: SoilResult | None


@dataclass(frozen=True)
class AmountPair:
    """One amount before and after; None where there is none."""

    before: Amount | None
    after: Amount | None


@dataclass(frozen=True)
class Difference:
    """What differs between the advice of two reports.

    Attributes
    ----------
    before, after
        The advice as a whole.
    results
        Values whose number, class or reason for none differs.
    amounts
        Amounts whose number or reason for none differs.
    tables
        Tables of the newer advice that the older one did not rest on, or that say something else now.
    compared
        How many values and amounts were held against each other.
    """

    before: FieldAdvice
    after: FieldAdvice
    results: tuple[ResultPair, ...]
    amounts: tuple[AmountPair, ...]
    tables: tuple[TableLine, ...]
    compared: int


@dataclass(frozen=True)
class MadeFrom:
    """The releases that a report was made from, and newer ones that are in force today.

    All are None of a report that was issued before there were releases.
    """

    of_region: ReleaseRow | None
    shared: ReleaseRow | None
    newer: ReleaseRow | None
    newer_shared: ReleaseRow | None


def made_from(site: Site, caller: Caller, report_id: int) -> MadeFrom:
    """The releases that a report was made from.

    Raises
    ------
    NotFound
        If there is no such report of the caller's.
    """
    with site.database.look(caller, Right.READ_REPORTS) as look:
        row = reports.the_report(look, report_id)
        if row.region_release_id is None or row.shared_release_id is None:
            return MadeFrom(None, None, None, None)
        own = releases.the_release(look, row.region_release_id)
        shared = releases.the_release(look, row.shared_release_id)
        today = {each.book: each for each in releases.in_force(look, look.now.date())}
        newer, newer_shared = today.get(own.book), today.get(shared.book)
        return MadeFrom(
            own, shared, newer if newer and newer.number > own.number else None,
            newer_shared if newer_shared and newer_shared.number > shared.number else None,
        )  # fmt: skip


def difference(site: Site, caller: Caller, made: Draft) -> Difference | None:
    """What a draft would say other than the report it replaces; None where it replaces none."""
    if made.replaces is None:
        return None
    with site.database.look(caller, Right.ISSUE_REPORTS) as look:
        replaced = reports.the_report(look, made.replaces)
        before = FieldAdvice.model_validate(reports.advice_of(look, replaced.id))
    return differing(before, made.advice)


def differing(before: FieldAdvice, after: FieldAdvice) -> Difference:
    """Hold the advice of two reports of one visit against each other."""
    old_results = {(r.lab_number, r.analyte, r.method): r for r in before.results}
    new_results = {(r.lab_number, r.analyte, r.method): r for r in after.results}
    old_amounts = {(a.lab_number, a.nutrient): a for a in before.amounts}
    new_amounts = {(a.lab_number, a.nutrient): a for a in after.amounts}
    results = [ResultPair(old_results.get(key), new_results.get(key)) for key in old_results | new_results]
    amounts = [AmountPair(old_amounts.get(key), new_amounts.get(key)) for key in old_amounts | new_amounts]
    prints = {table.id: table.fingerprint for table in before.tables}
    return Difference(
        before, after,
        tuple(pair for pair in results if _of_result(pair.before) != _of_result(pair.after)),
        tuple(pair for pair in amounts if _of_amount(pair.before) != _of_amount(pair.after)),
        tuple(table for table in after.tables if table.fingerprint != prints.get(table.id)),
        len(results) + len(amounts),
    )  # fmt: skip


def _of_result(result: SoilResult | None) -> object:
    """What a reader sees of a value."""
    return result and (result.value, result.below, result.unit, result.class_name, result.refusal)


def _of_amount(amount: Amount | None) -> object:
    """What a reader sees of an amount."""
    return amount and (amount.rate, amount.unit, amount.refusal)
