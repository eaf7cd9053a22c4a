"""Runs and samples for programs: the journey, the refusals as problems, and what no program may say."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.callers import RIGHTS, Right, Role
from tests.app.server.bench import DRIFTING, NAME, accepted, demo_list, lay_bench, run_file, write_list
from tests.app.server.conftest import World
from tests.app.server.tokens import program

SAMPLE = {
    "lab_number": "0012",
    "field_id": "F-1",
    "field_name": "Long Acre",
    "farm_name": "Thistlecombe Farm",
    "grower_name": "A. Grower",
    "grower_id": "0417",
    "region": "marrowdale",
    "county": "upper",
    "crop": "maize",
    "other_crops": ["soybean"],
    "depth_from_cm": 0,
    "depth_to_cm": 20,
    "sampled_on": "2026-04-02",
    "moisture_percent": 21.5,
    "area_ha": 0.00001,
    "irrigated": False,
    "near_water": True,
}


def _upload(client: TestClient, name: str = NAME, text: str | None = None, **fields: str) -> Any:
    file = run_file(name) if text is None else run_file(name, text)
    return client.post("/api/v1/runs", data=fields, files={"file": (file.name, file.content)})


def _asked(answer: Any, status: int = 200) -> Any:
    assert answer.status_code == status, answer.text
    return answer.json()


def test_a_program_takes_a_run_from_its_file_to_its_release(lite_world: World, tmp_path: Path) -> None:
    lay_bench(lite_world, tmp_path, "004811")
    client = program(lite_world, "laboratory")
    run = _asked(_upload(client), 201)
    assert (run["name"], run["state"], run["version"], run["analyte"]) == (NAME, "read", 1, "P")
    path = f"/api/v1/runs/{run['id']}"
    assert _asked(client.post(f"{path}/confirm", json={"version": 1}))["state"] == "confirmed"
    compared = _asked(client.post(f"{path}/comparison", json={"model": "quadratic"}))
    assert (compared["standing"]["curve"]["model"], compared["proposed"]["curve"]["model"]) == (
        "linear", "quadratic",
    )  # fmt: skip
    assert (compared["version"], compared["samples"]) == (2, 24)
    out = [{"position": 9, "reason": "bubble"}]
    kept = _asked(client.post(f"{path}/choice", json={"version": 2, "weighting": "1/x2", "excluded": out}))
    assert kept["version"] == 3
    looked = _asked(client.get(path))
    assert looked["choice"]["excluded"] == out
    assert looked["sheet"]["curve"]["highest_mg_per_l"] == 7.5
    assert (looked["unmatched"], len(looked["samples"])) == (["004811"], 23)
    assert {"lab_number": "004823", "flag": "over-range"} in looked["withheld"]
    assert _asked(client.post(f"{path}/choice", json={"version": 3}))["version"] == 4
    decided = _asked(client.post(f"{path}/decision", json={"version": 4, "state": "accepted"}))
    assert (decided["state"], decided["decided_by"]) == ("accepted", "Laboratory")
    released = _asked(client.post(f"{path}/release", json={"version": 5}))
    assert (released["values"], released["superseded"], released["waiting"]) == (19, 0, ["004811"])
    late = client.post(
        "/api/v1/samples/lists",
        files={"file": ("l.csv", demo_list(tmp_path, *(f"00{n}" for n in range(4812, 4835))).read_bytes())},
    )
    assert _asked(late, 201)["waiting"] == [{"run": run["id"], "cups": 1}]
    version = released["run"]["version"]
    assert _asked(client.post(f"{path}/release-waiting", json={"version": version}))["values"] == 1
    done = _asked(client.get(path))
    assert (len(done["released"]), done["waiting"]) == (20, [])
    page = client.get(f"{path}/sheet.pdf")
    assert page.headers["content-type"] == "application/pdf"
    assert page.content.startswith(b"%PDF-")
    sample = next(each["sample"] for each in done["released"] if each["lab_number"] == "004812")
    (value,) = _asked(client.get(f"/api/v1/samples/{sample}"))["values"]
    assert (value["run"], value["run_name"], value["unit"]) == (run["id"], NAME, "mg/kg")


def test_a_refusal_is_a_problem_with_its_status(lite_world: World, tmp_path: Path) -> None:
    lay_bench(lite_world, tmp_path)
    client = program(lite_world, "laboratory")
    run = _asked(_upload(client, "QW-0413-N", DRIFTING), 201)
    path = f"/api/v1/runs/{run['id']}"
    assert _asked(_upload(client, "QW-0413-N", DRIFTING), 409)["title"] == "there is a run QW-0413-N already"
    early = _asked(client.post(f"{path}/decision", json={"version": 1, "state": "accepted"}), 409)
    assert "the run is read" in early["title"]
    client.post(f"{path}/confirm", json={"version": 1})
    late = _asked(client.post(f"{path}/confirm", json={"version": 1}), 409)
    assert "somebody else has changed this run" in late["title"]
    overruled = client.post(f"{path}/decision", json={"version": 2, "state": "accepted", "reason": "mine"})
    assert "no switch overrules a check" in _asked(overruled, 409)["title"]
    unsaid = _asked(client.post(f"{path}/decision", json={"version": 2, "state": "held"}), 422)
    assert "a reason is missing" in unsaid["title"]
    assert _asked(client.get("/api/v1/runs/99"), 404)["title"] == "there is no such run"
    assert _asked(client.get(f"{path}/sheet.pdf"), 404)["title"] == "this run has no sheet yet"
    picture = client.post("/api/v1/runs", files={"file": ("run.csv", b"\x89PNG\r\n")})
    assert "PNG picture" in _asked(picture, 422)["title"]
    layout = _upload(client, "X", layout="../../etc/passwd")
    assert "there is no layout" in _asked(layout, 422)["title"]


def test_a_program_cannot_say_what_is_not_its_to_say(lite_world: World) -> None:
    client = program(lite_world, "laboratory")
    _upload(client)
    for step, body in (
        ("confirm", {"version": 1, "state": "released"}),
        ("decision", {"version": 1, "state": "released"}),
        ("choice", {"version": 1, "sheet": {}}),
        ("release", {}),
    ):
        assert client.post(f"/api/v1/runs/1/{step}", json=body).status_code == 422, step
    assert _asked(client.post("/api/v1/samples", json={"samples": [SAMPLE | {"id": 7}]}), 422)


def test_a_token_without_the_right_to_release_does_not(lite_world: World, tmp_path: Path) -> None:
    lay_bench(lite_world, tmp_path)
    run_id = accepted(lite_world)
    fewer = program(lite_world, "laboratory", RIGHTS[Role.LABORATORY] - {Right.RELEASE_RUNS})
    assert fewer.post(f"/api/v1/runs/{run_id}/release", json={"version": 3}).status_code == 403
    other = program(lite_world, "other-laboratory")
    assert other.post(f"/api/v1/runs/{run_id}/release", json={"version": 3}).status_code == 404
    assert other.get("/api/v1/runs").json() == {"items": [], "next": None}
    assert program(lite_world, "agent").get("/api/v1/runs").status_code == 403


def test_a_wrong_file_is_discarded(lite_world: World) -> None:
    client = program(lite_world, "laboratory")
    _upload(client)
    assert client.post("/api/v1/runs/1/discard", json={"version": 1}).status_code == 204
    assert client.get("/api/v1/runs/1").status_code == 404


def test_runs_and_samples_come_in_pages(lite_world: World, tmp_path: Path) -> None:
    client = program(lite_world, "laboratory")
    for name in ("A", "B", "C"):
        _upload(client, name)
    client.post("/api/v1/runs/3/confirm", json={"version": 1})
    first = _asked(client.get("/api/v1/runs?limit=2"))
    assert ([run["name"] for run in first["items"]], first["next"]) == (["A", "B"], 2)
    second = _asked(client.get("/api/v1/runs?limit=2&after=2"))
    assert ([run["name"] for run in second["items"]], second["next"]) == (["C"], None)
    assert [run["name"] for run in _asked(client.get("/api/v1/runs?state=read"))["items"]] == ["A", "B"]
    rows = write_list(tmp_path, {}, {}, {"field_id": "G-1"})
    client.post("/api/v1/samples/lists", files={"file": ("l.csv", rows.read_bytes())})
    listed = _asked(client.get("/api/v1/samples?limit=2"))
    assert ([each["lab_number"] for each in listed["items"]], listed["next"]) == (["0001", "0002"], 2)
    assert [each["id"] for each in _asked(client.get("/api/v1/samples?search=g-"))["items"]] == [3]
    assert _asked(client.get("/api/v1/samples?values=with"))["items"] == []


def test_samples_come_as_json_as_strictly_as_in_a_list(lite_world: World) -> None:
    client = program(lite_world, "agent")
    added = _asked(client.post("/api/v1/samples", json={"samples": [SAMPLE]}), 201)
    assert (added["samples"], added["new_fields"], added["new_growers"]) == ([1], 1, 1)
    shown = _asked(client.get("/api/v1/samples/1"))
    assert (shown["moisture_percent"], shown["other_crops"]) == (21.5, ["soybean"])
    assert (shown["field_code"], shown["county_name"], shown["values"]) == ("F-1", "Upper", [])


@pytest.mark.parametrize(
    ("changes", "status", "part"),
    [
        ({"crop": "mangelwurzel"}, 422, "unknown crop 'mangelwurzel'"),
        ({"depth_from_cm": 20}, 422, "the layer ends at 20 cm"),
        ({"depth_to_cm": 1e300}, 422, "is out of range"),
        ({"lab_number": "=1+1"}, 422, "is not an identifier"),
        ({"lab_number": ""}, 422, "the cell is empty"),
        ({"label": "a\nb"}, 422, "not as described"),
        ({"sampled_on": "1949-12-31"}, 422, "is not a day"),
        ({"county": "lower"}, 403, "not in a county of yours"),
        ({"latitude": 42}, 422, "both a longitude and a latitude"),
        ({"other_crops": ["a;b"]}, 422, "unknown crop 'a'"),
    ],
)
def test_an_impossible_sample_is_refused(
    lite_world: World, changes: dict[str, Any], status: int, part: str
) -> None:
    answer = program(lite_world, "agent").post("/api/v1/samples", json={"samples": [SAMPLE | changes]})
    assert part in _asked(answer, status)["title"]


def test_a_request_with_a_key_registers_once(lite_world: World) -> None:
    client = program(lite_world, "laboratory")
    for _ in range(2):
        answer = client.post("/api/v1/samples", json={"samples": [SAMPLE]}, headers={"idempotency-key": "k"})
        assert _asked(answer, 201)["samples"] == [1]
    assert len(_asked(client.get("/api/v1/samples"))["items"]) == 1


def test_the_description_names_every_operation_and_its_refusals(lite_world: World) -> None:
    paths = program(lite_world, None).get("/api/v1/openapi.json").json()["paths"]
    ours = {path: operations for path, operations in paths.items() if path.startswith(("/runs", "/samples"))}
    assert set(ours) == {
        "/runs", "/runs/{run_id}", "/runs/{run_id}/sheet.pdf", "/samples", "/samples/lists",
        "/samples/{sample_id}", "/samples/{sample_id}/values/{value_id}/withdrawal",
        *(
            f"/runs/{{run_id}}/{step}"
            for step in (
                "confirm", "discard", "comparison", "choice", "decision", "release", "release-waiting",
            )
        ),
    }  # fmt: skip
    for operations in ours.values():
        for method, operation in operations.items():
            assert operation["summary"]
            assert operation["description"]
            expected = {"401", "403", "422"} | ({"404", "409"} if method == "post" else set())
            assert expected <= set(operation["responses"])
