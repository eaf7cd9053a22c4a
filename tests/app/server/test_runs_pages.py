"""Pages of runs: the journey from a file to a release, and what each page shows and refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from service.actions.registering import register_list
from service.actions.runviews import show_run
from service.uploads import Upload
from tests.app.server.bench import DRIFTING, NAME, accepted, demo_list, lay_bench, run_file
from tests.app.server.conftest import World


class Analyst:
    """Somebody of the laboratory, with a browser."""

    def __init__(self, world: World, person: str = "laboratory") -> None:
        self.world = world
        self.client: TestClient = world.client(person)
        self.token = world.form_token(self.client)

    def see(self, path: str, status: int = 200) -> str:
        answer = self.client.get(path)
        assert answer.status_code == status, answer.text
        return str(answer.text)

    def send(self, path: str, status: int = 303, **fields: str) -> str:
        answer = self.client.post(path, data=fields | {"form_token": self.token})
        assert answer.status_code == status, answer.text
        return str(answer.headers["location"] if status == 303 else answer.text)

    def upload(self, file: Upload, status: int = 303, side: Upload | None = None, **fields: str) -> str:
        files = {"file": (file.name, file.content)}
        if side is not None:
            files["side"] = (side.name, side.content)
        fields = {"layout": "point-comma", "form_token": self.token} | fields
        answer = self.client.post("/runs/upload", data=fields, files=files)
        assert answer.status_code == status, answer.text
        return str(answer.headers["location"] if status == 303 else answer.text)


@pytest.fixture
def analyst(lite_world: World, tmp_path: Path) -> Analyst:
    lay_bench(lite_world, tmp_path, "004811")
    return Analyst(lite_world)


def test_the_whole_journey_of_a_run(analyst: Analyst, tmp_path: Path) -> None:
    assert "There are no runs yet" in analyst.see("/runs")
    assert 'type="file"' in analyst.see("/runs/upload")
    page = analyst.upload(run_file())
    assert page == "/runs/1?done=runs.done-uploaded"
    read = analyst.see(page)
    for text in ("The file was read and kept", NAME, "A. Lindqvist", "55 cups were read", "QC-2", "94,483"):
        assert text in read
    assert "<svg" not in read.partition("<main")[2]  # nothing is worked out before it is confirmed
    assert analyst.send("/runs/1/confirm", version="1") == "/runs/1?done=runs.done-confirmed"
    looked = analyst.see("/runs/1")
    for text in (
        "Residuals",
        "Recovery of each standard",
        "Continuing check",
        "Standards read back",
        "004811",
    ):
        assert text in looked
    assert looked.count('<div class="picture">') == 3
    assert "style=" not in looked.partition("<main")[2]
    assert "Cups that no list has named" in looked
    assert "/samples/new?lab_number=004811" in looked
    assert analyst.send("/runs/1/decision", version="2", state="accepted").endswith("done-accepted")
    assert "Release the values" in analyst.see("/runs/1")
    assert analyst.send("/runs/1/release", version="3").endswith("done-released")
    released = analyst.see("/runs/1")
    assert "Values released: 19" in released
    assert "Cups that wait" in released
    register_list(
        analyst.world.site, analyst.world.caller("laboratory"),
        demo_list(tmp_path, *(f"00{n}" for n in range(4812, 4835))),
    )  # fmt: skip
    assert "Cups of released runs had waited" in analyst.see("/runs")
    assert "Release the named ones (1)" in analyst.see("/runs/1")
    assert analyst.send("/runs/1/release-waiting", version="4").endswith("done-late")
    done = analyst.see("/runs/1")
    assert "Values released: 20" in done
    assert "Cups that wait" not in done


def test_the_frozen_sheet_is_given_as_a_file(analyst: Analyst) -> None:
    run_id = accepted(analyst.world)
    assert "this run has no sheet yet" in analyst.see(f"/runs/{run_id}/sheet", 404)
    analyst.send(f"/runs/{run_id}/release", version="3")
    answer = analyst.client.get(f"/runs/{run_id}/sheet")
    assert answer.headers["content-type"] == "application/pdf"
    assert answer.headers["content-disposition"] == f'attachment; filename="{NAME}.sheet.pdf"'
    assert answer.content.startswith(b"%PDF-")


def test_another_choice_is_shown_beside_the_standing_one_before_it_is_kept(analyst: Analyst) -> None:
    analyst.upload(run_file())
    analyst.send("/runs/1/confirm", version="1")
    assert "Choose something above" in analyst.see("/runs/1/compare")
    asked = analyst.see("/runs/1/compare?model=quadratic&weighting=1/x&zero=no&out=9&why=bubble")
    for text in (
        "curve of second order",
        "0.25 to 7.5 mg/L",
        "c (bend)",
        "above the highest standard",
        "Keep",
    ):
        assert text in asked
    assert show_run(analyst.world.site, analyst.world.caller("laboratory"), 1).row.version == 2
    choice = json.dumps({"model": "quadratic", "excluded": [{"position": 9, "reason": "bubble"}]})
    assert analyst.send("/runs/1/choice", version="2", choice=choice).endswith("done-choice")
    kept = analyst.see("/runs/1")
    assert 'class="excluded"' in kept
    assert "bubble" in kept
    standing = analyst.see("/runs/1/compare")
    assert 'name="why-9"' in standing
    back = analyst.see("/runs/1/compare?model=quadratic&weighting=1/x&zero=no&why-9=")
    assert "0.25 to 10 mg/L" in back
    assert "a reason is missing" in analyst.see("/runs/1/compare?out=9&why=", 422)
    assert "this choice cannot be taken" in analyst.see("/runs/1/compare?model=cubic", 422)
    assert "this choice cannot be taken" in analyst.send("/runs/1/choice", 422, version="3", choice="{")


def test_a_refused_step_shows_the_run_as_it_is_by_now(analyst: Analyst) -> None:
    analyst.upload(run_file())
    analyst.send("/runs/1/confirm", version="1")
    late = analyst.send("/runs/1/confirm", 409, version="1")
    assert "somebody else has changed this run since you looked at it" in late
    assert 'name="version" value="2"' in late
    unsaid = analyst.send("/runs/1/decision", 422, version="2", state="held")
    assert "a reason is missing" in unsaid
    assert 'aria-invalid="true"' in unsaid
    assert "no decision was chosen" in analyst.send("/runs/1/decision", 422, version="2", state="released")


def test_a_run_that_its_checks_hold_cannot_be_accepted_from_its_page(analyst: Analyst) -> None:
    analyst.upload(run_file("QW-0413-N", DRIFTING))
    analyst.send("/runs/1/confirm", version="1")
    page = analyst.see("/runs/1")
    assert "Nothing is released" in page
    assert 'value="accepted" required disabled' in page
    refused = analyst.send("/runs/1/decision", 409, version="2", state="accepted")
    assert "no switch overrules a check" in refused
    analyst.send("/runs/1/decision", version="2", state="held", reason="it drifts")
    assert "it drifts" in analyst.see("/runs/1")
    assert "on hold" in analyst.see("/runs?state=held")
    assert 'href="/runs/upload?replaces=QW-0413-N">Upload its rerun' in analyst.see("/runs/1")
    assert 'name="replaces" type="text" value="QW-0413-N"' in analyst.see("/runs/upload?replaces=QW-0413-N")


def test_a_wrong_file_is_thrown_away(analyst: Analyst) -> None:
    analyst.upload(run_file())
    assert analyst.send("/runs/1/discard", version="1") == "/runs?done=runs.done-discarded"
    assert "there is no such run" in analyst.see("/runs/1", 404)


def test_names_with_markup_are_shown_and_never_run(analyst: Analyst) -> None:
    evil = '"<script>alert(1)</script><img src=x onerror=alert(2)>"'
    text = run_file().content.decode().replace("Operator,A. Lindqvist", f"Operator,{evil}")
    analyst.upload(Upload('<b>"run".csv', text.encode()))
    analyst.send("/runs/1/confirm", version="1")
    for path in ("/runs", "/runs/1", "/runs/1/compare?model=quadratic"):
        page = analyst.see(path)
        assert "<script>alert" not in page
        assert "<img" not in page
        assert "<b>" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in analyst.see("/runs")


@pytest.mark.parametrize(
    ("file", "status", "part"),
    [
        (Upload("run.csv", b"%PDF-1.7\n"), 422, "the file is a PDF page"),
        (Upload("run.csv", b""), 422, "the file is empty"),
        (Upload("run.xlsx", b"a,b\n"), 422, "the file is not a workbook"),
        (Upload("run.csv", b"x" * 10_600_000), 422, "the file is larger than 10 MiB"),
        (Upload("run.csv", b"x" * 11_600_000), 413, "the file is larger than this server takes"),
    ],
    ids=["picture", "empty", "no workbook", "10.1 MiB", "11.1 MiB"],
)
def test_what_is_no_run_is_told_on_the_page(analyst: Analyst, file: Upload, status: int, part: str) -> None:
    assert part in analyst.upload(file, status)
    assert "There are no runs yet" in analyst.see("/runs")


def test_long_runs_and_long_lists_come_in_pages(analyst: Analyst) -> None:
    text = run_file().content.decode()
    more = [f"{position},wash,,,,26," for position in range(100, 300)]
    analyst.upload(Upload("long.csv", (text + "\n".join(more) + "\n").encode()))
    first, second = analyst.see("/runs/1"), analyst.see("/runs/1?page=2")
    assert "Page 1 of 2" in first
    assert ">150<" in first
    assert ">299<" not in first
    assert ">299<" in second
    for number in range(51):
        analyst.upload(run_file(f"R-{number}"))
    newest = analyst.see("/runs")
    assert "R-50" in newest
    assert ">R-0<" not in newest
    assert ">R-0<" in analyst.see("/runs?before=3")


def test_the_pages_speak_spanish(analyst: Analyst) -> None:
    analyst.upload(run_file())
    analyst.send("/runs/1/confirm", version="1")
    analyst.send("/me/language", language="es")
    page = analyst.see("/runs/1")
    for text in ("Serie", "Decidir", "Otra curva, o retirar una copa", "Copas que ninguna lista nombra"):
        assert text in page


def test_runs_are_no_part_of_an_agent_s_pages(analyst: Analyst) -> None:
    analyst.upload(run_file())
    agent, other = Analyst(analyst.world, "agent"), Analyst(analyst.world, "other-laboratory")
    for path in ("/runs", "/runs/upload", "/runs/1", "/runs/1/compare", "/runs/1/sheet"):
        agent.see(path, 403)
    for path in ("/runs/1", "/runs/1/compare", "/runs/1/sheet"):
        other.see(path, 404)
    for step in ("confirm", "discard", "release", "release-waiting"):
        agent.send(f"/runs/1/{step}", 403, version="1")
        other.send(f"/runs/1/{step}", 404, version="1")
    agent.upload(run_file("X"), 403)
