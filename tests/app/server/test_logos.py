"""A laboratory's logo on the server: given, shown, removed, refused; on reports and checked with them."""

from __future__ import annotations

import base64
import re

import pytest
from PIL import Image

from service.actions import laboratories, people, reporting
from service.actions.laboratories import Card
from service.actions.reporting import Wish, issue
from service.actions.verifying import verify
from service.actions.wrongfields import SENTENCES, WrongFields
from service.callers import Caller
from service.logos import LARGEST, REFUSALS, read_logo
from service.refusals import NotAllowed, NotFound
from service.store.audit import Filter, Line
from service.uploads import Upload
from tests.app.server.conftest import World
from tests.app.server.land import advised_land
from tests.app.server.tokens import program
from tests.render.logo_pictures import drawing, file, photograph

DRAWING, PHOTOGRAPH = file(drawing()), file(photograph(), "JPEG")
LOGO = read_logo(DRAWING, "logo")


def kept(world: World) -> str:
    found = laboratories.show_laboratory(world.site, world.caller("administrator"), world.laboratories["a"])
    return str(found.card.get("logo", "none"))


def give(world: World, content: bytes = DRAWING, caller: Caller | None = None) -> None:
    caller = caller or world.caller("administrator")
    laboratories.set_logo(world.site, caller, world.laboratories["a"], Upload("logo.png", content))


def lines(world: World) -> tuple[Line, ...]:
    return tuple(people.list_changes(world.site, world.caller("administrator"), Filter())[0])


def test_a_logo_is_given_changed_and_removed(world: World) -> None:
    administrator, a = world.caller("administrator"), world.laboratories["a"]
    assert kept(world) == "none"
    give(world)
    assert kept(world) == LOGO
    changed = Card(name="Renamed", address=("2 Mill Lane",))
    laboratories.change_laboratory(world.site, administrator, a, changed)
    assert kept(world) == LOGO  # the other fields leave it alone
    give(world, PHOTOGRAPH)
    assert laboratories.logo_of(world.site, administrator, a)[1] == "image/jpeg"
    laboratories.remove_logo(world.site, administrator, a)
    assert kept(world) == "none"
    with pytest.raises(NotFound, match="has no logo"):
        laboratories.logo_of(world.site, administrator, a)


def test_the_list_of_changes_describes_a_logo_and_does_not_hold_it(world: World) -> None:
    before = len(lines(world))
    give(world)
    (line, *_), found = lines(world), len(lines(world))
    assert found == before + 1
    assert (line.verb, line.kind, line.object_id) == ("change", "laboratory", str(world.laboratories["a"]))
    assert line.before == {"logo": ""}
    assert re.fullmatch(r"320 x 80 px, \d+ bytes, SHA-256 [0-9a-f]{16}", line.after["logo"])
    laboratories.remove_logo(world.site, world.caller("administrator"), world.laboratories["a"])
    assert (lines(world)[0].before, lines(world)[0].after) == (line.after, {"logo": ""})


@pytest.mark.parametrize(
    ("content", "key"),
    [
        (b"<svg/>", "logo-kind"),
        (DRAWING + bytes(LARGEST), "logo-large"),
        (file(Image.new("L", (1001, 9))), "logo-size"),
        (file(Image.new("L", (1, 1))), "logo-small"),
        (DRAWING[:-20], "logo-damaged"),
    ],
    ids=["kind", "large", "size", "small", "damaged"],
)
def test_what_can_be_no_logo_is_refused_by_every_door(lite_world: World, content: bytes, key: str) -> None:
    with pytest.raises(WrongFields, match="the logo was not stored") as refused:
        give(lite_world, content)
    assert refused.value.fields == {"logo": SENTENCES[key]}
    path = f"/laboratories/{lite_world.laboratories['a']}"
    client = lite_world.client("administrator")
    form = {"form_token": lite_world.form_token(client)}
    page = client.post(f"{path}/logo", data=form, files={"file": ("logo.png", content)})
    assert page.status_code == 422
    assert SENTENCES[key] in page.text
    assert 'href="#f-logo"' in page.text  # the summary leads to the field
    answer = program(lite_world, "administrator").put(f"/api/v1{path}/logo", files={"file": ("x", content)})
    assert answer.status_code == 422
    assert SENTENCES[key] in answer.text
    assert kept(lite_world) == "none"
    assert key in REFUSALS


def test_only_who_keeps_laboratories_gives_them_a_logo(lite_world: World) -> None:
    a = lite_world.laboratories["a"]
    for person in ("laboratory", "agent", "agronomist"):
        with pytest.raises(NotAllowed):
            give(lite_world, b"not even looked at", lite_world.caller(person))
        with pytest.raises(NotAllowed):
            laboratories.remove_logo(lite_world.site, lite_world.caller(person), a)
        with pytest.raises(NotAllowed):
            laboratories.logo_of(lite_world.site, lite_world.caller(person), a)
    administrator = lite_world.caller("administrator")
    with pytest.raises(NotFound):
        laboratories.set_logo(lite_world.site, administrator, 999, Upload("x", b"not even looked at"))


def test_the_page_shows_the_logo_and_takes_it_off(lite_world: World) -> None:
    client, path = lite_world.client("administrator"), f"/laboratories/{lite_world.laboratories['a']}"
    form = {"form_token": lite_world.form_token(client)}
    assert "<img" not in client.get(path).text
    sent = client.post(f"{path}/logo", data=form, files={"file": ("C:\\logo.png", DRAWING)})
    assert (sent.status_code, sent.headers["location"]) == (303, f"{path}?done=people.done-logo")
    assert f'<img class="logo" src="{path}/logo" alt="Logo of ' in client.get(path).text
    shown = client.get(f"{path}/logo")
    assert shown.content == base64.b64decode(LOGO)
    assert shown.headers["content-type"] == "image/png"
    assert shown.headers["x-content-type-options"] == "nosniff"
    removed = client.post(f"{path}/logo/remove", data=form)
    assert removed.headers["location"] == f"{path}?done=people.done-logo-removed"
    assert "<img" not in client.get(path).text
    assert client.get(f"{path}/logo").status_code == 404
    # Another site's form does nothing.
    assert client.post(f"{path}/logo", files={"file": ("x", DRAWING)}).status_code != 303
    assert kept(lite_world) == "none"


def test_the_api_gives_and_removes_it(lite_world: World) -> None:
    client, path = (
        program(lite_world, "administrator"),
        f"/api/v1/laboratories/{lite_world.laboratories['a']}",
    )
    given = client.put(f"{path}/logo", files={"file": ("logo.png", DRAWING)})
    assert given.json()["logo"] == LOGO
    card = {"name": "Renamed", "address": ["2 Mill Lane"]}
    assert client.put(path, json=card).json()["logo"] == LOGO
    assert client.put(path, json=card | {"logo": ""}).status_code == 422  # it is no field to write
    assert client.delete(f"{path}/logo").status_code == 204
    listed = client.get("/api/v1/laboratories").json()
    assert {each["logo"] for each in listed} == {""}


def test_a_report_keeps_the_logo_of_its_day_and_holds_when_it_is_checked(lite_world: World) -> None:
    give(lite_world)
    land = advised_land(lite_world)
    agent = lite_world.caller("agent")
    made = issue(lite_world.site, agent, land.visits[0], Wish())
    content = reporting.document(lite_world.site, agent, made.id)[1]
    give(lite_world, PHOTOGRAPH)
    assert reporting.document(lite_world.site, agent, made.id)[1] == content
    found = verify(content, lite_world.site, agent)
    assert (found.outcome, found.findings) == ("holds", ())
    assert "same-bytes" in [each.key for each in found.confirmed]
