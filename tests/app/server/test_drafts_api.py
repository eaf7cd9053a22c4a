"""Drafts and releases for programs: everything the pages do, and refused in the same places."""

from __future__ import annotations

from datetime import timedelta
from hashlib import sha256
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.callers import Right, operator
from service.releases import content_of
from service.store import schema
from tests.app.server.conftest import START, World
from tests.app.server.draft_steps import REGION, SCALE, begun, changed, named, released, submitted
from tests.app.server.land import advised_land
from tests.app.server.tokens import program

API = "/api/v1/tables"


def told(answer: Any, status: int) -> dict[str, Any]:
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    found: dict[str, Any] = answer.json()
    return found


def done(answer: Any, status: int = 200) -> Any:
    assert answer.status_code == status, answer.text
    return answer.json()


def entry_of(client: TestClient, draft: int, table_id: str = SCALE) -> dict[str, Any]:
    entries = done(client.get(f"{API}/drafts/{draft}/entries", params={"limit": 500}))["items"]
    found: dict[str, Any] = next(each for each in entries if each["facts"]["id"] == table_id)
    return found


def given(entry: dict[str, Any], **facts: str) -> dict[str, Any]:
    return {
        "revision": entry["revision"], "facts": entry["facts"] | facts, "rows": entry["rows"]
    }  # fmt: skip


def test_two_programs_take_a_table_from_a_draft_to_a_release(world: World) -> None:
    author, reviewer = program(world, "agronomist"), program(world, "reviewer")
    draft = done(author.post(f"{API}/drafts", json={"region": REGION, "why": "Trials."}), 201)
    assert (draft["state"], draft["revision"], draft["errors"], draft["stale"]) == ("open", 1, 0, False)
    at = f"{API}/drafts/{draft['id']}"
    entry = entry_of(author, draft["id"])
    entry["rows"]["classes"][3]["from"] = "24"
    saved = done(author.put(f"{at}/entries/{entry['number']}", json=given(entry)))
    assert saved == {"revision": 2, "problems": []}
    (change,) = done(author.get(f"{at}/changes"))
    assert (change["id"], change["what"]) == (SCALE, "changed")
    assert change["cells"] == [
        {"sheet": "classes", "row": "high", "column": "from", "before": "23", "after": "24"}
    ]
    why = {"revision": 2, "why": "New trials."}
    digest = done(author.post(f"{at}/submission", json=why))["sha256"]
    review = done(reviewer.get(f"{at}/review"))
    assert (review["sha256"], review["is_author"], review["changes"]) == (digest, False, [change])
    assert (review["as_submitted"], review["overtaken_by"]) == (True, None)
    assert [(each["id"], each["unknown"]) for each in review["cited"]] == [(SCALE, [])]
    assert done(author.get(f"{at}/review"))["is_author"] is True
    said = {"entry": entry["number"], "place": "classes.3.from", "text": "Why 24?"}
    comment = done(reviewer.post(f"{at}/comments", json=said), 201)
    back = done(reviewer.post(f"{at}/return", json={"reason": "Say which trials."}))
    assert (back["state"], back["returned_because"]) == ("open", "Reviewer: Say which trials.")
    settled = done(author.post(f"{at}/comments/{comment['id']}/settled"))
    assert settled["settled_by"] == "Agronomist"
    again = done(author.post(f"{at}/submission", json=why | {"why": "Trials of 2020 to 2025."}))["sha256"]
    assert done(reviewer.post(f"{at}/approval", json={"sha256": again}))["approved_by"] == "Reviewer"
    release = done(author.post(f"{at}/publication", json={"sha256": again}), 201)
    assert (release["book"], release["number"], release["why"]) == (REGION, 2, "Trials of 2020 to 2025.")
    assert (release["written_by"], release["approved_by"]) == (["Agronomist"], "Reviewer")
    assert done(author.get(at))["release"] == release["id"]
    assert world.site.in_force().tables.scales[SCALE].classes[3].lower == 24


def test_a_release_is_given_as_the_bytes_that_were_published(world: World) -> None:
    release = released(world)
    client = program(world, "agent")
    one = done(client.get(f"{API}/releases/{release}"))
    answer = client.get(f"{API}/releases/{release}/content")
    assert answer.headers["content-type"] == "application/json"
    assert answer.headers["etag"] == f'"{one["sha256"]}"'
    assert sha256(answer.content).hexdigest() == one["sha256"]
    content = content_of(answer.text)
    assert (content.number, content.previous) == (2, one["previous_sha256"])
    assert content.tables().scales[SCALE].classes[3].lower == 24
    for known in (f'"{one["sha256"]}"', f'W/"{one["sha256"]}"', f'"other", "{one["sha256"]}"', "*"):
        unchanged = client.get(f"{API}/releases/{release}/content", headers={"if-none-match": known})
        assert (unchanged.status_code, unchanged.content) == (304, b"")
        assert unchanged.headers["etag"] == answer.headers["etag"]
    for other in ('"other"', one["sha256"], ""):
        assert client.get(
            f"{API}/releases/{release}/content", headers={"if-none-match": other}
        ).content == answer.content  # fmt: skip


def test_what_was_in_force_on_a_day_and_what_has_changed_since(world: World) -> None:
    world.clock.move(days=3)
    release = released(world)
    client = program(world, "agronomist")
    first, second = done(client.get(f"{API}/releases", params={"region": REGION}))["items"]
    assert second["id"] == release
    assert second["previous_sha256"] == first["sha256"]
    days = {
        START.date() + timedelta(days=more): number for more, number in ((0, 1), (2, 1), (3, 2), (900, 2))
    }
    for day, number in days.items():
        found = done(client.get(f"{API}/regions/{REGION}/in-force", params={"on": day.isoformat()}))
        assert (found["on"], found["release"]["number"]) == (day.isoformat(), number)
    found = done(client.get(f"{API}/regions/{REGION}/in-force"))
    assert found["sha256"] == world.site.in_force().digest_for(REGION)
    assert found["shared"]["book"] == "shared"
    (change,) = done(client.get(f"{API}/releases/{first['id']}/changes/{release}"))
    assert [(each["before"], each["after"]) for each in change["cells"]] == [("23", "24")]
    assert done(client.get(f"{API}/releases/{release}/changes/{release}")) == []
    before = {"on": (START.date() - timedelta(days=1)).isoformat()}
    assert told(client.get(f"{API}/regions/{REGION}/in-force", params=before), 404)


def test_which_tables_held_for_a_field_on_a_day(lite_world: World) -> None:
    land = advised_land(lite_world)
    lite_world.clock.move(days=3)
    release = released(lite_world)
    client = program(lite_world, "agent")
    at = f"/api/v1/fields/{land.field}/tables"
    today = done(client.get(at))
    assert (today["release"]["id"], today["shared"]["book"], today["more"]) == (release, "shared", False)
    (visit,) = today["visits"]
    assert (visit["visit"], visit["crop"]) == (land.visits[0], "maize")
    held = {(each["kind"], each["subject"]): each for each in visit["tables"]}
    assert held["scales", "P"]["table"] == SCALE
    assert {"kind", "subject", "method", "table", "failed"} == held["rates", "N"].keys()
    before = done(client.get(at, params={"on": START.date().isoformat()}))
    assert before["release"]["number"] == 1
    none = done(client.get(at, params={"on": "2020-01-01"}))
    assert (none["release"], none["visits"], none["first_day"]) == (None, [], START.date().isoformat())
    assert told(program(lite_world, "other-agent").get(at), 404)


def test_problems_stand_beside_their_cells(lite_world: World) -> None:
    client, draft = program(lite_world, "agronomist"), begun(lite_world)
    entry = entry_of(client, draft)
    entry["rows"]["classes"][1]["from"] = "7,5"
    address = f"{API}/drafts/{draft}/entries/{entry['number']}"
    saved = done(client.put(address, json=given(entry, round_to="one")))
    problems = {each["cell"]: each for each in saved["problems"]}
    assert problems["classes.1.from"] == {
        "cell": "classes.1.from", "message": "'7,5' is no number", "severity": "error",
        "expected": "a number such as 12, 1000 or 0.5", "fix": "write it plainly, with a decimal point",
    }  # fmt: skip
    assert problems["round_to"]["message"] == "'one' is no number"
    assert done(client.get(address))["problems"] == saved["problems"]
    shown = done(client.get(f"{API}/drafts/{draft}"))
    assert shown["errors"] == len(problems)
    assert [each["errors"] for each in shown["entries"] if each["number"] == entry["number"]] == [2]
    wrong = told(client.post(f"{API}/drafts/{draft}/submission", json={"revision": 2, "why": "So."}), 422)
    assert wrong["title"] == "2 things keep this draft from being released"


def test_a_table_that_somebody_else_changed_is_not_overwritten(world: World) -> None:
    mine, hers = program(world, "agronomist"), program(world, "reviewer")
    draft = begun(world)
    entry, rate = entry_of(mine, draft), entry_of(mine, draft, "marrowdale/k2o-arable")
    at = f"{API}/drafts/{draft}/entries"
    assert done(hers.put(f"{at}/{entry['number']}", json=given(entry, title="Hers")))["revision"] == 2
    refused = told(mine.put(f"{at}/{entry['number']}", json=given(entry, title="Mine")), 409)
    assert refused["title"].startswith("somebody else has changed this table since you opened it")
    assert refused["expected"] == "the table as it was at revision 1"
    assert refused["fix"]
    assert done(mine.put(f"{at}/{rate['number']}", json=given(rate, title="Mine")))["revision"] == 3
    gone = {"revision": 1, "reason": "Not wanted."}
    assert told(mine.delete(f"{at}/{entry['number']}", params=gone), 409)
    assert entry_of(mine, draft)["facts"]["title"] == "Hers"
    back = f"{API}/drafts/{draft}/back"
    assert told(mine.post(back, json={"revision": 2, "to": 1}), 409)
    assert done(mine.post(back, json={"revision": 3, "to": 1}))["revision"] == 4
    assert entry_of(mine, draft)["facts"]["title"] == entry["facts"]["title"]
    assert done(mine.delete(f"{at}/{entry['number']}", params=gone | {"revision": 4}))["revision"] == 5
    found = done(mine.get(f"{API}/drafts/{draft}/revisions"))["items"]
    assert [(each["number"], each["as_of"], each["what"], each["by"]) for each in found] == [
        (1, 1, "start", "Agronomist"), (2, 2, "edit", "Reviewer"), (3, 3, "edit", "Agronomist"),
        (4, 1, "back", "Agronomist"), (5, 5, "remove", "Agronomist"),
    ]  # fmt: skip


def test_tables_are_added_and_copied(lite_world: World) -> None:
    client, draft = program(lite_world, "agronomist"), begun(lite_world)
    at, entry = f"{API}/drafts/{draft}/entries", entry_of(client, draft)
    copied = done(client.post(at, json={"kind": "scales", "copy_of": entry["number"]}), 201)["number"]
    found = done(client.get(f"{at}/{copied}"))
    assert (found["facts"]["id"], found["rows"]) == (f"{SCALE}-copy", entry["rows"])
    empty = done(client.post(at, json={"kind": "rates"}), 201)["number"]
    missing = {each["cell"] for each in done(client.get(f"{at}/{empty}"))["problems"]}
    assert {"id", "nutrient", "unit", "sources"} <= missing
    assert told(client.post(at, json={"kind": "scales", "copy_of": 999}), 404)
    assert told(client.post(at, json={"kind": "methods"}), 422)
    assert told(client.get(f"{at}/999"), 404)["title"] == "there is no such table in this draft"


@pytest.mark.parametrize(
    ("sent", "place", "message"),
    [
        ({"facts": {"unitt": "mg/kg"}}, "#/facts/unitt", "is not known here; there is id, title, crops"),
        ({"facts": {"a/b": "1"}}, "#/facts/a~1b", "is not known here"),
        ({"facts": {}, "rows": {"amounts": []}}, "#/rows/amounts", "there is classes"),
        ({"facts": {}, "rows": {"classes": [{}, {"rate": "1"}]}}, "#/rows/classes/1/rate", "there is name"),
        ({"facts": {"title": "x" * 4001}}, "#/facts/title", "at most 4000 characters"),
        ({"facts": {"title": "a\u200bb"}}, "#/facts/title", "invisible character U+200B"),
        ({"facts": {"title": 5}}, "#/facts/title", "valid string"),
        ({"facts": {}, "rows": {"classes": [{}] * 201}}, "#/rows/classes", "at most 200 items"),
        ({"facts": {}, "number": 3}, "#/number", "not permitted"),
        ({"facts": {}, "revision": 0}, "#/revision", "greater than or equal to 1"),
        ({}, "#/facts", "required"),
    ],
)
def test_what_would_be_lost_in_silence_is_refused(
    lite_world: World, sent: dict[str, Any], place: str, message: str
) -> None:
    client, draft = program(lite_world, "agronomist"), begun(lite_world)
    number = named(lite_world, draft).number
    address = f"{API}/drafts/{draft}/entries/{number}"
    (error,) = told(client.put(address, json={"revision": 1} | sent), 422)["errors"]
    assert error["pointer"] == place
    assert message in error["message"]
    assert done(client.get(f"{API}/drafts/{draft}"))["revision"] == 1


def test_a_revision_that_there_is_not_yet(lite_world: World) -> None:
    client, draft = program(lite_world, "agronomist"), begun(lite_world)
    entry = entry_of(client, draft)
    address = f"{API}/drafts/{draft}/entries/{entry['number']}"
    assert told(client.put(address, json=given(entry) | {"revision": 2}), 404)
    assert told(client.post(f"{API}/drafts/{draft}/back", json={"revision": 1, "to": 2}), 404)
    late = told(client.post(f"{API}/drafts/{draft}/submission", json={"revision": 2, "why": "So."}), 409)
    assert "so it was not submitted" in late["title"]


def test_each_step_is_refused_in_words_where_its_turn_has_not_come(lite_world: World) -> None:
    author, reviewer = program(lite_world, "agronomist"), program(lite_world, "reviewer")
    draft = changed(lite_world)
    at, seen, other = f"{API}/drafts/{draft}", {"revision": 2, "why": "New trials."}, {"sha256": "0" * 64}
    entry = entry_of(author, draft)
    for step, body in (("approval", other), ("return", {"reason": "So."}), ("publication", other)):
        assert "this draft is open" in told(reviewer.post(f"{at}/{step}", json=body), 409)["title"]
    assert done(reviewer.get(f"{at}/review"))["sha256"] == ""
    past = {"effective_on": (START.date() - timedelta(days=1)).isoformat()}
    assert "has passed" in told(author.post(f"{at}/submission", json=seen | past), 422)["title"]
    assert told(author.post(f"{at}/submission", json=seen | {"why": " "}), 422)["title"] == (
        "no reason is given"
    )
    sha = {"sha256": done(author.post(f"{at}/submission", json=seen))["sha256"]}
    put = author.put(f"{at}/entries/{entry['number']}", json=given(entry, title="Late"))
    assert "this draft is submitted" in told(put, 409)["title"]
    assert told(author.put(f"{at}/why", json={"why": "Later."}), 409)
    assert "cannot approve it" in told(author.post(f"{at}/approval", json=sha), 403)["title"]
    shown = told(reviewer.post(f"{at}/approval", json=other), 409)
    assert "no longer what you were shown" in shown["title"]
    assert told(reviewer.post(f"{at}/approval", json={"sha256": "abc"}), 422)
    assert told(reviewer.post(f"{at}/return", json={"reason": " "}), 422)["title"] == "no reason is given"
    assert done(reviewer.post(f"{at}/approval", json=sha))["state"] == "approved"
    assert "no longer" in told(reviewer.post(f"{at}/publication", json=other), 409)["title"]
    assert done(reviewer.post(f"{at}/publication", json=sha), 201)["published_by"] == "Reviewer"
    for step in ("approval", "publication"):
        assert "this draft is published" in told(reviewer.post(f"{at}/{step}", json=sha), 409)["title"]
    assert "this draft is published" in told(author.post(f"{at}/discard", json={"reason": ""}), 409)["title"]


def test_a_draft_that_was_overtaken_is_told_so(lite_world: World) -> None:
    client = program(lite_world, "agronomist")
    slow = changed(lite_world)
    first = lite_world.site.in_force().releases[REGION].id
    released(lite_world)
    assert done(client.get(f"{API}/drafts/{slow}"))["stale"] is True
    late = client.post(f"{API}/drafts/{slow}/submission", json={"revision": 2, "why": "So."})
    assert told(late, 409)["fix"].startswith("begin a new draft")
    back = done(client.post(f"{API}/drafts", json={"region": REGION, "release": first}), 201)
    (change,) = done(client.get(f"{API}/drafts/{back['id']}/changes"))
    assert [(each["before"], each["after"]) for each in change["cells"]] == [("24", "23")]


def test_a_key_lets_a_draft_be_begun_and_published_once(lite_world: World) -> None:
    client = program(lite_world, "agronomist")
    key = {"idempotency-key": "begin-1"}
    one, same = (client.post(f"{API}/drafts", json={"region": REGION}, headers=key) for _ in "12")
    assert one.json() == same.json()
    assert len(done(client.get(f"{API}/drafts"))["items"]) == 1
    draft, sha = submitted(lite_world)
    reviewer = program(lite_world, "reviewer")
    done(reviewer.post(f"{API}/drafts/{draft}/approval", json={"sha256": sha}))
    sent = {"json": {"sha256": sha}, "headers": {"idempotency-key": "publish-1"}}
    one, same = (reviewer.post(f"{API}/drafts/{draft}/publication", **sent) for _ in "12")
    assert (one.status_code, same.status_code, one.json()) == (201, 201, same.json())
    assert same.headers["idempotency-replayed"] == "true"


def test_a_draft_goes_away_as_a_file_and_comes_back(lite_world: World) -> None:
    client, draft = program(lite_world, "agronomist"), begun(lite_world)
    at = f"{API}/drafts/{draft}"
    entry = entry_of(client, draft)
    for form in ("xlsx", "csv", "yaml"):
        answer = client.get(f"{at}/files/{form}")
        assert answer.status_code == 200, answer.text
        name = answer.headers["content-disposition"].split('"')[1]
        found = done(client.post(f"{at}/files", files={"file": (name, answer.content)}), 201)
        assert (found["changes"], found["errors"], found["revision"]) == ([], 0, 1)
    one = client.get(f"{at}/files/yaml", params={"entry": entry["number"]})
    text = one.text.replace("from: 23", "from: 24")
    assert text != one.text
    file = {"file": ("one.yaml", text.encode())}
    waits = done(client.post(f"{at}/files", files=file), 201)
    (change,) = waits["changes"]
    assert [(each["row"], each["before"], each["after"]) for each in change["cells"]] == [
        ("high", "23", "24")
    ]
    upload = f"{at}/uploads/{waits['id']}"
    whole = done(client.get(upload, params={"whole": True}))
    assert {each["what"] for each in whole["changes"]} == {"changed", "removed"}
    assert done(client.get(at))["revision"] == 1
    taken = {"revision": 1, "sha256": waits["sha256"]}
    assert "another file waits now" in told(
        client.post(f"{upload}/taken", json=taken | {"sha256": "0" * 64}), 409
    )["title"]  # fmt: skip
    assert done(client.post(f"{upload}/taken", json=taken))["revision"] == 2
    assert entry_of(client, draft)["rows"]["classes"][3]["from"] == "24"
    assert told(client.get(upload), 404)
    wrong = {"file": ("one.yaml", b"classes: [")}
    assert told(client.post(f"{at}/files", files=wrong), 422)["where"].startswith("one.yaml")
    done(client.post(f"{at}/files", files=file), 201)
    assert client.delete(f"{at}/uploads").status_code == 204


def test_what_a_draft_would_do_to_past_samples(lite_world: World) -> None:
    advised_land(lite_world)
    client, draft = program(lite_world, "agronomist"), begun(lite_world)
    at = f"{API}/drafts/{draft}"
    entry = entry_of(client, draft)
    entry["rows"]["classes"][2]["from"] = "8.5"  # one of the two samples has 9
    done(client.put(f"{at}/entries/{entry['number']}", json=given(entry)))
    found = done(client.post(f"{at}/impact", json={}))
    assert (found["samples"], found["visits"], found["affected_visits"]) == (2, 1, 1)
    assert found["region"] == REGION
    (field,) = found["fields"]
    assert [(each["value_before"], each["analyte"]) for each in field["values"]] == [(9.0, "P")]
    assert "Marlowe" not in str(found)
    none = done(client.post(f"{at}/impact", json={"years": [2001]}))
    assert (none["samples"], none["fields"]) == (0, [])
    (error,) = told(client.post(f"{at}/impact", json={"counties": ["nowhere"]}), 422)["errors"]
    assert error["pointer"] == "#/counties"
    done(client.put(f"{at}/entries/{entry['number']}", json=given(entry, unit="") | {"revision": 2}))
    assert "must be corrected first" in told(client.post(f"{at}/impact", json={}), 422)["title"]


def test_lists_come_in_pages(lite_world: World) -> None:
    client = program(lite_world, "agronomist")
    made = [begun(lite_world) for _ in range(3)]
    first = done(client.get(f"{API}/drafts", params={"limit": 2}))
    assert ([each["id"] for each in first["items"]], first["next"]) == (made[:2], made[1])
    second = done(client.get(f"{API}/drafts", params={"limit": 2, "after": made[1]}))
    assert ([each["id"] for each in second["items"]], second["next"]) == (made[2:], None)
    done(client.post(f"{API}/drafts/{made[0]}/discard", json={"reason": "Not needed."}))
    assert [each["id"] for each in done(client.get(f"{API}/drafts"))["items"]] == made[1:]
    ended = done(client.get(f"{API}/drafts", params={"ended": True}))["items"]
    assert [(each["id"], each["state"]) for each in ended] == [(made[0], "discarded")]
    everything = done(client.get(f"{API}/drafts/{made[1]}/entries", params={"limit": 500}))
    assert everything["next"] is None
    numbers, after = [], 0
    while after is not None:
        page = done(client.get(f"{API}/drafts/{made[1]}/entries", params={"limit": 10, "after": after}))
        numbers += [each["number"] for each in page["items"]]
        after = page["next"]
    assert numbers == [each["number"] for each in everything["items"]]
    every = done(client.get(f"{API}/releases", params={"limit": 500}))
    assert {each["book"] for each in every["items"]} == {REGION, "shared"}  # the agronomist's own
    assert every["next"] is None


NEW = {
    "id": "vale", "name": "Vale", "publisher": "Vale Office", "valid_for": "Arable fields.", "why": "New."
}  # fmt: skip
FIRST = {
    "analyte": "P", "method": "olsen", "unit": "mg/kg", "basis": "air-dry", "depth_from_cm": "0",
    "depth_to_cm": "15", "crops": "any", "round_to": "1",
}  # fmt: skip


def test_a_new_region_is_a_copy_or_begins_with_a_first_scale(lite_world: World) -> None:
    own = program(lite_world, "agronomist")
    assert told(own.post(f"{API}/regions", json=NEW | {"copy_of": "ohio"}), 409)["where"] == REGION
    with lite_world.site.database.housekeeping(operator()) as look:
        look.connection.execute(schema.account.update().values(region=""))
    client = program(lite_world, "agronomist")
    copied = done(client.post(f"{API}/regions", json=NEW | {"copy_of": "ohio"}), 201)
    assert (copied["region"], copied["base_release"], copied["state"]) == ("vale", None, "open")
    entries = done(client.get(f"{API}/drafts/{copied['id']}/entries"))["items"]
    standing = {each["facts"]["standing"] for each in entries if each["kind"] in ("scales", "rates")}
    assert standing == {"regional-draft"}
    seen = {"revision": 1}
    assert done(client.post(f"{API}/drafts/{copied['id']}/adoption", json=seen))["revision"] == 2
    assert told(client.post(f"{API}/drafts/{copied['id']}/adoption", json=seen), 409)
    entries = done(client.get(f"{API}/drafts/{copied['id']}/entries"))["items"]
    assert "regional-draft" not in {each["facts"].get("standing") for each in entries}
    for both in ({}, {"copy_of": "ohio", "scale": FIRST}):
        errors = told(client.post(f"{API}/regions", json=NEW | {"id": "dale"} | both), 422)["errors"]
        assert {each["pointer"] for each in errors} == {"#/copy_of", "#/scale"}
    again = told(client.post(f"{API}/regions", json=NEW | {"copy_of": "ohio"}), 422)["errors"]
    assert [each["pointer"] for each in again] == ["#/id"]
    less = {"id": "Dale", "scale": FIRST | {"unit": " "}, "name": " "}
    errors = told(client.post(f"{API}/regions", json=NEW | less), 422)["errors"]
    assert {each["pointer"] for each in errors} == {"#/id", "#/name", "#/scale/unit"}
    begun_empty = done(client.post(f"{API}/regions", json=NEW | {"id": "dale", "scale": FIRST}), 201)
    assert [each["kind"] for each in begun_empty["entries"]] == ["regions", "scales", "sources"]


def test_a_draft_says_where_one_step_back_and_forward_lead(lite_world: World) -> None:
    client, draft = program(lite_world, "agronomist"), changed(lite_world)
    at = f"{API}/drafts/{draft}"
    shown = done(client.get(at))
    assert (shown["undo_to"], shown["redo_to"]) == (1, None)
    done(client.post(f"{at}/back", json={"revision": 2, "to": shown["undo_to"]}))
    shown = done(client.get(at))
    assert (shown["undo_to"], shown["redo_to"]) == (None, 2)


def test_rights_and_regions(lite_world: World) -> None:
    draft = changed(lite_world)
    reading = program(lite_world, "agronomist", rights=[Right.READ_TABLES])
    assert told(reading.get(f"{API}/drafts/{draft}"), 403)["where"] == "tables:edit"
    editing = program(lite_world, "agronomist", rights=[Right.READ_TABLES, Right.EDIT_TABLES])
    sha = done(editing.post(f"{API}/drafts/{draft}/submission", json={"revision": 2, "why": "So."}))
    few = program(lite_world, "reviewer", rights=[Right.EDIT_TABLES])
    for step in ("approval", "publication"):
        assert told(few.post(f"{API}/drafts/{draft}/{step}", json=sha), 403)["where"] == "tables:publish"
    ohio = lite_world.site.in_force().releases["ohio"].id
    for path in (f"releases/{ohio}", f"releases/{ohio}/content", "regions/ohio/in-force",
                 "regions/shared/in-force", "regions/nowhere/in-force"):  # fmt: skip
        assert told(editing.get(f"{API}/{path}"), 404)
    shared = lite_world.site.in_force().releases["shared"].id
    assert done(editing.get(f"{API}/releases/{shared}"))["approved_by"] == ""
    mine = lite_world.site.in_force().releases[REGION].id
    assert told(editing.get(f"{API}/releases/{mine}/changes/{ohio}"), 404)
    assert told(editing.get(f"{API}/releases/{mine}/changes/{shared}"), 422)
    everywhere = program(lite_world, "agent")
    assert told(everywhere.get(f"{API}/releases/{mine}/changes/{ohio}"), 422)
    for region in ("ohio", "nowhere"):
        (error,) = told(editing.get(f"{API}/releases", params={"region": region}), 422)["errors"]
        assert error["parameter"] == "region"
        assert told(editing.post(f"{API}/drafts", json={"region": region}), 404)
