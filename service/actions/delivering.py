"""Who gets a report, and which way: looked at beforehand, and planned.

Planning writes who gets what and which way; :mod:`service.actions.sending` sends the mails. A grower gets
mail who agreed to it and has an address; for every other the report goes to the print queue. A dealer or
adviser gets a copy only where the grower allows it. A report that another has replaced, or whose grower was
erased, goes to nobody.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

from service.actions import lettering
from service.actions.lettering import Message
from service.callers import Caller, Right
from service.refusals import Invalid, NotFound
from service.settings import Settings, is_address
from service.site import Site
from service.store import accounts, deliveries, outbox, reports
from service.store.database import Change, Look
from service.store.deliveries import Reader, Target, Way
from service.tokens import new_token

MOST_AT_ONCE = 10_000  # reports that are delivered by one request
MOST_SHOWN = 50  # messages that a dry run shows, where nobody says how many
Chosen = Literal["usual", "link", "file", "paper"]  # usual: by mail as the settings have it


class Sending(BaseModel):
    """How reports are to be delivered.

    Attributes
    ----------
    way
        ``paper`` puts all of them into the print queue, for the growers alone.
    to_grower, to_copy
        Whether the grower, and whoever the grower allows a copy, get them.
    to_me
        Whether the person who asks gets them as well.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    way: Chosen = "usual"
    to_grower: bool = True
    to_copy: bool = True
    to_me: bool = False


@dataclass(frozen=True)
class Planned:
    """One delivery as it is planned; ``reason`` says why it is on paper or held."""

    report_id: int
    report: str  # as printed
    reader: Reader
    way: Way
    address: str
    language: str
    reason: str = ""

    @property
    def is_held(self) -> bool:
        """Whether it waits for a person from the start."""
        return self.reason == "bad-address"


@dataclass(frozen=True)
class Plan:
    """What is delivered, and why the others are not.

    Attributes
    ----------
    left_out
        By id of the report ``replaced``, ``erased``, ``nobody`` (no reader was asked for, or none allows
        it), or ``already`` where everybody's was planned before.
    messages
        Of a dry run: every mail in full, by the place of its delivery in ``planned``.
    """

    planned: tuple[Planned, ...]
    left_out: Mapping[int, str]
    messages: Mapping[int, Message] = field(default_factory=dict)
    ids: tuple[int, ...] = ()

    def by(self, way: str) -> int:
        """How many go one way, held ones left out."""
        return sum(each.way == way and not each.is_held for each in self.planned)

    @property
    def held(self) -> int:
        """How many wait for a person from the start."""
        return sum(each.is_held for each in self.planned)


def plan(site: Site, caller: Caller, report_ids: Collection[int], how: Sending | None = None) -> Plan:
    """Plan the delivery of reports; what was planned before is not planned again.

    Raises
    ------
    Invalid
        If there are none, or more than one request may name.
    NotFound
        If one of them is not the caller's.
    """
    how = how or Sending()
    wanted = some_ids(report_ids)
    with site.database.change(caller, Right.DELIVER_REPORTS) as change:
        reports.in_turn(change)  # two who plan the same at once: the second finds it planned
        made = _plan(site.settings, change, wanted, how)
        ids = store(site.settings, change, made.planned)
        object_id = wanted[0] if len(wanted) == 1 else ""
        change.note(
            "deliver", "report" if object_id else "deliveries", object_id,
            after={
                "reports": len(wanted), "mails": made.by("link") + made.by("file"), "paper": made.by("paper"),
                "held": made.held, "left out": len(made.left_out),
            },
        )  # fmt: skip
    return Plan(made.planned, made.left_out, ids=ids)


def dry_run(
    site: Site,
    caller: Caller,
    report_ids: Collection[int],
    how: Sending | None = None,
    *,
    most: int = MOST_SHOWN,
) -> Plan:
    """Tell what :func:`plan` would do, with every message in full, or the first ``most`` of them.

    Raises
    ------
    Invalid, NotFound
        As :func:`plan`.
    """
    with site.database.look(caller, Right.DELIVER_REPORTS) as look:
        made = _plan(site.settings, look, some_ids(report_ids), how or Sending())
        mails = [i for i, each in enumerate(made.planned) if each.way != "paper" and not each.is_held]
        shown = mails[:most]
        about = outbox.abouts(look, {made.planned[i].report_id for i in shown})
        messages = {
            i: lettering.shown(site.settings, look.now, each, about[each.report_id], "")
            for i, each in ((i, made.planned[i]) for i in shown)
        }
    return Plan(made.planned, made.left_out, messages)


def found(site: Site, caller: Caller, search: str, up_to: int = 0) -> tuple[int, ...]:
    """Ids of the reports that match a search and stand, up to one of them or to the newest.

    Raises
    ------
    Invalid
        If there are more than one request may deliver.
    """
    with site.database.look(caller, Right.DELIVER_REPORTS) as look:
        ids = reports.standing_ids(look, search, up_to, MOST_AT_ONCE + 1)
    if len(ids) > MOST_AT_ONCE:
        raise _too_many(len(ids))
    return ids


def some_ids(report_ids: Collection[int]) -> list[int]:
    """Ids each once and in order, refused where there are none or too many."""
    wanted = sorted(set(report_ids))
    if not wanted:
        raise Invalid(
            "there is no report to deliver", where="reports", expected="at least one report",
            fix="choose reports", fields={"reports": "choose at least one report"},
        )  # fmt: skip
    if len(wanted) > MOST_AT_ONCE:
        raise _too_many(len(wanted))
    return wanted


def _too_many(count: int) -> Invalid:
    return Invalid(
        f"{count} reports or more are too many to deliver at once", where="reports",
        expected=f"at most {MOST_AT_ONCE}", fix="narrow the search, or deliver them in parts",
        fields={"reports": f"at most {MOST_AT_ONCE} at once"},
    )  # fmt: skip


def _plan(settings: Settings, look: Look, wanted: Sequence[int], how: Sending) -> Plan:
    targets = deliveries.targets(look, wanted)
    if len(targets) < len(wanted):
        raise NotFound(
            "there is no such report" if len(wanted) == 1 else "some of these reports are not there",
            expected="reports of your own", fix="look for the reports again",
        )  # fmt: skip
    known = deliveries.planned(look, wanted)
    me = _me(look) if how.to_me else None
    rows: list[Planned] = []
    left_out: dict[int, str] = {}
    for target in targets:
        if target.erased or target.replaced:
            left_out[target.id] = "erased" if target.erased else "replaced"
            continue
        wished = tuple(readers_of(settings, target, how, me))
        new = [each for each in wished if (target.id, each.reader) not in known]
        rows += new
        if not new:
            left_out[target.id] = "already" if wished else "nobody"
    return Plan(tuple(rows), left_out)


def _me(look: Look) -> tuple[str, str] | None:
    account = accounts.by_id(look, look.caller.account_id) if look.caller.account_id is not None else None
    return None if account is None else (account.email, account.language)


def readers_of(
    settings: Settings, target: Target, how: Sending, me: tuple[str, str] | None
) -> Iterable[Planned]:
    """Everybody who gets a report, as far as they may."""
    by_mail = usual_way(settings, how.way)
    if how.to_grower:
        yield _to_grower(settings, target, by_mail)
    if by_mail == "paper" or not settings.sends_mail:
        return
    others: list[tuple[Reader, str, str]] = []
    if how.to_copy and target.copy_consent and target.copy_to:
        others.append(("copy", target.copy_to, target.language))
    if me is not None:
        others.append(("agent", *me))
    for reader, address, language in others:
        yield _mail(target, reader, by_mail, address, language)


def usual_way(settings: Settings, way: Chosen) -> Way:
    """The way that is meant."""
    return settings.mail_way if way == "usual" else way


def _to_grower(settings: Settings, target: Target, way: Way) -> Planned:
    why = ""
    if way != "paper":
        if not settings.sends_mail:
            why = "no-mail"
        elif not target.mail_consent:
            why = "no-consent"
        elif not target.email:
            why = "no-address"
    if way == "paper" or why:
        return Planned(target.id, target.report, "grower", "paper", "", target.grower_language, why)
    return _mail(target, "grower", way, target.email, target.grower_language)


def _mail(target: Target, reader: Reader, way: Way, address: str, language: str) -> Planned:
    reason = "" if is_address(address) else "bad-address"
    return Planned(target.id, target.report, reader, way, address, language, reason)


def store(
    settings: Settings, change: Change, planned: Sequence[Planned], *, round_number: int = 1, reason: str = ""
) -> tuple[int, ...]:
    """Write planned deliveries; returns their ids."""
    rows: list[dict[str, Any]] = [
        {
            "laboratory_id": change.scope.laboratory_id, "report_id": each.report_id, "reader": each.reader,
            "round": round_number, "way": each.way, "address": each.address, "language": each.language,
            "state": "held" if each.is_held else "waiting", "reason": each.reason or reason,
            "message_id": _new_message_id(settings) if each.way != "paper" else "",
            "planned_at": change.now, "planned_by": change.caller.name,
        }
        for each in planned
    ]  # fmt: skip
    return deliveries.add(change, rows)


def _new_message_id(settings: Settings) -> str:
    """What a mail is called in every try, so that two copies of it could be told to be one."""
    return f"<{new_token()}@{settings.mail_from.rpartition('@')[2]}>"
