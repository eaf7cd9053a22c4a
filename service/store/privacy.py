"""Everything kept about one grower: gathered for export, removed on request."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import sqlalchemy as sa

from service.store import jobprivacy
from service.store.database import Change, Look
from service.store.land import own_growers
from service.store.schema import (
    account,
    audit,
    delivery,
    delivery_try,
    document,
    farm,
    field,
    grower,
    job_item,
    link,
    report,
    sample,
    sampling,
    soil_value,
    submission,
)

ERASED = "erased"
SHORTEST = 3  # characters of a text that is looked for everywhere: shorter ones stand in every other word


@dataclass(frozen=True)
class Holding:
    """One grower and the ids of what belongs to them."""

    grower: Mapping[str, Any]
    farms: tuple[int, ...]
    fields: tuple[int, ...]
    samplings: tuple[int, ...]
    samples: tuple[int, ...]
    values: int  # how many soil values
    reports: tuple[int, ...]
    counties: frozenset[str]  # of the fields that have one


def find(look: Look, grower_id: int) -> Holding | None:
    """A grower of the caller's, and what belongs to them; None when there is none."""
    row = look.connection.execute(
        sa.select(grower).where(grower.c.id == grower_id, own_growers(look.scope))
    ).mappings().one_or_none()  # fmt: skip
    if row is None:
        return None

    def ids(column: sa.Column[int], belongs: sa.ColumnElement[bool]) -> tuple[int, ...]:
        return tuple(look.connection.scalars(sa.select(column).where(belongs).order_by(column)))

    counties = sa.select(field.c.county_id).where(_of_fields(grower_id), field.c.county_id.is_not(None))
    values = sa.select(sa.func.count()).select_from(soil_value).where(_of_values(grower_id))
    return Holding(
        dict(row), ids(farm.c.id, farm.c.grower_id == grower_id), ids(field.c.id, _of_fields(grower_id)),
        ids(sampling.c.id, _of_samplings(grower_id)), ids(sample.c.id, _of_samples(grower_id)),
        look.connection.execute(values).scalar_one(), ids(report.c.id, _of_reports(grower_id)),
        frozenset(look.connection.scalars(counties)),
    )  # fmt: skip


# What belongs to a grower, level by level. Sub-selects instead of lists of ids: a grower may have thousands.
def _of_fields(grower_id: int) -> sa.ColumnElement[bool]:
    return field.c.farm_id.in_(sa.select(farm.c.id).where(farm.c.grower_id == grower_id))


def _of_samplings(grower_id: int) -> sa.ColumnElement[bool]:
    return sampling.c.field_id.in_(sa.select(field.c.id).where(_of_fields(grower_id)))


def _of_samples(grower_id: int) -> sa.ColumnElement[bool]:
    return sample.c.sampling_id.in_(sa.select(sampling.c.id).where(_of_samplings(grower_id)))


def _of_values(grower_id: int) -> sa.ColumnElement[bool]:
    return soil_value.c.sample_id.in_(sa.select(sample.c.id).where(_of_samples(grower_id)))


def _of_reports(grower_id: int) -> sa.ColumnElement[bool]:
    return report.c.sampling_id.in_(sa.select(sampling.c.id).where(_of_samplings(grower_id)))


def _of_deliveries(grower_id: int) -> sa.ColumnElement[bool]:
    return delivery.c.report_id.in_(sa.select(report.c.id).where(_of_reports(grower_id)))


def _of_tries(grower_id: int) -> sa.ColumnElement[bool]:
    return delivery_try.c.delivery_id.in_(sa.select(delivery.c.id).where(_of_deliveries(grower_id)))


def everything(look: Look, holding: Holding) -> dict[str, Any]:
    """All rows about a grower, table by table, as JSON holds them. PDFs are named by their SHA-256."""
    grower_id = holding.grower["id"]

    def rows(table: sa.Table, belongs: sa.ColumnElement[bool]) -> list[dict[str, Any]]:
        found = look.connection.execute(sa.select(table).where(belongs).order_by(table.c.id)).mappings()
        return [{name: _plain(value) for name, value in row.items() if name != "words"} for row in found]

    links = [
        {name: value for name, value in row.items() if name != "token_sha256"}
        for row in rows(link, link.c.report_id.in_(sa.select(report.c.id).where(_of_reports(grower_id))))
    ]
    return {
        "grower": {name: _plain(value) for name, value in holding.grower.items() if name != "words"},
        "farms": rows(farm, farm.c.grower_id == grower_id),
        "fields": rows(field, _of_fields(grower_id)),
        "visits": rows(sampling, _of_samplings(grower_id)),
        "samples": rows(sample, _of_samples(grower_id)),
        "soil_values": rows(soil_value, _of_values(grower_id)),
        "reports": rows(report, _of_reports(grower_id)),
        "report_links": links,
        "batch_items": rows(job_item, jobprivacy.items_of(grower_id)),
        "deliveries": rows(delivery, _of_deliveries(grower_id)),
        "delivery_log": rows(delivery_try, _of_tries(grower_id)),
        "changes": [_as_json(line) for line in _changes(look, holding)],
    }


def _as_json(line: Mapping[str, Any]) -> dict[str, Any]:
    return {name: _plain(value) for name, value in line.items()}


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, date | datetime) else value


def _changes(look: Look, holding: Holding) -> list[Mapping[str, Any]]:
    """The audit lines about anything of the grower's."""
    of = {
        "grower": (holding.grower["id"],), "farm": holding.farms, "field": holding.fields,
        "visit": holding.samplings, "sample": holding.samples, "report": holding.reports,
    }  # fmt: skip  # a line about a list of samples speaks of many growers, and names none
    printed = sa.select(report.c.report_id).where(_of_reports(holding.grower["id"]))
    found: dict[int, Mapping[str, Any]] = {}
    for kind, ids in of.items():
        for some in _in_parts([str(each) for each in ids]):
            chosen = sa.select(audit).where(audit.c.kind == kind, audit.c.object_id.in_(some))
            found |= {row["id"]: row for row in look.connection.execute(chosen).mappings()}
    chosen = sa.select(audit).where(audit.c.kind == "report", audit.c.object_id.in_(printed))
    found |= {row["id"]: row for row in look.connection.execute(chosen).mappings()}
    return [found[key] for key in sorted(found)]


def _in_parts(ids: Sequence[Any], size: int = 500) -> list[Sequence[Any]]:
    return [ids[start : start + size] for start in range(0, len(ids), size)]


# -------------------------------------------------------------------------------------------- erasing


def erase(change: Change, holding: Holding, notices: Mapping[str, str], known: Mentions) -> None:
    """Remove everything that says who the grower is or where the fields lie.

    Parameters
    ----------
    change
        The transaction.
    holding
        From :func:`find`.
    notices
        For each language the SHA-256 of the document that takes the place of a report's PDF.
    known
        From :func:`mentions`, a moment before.
    """
    if change.connection.dialect.name == "sqlite":  # what is freed is overwritten, not merely let go
        change.connection.exec_driver_sql("PRAGMA secure_delete = ON")
    grower_id = holding.grower["id"]
    identity, own = _texts(change, holding)
    _scrub_changes(change, holding, known, identity, own)
    _scrub_answers(change, identity)
    _erase_deliveries(change, grower_id)
    jobprivacy.erase(change, grower_id, _scrubber(identity))
    _erase_reports(change, holding, _scrubber([*identity, *own]), notices)
    execute = change.connection.execute
    execute(sample.update().where(_of_samples(grower_id)).values(label="", longitude=None, latitude=None))
    free = {"comment": "", "tests_wanted": "", "tillage": ""}
    execute(sampling.update().where(_of_samplings(grower_id)).values(free))
    for field_id in holding.fields:
        code = f"{ERASED}-{field_id}"  # the code is the laboratory's, but made by people from names
        execute(
            field.update()
            .where(field.c.id == field_id)
            .values(name="", code=code, code_folded=code, outline=sa.null(), words="")
        )
    execute(farm.update().where(farm.c.grower_id == grower_id).values(name="", words=""))
    execute(
        grower.update()
        .where(grower.c.id == grower_id)
        .values(
            code=None, name="", address="", telephone="", email="", copy_to="", mail_consent=False,
            copy_consent=False, words="", erased_at=change.now,
        )
    )  # fmt: skip


def _texts(look: Look, holding: Holding) -> tuple[list[str], list[str]]:
    """What names the grower anywhere, and what names their land where it is spoken of."""
    row, grower_id = holding.grower, holding.grower["id"]
    identity = [row["name"], row["address"], *row["address"].splitlines(), row["telephone"], row["email"]]
    identity += [row["copy_to"]]
    own: list[str] = [row["code"] or ""]
    for column, belongs in (
        (farm.c.name, farm.c.grower_id == grower_id), (field.c.name, _of_fields(grower_id)),
        (field.c.code, _of_fields(grower_id)), (sample.c.label, _of_samples(grower_id)),
        (sampling.c.comment, _of_samplings(grower_id)), (sampling.c.tests_wanted, _of_samplings(grower_id)),
    ):  # fmt: skip
        own += look.connection.scalars(sa.select(column).where(belongs).distinct())
    return _worth_looking_for(identity), _worth_looking_for(own)


def _worth_looking_for(texts: Collection[str]) -> list[str]:
    return sorted({text.strip() for text in texts if len(text.strip()) >= SHORTEST}, key=len, reverse=True)


def _scrubber(texts: Sequence[str]) -> Callable[[Any], Any]:
    """A function that takes some texts out of any JSON value, where they stand as whole words."""
    if not texts:
        return lambda value: value
    pattern = re.compile(rf"(?<!\w)(?:{'|'.join(re.escape(text) for text in texts)})(?!\w)", re.IGNORECASE)

    def scrub(value: Any) -> Any:
        if isinstance(value, str):
            return pattern.sub(ERASED, value)
        if isinstance(value, dict):
            return {key: scrub(each) for key, each in value.items()}
        return [scrub(each) for each in value] if isinstance(value, list) else value

    return scrub


@dataclass(frozen=True)
class Mentions:
    """Audit lines that name a grower though they are about something else, as far as was looked."""

    texts: tuple[str, ...] = ()
    ids: frozenset[int] = frozenset()
    last: int = 0  # the newest line looked at


def mentions(look: Look, holding: Holding, known: Mentions | None = None) -> Mentions:
    """Find the lines that name a grower; only the newer ones where ``known`` has the older.

    There may be a million lines: they are read before the transaction that erases, which holds everybody
    else up.
    """
    identity, _ = _texts(look, holding)
    texts = tuple(sorted({form for text in identity for form in _as_kept(text)}))
    if known is None or known.texts != texts:
        known = Mentions(texts)
    last = look.connection.execute(sa.select(sa.func.max(audit.c.id))).scalar_one() or 0
    told: sa.ColumnElement[str] = audit.c.reason
    for column in (audit.c.before, audit.c.after):
        told = told.concat(sa.func.coalesce(sa.cast(column, sa.Text), ""))
    some = sa.or_(sa.false(), *(told.contains(text, autoescape=True) for text in texts))
    found = look.connection.scalars(sa.select(audit.c.id).where(audit.c.id > known.last, some))
    return Mentions(texts, known.ids | frozenset(found), last)


def _scrub_changes(
    change: Change, holding: Holding, known: Mentions, identity: Sequence[str], own: Sequence[str]
) -> None:
    _rewrite(change, _changes(change, holding), _scrubber([*identity, *own]))
    for some in _in_parts(sorted(mentions(change, holding, known).ids)):
        lines = change.connection.execute(sa.select(audit).where(audit.c.id.in_(some))).mappings().all()
        _rewrite(change, lines, _scrubber(identity))


def _as_kept(text: str) -> set[str]:
    """How a text stands in a text column and in a JSON column."""
    return {text, json.dumps(text)[1:-1]}


def _rewrite(change: Change, lines: Iterable[Mapping[Any, Any]], scrub: Callable[[Any], Any]) -> None:
    for line in lines:
        told = {name: line[name] for name in ("before", "after", "reason")}
        scrubbed = {name: scrub(value) for name, value in told.items()}
        if scrubbed != told:
            stored = {name: sa.null() if value is None else value for name, value in scrubbed.items()}
            change.connection.execute(audit.update().where(audit.c.id == line["id"]).values(stored))


def _scrub_answers(change: Change, identity: Sequence[str]) -> None:
    """Forget kept answers to programs of this laboratory that name the grower; their keys stay taken."""
    colleagues = sa.select(account.c.id).where(account.c.laboratory_id == change.scope.laboratory_id)
    chosen = sa.select(submission.c.id, submission.c.answer).where(
        submission.c.account_id.in_(colleagues), submission.c.answer.is_not(None)
    )
    wanted = {form.encode() for text in identity for form in _as_kept(text)}
    found = [
        row.id for row in change.connection.execute(chosen) if any(each in row.answer for each in wanted)
    ]
    change.connection.execute(submission.update().where(submission.c.id.in_(found)).values(answer=None))


def _erase_reports(
    change: Change, holding: Holding, scrub: Callable[[Any], Any], notices: Mapping[str, str]
) -> None:
    """Keep a report's identity, day, crop, values and amounts; take out who and where, and its PDF."""
    execute = change.connection.execute
    mine = _of_reports(holding.grower["id"])
    printed = set(change.connection.scalars(sa.select(report.c.document_sha256).where(mine)))
    execute(link.delete().where(link.c.report_id.in_(sa.select(report.c.id).where(mine))))
    chosen = sa.select(report.c.id, report.c.advice, report.c.card, report.c.language).where(mine)
    for row in execute(chosen).all():
        execute(
            report.update()
            .where(report.c.id == row.id)
            .values(
                advice=_nameless(scrub(row.advice)), card=scrub(row.card) | _blank(row.card, _CARD),
                inputs=None, document_sha256=notices[row.language],
            )
        )  # fmt: skip
    still = sa.select(report.c.document_sha256)
    for sha256 in printed:
        execute(document.delete().where(document.c.sha256 == sha256, document.c.sha256.not_in(still)))


def _erase_deliveries(change: Change, grower_id: int) -> None:
    """Keep which report went when and which way; take out where to, and every word about it.

    The Message-ID goes as well: beside it the address stands in the log of every mail server on the way.
    """
    execute, mine = change.connection.execute, _of_deliveries(grower_id)
    execute(delivery.update().where(mine).values(address="", reason="", message_id=""))
    waits = delivery.c.state.in_(("waiting", "held"))
    ended = {"state": "cancelled", "reason": ERASED, "next_at": None, "ended_at": change.now}
    execute(delivery.update().where(mine, waits).values(ended))
    execute(delivery_try.update().where(_of_tries(grower_id)).values(answer=""))


_ADVICE = ("field_id", "field_name", "farm_name", "grower_name")
_CARD = ("customer_address", "sampled_by", "agent_comment")


def _nameless(advice: dict[str, Any]) -> dict[str, Any]:
    samples = [each | _blank(each, ("label",)) for each in advice.get("samples", [])]
    return advice | _blank(advice, _ADVICE) | ({"samples": samples} if samples else {})


def _blank(record: Mapping[str, Any], names: Collection[str]) -> dict[str, Any]:
    return {name: "" for name in names if name in record}
