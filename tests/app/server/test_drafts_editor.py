"""The editor of one table: cells, rows, what is wrong beside each, and that nothing typed is lost."""

from __future__ import annotations

import re
from html import unescape

import pytest
from starlette.responses import Response
from starlette.testclient import TestClient

from service.actions import drafting
from service.actions.draftdesk import desk
from service.entries.columns import FACTS, ROWS
from service.entries.entry import Entry
from service.pages.entryforms import grid_from, grid_of, pressed, spared
from tests.app.server.conftest import World
from tests.app.server.draft_steps import SCALE, begun, named, saved, with_cell, with_fact

RATE = "marrowdale/n-maize"


def form_of(entry: Entry) -> dict[str, str]:
    """What the form of an entry sends."""
    cells = {column.name: entry.facts.get(column.name, "") for column in FACTS[entry.kind]}
    for sheet, rows in entry.rows.items():
        for number, row in enumerate(rows):
            for column in ROWS[entry.kind][sheet]:
                cells[f"{sheet}.{number}.{column.name}"] = row.get(column.name, "")
    return cells


class Desk:
    """A draft with one table open before the agronomist."""

    def __init__(self, world: World, table: str = SCALE, draft: int | None = None) -> None:
        self.world, self.table = world, table
        self.draft = begun(world) if draft is None else draft
        self.client: TestClient = world.client("agronomist")
        self.number = named(world, self.draft, table).number
        self.path = f"/tables/drafts/{self.draft}/entries/{self.number}"

    @property
    def revision(self) -> int:
        return desk(self.world.site, self.world.caller("agronomist"), self.draft).revision

    def stored(self) -> Entry:
        found = desk(self.world.site, self.world.caller("agronomist"), self.draft)
        return found.entry(self.number)

    def send(self, do: str, cells: dict[str, str] | None = None, *, to: str = "", **more: str) -> Response:
        form = form_of(self.stored()) | {"revision": str(self.revision)} | (cells or {}) | more
        token = self.world.form_token(self.client)
        return self.client.post(self.path + to, data=form | {"do": do, "form_token": token})  # type: ignore[return-value]

    def page(self, *told: object, **more: str) -> str:
        answer = self.send(*told, **more)  # type: ignore[arg-type]
        assert answer.status_code == 200
        return unescape(answer.text)  # type: ignore[attr-defined]


def typed_in(page: str, name: str) -> str:
    """What stands in an input of a page."""
    found = re.search(rf'name="{re.escape(name)}" value="([^"]*)"', page)
    assert found, name
    return found[1]


def told_beside(page: str, name: str) -> str:
    """What is told beside a cell."""
    found = re.search(rf'id="t-{re.escape(name)}" data-told>(.*?)</div>', page, re.DOTALL)
    assert found, name
    return re.sub(r"\s+", " ", re.sub("<[^>]+>", " ", found[1])).strip()


@pytest.mark.parametrize("table", [SCALE, RATE, "marrowdale/k2o-potato", "marrowdale"])
def test_every_cell_of_a_table_is_an_input_with_a_label(lite_world: World, table: str) -> None:
    found = Desk(lite_world, table)
    page = unescape(found.client.get(found.path).text)
    for name, text in form_of(found.stored()).items():
        box = re.search(rf'<(input|select|textarea) id="f-{re.escape(name)}" name="{re.escape(name)}"', page)
        assert box, name
        if box[1] == "input":
            assert typed_in(page, name) == text
        assert f'<label for="f-{name}">' in page or re.search(
            rf'name="{re.escape(name)}"[^>]*aria-labelledby="c-', page
        )


def test_storing_without_a_change_of_a_cell_gives_the_same_table(lite_world: World) -> None:
    for table in (SCALE, RATE, "marrowdale/lime-potato", "marrowdale"):
        found = Desk(lite_world, table)
        before = found.stored()
        assert found.send("save").status_code == 303
        assert found.stored() == before


def test_what_is_typed_is_stored_right_or_wrong_with_a_message_beside_the_cell(lite_world: World) -> None:
    found = Desk(lite_world)
    cells = {"classes.2.from": "twelve", "title": "A new title", "unit": "mg per kg"}
    answer = found.send("save", cells, reason="From the trials.")
    assert answer.headers["location"] == f"{found.path}?done=drafts.done-saved"
    stored = found.stored()
    assert stored.facts["title"] == "A new title"
    assert stored.rows["classes"][2]["from"] == "twelve"
    page = unescape(found.client.get(found.path).text)
    assert typed_in(page, "classes.2.from") == "twelve"
    assert told_beside(page, "classes.2.from").startswith("'twelve' is no number. Expected:")
    assert '<option value="mg per kg" selected>' in page, "a choice that cannot be is kept"
    cell = re.search(r'<input id="f-classes.2.from"[^>]*>', page)
    assert cell
    assert 'aria-invalid="true"' in cell[0]
    assert 'aria-describedby="t-classes.2.from"' in cell[0]
    assert "From the trials." in found.client.get(f"/tables/drafts/{found.draft}").text


def test_an_unreadable_formula_beside_a_unit_of_yield_is_told_and_stored(lite_world: World) -> None:
    found = Desk(lite_world, RATE)
    assert found.send("save", {"formula": "n_per_t * (", "yield_unit": "t/ha"}).status_code == 303
    page = unescape(found.client.get(found.path).text)
    assert "the formula cannot be read here" in told_beside(page, "formula")
    assert told_beside(page, "yield_unit") == ""
    assert found.client.get(f"/tables/drafts/{found.draft}").status_code == 200


def test_looking_shows_and_stores_nothing(lite_world: World) -> None:
    found = Desk(lite_world)
    before, revision = found.stored(), found.revision
    page = found.page("look", {"classes.0.to": "6", "classes.1.from": "9"})
    assert "a gap: 'very low' is printed up to 6, 'low' from 9" in told_beside(page, "classes.0.to")
    assert "Gap from 6 to 9: neither very low nor low." in page
    assert "What you typed is not stored yet." in page
    assert (found.stored(), found.revision) == (before, revision)
    part = found.page("look", {"classes.0.to": "6", "classes.1.from": "9"}, to="/look")
    assert "<main" not in part
    assert re.search(r'data-told="classes.0.to" data-wrong>', part)
    assert 'id="looked"' in part
    assert (found.stored(), found.revision) == (before, revision)


def test_rows_are_added_inserted_and_removed_without_script(lite_world: World) -> None:
    found = Desk(lite_world)
    rows = len(found.stored().rows["classes"])
    page = unescape(found.client.get(found.path).text)
    assert f'name="classes.{rows + 1}.name"' in page
    assert f'name="classes.{rows + 2}.name"' not in page
    more = found.page("more-classes", {f"classes.{rows + 1}.name": ""})
    assert f'name="classes.{rows + 2}.name"' in more
    inserted = found.page("insert-classes-0", {"classes.1.from": "seven"})
    assert typed_in(inserted, "classes.1.name") == ""
    assert typed_in(inserted, "classes.2.from") == "seven"
    assert "no number" in told_beside(inserted, "classes.2.from"), "the message moves with its row"
    dropped = found.page("drop-classes-0")
    assert typed_in(dropped, "classes.0.name") == "low"
    assert found.stored().rows["classes"][0]["name"] == "very low"
    assert found.send("drop-classes-99").status_code == 200
    assert found.send("drop-other-1").status_code == 200


def test_a_sheet_holds_so_many_rows_and_says_when_there_are_too_many(lite_world: World) -> None:
    found = Desk(lite_world)
    many = {f"classes.{n}.name": f"c{n}" for n in range(61)} | {
        f"classes.{n}.from": str(n) for n in range(61)
    }
    page = found.page("look", many)
    assert "61 rows" in told_beside(page, "classes.")
    assert "One row more: Classes" not in page
    grid = grid_from(
        "scales", 1, {"classes.199.name": "x", "classes.200.name": "y", "classes.1000.name": "z"}
    )
    assert len(grid.rows["classes"]) == 200


def test_two_people_store_two_tables_and_not_one_over_the_other(lite_world: World) -> None:
    found = Desk(lite_world)
    seen = str(found.revision)
    other = with_fact(with_cell(found.stored(), "classes", 1, "from", "8"), title="By the other")
    saved(
        lite_world, found.draft, with_fact(named(lite_world, found.draft, RATE), title="Another"), "reviewer"
    )
    mine = form_of(found.stored()) | {"classes.1.from": "9"}
    assert found.send("save", mine, revision=seen).status_code == 303, "another table changed, not this"
    seen = str(found.revision)
    mine = form_of(found.stored()) | {"classes.1.from": "9.5"}
    saved(lite_world, found.draft, other, "reviewer")
    refused = found.send("save", mine, revision=seen)
    assert refused.status_code == 409
    page = unescape(refused.text)  # type: ignore[attr-defined]
    assert "somebody else has changed this table since you opened it" in page
    assert typed_in(page, "classes.1.from") == "9.5"
    assert "What is stored now" in page
    for text in ("Classes, low: From", "By the other"):
        assert text in page
    assert found.stored().facts["title"] == "By the other"
    assert found.send("save", mine, revision=typed_in(page, "revision")).status_code == 303
    assert found.stored().rows["classes"][1]["from"] == "9.5"


def test_comments_stand_beside_their_cell_and_typing_is_kept(lite_world: World) -> None:
    found = Desk(lite_world)
    place = {"comment-place": "classes.1.from", "comment": "Trials said 8."}
    assert found.send("comment", place).status_code == 303
    page = unescape(found.client.get(found.path).text)
    beside = page[page.index('id="t-classes.1.from"') :][:400]
    assert "Trials said 8." in beside
    changed = found.page("comment", place | {"title": "Not stored", "comment": "And here?"})
    assert typed_in(changed, "title") == "Not stored"
    assert "The comment was added." in changed
    first, second = desk(lite_world.site, lite_world.caller("agronomist"), found.draft).comments
    assert (first.place, second.text) == ("classes.1.from", "And here?")
    assert found.send(f"settle-{first.id}").status_code == 303
    assert "Trials said 8." not in found.client.get(found.path).text
    empty = found.send("comment", place | {"comment": "  "})
    assert empty.status_code == 422
    assert found.send(f"settle-{first.id}").status_code == 404


def test_a_source_is_shown_in_full_and_one_that_is_missing_is_added(lite_world: World) -> None:
    found = Desk(lite_world)
    page = unescape(found.client.get(found.path).text)
    assert "Marrowdale soil test tables, an invented example, Marrowdale Example Board, 2025" in page
    cells = {"sources": "marrowdale-tables-2025; marrowdale/trials", "title": "Kept"}
    page = found.page("look", cells)
    assert "There is no such source." in page
    added = found.page("add-source-marrowdale/trials", cells)
    assert "The source was added to the draft." in added
    assert "This source is in the draft, and not complete yet." in added
    assert typed_in(added, "title") == "Kept"
    number = desk(lite_world.site, lite_world.caller("agronomist"), found.draft).entries[-1].number
    assert f'/entries/{number}">' in added
    source = Desk(lite_world, "marrowdale/trials", found.draft)
    cells = {"title": "Trials of 2025", "publisher": "Marrowdale", "year": "2025", "read": "seen"}
    assert source.send("save", cells).status_code == 303
    assert found.send("save", {"sources": "marrowdale/trials", "standing": "published"}).status_code == 303
    assert "Trials of 2025, Marrowdale, 2025" in unescape(found.client.get(found.path).text)
    assert "Tables that cite it" in source.client.get(source.path).text


def test_a_draft_that_is_not_open_can_be_looked_at(lite_world: World) -> None:
    found = Desk(lite_world)
    drafting.discard(lite_world.site, lite_world.caller("agronomist"), found.draft)
    page = found.client.get(found.path).text
    assert "State of this draft: discarded. It can be looked at" in page
    assert 'value="save"' not in page
    assert found.send("save", {"title": "Late"}).status_code == 409
    assert found.page("look", {"title": "Late"})


@pytest.mark.parametrize("language", ["en", "es"])
def test_an_editor_opens_for_every_table_of_a_region_and_for_an_empty_one(
    lite_world: World, language: str
) -> None:
    draft, caller = begun(lite_world), lite_world.caller("agronomist")
    for kind in FACTS:
        drafting.add(lite_world.site, caller, draft, kind)
    client = lite_world.client("agronomist")
    client.post("/me/language", data={"language": language, "form_token": lite_world.form_token(client)})
    for entry in desk(lite_world.site, caller, draft).entries[::3]:
        assert client.get(f"/tables/drafts/{draft}/entries/{entry.number}").status_code == 200, entry.id
    for entry in desk(lite_world.site, caller, draft).entries[-5:]:
        assert client.get(f"/tables/drafts/{draft}/entries/{entry.number}").status_code == 200, entry.kind
    assert client.get(f"/tables/drafts/{draft}/entries/9999").status_code == 404


def test_what_is_typed_is_printed_and_never_obeyed(lite_world: World) -> None:
    bad = '"><script>alert(1)</script></textarea></svg>'
    for table in (SCALE, RATE):
        found = Desk(lite_world, table)
        cells = dict.fromkeys(form_of(found.stored()), bad)
        for to in ("", "/look"):
            answer = found.send("look", cells, to=to)
            assert answer.status_code == 200
            assert "<script>alert" not in answer.text  # type: ignore[attr-defined]
        for name in ("classes.0.name", "class", "formula", "amounts.0.class"):
            answer = found.send("look", {name: bad})
            assert "<script>alert" not in answer.text  # type: ignore[attr-defined]


# ---------------------------------------------------------------------------------------------- grids


def test_a_grid_keeps_what_lies_where_and_its_entry_leaves_out_what_is_empty() -> None:
    given = {
        "id": "x/p",
        "classes.0.name": "low",
        "classes.2.name": "high",
        "classes.x.name": "no",
        "no": "no",
    }
    grid = grid_from("scales", 3, given)
    assert grid.rows["classes"] == [{"name": "low"}, {}, {"name": "high"}]
    assert grid.entry() == Entry(
        number=3, kind="scales", facts={"id": "x/p"}, rows={"classes": ({"name": "low"}, {"name": "high"})}
    )
    assert grid.places("classes") == [0, 2]
    assert grid.place("classes.1.name") == "classes.2.name"
    assert grid.place("title") == "title"
    assert grid.place("classes.x.name") == grid.place("nothing") == ""
    assert pressed(grid, "save") == grid
    assert pressed(grid, "insert-classes-0").rows["classes"][1:3] == [{}, {}]


def test_a_grid_grows_by_spare_rows_and_not_over_its_most() -> None:
    for held, shown in ((0, 2), (5, 7), (59, 60), (60, 60)):
        rows = {"classes": tuple({"name": f"c{n}"} for n in range(held))}
        assert len(grid_of(Entry(kind="scales", rows=rows)).rows["classes"]) == shown
    assert spared(grid_of(Entry(kind="sources"))).rows == {}
