"""Pages of samples: lists, the form for one, finding, and what came of each."""

from __future__ import annotations

from pathlib import Path

import pytest
from openpyxl import Workbook
from starlette.testclient import TestClient

from service.actions.releasing import release_run
from service.actions.samples import show_sample
from tests.app.server.bench import accepted, lay_bench, listed, run_file, write_list
from tests.app.server.conftest import World

FORM = {
    "lab_number": "0001",
    "field_id": "F-1",
    "field_name": "Long Acre",
    "farm_name": "Thistlecombe Farm",
    "grower_name": "A. Grower",
    "region": "marrowdale",
    "county": "upper",
    "crop": "maize",
    "depth_from_cm": "0",
    "depth_to_cm": "20",
    "sampled_on": "2026-04-02",
    "label": "",
    "irrigated": "no",
}


class Person:
    """Somebody with a browser."""

    def __init__(self, world: World, name: str) -> None:
        self.client: TestClient = world.client(name)
        self.token = world.form_token(self.client)

    def see(self, path: str, status: int = 200) -> str:
        answer = self.client.get(path)
        assert answer.status_code == status, answer.text
        return str(answer.text)

    def upload(self, path: Path, status: int = 303, name: str = "", **fields: str) -> str:
        answer = self.client.post(
            "/samples/upload", data=fields | {"form_token": self.token},
            files={"file": (name or path.name, path.read_bytes())},
        )  # fmt: skip
        assert answer.status_code == status, answer.text
        return str(answer.headers["location"] if status == 303 else answer.text)

    def register(self, status: int = 303, **changes: str) -> str:
        answer = self.client.post("/samples/new", data=FORM | changes | {"form_token": self.token})
        assert answer.status_code == status, answer.text
        return str(answer.headers["location"] if status == 303 else answer.text)


def test_a_list_is_uploaded_and_found_again(lite_world: World, tmp_path: Path) -> None:
    person = Person(lite_world, "laboratory")
    assert "There are no samples yet" in person.see("/samples")
    assert "lab_number, field_id" in person.see("/samples/upload")
    path = write_list(tmp_path, {}, {"label": "south"}, {"field_id": "G-7", "field_name": "Other"})
    page = person.upload(path, received_on="2026-04-09")
    assert page == "/samples?registered=3&waiting=0"
    assert "Samples registered: 3." in person.see(page)
    assert ">0003<" not in person.see("/samples?search=0001")
    assert ">0003<" in person.see("/samples?search=g-")
    assert "Nothing of yours begins so" in person.see("/samples?search=nowhere")
    assert ">0001<" not in person.see("/samples?values=with")
    assert ">0001<" in person.see("/samples?values=without")
    one = person.see("/samples/1")
    for text in ("Long Acre", "Thistlecombe Farm", "A. Grower", "April 9, 2026", "There is no value yet"):
        assert text in one


@pytest.mark.parametrize(
    ("fields", "status", "part"),
    [
        ({"received_on": "yesterday"}, 422, "&#39;yesterday&#39; is not a day"),
        ({"received_on": "2026-04-01"}, 422, "was received before it was taken"),
    ],
)
def test_a_wrong_day_of_receipt_is_told(
    lite_world: World, tmp_path: Path, fields: dict[str, str], status: int, part: str
) -> None:
    assert part in Person(lite_world, "laboratory").upload(write_list(tmp_path, {}), status, **fields)


def test_a_broken_list_is_told_with_its_row_and_nothing_is_kept(lite_world: World, tmp_path: Path) -> None:
    person = Person(lite_world, "laboratory")
    told = person.upload(write_list(tmp_path, {}, {"depth_to_cm": "deep"}), 422)
    assert "list.csv, row 3, column 9 (&#39;depth_to_cm&#39;)" in told
    assert "There are no samples yet" in person.see("/samples")
    person.upload(write_list(tmp_path, {}))
    again = person.upload(write_list(tmp_path, {}), 409)
    assert "1 of the lab numbers are registered already: 0001" in again


def test_a_formula_in_a_cell_is_text_or_refused_and_never_a_formula(
    lite_world: World, tmp_path: Path
) -> None:
    person = Person(lite_world, "laboratory")
    told = person.upload(write_list(tmp_path, {"lab_number": "=1+1"}), 422)
    assert "&#39;=1+1&#39; is not an identifier" in told
    person.upload(write_list(tmp_path, {"label": "=HYPERLINK(1)", "field_name": "+Acre"}))
    page = person.see("/samples/1")
    assert "=HYPERLINK(1)" in page
    assert "+Acre" in page
    book = Workbook()
    sheet = book.worksheets[0]
    (row,) = listed({"lab_number": "0002", "label": "=1+1"})
    sheet.append(list(row))
    sheet.append(list(row.values()))
    book.save(tmp_path / "list.xlsx")
    assert "a formula whose result is not stored" in person.upload(tmp_path / "list.xlsx", 422)


def test_names_with_markup_are_shown_as_text(lite_world: World, tmp_path: Path) -> None:
    person = Person(lite_world, "laboratory")
    evil = "<script>alert(1)</script>"
    person.upload(
        write_list(tmp_path, {"label": evil, "grower_name": evil, "field_name": evil, "farm_name": evil}),
        name="<img src=x>.csv",
    )
    for path in ("/samples", "/samples/1"):
        page = person.see(path)
        assert "<script>alert" not in page
        assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page


def test_one_sample_is_registered_by_a_form(lite_world: World) -> None:
    person = Person(lite_world, "laboratory")
    assert 'value="0042"' in person.see("/samples/new?lab_number=0042")
    assert person.register() == "/samples/1?done=samples.done-registered"
    assert "Long Acre" in person.see("/samples/1")
    told = person.register(422, lab_number="0002", depth_to_cm="deep")
    assert "&#39;deep&#39; is not a number" in told
    assert 'id="e-depth_to_cm"' in told
    assert 'value="deep"' in told  # what was typed is still there
    assert "registered already" in person.register(409)
    assert "unknown crop" in person.register(422, lab_number="0003", crop="mangelwurzel")
    assert "the column &#39;colour&#39; is not known" in person.register(422, colour="red")


def test_a_waiting_cup_is_said_when_its_sample_is_registered(lite_world: World, tmp_path: Path) -> None:
    lay_bench(lite_world, tmp_path, "004811", "004812")
    run_id = accepted(lite_world)
    release_run(lite_world.site, lite_world.caller("laboratory"), run_id, 3)
    person = Person(lite_world, "laboratory")
    page = person.register(lab_number="004811")
    assert page.endswith("done-registered-waited")
    assert "had waited for it" in person.see(page)
    page = person.upload(write_list(tmp_path, {"lab_number": "004812"}))
    assert "waiting=1" in page
    assert "can be released" in person.see(page)


def test_superseded_values_are_shown_and_marked(lite_world: World, tmp_path: Path) -> None:
    lay_bench(lite_world, tmp_path)
    caller = lite_world.caller("laboratory")
    for file in (run_file(), run_file("RERUN")):
        release_run(lite_world.site, caller, accepted(lite_world, file), 3)
    page = Person(lite_world, "laboratory").see("/samples/1")
    assert page.count("superseded</span>") == 1
    assert page.count("stands</span>") == 1
    assert page.index("RERUN") < page.index("QW-0412-P")
    assert '<a href="/runs/1">QW-0412-P</a>' in page
    (stands, _) = show_sample(lite_world.site, caller, 1).values
    assert (stands.value, stands.standard_uncertainty) == pytest.approx((8.732, 1.092), abs=0.0005)
    assert page.count(">8.7 mg/kg</td>") == 2  # as the sheet prints it, and not with digits that mean nothing
    assert page.count(">1.09</td>") == 2
    seen = Person(lite_world, "agent").see("/samples/1")
    assert "QW-0412-P" in seen
    assert '<a href="/runs/1">' not in seen  # an agent has no business with runs


def test_an_agent_sees_and_registers_in_the_own_counties(lite_world: World, tmp_path: Path) -> None:
    laboratory, agent = Person(lite_world, "laboratory"), Person(lite_world, "agent")
    laboratory.upload(write_list(tmp_path, {"county": "lower"}, {"field_id": "F-2"}, {"field_id": "F-3"}))
    page = agent.see("/samples")
    assert ">0001<" not in page
    assert ">0002<" in page
    agent.see("/samples/1", 404)
    agent.see("/samples/2")
    assert agent.register(lab_number="0100", field_id="F-9").startswith("/samples/4")
    told = agent.register(403, lab_number="0101", field_id="F-10", county="lower")
    assert "is not in a county of yours" in told
    assert 'value="0101"' in told
    assert "not given" in agent.upload(
        write_list(tmp_path, {"lab_number": "7", "field_id": "F-7", "county": ""}), 403
    )
    for person in ("agronomist", "administrator"):
        for path in ("/samples", "/samples/upload", "/samples/new", "/samples/1"):
            Person(lite_world, person).see(path, 403)
    Person(lite_world, "other-laboratory").see("/samples/1", 404)


def test_long_lists_come_in_pages(lite_world: World, tmp_path: Path) -> None:
    person = Person(lite_world, "laboratory")
    person.upload(write_list(tmp_path, *({} for _ in range(51))))
    newest = person.see("/samples")
    assert ">0051<" in newest
    assert ">0001<" not in newest
    assert "before=2" in newest
    assert ">0001<" in person.see("/samples?before=2")
