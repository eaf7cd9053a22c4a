"""Who gets a report and which way: planned once, looked at beforehand, sent again with a reason."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
import sqlalchemy as sa

from service.actions import delivering, deliverylists, deliverysteps, privacy
from service.actions.delivering import Sending, dry_run, plan
from service.callers import RIGHTS, Right, operator
from service.refusals import Conflict, Invalid, NotAllowed, NotFound
from service.store import schema
from tests.app.server.conftest import World
from tests.app.server.postbox import add_report, new_report, with_mail


def rows(world: World, table: sa.Table = schema.delivery) -> list[Any]:
    with world.site.database.look(operator(), None) as look:
        return list(look.connection.execute(sa.select(table).order_by(table.c.id)))


def change(world: World, table: sa.Table, number: int, **values: Any) -> None:
    with world.site.database.housekeeping(operator()) as look:
        look.connection.execute(table.update().where(table.c.id == number).values(values))


@contextmanager
def counted(world: World) -> Iterator[list[str]]:
    """The statements that a block sends to the database."""
    sent: list[str] = []

    def note(_c: object, _cursor: object, statement: str, *_more: object) -> None:
        sent.append(statement)

    sa.event.listen(world.site.database.engine, "before_cursor_execute", note)
    yield sent
    sa.event.remove(world.site.database.engine, "before_cursor_execute", note)


# -------------------------------------------------------------------------------------------- planning


def test_a_grower_who_agreed_to_mail_gets_a_link_in_their_language(world: World) -> None:
    with_mail(world)
    report, _ = add_report(world, language="es")
    made = plan(world.site, world.caller("agent"), [report])
    (row,) = rows(world)
    assert made.ids == (row.id,)
    assert (row.report_id, row.reader, row.round, row.way, row.address, row.language, row.state) == (
        report, "grower", 1, "link", "grower1@farm.example", "es", "waiting"
    )  # fmt: skip
    assert row.message_id.endswith("@quillwater.example>")
    assert (row.planned_by, row.planned_at, row.laboratory_id) == (
        "Agent",
        world.clock.at,
        world.laboratories["a"],
    )


@pytest.mark.parametrize(
    ("grower", "mail", "way", "why"),
    [
        ({}, {}, "link", ""),
        ({}, {"mail_way": "file"}, "file", ""),
        ({"mail_consent": False}, {}, "paper", "no-consent"),
        ({"email": ""}, {}, "paper", "no-address"),
        ({}, {"smtp_host": ""}, "paper", "no-mail"),
        ({"email": "a@b, c@d"}, {}, "link", "bad-address"),
        ({"email": "a@b.example\r\nBcc: c@d.example"}, {}, "link", "bad-address"),
        ({"email": "nobody"}, {}, "link", "bad-address"),
        ({"email": "josé@farm.example"}, {}, "link", "bad-address"),
    ],
)
def test_the_way_follows_from_consent_address_and_settings(
    lite_world: World, grower: dict[str, Any], mail: dict[str, Any], way: str, why: str
) -> None:
    with_mail(lite_world, **mail)
    report, _ = add_report(lite_world, **grower)
    plan(lite_world.site, lite_world.caller("laboratory"), [report])
    (row,) = rows(lite_world)
    assert (row.way, row.reason, row.state) == (way, why, "held" if why == "bad-address" else "waiting")
    assert bool(row.address) == (way != "paper")


@pytest.mark.parametrize(
    ("grower", "how", "readers"),
    [
        ({}, Sending(), ["grower"]),
        ({"copy_to": "d@dealer.example", "copy_consent": True}, Sending(), ["copy", "grower"]),
        ({"copy_to": "d@dealer.example", "copy_consent": False}, Sending(), ["grower"]),
        ({"copy_to": "", "copy_consent": True}, Sending(), ["grower"]),
        ({"copy_to": "d@dealer.example", "copy_consent": True}, Sending(to_copy=False), ["grower"]),
        ({"copy_to": "d@dealer.example", "copy_consent": True}, Sending(to_grower=False), ["copy"]),
        ({"copy_to": "d@dealer.example", "copy_consent": True}, Sending(way="paper"), ["grower"]),
        (
            {"copy_to": "d@dealer.example", "copy_consent": True, "mail_consent": False},
            Sending(),
            ["copy", "grower"],
        ),
        ({}, Sending(to_me=True), ["agent", "grower"]),
        ({}, Sending(to_grower=False, to_copy=False), []),
    ],
)
def test_others_get_it_only_where_the_grower_allows_or_who_asks_wants_it(
    lite_world: World, grower: dict[str, Any], how: Sending, readers: list[str]
) -> None:
    with_mail(lite_world)
    report, _ = add_report(lite_world, **grower)
    made = plan(lite_world.site, lite_world.caller("agent"), [report], how)
    found = rows(lite_world)
    assert sorted(row.reader for row in found) == readers
    assert made.left_out == ({} if readers else {report: "nobody"})
    to = {row.reader: row.address for row in found}
    assert to.get("agent", "agent@soil.example") == "agent@soil.example"
    assert to.get("copy", "d@dealer.example") == "d@dealer.example"


def test_planned_twice_is_planned_once(world: World) -> None:
    with_mail(world)
    report, land = add_report(world)
    caller = world.caller("agent")
    plan(world.site, caller, [report, report])
    again = plan(world.site, caller, [report])
    assert (again.planned, again.left_out, len(rows(world))) == ((), {report: "already"}, 1)
    change(world, schema.grower, land.grower, copy_to="d@dealer.example", copy_consent=True)
    more = plan(world.site, caller, [report])  # who was allowed a copy since gets it, and nobody else
    assert [each.reader for each in more.planned] == ["copy"]
    assert len(rows(world)) == 2


def test_reports_that_were_replaced_or_erased_go_to_nobody(world: World) -> None:
    with_mail(world)
    agent = world.caller("agent")
    first, land = add_report(world)
    with world.site.database.look(operator(), None) as look:
        (stored,) = look.connection.execute(sa.select(schema.report))
    second = new_report(world, land.visits[0], "REP-NEW", stored.card, stored.document_sha256, replaces=first)
    gone, other = add_report(world, 2)
    privacy.erase_grower(world.site, agent, other.grower)
    made = plan(world.site, agent, [first, second, gone])
    assert made.left_out == {first: "replaced", gone: "erased"}
    assert [row.report_id for row in rows(world)] == [second]
    assert delivering.found(world.site, agent, "") == (second, gone)


def test_thousands_are_planned_with_few_statements(world: World) -> None:
    with_mail(world)
    add_report(world)
    with world.site.database.look(operator(), None) as look:
        (stored,) = look.connection.execute(sa.select(schema.report)).mappings()
    many = [
        {name: value for name, value in stored.items() if name != "id"} | {"report_id": f"M-{number}"}
        for number in range(3000)
    ]
    with world.site.database.housekeeping(operator()) as look:
        look.connection.execute(schema.report.insert(), many)
        ids = list(look.connection.scalars(sa.select(schema.report.c.id)))
    with counted(world) as sent:
        made = plan(world.site, world.caller("laboratory"), ids)
    assert (len(made.ids), len(rows(world))) == (3001, 3001)
    assert len(set(made.ids)) == 3001
    assert len([each for each in sent if each.startswith("INSERT INTO delivery")]) <= 8
    assert len(sent) <= 20


def test_what_cannot_be_planned_is_refused_whole(world: World) -> None:
    with_mail(world)
    report, _ = add_report(world)
    other, _ = add_report(world, 2, laboratory="b")
    lower, _ = add_report(world, 3, county="lower")
    laboratory, agent = world.caller("laboratory"), world.caller("agent")
    with pytest.raises(NotFound, match="some of these reports are not there"):
        plan(world.site, laboratory, [report, other])
    with pytest.raises(NotFound, match="there is no such report"):
        plan(world.site, agent, [lower])
    with pytest.raises(Invalid, match="there is no report to deliver"):
        plan(world.site, laboratory, [])
    with pytest.raises(Invalid, match="10001 reports or more are too many"):
        plan(world.site, laboratory, range(1, 10_002))
    with pytest.raises(NotAllowed):
        plan(world.site, world.caller("agronomist"), [report])
    assert rows(world) == []
    assert len(plan(world.site, laboratory, [report, lower]).ids) == 2


def test_the_right_is_the_laboratorys_and_the_agents() -> None:
    assert {role.value for role, rights in RIGHTS.items() if Right.DELIVER_REPORTS in rights} == {
        "laboratory",
        "agent",
    }


def test_what_was_planned_is_kept_as_a_change_without_addresses(world: World) -> None:
    with_mail(world)
    one, _ = add_report(world)
    two, _ = add_report(world, 2, mail_consent=False)
    plan(world.site, world.caller("agent"), [one])
    plan(world.site, world.caller("agent"), [one, two])
    first, second = rows(world, schema.audit)
    assert (first.verb, first.kind, first.object_id) == ("deliver", "report", str(one))
    assert (second.kind, second.after) == (
        "deliveries", {"reports": 2, "mails": 0, "paper": 1, "held": 0, "left out": 1}
    )  # fmt: skip
    assert "@" not in str(rows(world, schema.audit))


# --------------------------------------------------------------------------------------------- dry run


def test_a_dry_run_shows_every_message_and_leaves_nothing(world: World) -> None:
    with_mail(world, mail_way="file")
    report, _ = add_report(world, copy_to="d@dealer.example", copy_consent=True, language="es")
    paper, _ = add_report(world, 2, mail_consent=False)
    made = dry_run(world.site, world.caller("agent"), [report, paper])
    assert [(each.reader, each.way) for each in made.planned] == [
        ("grower", "file"), ("copy", "file"), ("grower", "paper"),
    ]  # fmt: skip
    assert sorted(made.messages) == [0, 1]
    told = str(made.messages[1])
    assert "To: d@dealer.example" in told
    assert "Here is a copy of the soil report for the field Long Meadow." in told
    assert told.endswith("[soil-report-REP-a-1.pdf, application/pdf, 16 bytes]\n")
    assert "El informe de suelo del campo Long Meadow está listo." in made.messages[0].text
    for table in (schema.delivery, schema.link, schema.audit):
        assert rows(world, table) == []


def test_a_dry_run_shows_as_many_messages_as_are_asked_for(lite_world: World) -> None:
    with_mail(lite_world)
    ids = [add_report(lite_world, number)[0] for number in range(1, 5)]
    made = dry_run(lite_world.site, lite_world.caller("agent"), ids, most=3)
    assert (len(made.planned), sorted(made.messages)) == (4, [0, 1, 2])
    assert "https://soil.example/r/(made when the mail is sent)" in made.messages[0].text


def test_the_message_of_a_planned_delivery_is_the_one_that_will_be_sent(lite_world: World) -> None:
    with_mail(lite_world)
    report, _ = add_report(lite_world)
    agent = lite_world.caller("agent")
    (number,) = plan(lite_world.site, agent, [report]).ids
    message = deliverylists.message(lite_world.site, agent, number)
    assert message is not None
    assert ("Message-ID", rows(lite_world)[0].message_id) in message.headers
    with pytest.raises(NotFound):
        deliverylists.message(lite_world.site, lite_world.caller("other-agent"), number)


# ------------------------------------------------------------------------------------------ afterwards


def sent(world: World, state: str = "sent", **grower: Any) -> tuple[int, int, int]:
    """A delivery in a state: its id, and those of the report and the grower."""
    report, land = add_report(world, **grower)
    (number,) = plan(world.site, world.caller("agent"), [report]).ids
    change(world, schema.delivery, number, state=state)
    return number, report, land.grower


@pytest.mark.parametrize("state", ["sent", "refused", "held", "cancelled"])
def test_sent_again_is_a_new_round_to_the_address_known_now(world: World, state: str) -> None:
    with_mail(world)
    number, report, grower = sent(world, state)
    change(world, schema.grower, grower, email="new@farm.example")
    added = deliverysteps.again(world.site, world.caller("agent"), number, " They lost  it. ", "file")
    before, after = rows(world)
    assert (after.id, after.round, after.state, after.way) == (added, 2, "waiting", "file")
    assert (after.address, after.reason) == ("new@farm.example", "They lost it.")
    assert before.state == ("cancelled" if state == "held" else state)
    assert before.message_id != after.message_id
    line = rows(world, schema.audit)[-1]
    assert (line.verb, line.object_id, line.after["round"]) == ("send-again", str(added), 2)
    assert before.report_id == after.report_id == report


@pytest.mark.parametrize("state", ["waiting", "sending"])
def test_what_is_on_its_way_is_not_sent_again(lite_world: World, state: str) -> None:
    with_mail(lite_world)
    number, *_ = sent(lite_world, state)
    with pytest.raises(Conflict, match="sent again already, or has not been sent yet"):
        deliverysteps.again(lite_world.site, lite_world.caller("agent"), number, "why")


def test_only_the_last_round_is_sent_again(lite_world: World) -> None:
    with_mail(lite_world)
    number, *_ = sent(lite_world)
    deliverysteps.again(lite_world.site, lite_world.caller("agent"), number, "why")
    with pytest.raises(Conflict):
        deliverysteps.again(lite_world.site, lite_world.caller("agent"), number, "why")


def test_a_reader_who_may_not_any_more_gets_nothing_again(lite_world: World) -> None:
    with_mail(lite_world)
    agent = lite_world.caller("agent")
    number, _, grower = sent(lite_world)
    change(lite_world, schema.grower, grower, mail_consent=False)
    added = deliverysteps.again(lite_world.site, agent, number, "By post, then.")
    (row,) = [row for row in rows(lite_world) if row.id == added]
    assert (row.way, row.address) == ("paper", "")  # a grower always gets it, on paper
    privacy.erase_grower(lite_world.site, agent, grower)
    with pytest.raises(Conflict, match="cannot get the report any more"):
        deliverysteps.again(lite_world.site, agent, added, "why")


@pytest.mark.parametrize("reason", ["", "  ", "x" * 201])
def test_a_reason_is_needed(lite_world: World, reason: str) -> None:
    with_mail(lite_world)
    number, *_ = sent(lite_world, "held")
    agent = lite_world.caller("agent")
    for step in (deliverysteps.again, deliverysteps.take_as_gone, deliverysteps.cancel):
        with pytest.raises(Invalid, match="the reason is missing or too long"):
            step(lite_world.site, agent, number, reason)


@pytest.mark.parametrize(
    ("step", "before", "after"),
    [
        (deliverysteps.take_as_gone, "held", "sent"),
        (deliverysteps.take_as_gone, "waiting", None),
        (deliverysteps.take_as_gone, "refused", None),
        (deliverysteps.cancel, "waiting", "cancelled"),
        (deliverysteps.cancel, "held", "cancelled"),
        (deliverysteps.cancel, "sending", None),
        (deliverysteps.cancel, "sent", None),
    ],
)
def test_people_settle_what_waits_or_is_held(world: World, step: Any, before: str, after: str | None) -> None:
    with_mail(world)
    number, *_ = sent(world, before)
    agent = world.caller("agent")
    if after is None:
        with pytest.raises(Conflict, match="no longer as you saw it"):
            step(world.site, agent, number, "They telephoned.")
        assert rows(world)[0].state == before
        return
    step(world.site, agent, number, "They telephoned.")
    told = deliverylists.one(world.site, agent, number)
    assert (told.delivery.state, told.delivery.reason) == (after, "They telephoned.")
    assert told.delivery.ended_at == world.clock.at
    assert [(line.by, line.answer) for line in told.log] == [("Agent", "They telephoned.")]
    with pytest.raises(NotFound):
        step(world.site, world.caller("other-agent"), number, "They telephoned.")


def test_several_of_the_print_queue_are_marked_at_once(world: World) -> None:
    with_mail(world)
    caller = world.caller("laboratory")
    ids = [add_report(world, number, mail_consent=False)[0] for number in (1, 2, 3)]
    ids.append(add_report(world, 4)[0])
    numbers = plan(world.site, caller, ids).ids
    assert {row.state for row in deliverylists.listed(world.site, caller, "print").rows} == {"waiting"}
    assert deliverysteps.printed(world.site, caller, [*numbers[:2], numbers[3]]) == 2  # one is a mail
    assert deliverysteps.printed(world.site, caller, numbers[:3]) == 1  # two were marked before
    assert [row.state for row in rows(world)] == ["printed", "printed", "printed", "waiting"]
    with pytest.raises(NotFound, match="some of these deliveries are not there"):
        deliverysteps.printed(world.site, world.caller("other-agent"), numbers)
    with pytest.raises(NotFound):
        deliverysteps.printed(world.site, world.caller("other-laboratory"), numbers[:1])


# --------------------------------------------------------------------------------------------- looking


def test_lists_counts_and_scope(world: World) -> None:
    with_mail(world)
    laboratory = world.caller("laboratory")
    made = {}
    for number, state in enumerate(("waiting", "sending", "held", "refused", "sent", "cancelled"), 1):
        report, _ = add_report(world, number)
        (made[state],) = plan(world.site, laboratory, [report]).ids
        change(world, schema.delivery, made[state], state=state)
    report, _ = add_report(world, 7, mail_consent=False, county="lower")
    (made["print"],) = plan(world.site, laboratory, [report]).ids
    found = {
        name: [row.id for row in deliverylists.listed(world.site, laboratory, name).rows]
        for name in deliverylists.LISTS
    }
    assert found == {
        "waiting": [made["sending"], made["waiting"]], "held": [made["held"]], "refused": [made["refused"]],
        "sent": [made["sent"]], "print": [made["print"]], "printed": [], "cancelled": [made["cancelled"]],
    }  # fmt: skip
    counts = deliverylists.listed(world.site, laboratory, "held").counts
    assert counts == {"waiting": 2, "held": 1, "refused": 1, "print": 1}
    assert deliverylists.listed(world.site, world.caller("agent"), "print").counts["print"] == 0
    assert deliverylists.listed(world.site, world.caller("other-laboratory"), "held").rows == ()
    deliverysteps.again(world.site, laboratory, made["refused"], "They have a new address.")
    assert deliverylists.listed(world.site, laboratory, "refused").rows == ()  # it has been dealt with


def test_a_long_list_comes_in_pages(lite_world: World) -> None:
    with_mail(lite_world)
    laboratory = lite_world.caller("laboratory")
    ids = [add_report(lite_world, number)[0] for number in range(1, 53)]
    numbers = sorted(plan(lite_world.site, laboratory, ids).ids, reverse=True)
    first = deliverylists.listed(lite_world.site, laboratory, "waiting")
    assert ([row.id for row in first.rows], first.older) == (numbers[:50], numbers[49])
    second = deliverylists.listed(lite_world.site, laboratory, "waiting", first.older)
    assert ([row.id for row in second.rows], second.older) == (numbers[50:], None)


def test_a_report_tells_what_became_of_it(world: World) -> None:
    with_mail(world)
    agent = world.caller("agent")
    number, report, _ = sent(world)
    deliverysteps.again(world.site, agent, number, "They lost it.")
    told = deliverylists.of_report(world.site, agent, report)
    assert [(each.delivery.round, each.delivery.state) for each in told] == [(1, "sent"), (2, "waiting")]
    with pytest.raises(NotFound):
        deliverylists.of_report(world.site, world.caller("other-agent"), report)
    with pytest.raises(NotAllowed):
        deliverylists.of_report(world.site, world.caller("administrator"), report)
