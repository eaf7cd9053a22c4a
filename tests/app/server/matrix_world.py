"""A world with an object of every kind, made once and copied for each request that would change it."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from fastapi import FastAPI
from starlette.testclient import TestClient

from service.actions import batches, bench, demo, draftfiles, drafting, laboratories, reporting, reviewing
from service.actions.batches import BatchWish, Choice
from service.actions.releasing import release_run
from service.callers import Caller, operator
from service.site import Site
from service.store import schema
from service.store.database import Database, make_engine
from service.uploads import Upload
from tests.app.server.batches import ended_batch
from tests.app.server.conftest import ORIGIN, World
from tests.app.server.draft_steps import named, saved, with_cell
from tests.app.server.postbox import with_mail
from tests.app.server.tokens import make_token
from tests.render.logo_pictures import drawing, file

PEOPLE = ("nobody", "laboratory", "agent", "agronomist", "administrator", "other-laboratory", "other-agent")


@dataclass
class Filled:
    """A database that every test copies, and what is in it.

    Attributes
    ----------
    ids
        By the name of a part of an address, or of an object.
    cookies, form_tokens, tokens
        Of each person.
    """

    world: World
    path: Path
    ids: dict[str, Any] = field(default_factory=dict)
    cookies: dict[str, Any] = field(default_factory=dict)
    form_tokens: dict[str, str] = field(default_factory=dict)
    tokens: dict[str, str] = field(default_factory=dict)

    @contextmanager
    def copy(self, folder: Path) -> Iterator[World]:
        """The same world on a database of its own."""
        path = folder / "copy.sqlite3"
        shutil.copyfile(self.path, path)
        engine = make_engine(f"sqlite:///{path}")
        yield replace(self.world, site=replace(self.world.site, database=Database(engine, self.world.clock)))
        engine.dispose()
        for left in folder.glob("copy.sqlite3*"):
            left.unlink()

    def browser(self, app: FastAPI, person: str) -> TestClient:
        """A browser, signed in as one of the people but nobody."""
        client = TestClient(app, base_url=ORIGIN, follow_redirects=False, raise_server_exceptions=False)
        if person != "nobody":
            client.cookies = self.cookies[person]
        return client

    def program(self, app: FastAPI, person: str) -> TestClient:
        """A program with a token of one of the people but nobody."""
        client = self.browser(app, "nobody")
        if person != "nobody":
            client.headers["authorization"] = f"Bearer {self.tokens[person]}"
        return client

    def resolved(self, value: Any) -> Any:
        """What is to be sent, with ``$name`` replaced by the id of an object."""
        if isinstance(value, Mapping):
            return {name: self.resolved(each) for name, each in value.items()}
        if isinstance(value, list):
            return [self.resolved(each) for each in value]
        if isinstance(value, str) and value.startswith("$"):
            return self.ids[value[1:]]
        return value


def read_run(site: Site, caller: Caller, run: tuple[str, str, str, str], until: str) -> int:
    """Take a run of the demo scenario as far as a state."""
    file, layout, side, replaces = run
    folder = demo.demo_directory()
    beside = Upload(side, (folder / side).read_bytes()) if side else None
    content = Upload(file, (folder / file).read_bytes())
    number = bench.upload_run(site, caller, content, side=beside, layout=layout, replaces=replaces)
    if until:
        bench.confirm_run(site, caller, number, 1)
    if until == "held":
        bench.decide(site, caller, number, 2, "held", demo.WHY_HELD)
    elif until in ("accepted", "released"):
        bench.decide(site, caller, number, 2, "accepted")
    if until == "released":
        release_run(site, caller, number, 3)
    return number


def sendable(lab_number: str) -> dict[str, Any]:
    """What can be sent: a run file, a list of samples, a place of a sample."""
    run = (demo.demo_directory() / "cec.csv").read_text("utf-8").replace("QW-0414-C", "QW-0499-C")
    titles = (
        "lab_number,field_id,field_name,farm_name,grower_name,region,county,crop,depth_from_cm,depth_to_cm"
    )
    row = "N-1,NEW-1,New,New,A. Grower,marrowdale,upper,maize,0,20,2026-04-02,2026-04-07"
    point = {
        "type": "Feature", "properties": {"lab_number": lab_number},
        "geometry": {"type": "Point", "coordinates": [-29.5, 45.2]},
    }  # fmt: skip
    places = {"type": "FeatureCollection", "features": [point]}
    return {
        "run_file": run, "list_file": f"{titles},sampled_on,received_on\n{row}\n", "places": places,
        "places_file": json.dumps(places), "logo_file": file(drawing()),
    }  # fmt: skip


def draft_tables(world: World, ids: dict[str, Any]) -> None:
    """Begin drafts of the reviewer's: one that is open, one that waits, one that the agronomist approved."""
    site, author = world.site, world.caller("reviewer")
    for name in ("draft_id", "draft-submitted", "draft-approved"):
        ids[name] = draft = drafting.begin(site, author, "marrowdale", "To try it out.")
        entry = named(world, draft)
        ids["number"] = entry.number
        saved(world, draft, with_cell(entry, "classes", 3, "from", "30"), "reviewer")
        if name != "draft_id":
            ids[f"{name}-sha256"] = reviewing.submit(site, author, draft, 2, "New trials.")
    ids["table"] = with_cell(entry, "classes", 3, "from", "25").said()
    ids["table"].pop("kind")
    file = Upload("trial.yaml", b"id: trial\nregion: marrowdale\ntitle: T\nread: invented\n")
    # Whoever brings a file takes it over.
    ids["upload_id"] = draftfiles.upload(site, world.caller("agronomist"), ids["draft_id"], file)
    found = draftfiles.waiting(site, author, ids["draft_id"], ids["upload_id"], whole=False)
    ids["upload_id-sha256"] = found.sha256
    ids["comment_id"] = drafting.comment(site, author, ids["draft_id"], ids["number"], "title", "Why?")
    approved = ids["draft-approved"]
    reviewing.approve(site, world.caller("agronomist"), approved, ids["draft-approved-sha256"])
    for name, book in (("release_id", "marrowdale"), ("release-other", "ohio"), ("release-shared", "shared")):
        ids[name] = site.in_force().releases[book].id


def deliveries(world: World, report: int) -> dict[str, int]:
    """One delivery in the print queue, and one by mail that is held."""
    ids = {}
    with world.site.database.housekeeping(operator()) as look:
        for name, reader, way, state in (
            ("delivery_id", "grower", "paper", "waiting"), ("delivery-held", "copy", "link", "held"),
        ):  # fmt: skip
            ids[name] = look.connection.execute(
                schema.delivery.insert()
                .values(
                    laboratory_id=world.laboratories["a"], report_id=report, reader=reader, round=1, way=way,
                    address="d@dealer.example" if way == "link" else "", language="en", state=state,
                    planned_at=look.now, planned_by="Agent", message_id="<m@soil.example>",
                )
                .returning(schema.delivery.c.id)
            ).scalar_one()  # fmt: skip
    return ids


def ask_for_batches(world: World, ids: dict[str, Any]) -> None:
    """Two batches of the agent's: one that waits, and one that has ended with a report and a failure."""
    agent = world.caller("agent")
    with world.site.database.look(agent, None) as look:
        others = sa.select(sa.func.min(schema.sampling.c.id)).where(schema.sampling.c.id != ids["visit_id"])
        other = look.connection.scalar(others)
    ids["batch-ended"] = ended_batch(world, agent, {ids["visit_id"]: ids["report_id"], other: None})
    wish = BatchWish(replaces=True)
    ids["batch_id"] = batches.start(world.site, agent, "Summer", Choice(visits=(ids["visit_id"],)), wish)


def fill(world: World, path: Path) -> Filled:
    """Register, measure and release the demo scenario in laboratory a, all of it in county upper."""
    filled = Filled(with_mail(world), path)
    site = world.site
    caller = operator(world.laboratories["a"])
    with site.database.housekeeping(operator()) as look:
        for county in demo.COUNTIES:
            look.connection.execute(schema.county.insert().values(county.model_dump()))
    demo.register_list(site, caller, demo.demo_directory() / "samples.csv")
    demo._type_bench(site, caller)
    ids = filled.ids
    for name, number, decided in (
        ("run_id", 0, "released"), ("run-held", 1, "held"), ("run-accepted", 2, "accepted"),
        ("run-read", 3, ""), ("run-confirmed", 4, "confirmed"),
    ):  # fmt: skip
        ids[name] = read_run(site, caller, demo.RUNS[number], decided)
    world.client("laboratory").get(f"/runs/{ids['run_id']}/sheet")  # printed at the first look, and kept
    with site.database.housekeeping(operator()) as look:
        look.connection.execute(schema.field.update().values(county_id="upper"))
    ids |= {
        "laboratory_id": world.laboratories["a"],
        "account_id": world.people["other-agent"],
        "token": "unknown",
    }
    logo = Upload("logo.png", file(drawing(300)))
    laboratories.set_logo(site, world.caller("administrator"), world.laboratories["a"], logo)
    for person in PEOPLE[1:]:
        browser = world.client(person)
        filled.cookies[person] = browser.cookies
        filled.form_tokens[person] = world.form_token(browser)
        filled.tokens[person] = make_token(world, person)
    with site.database.look(operator(), None) as look:
        of_run = sa.select(schema.soil_value.c.sample_id).where(schema.soil_value.c.run_id == ids["run_id"])
        sample = look.connection.execute(
            sa.select(schema.sample).where(schema.sample.c.id.in_(of_run)).order_by(schema.sample.c.id)
        ).first()
        assert sample is not None
        visit = look.connection.execute(
            sa.select(schema.sampling).where(schema.sampling.c.id == sample.sampling_id)
        ).one()
        farm = look.connection.execute(
            sa.select(schema.farm).join(schema.field).where(schema.field.c.id == visit.field_id)
        ).one()
        ids |= {
            "sample_id": sample.id, "lab_number": sample.lab_number, "visit_id": visit.id, "crop": visit.crop,
            "field_id": visit.field_id, "farm_id": farm.id, "grower_id": farm.grower_id, "copper": "cu-dtpa",
        }  # fmt: skip
        typed = sa.select(sa.func.min(schema.soil_value.c.id)).where(
            schema.soil_value.c.sample_id == sample.id, schema.soil_value.c.run_id.is_(None)
        )
        ids["value_id"] = look.connection.scalar(typed)
        mine = world.people["laboratory"]
        for table, name in ((schema.access_token, "token"), (schema.session, "session")):
            chosen = sa.select(table.c.id).where(table.c.account_id == mine)
            ids[f"{name}-of-laboratory"] = look.connection.scalar(chosen)
    issued = reporting.issue(site, world.caller("agent"), ids["visit_id"], reporting.Wish())
    ids |= {"report_id": issued.id, "report": issued.report_id}
    ids |= deliveries(world, issued.id)
    ask_for_batches(world, ids)
    ids |= {
        kind: min(each.id for each in tables.values() if each.region == "marrowdale")
        for kind, tables in (("scale", site.tables.scales), ("rate", site.tables.rates))
    }
    ids |= sendable(ids["lab_number"])
    draft_tables(world, ids)
    with site.database.engine.connect() as connection:  # everything into the one file
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    return filled
