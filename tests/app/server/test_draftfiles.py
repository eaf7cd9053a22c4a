"""Drafts taken away as files and brought back: the difference first, and never more than it says."""

from __future__ import annotations

import zipfile
from io import BytesIO

import pytest
from starlette.testclient import TestClient

from service.actions import draftfiles, reviewing
from service.actions.draftdesk import desk
from service.bookfiles import forms
from service.bookfiles.book import Form
from service.callers import operator
from service.entries.columns import MOST_ENTRIES
from service.entries.entry import Entry
from service.refusals import Conflict, Invalid, NotAllowed, NotFound
from service.store import drafts
from service.uploads import Upload
from tests.app.server.conftest import World
from tests.app.server.draft_steps import REGION, SCALE, begun, named, saved, submitted, with_fact

FORMS: tuple[Form, ...] = ("xlsx", "csv", "yaml")


def brought(world: World, draft: int, name: str, content: bytes) -> int:
    return draftfiles.upload(world.site, world.caller("agronomist"), draft, Upload(name, content))


def entries(world: World, draft: int) -> tuple[Entry, ...]:
    return desk(world.site, world.caller("agronomist"), draft).entries


def csv_of(*found: Entry, region: str = REGION) -> bytes:
    return forms.write("csv", region, found)


def taken(world: World, draft: int, upload: int, revision: int | None = None, *, whole: bool = False) -> int:
    """Take a file as the page does: with what was shown."""
    caller = world.caller("agronomist")
    shown = draftfiles.waiting(world.site, caller, draft, upload, whole=whole)
    at = revision or shown.desk.revision
    return draftfiles.take(world.site, caller, draft, upload, at, shown.sha256, whole=whole)


def new_source(number: int) -> Entry:
    return Entry(
        kind="sources", facts={"id": f"trial-{number}", "title": f"Trial {number}", "read": "invented"}
    )


@pytest.mark.parametrize("form", FORMS)
def test_a_draft_brought_back_as_it_was_changes_nothing(world: World, form: Form) -> None:
    draft, caller = begun(world), world.caller("agronomist")
    file = draftfiles.download(world.site, caller, draft, form)
    upload = brought(world, draft, file.name, file.content)
    for whole in (False, True):
        found = draftfiles.waiting(world.site, caller, draft, upload, whole=whole)
        assert (found.changes, found.after) == ((), found.desk.entries)
        assert found.checked.errors() == 0


def test_what_a_file_changes_is_shown_and_then_done(world: World) -> None:
    draft, caller = begun(world), world.caller("agronomist")
    scale = named(world, draft)
    changed = with_fact(scale, title="Better", round_to="one")
    upload = brought(world, draft, "phosphorus.zip", csv_of(changed, new_source(1)))
    found = draftfiles.waiting(world.site, caller, draft, upload, whole=False)
    assert [(each.what, each.id) for each in found.changes] == [("changed", SCALE), ("added", "trial-1")]
    assert found.checked.errors() == 1
    assert entries(world, draft) == found.desk.entries  # nothing is changed yet
    last = found.desk.revision
    assert taken(world, draft, upload) == last + 1
    now = entries(world, draft)
    assert next(each for each in now if each.id == SCALE) == changed  # with its number
    assert now[-1].number == max(each.number for each in found.desk.entries) + 1
    top = desk(world.site, caller, draft).revisions[0]
    assert (top.what, top.about, top.by) == ("upload", "phosphorus.zip", "Agronomist")
    with pytest.raises(NotFound):
        draftfiles.waiting(world.site, caller, draft, upload, whole=False)


def test_a_file_that_is_the_whole_region_removes_what_it_lacks(world: World) -> None:
    draft, caller = begun(world), world.caller("agronomist")
    before = entries(world, draft)
    upload = brought(world, draft, "few.zip", csv_of(*before[:3]))
    part = draftfiles.waiting(world.site, caller, draft, upload, whole=False)
    whole = draftfiles.waiting(world.site, caller, draft, upload, whole=True)
    assert part.changes == ()
    assert {each.what for each in whole.changes} == {"removed"}
    assert len(whole.changes) == len(before) - 3
    taken(world, draft, upload, whole=True)
    assert entries(world, draft) == before[:3]


def test_a_draft_that_somebody_changed_meanwhile_is_not_overwritten(world: World) -> None:
    draft = begun(world)
    upload = brought(world, draft, "a.zip", csv_of(with_fact(named(world, draft), title="Mine")))
    shown = desk(world.site, world.caller("agronomist"), draft).revision
    hers = with_fact(named(world, draft, "marrowdale/k2o-arable"), title="Hers")
    saved(world, draft, hers, "reviewer")
    with pytest.raises(Conflict) as refused:
        taken(world, draft, upload, shown)
    assert "somebody else has changed this draft since the file was read" in str(refused.value)
    taken(world, draft, upload)
    assert hers in entries(world, draft)
    assert named(world, draft).facts["title"] == "Mine"


def test_one_file_waits_at_a_time_and_can_be_dropped(world: World) -> None:
    draft, caller = begun(world), world.caller("agronomist")
    first = brought(world, draft, "a.zip", csv_of(new_source(1)))
    second = brought(world, draft, "b.zip", csv_of(new_source(2)))
    with pytest.raises(NotFound):
        draftfiles.waiting(world.site, caller, draft, first, whole=False)
    _, waits = draftfiles.files(world.site, caller, draft)
    assert waits is not None
    assert (waits.id, waits.file_name) == (second, "b.zip")
    draftfiles.drop(world.site, caller, draft)
    assert draftfiles.files(world.site, caller, draft)[1] is None
    with pytest.raises(NotFound):
        draftfiles.take(world.site, caller, draft, second, 1, "", whole=False)


def test_nobody_takes_a_file_that_they_did_not_see(world: World) -> None:
    """The number of one that was dropped may come again."""
    draft, caller = begun(world), world.caller("agronomist")
    first = brought(world, draft, "a.zip", csv_of(new_source(1)))
    seen = draftfiles.waiting(world.site, caller, draft, first, whole=False)
    draftfiles.drop(world.site, caller, draft)
    second = brought(world, draft, "b.zip", csv_of(new_source(2)))
    with pytest.raises(Conflict) as refused:
        draftfiles.take(world.site, caller, draft, second, 1, seen.sha256, whole=False)
    assert "another file waits now" in str(refused.value)


def test_tables_of_another_region_are_refused(world: World) -> None:
    draft = begun(world)
    scale = with_fact(named(world, draft), id="ohio/p")
    for name, content in (
        ("a.zip", csv_of(scale, region="ohio")),
        ("p.yaml", forms.write_one("yaml", "ohio", scale)),
        ("a.zip", csv_of(scale, region="")),
    ):
        with pytest.raises(Invalid) as refused:
            brought(world, draft, name, content)
        assert refused.value.what == "these are tables of ohio"
        assert "tables of marrowdale" in refused.value.expected
        assert "begin a new region from it" in refused.value.fix


def test_a_file_is_brought_to_an_open_draft_by_who_may_edit_it(world: World) -> None:
    draft, _ = submitted(world)
    content = csv_of(new_source(1))
    with pytest.raises(Conflict) as closed:
        brought(world, draft, "a.zip", content)
    assert "this draft is submitted" in str(closed.value)
    for person in ("laboratory", "agent", "administrator"):
        with pytest.raises(NotAllowed):
            draftfiles.upload(world.site, world.caller(person), draft, Upload("a.zip", content))
        with pytest.raises(NotAllowed):
            draftfiles.download(world.site, world.caller(person), draft, "csv")
    assert draftfiles.download(world.site, world.caller("reviewer"), draft, "csv").content  # may be read


def test_a_draft_holds_so_many_tables_and_no_more(world: World) -> None:
    draft = begun(world)
    there = len(entries(world, draft))
    upload = brought(world, draft, "a.zip", csv_of(*map(new_source, range(MOST_ENTRIES - there + 1))))
    with pytest.raises(Invalid) as refused:
        taken(world, draft, upload)
    assert refused.value.what == f"the draft would hold {MOST_ENTRIES + 1} tables"


def test_who_takes_a_file_is_its_author_and_cannot_approve_it(world: World) -> None:
    draft, caller = begun(world), world.caller("agronomist")
    upload = draftfiles.upload(
        world.site,
        world.caller("reviewer"),
        draft,
        Upload("a.zip", csv_of(with_fact(named(world, draft), title="X"))),
    )
    shown = draftfiles.waiting(world.site, world.caller("reviewer"), draft, upload, whole=False)
    draftfiles.take(world.site, world.caller("reviewer"), draft, upload, 1, shown.sha256, whole=False)
    sha256 = reviewing.submit(world.site, caller, draft, 2, "New.")
    with pytest.raises((Conflict, NotAllowed)):
        reviewing.approve(world.site, world.caller("reviewer"), draft, sha256)


def test_a_draft_of_a_file_begins_from_the_last_release_or_from_nothing(world: World) -> None:
    draft = begun(world)
    book = forms.read("a.zip", csv_of(with_fact(named(world, draft), title="Filed")))
    made = draftfiles.begin_from_file(world.site, operator(), book, "", "From files.", whole=False)
    found = desk(world.site, world.caller("agronomist"), made)
    assert (found.draft.base_number, found.draft.why, len(found.entries)) == (
        1,
        "From files.",
        len(found.base),
    )
    assert named(world, made).facts["title"] == "Filed"
    region = Entry(kind="regions", facts={"id": "newland", "name": "Newland"})
    book = forms.read("a.zip", csv_of(region, region="newland"))
    made = draftfiles.begin_from_file(world.site, operator(), book, "newland", "First.", whole=True)
    with world.site.database.look(operator(), None) as look:
        row = drafts.the_draft(look, made)
    assert (row.book, row.base_id) == ("newland", None)
    for wrong, why, told in (("ohio", "x", "these are tables of newland"), ("", " ", "no reason is given")):
        with pytest.raises(Invalid) as refused:
            draftfiles.begin_from_file(world.site, operator(), book, wrong, why, whole=False)
        assert refused.value.what == told
    loose = forms.read("a.zip", csv_of(new_source(1), region=""))
    with pytest.raises(Invalid) as refused:
        draftfiles.begin_from_file(world.site, operator(), loose, "", "x", whole=False)
    assert "not said which region" in refused.value.what
    for wrong in ("shared", "methods", "New Land", "../x"):
        loose = forms.read("a.zip", csv_of(new_source(1), region=""))
        with pytest.raises(Invalid) as refused:
            draftfiles.begin_from_file(world.site, operator(), loose, wrong, "x", whole=False)
        assert "small letters, digits and hyphens" in refused.value.expected


# -------------------------------------------------------------------------------------------------- pages


def post_file(world: World, client: TestClient, draft: int, name: str, content: bytes, **more: str) -> str:
    answer = client.post(
        f"/tables/drafts/{draft}/files", data={"form_token": world.form_token(client)} | more,
        files={"file": (name, content)},
    )  # fmt: skip
    assert answer.status_code == 303, answer.text
    return str(answer.headers["location"])


def digest_in(page: str) -> dict[str, str]:
    return {"sha256": page.partition('name="sha256" value="')[2][:64]}


def test_a_draft_is_taken_away_changed_and_brought_back(lite_world: World) -> None:
    world = lite_world
    draft, client = begun(world), world.client("agronomist")
    page = client.get(f"/tables/drafts/{draft}/files").text
    for form, ending in (("xlsx", ".xlsx"), ("csv", ".csv.zip"), ("yaml", ".yaml.zip")):
        assert f"/tables/drafts/{draft}/files/download?form={form}" in page
        sent = client.get(f"/tables/drafts/{draft}/files/download", params={"form": form})
        assert sent.headers["content-disposition"] == f'attachment; filename="marrowdale{ending}"'
        assert (
            sent.content == draftfiles.download(world.site, world.caller("agronomist"), draft, form).content
        )
    scale = with_fact(named(world, draft), title="Phosphorus anew")
    place = post_file(world, client, draft, "p.zip", csv_of(scale))
    shown = client.get(place).text
    assert "What p.zip would change" in shown
    assert "Phosphorus anew" in shown
    assert "Nothing is changed yet" in shown
    assert "p.zip waits to be looked at" in client.get(f"/tables/drafts/{draft}/files").text
    done = client.post(
        f"{place}/take", data={"form_token": world.form_token(client), "revision": "1"} | digest_in(shown)
    )
    assert done.headers["location"] == f"/tables/drafts/{draft}?done=draftfiles.done-taken"
    assert named(world, draft).facts["title"] == "Phosphorus anew"


def test_one_table_is_taken_away_by_its_number(lite_world: World) -> None:
    draft, client = begun(lite_world), lite_world.client("agronomist")
    number = named(lite_world, draft).number
    page = client.get(f"/tables/drafts/{draft}/files", params={"entry": number}).text
    assert f"form=yaml&amp;entry={number}" in page
    sent = client.get(f"/tables/drafts/{draft}/files/download", params={"form": "yaml", "entry": number})
    assert sent.headers["content-type"] == "application/yaml"
    assert sent.text.startswith("id: marrowdale/phosphorus-bray1\n")
    assert client.get(f"/tables/drafts/{draft}/files", params={"entry": 9999}).status_code == 404
    assert client.get(f"/tables/drafts/{draft}/files/download", params={"form": "pdf"}).status_code == 422


def test_mistakes_that_a_file_brings_are_told_and_taken(lite_world: World) -> None:
    draft, client = begun(lite_world), lite_world.client("agronomist")
    scale = with_fact(named(lite_world, draft), round_to="one", unit="furlong")
    shown = client.get(post_file(lite_world, client, draft, "p.zip", csv_of(scale))).text
    assert "&#39;one&#39; is no number" in shown
    assert "The file can be taken all the same" in shown
    refused = client.get(f"/tables/drafts/{draft}/files/download", params={"form": "yaml"})
    assert refused.status_code == 200  # the draft itself is as it was


def test_what_is_only_to_be_looked_at_is_told_as_well(lite_world: World) -> None:
    """A page that counts a warning says which."""
    draft, client = begun(lite_world), lite_world.client("agronomist")
    scale = with_fact(named(lite_world, draft), textures="lunar dust")
    shown = client.get(post_file(lite_world, client, draft, "p.zip", csv_of(scale))).text
    assert "one warning" in shown
    assert "To be looked at: " in shown
    assert "lunar dust" in shown.partition("To be looked at: ")[2].partition("</td>")[0]
    assert "The file can be taken all the same" not in shown


def test_what_the_whole_region_lacks_is_shown_as_removed(lite_world: World) -> None:
    draft, client = begun(lite_world), lite_world.client("agronomist")
    place = post_file(lite_world, client, draft, "p.zip", csv_of(named(lite_world, draft)), whole="yes")
    assert place.endswith("?whole=yes")
    shown = client.get(place).text
    assert "Tables that it lacks are removed" in shown
    assert 'name="whole" value="yes"' in shown
    assert "marrowdale/k2o-arable" in shown
    assert "marrowdale/k2o-arable" not in client.get(place.partition("?")[0]).text


def test_a_file_can_be_dropped(lite_world: World) -> None:
    draft, client = begun(lite_world), lite_world.client("agronomist")
    place = post_file(lite_world, client, draft, "p.zip", csv_of(new_source(1)))
    done = client.post(
        f"/tables/drafts/{draft}/files/drop", data={"form_token": lite_world.form_token(client)}
    )
    assert done.headers["location"].endswith("done=draftfiles.done-dropped")
    assert client.get(place).status_code == 404


def test_a_wrong_cell_has_no_yaml_and_the_page_says_why(lite_world: World) -> None:
    draft, client = begun(lite_world), lite_world.client("agronomist")
    saved(lite_world, draft, with_fact(named(lite_world, draft), round_to="one"))
    answer = client.get(f"/tables/drafts/{draft}/files/download", params={"form": "yaml"})
    assert answer.status_code == 422
    assert "so that there is no YAML of it" in answer.text
    assert "take a workbook or CSV" in answer.text


def hostile() -> dict[str, tuple[str, bytes]]:
    traversal, bomb = BytesIO(), BytesIO()
    with zipfile.ZipFile(traversal, "w") as archive:
        archive.writestr("../../etc/passwd.yaml", "a: 1")
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("marrowdale/region.yaml", bytes(4_000_000))
    return {
        "names a file outside of itself": ("a.zip", traversal.getvalue()),
        "the archive unpacks to": ("b.zip", bomb.getvalue()),
        "the archive is damaged, or is none": ("c.zip", b"PK no archive"),
        "the file is not a workbook": ("d.xlsx", b"PK no workbook"),
        "is not read here": ("e.exe", b"MZ"),
        "it cannot be told which kind": ("f.yaml", b"a: 1"),
        "an anchor or alias": ("g.yaml", b"a: &x [*x, *x]"),
    }


@pytest.mark.parametrize("what", list(hostile()))
def test_a_hostile_file_is_refused_in_words(lite_world: World, what: str) -> None:
    draft, client = begun(lite_world), lite_world.client("agronomist")
    answer = client.post(
        f"/tables/drafts/{draft}/files", data={"form_token": lite_world.form_token(client)},
        files={"file": hostile()[what]},
    )  # fmt: skip
    assert answer.status_code == 422
    assert what in answer.text
    assert len(desk(lite_world.site, lite_world.caller("agronomist"), draft).revisions) == 1


def test_a_file_larger_than_the_server_takes_is_refused(lite_world: World) -> None:
    draft, client = begun(lite_world), lite_world.client("agronomist")
    size = (lite_world.site.settings.largest_upload_mib + 2) * 1024 * 1024
    answer = client.post(
        f"/tables/drafts/{draft}/files", data={"form_token": lite_world.form_token(client)},
        files={"file": ("a.zip", bytes(size))},
    )  # fmt: skip
    assert answer.status_code == 413


def test_a_table_s_page_shows_its_remark(lite_world: World) -> None:
    page = lite_world.client("agronomist").get("/tables/rates/marrowdale/lime-potato").text
    assert "common scab is worse on limed soil" in page
