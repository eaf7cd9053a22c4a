"""What a draft would do to past samples: the numbers, the rights, and that nobody's name is in them."""

from __future__ import annotations

import subprocess
import threading
from dataclasses import replace
from datetime import date

import pytest

from interpretation.agronomy.changes import Flow, State
from interpretation.agronomy.outcome import REFUSALS
from interpretation.agronomy.rated import RATE_REFUSALS
from interpretation.results import Amount
from reports.build import build_report
from service.actions import advising, drafting, impact, impactreport
from service.callers import operator
from service.impact import Filter, Impact
from service.pages.drawing.flow import flow
from service.pages.drawing.spread import spread
from service.refusals import Invalid, NotAllowed, NotFound, Unavailable
from service.store import schema
from service.web.templates import words
from tests.app.server.conftest import World
from tests.app.server.draft_steps import begun, changed, named, released, saved, with_cell, with_fact
from tests.app.server.land import PH, K, Land, P, add_field, add_value, add_visit

MG = ("Mg", "Mg", "mg-nh4oac", "mg/kg", "air-dry")
GROWER, FARM = "E. Marlowe-Quint", "Thistlecombe Farm"


def preview(world: World, draft: int, person: str = "agronomist", **asked: object) -> Impact:
    return impact.preview(world.site, world.caller(person), draft, Filter.model_validate(asked))


def sampled(
    world: World, code: str, *phosphorus: float, ph: float = 6.3, laboratory: str = "a", **more: object
) -> Land:
    """A field with one visit: a sample for each value of phosphorus, all with one pH."""
    county, day = str(more.pop("county", "upper")), more.pop("day", date(2026, 4, 2))
    assert isinstance(day, date)
    land = add_field(world, code, county=county, laboratory=laboratory)
    numbers = tuple(f"{code}-{n}" for n in range(len(phosphorus)))
    add_visit(world, land, day, numbers, laboratory=laboratory, **more)
    for sample, value in zip(land.samples, phosphorus, strict=True):
        add_value(world, sample, PH, ph, standard_uncertainty=0.1)
        add_value(world, sample, P, value, standard_uncertainty=0.5)
    return land


def moves(flow: Flow) -> dict[tuple[str, str], int]:
    """Every move that occurs, by the names of what it is from and to."""
    return {
        (one.name, two.name): number
        for one, row in zip(flow.before, flow.counts, strict=True)
        for two, number in zip(flow.after, row, strict=True)
        if number
    }


def test_a_value_on_a_moved_bound_changes_class_and_its_neighbours_do_not(world: World) -> None:
    # "high" began at 23 and would begin at 24, reported in steps of 1: 22.4 is reported as 22 and stays
    # medium; 22.5 is 23, high before and medium after; 23.4 is 23, too; 23.5 is 24, and stays high.
    sampled(world, "TC-1", 22.4, 22.5, 23.4, 23.5)
    found = preview(world, changed(world))
    assert (found.samples, found.visits, found.values, found.classes_changed) == (4, 1, 4, 2)
    (flow,) = found.flows
    assert (flow.analyte, flow.method) == ("P", "bray1-1:10-colour")
    assert moves(flow) == {("medium", "medium"): 1, ("high", "medium"): 2, ("high", "high"): 1}
    assert [state.name for state in flow.before] == ["medium", "high"]


def test_amounts_follow_their_classes_and_are_weighted_by_area(world: World) -> None:
    # Maize, 9.5 t/ha, takes 6 kg/t: medium is given 57, rounded half up to 55 (57 / 5 = 11.4, 11 steps);
    # high is given half of it, 28.5, rounded to 30 (5.7 steps are 6). Both samples share 12.4 ha.
    sampled(world, "TC-1", 23.0, 30.0)
    found = preview(world, changed(world))
    (p2o5,) = found.amounts
    assert (p2o5.nutrient, p2o5.samples, p2o5.more, p2o5.less, p2o5.same) == ("P2O5", 2, 1, 0, 1)
    assert (p2o5.mean_before_kg_per_ha, p2o5.mean_after_kg_per_ha) == (30.0, 42.5)
    assert p2o5.area_ha == 12.4
    assert p2o5.total_before_kg == pytest.approx(12.4 * 30)
    assert p2o5.total_after_kg == pytest.approx(6.2 * 55 + 6.2 * 30)
    assert p2o5.total_change_kg == pytest.approx(6.2 * 25)
    assert p2o5.change_kg_per_ha is not None
    assert (p2o5.change_kg_per_ha.least, p2o5.change_kg_per_ha.most) == (0.0, 25.0)
    assert sum(each.samples for each in p2o5.bins) == 1
    assert p2o5.bins[0].low_kg_per_ha < 25.0 <= p2o5.bins[0].high_kg_per_ha


def test_a_value_can_get_or_lose_its_class(world: World) -> None:
    # The scale has no upper end and would end at 50: 50 still has its class, and 51 has none.
    sampled(world, "TC-1", 50.0, 51.0)
    draft = begun(world)
    saved(world, draft, with_fact(named(world, draft), ends_at="50"))
    (flow,) = preview(world, draft).flows
    assert moves(flow) == {("very high", "very high"): 1, ("very high", "above-scale"): 1}
    assert flow.after[-1] == State(kind="refusal", name="above-scale")


def test_a_value_loses_its_class_on_the_day_after_its_scale_ends(world: World) -> None:
    for code, day in (("TC-1", date(2026, 3, 31)), ("TC-2", date(2026, 4, 1))):
        land = sampled(world, code, 9.0, day=day)
        add_value(world, land.samples[0], MG, 210.0)
    draft = begun(world)
    saved(world, draft, with_fact(named(world, draft, "marrowdale/magnesium"), effective_to="2026-03-31"))
    (flow,) = preview(world, draft).flows
    (kept, lost) = moves(flow).items()
    assert (kept[0][0] == kept[0][1], kept[1]) == (True, 1)
    assert (lost[0][1], lost[1]) == ("no-table", 1)


def test_an_amount_that_is_no_longer_given_is_counted_and_not_saved(world: World) -> None:
    # The pH is 6.3: the table would hold from 6.3 on for one, and not for the other, which has 6.2.
    sampled(world, "TC-1", 9.0)
    other = sampled(world, "TC-2", 9.0, ph=6.2)
    draft = begun(world)
    rate = named(world, draft, "marrowdale/p2o5-arable-bray1")
    saved(world, draft, with_fact(rate, holds_if="ph >= 6.3"))
    found = preview(world, draft)
    (p2o5,) = found.amounts
    assert (p2o5.samples, p2o5.same, p2o5.gained) == (1, 1, ())
    assert [(each.reason, each.samples) for each in p2o5.lost] == [("outside-table", 1)]
    assert (p2o5.area_ha, p2o5.total_change_kg) == (12.4, 0.0)
    assert [each.visit_id for each in found.fields] == other.visits
    (pair,) = found.fields[0].amounts
    assert pair.after is not None
    assert (pair.after.rate, pair.after.refusal is None) == (None, False)


def test_years_counties_and_crops_choose_the_samples(world: World) -> None:
    sampled(world, "TC-1", 23.0, day=date(2025, 12, 31))
    sampled(world, "TC-2", 23.0, day=date(2026, 1, 1), county="lower")
    sampled(world, "TC-3", 23.0, 23.0, day=date(2026, 12, 31), crop="winter-wheat")
    draft = changed(world)
    assert preview(world, draft).samples == 4
    assert preview(world, draft, years=(2025,)).samples == 1
    assert preview(world, draft, years=(2026,)).samples == 3
    assert preview(world, draft, years=(2025, 2026), counties=("lower",)).samples == 1
    assert preview(world, draft, crops=("winter-wheat",)).samples == 2
    none = preview(world, draft, years=(2024,))
    assert (none.samples, none.visits, none.flows, none.amounts, none.fields) == (0, 0, (), (), ())
    _, choices = impact.offered(world.site, world.caller("agronomist"), draft)
    assert choices.years == (2026, 2025)
    assert choices.counties == (("lower", "Lower"), ("upper", "Upper"))
    assert choices.crops == ("maize", "winter-wheat")


def test_samples_of_every_laboratory_and_county_count(world: World) -> None:
    sampled(world, "TC-1", 23.0)
    sampled(world, "OT-1", 23.0, laboratory="b", county="lower")
    found = preview(world, changed(world))
    assert (found.samples, found.classes_changed, found.affected_visits) == (2, 2, 2)
    assert {each.laboratory for each in found.fields} == {
        "Quillwater Soil Laboratory", "Aldermarsh Soil Laboratory",
    }  # fmt: skip


def test_superseded_values_do_not_count(world: World) -> None:
    land = sampled(world, "TC-1", 30.0)
    add_value(world, land.samples[0], P, 23.0, superseded_at=world.clock())
    found = preview(world, changed(world))
    assert (found.values, found.classes_changed) == (1, 0)


def test_fields_are_shown_with_both_workings_and_the_most_affected_first(world: World) -> None:
    sampled(world, "SMALL", 23.0, yield_goal=4.0)  # 24 -> 25 and 12 -> 10: 15 more
    sampled(world, "LARGE", 23.0, yield_goal=12.0)  # 72 -> 70 and 36 -> 35: 35 more
    sampled(world, "STAYS", 30.0)
    found = preview(world, changed(world))
    assert [each.field_code for each in found.fields] == ["LARGE", "SMALL"]
    large = found.fields[0]
    assert (large.county, large.crop, large.area_ha, large.classes_changed) == ("Upper", "maize", 12.4, 1)
    (value,) = large.values
    assert (value.value_before, value.value_after, value.before.name, value.after.name) == (
        23,
        23,
        "high",
        "medium",
    )
    (pair,) = large.amounts
    assert isinstance(pair.before, Amount)
    assert isinstance(pair.after, Amount)
    assert (pair.before.rate, pair.after.rate) == (35.0, 70.0)
    assert [[step.values.get("class") for step in each.working if step.key == "class-row"]
            for each in (pair.before, pair.after)] == [["high"], ["medium"]]  # fmt: skip


def test_a_field_is_shown_once_and_no_more_than_twenty(world: World) -> None:
    twice = sampled(world, "TWICE", 23.0)
    add_visit(world, twice, date(2026, 4, 9), ("again",))
    for kind, value in ((PH, 6.3), (P, 23.0)):
        add_value(world, twice.samples[-1], kind, value)
    for number in range(21):
        sampled(world, f"F-{number}", 23.0)
    found = preview(world, changed(world))
    assert found.affected_visits == 23
    codes = [each.field_code for each in found.fields]
    assert len(codes) == len(set(codes)) == 20


def test_nobodys_name_is_in_it(world: World) -> None:
    sampled(world, "TC-1", 23.0, comment="Ask E. Marlowe-Quint about the creek.")
    draft = changed(world)
    told = preview(world, draft).model_dump_json()
    page = world.client("agronomist").get(f"/tables/drafts/{draft}/impact?go=1").text
    for text in (told, page):
        assert "TC-1" in text
        for name in (GROWER, FARM, "Marlowe", "Thistlecombe", "Long Meadow"):
            assert name not in text


def test_what_is_said_about_a_table_changes_nothing(world: World) -> None:
    sampled(world, "TC-1", 23.0)
    draft = begun(world)
    assert preview(world, draft).analytes == ()
    saved(world, draft, with_fact(named(world, draft), title="Renamed", remark="Looked at again."))
    found = preview(world, draft)
    assert (found.analytes, found.nutrients, found.flows, found.affected_visits) == ((), (), (), 0)


def test_a_table_that_begins_later_is_named_and_can_be_tried_in_another_year(world: World) -> None:
    sampled(world, "TC-1", 23.0, day=date(2026, 4, 2))
    draft, caller = begun(world), world.caller("agronomist")
    entry = named(world, draft)
    number = drafting.add(world.site, caller, draft, "scales", entry.number)
    row = next(i for i, each in enumerate(entry.rows["classes"]) if each["name"] == "high")
    later = with_cell(entry, "classes", row, "from", "24").model_copy(update={"number": number})
    new_id = {"id": "marrowdale/phosphorus-bray1-2027", "effective_from": "2027-01-01"}
    saved(world, draft, with_fact(later, **new_id))
    saved(world, draft, with_fact(entry, effective_to="2026-12-31"))
    today = preview(world, draft)
    assert today.classes_changed == 0
    assert [(each.table, each.effective_from) for each in today.not_reached] == [
        ("marrowdale/phosphorus-bray1-2027", date(2027, 1, 1))
    ]
    then = preview(world, draft, as_if_year=2027)
    assert (then.classes_changed, then.not_reached) == (1, ())
    assert then.fields[0].sampled_on == date(2026, 4, 2)


def test_a_crop_or_soil_group_that_the_tables_do_not_know_is_left_out_and_counted(world: World) -> None:
    sampled(world, "TC-1", 23.0)
    sampled(world, "TC-2", 23.0, crop="unheard-of")
    sampled(world, "TC-3", 23.0, previous_crop="unheard-of")
    found = preview(world, changed(world))
    assert (found.samples, found.left_out, found.classes_changed) == (1, 2, 1)


def test_a_draft_with_mistakes_is_refused(world: World) -> None:
    draft = begun(world)
    saved(world, draft, with_cell(named(world, draft), "classes", 1, "from", "seven"))
    with pytest.raises(Invalid) as refused:
        preview(world, draft)
    assert "must be corrected first" in refused.value.what
    assert "open the draft" in refused.value.fix


def test_a_county_of_no_kind_and_too_many_samples_are_refused(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    sampled(world, "TC-1", 23.0, 23.0)
    draft = changed(world)
    with pytest.raises(Invalid) as refused:
        preview(world, draft, counties=("nowhere",))
    assert "no county 'nowhere'" in refused.value.what
    monkeypatch.setattr(impact, "MOST_SAMPLES", 2)
    assert preview(world, draft).samples == 2
    monkeypatch.setattr(impact, "MOST_SAMPLES", 1)
    with pytest.raises(Invalid) as refused:
        preview(world, draft)
    assert "2 samples, too many" in refused.value.what
    assert "fewer years" in refused.value.fix


def test_batches_add_up(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    for code in ("TC-1", "TC-2", "TC-3"):
        sampled(world, code, 22.0, 23.0, 30.0)
    draft = changed(world)
    whole = preview(world, draft)
    monkeypatch.setattr(impact, "AT_ONCE", 2)
    monkeypatch.setattr(impact, "_kept", {})
    monkeypatch.setattr(impact, "_keep", lambda *_: None)
    assert preview(world, draft) == whole


def test_who_may_not_edit_tables_may_not_look(world: World) -> None:
    draft = changed(world)
    for person in ("laboratory", "agent", "administrator"):
        with pytest.raises(NotAllowed):
            preview(world, draft, person)
    assert preview(world, draft, "reviewer").draft_id == draft


def test_a_draft_of_another_region_is_not_found(world: World) -> None:
    draft = changed(world)
    caller = world.caller("agronomist")
    elsewhere = replace(caller, scope=replace(caller.scope, region="uk"))
    with pytest.raises(NotFound):
        impact.preview(world.site, elsewhere, draft, Filter())


def test_a_preview_is_kept_until_something_it_rests_on_changes(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    land = sampled(world, "TC-1", 23.0)
    draft = changed(world)
    made: list[int] = []
    worked_out = impact._worked_out

    def counted(*given: object) -> Impact:
        made.append(1)
        return worked_out(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(impact, "_worked_out", counted)
    first = preview(world, draft)
    assert preview(world, draft) is first
    assert preview(world, draft, "reviewer") is first
    assert len(made) == 1
    preview(world, draft, years=(2026,))
    assert len(made) == 2
    add_value(world, land.samples[0], K, 140.0)
    preview(world, draft)
    assert len(made) == 3
    entry = named(world, draft)
    row = next(i for i, each in enumerate(entry.rows["classes"]) if each["name"] == "high")
    saved(world, draft, with_cell(entry, "classes", row, "from", "25"))
    preview(world, draft)
    assert len(made) == 4
    plan = {"crop": "maize", "yield_goal": 8.0}
    advising.set_plan(
        world.site, world.caller("agent"), land.visits[0], 1, advising.Plan.model_validate(plan)
    )
    preview(world, draft)
    assert len(made) == 5


def test_who_comes_while_too_many_wait_is_told_so(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    draft = changed(world)
    monkeypatch.setattr(impact, "_queue", threading.BoundedSemaphore(1))
    monkeypatch.setattr(impact, "_turn", threading.BoundedSemaphore(1))
    monkeypatch.setattr(impact, "SECONDS_TO_WAIT", 0.01)
    with impact.one_at_a_time(), pytest.raises(Unavailable) as refused:
        preview(world, draft)
    assert "other previews" in refused.value.what
    with impact._turn, pytest.raises(Unavailable):
        preview(world, draft)
    assert preview(world, draft).draft_id == draft


def test_it_is_held_against_the_last_release_even_if_the_draft_is_older(world: World) -> None:
    sampled(world, "TC-1", 23.0)
    old = changed(world)
    released(world)  # "high" begins at 24 there, too
    assert preview(world, old).classes_changed == 0
    assert preview(world, old).release == 2


def test_a_draft_of_a_region_without_a_release_gives_every_value_its_first_class(world: World) -> None:
    sampled(world, "TC-1", 23.0)
    draft = begun(world)
    with world.site.database.housekeeping(operator()) as look:
        look.connection.execute(schema.table_draft.update().values(base_id=None))
        look.connection.execute(
            schema.table_release.delete().where(schema.table_release.c.book == "marrowdale")
        )
    found = preview(world, draft)
    flow = next(each for each in found.flows if each.analyte == "P")
    assert (found.release, moves(flow)) == (None, {("no-table", "high"): 1})
    p2o5 = next(each for each in found.amounts if each.nutrient == "P2O5")
    assert [(each.reason, each.samples) for each in p2o5.gained] == [("", 1)]


# ---------------------------------------------------------------------------------------- the draft's report


def test_the_report_of_a_draft_is_marked_and_names_nobody(world: World) -> None:
    land = sampled(world, "TC-1", 23.0, comment="Ask E. Marlowe-Quint about the creek.")
    draft = changed(world)
    made = impactreport.draft_report(world.site, world.caller("agronomist"), draft, land.visits[0])
    assert made.advice.draft
    assert (made.advice.field_id, made.advice.grower_name, made.advice.farm_name) == ("TC-1", "", "")
    (p2o5,) = (each for each in made.advice.amounts if each.nutrient == "P2O5")
    assert p2o5.rate == 55.0  # 9.5 t/ha times 6 kg/t is 57; by the release it is half of it
    text = made.advice.model_dump_json() + made.card.model_dump_json()
    for name in (GROWER, FARM, "Marlowe", "Thistlecombe", "Long Meadow", "creek"):
        assert name not in text
    report = build_report(made.advice, made.card)
    assert report.band.startswith("DRAFT TABLES")
    assert [each.value for each in report.back_facts if each.label == "Customer"] == ["not stated"]


def test_the_report_of_a_draft_is_a_pdf_with_the_mark_on_every_page(lite_world: World) -> None:
    land = sampled(lite_world, "TC-1", 23.0)
    draft = changed(lite_world)
    client = lite_world.client("agronomist")
    answer = client.get(f"/tables/drafts/{draft}/impact/fields/{land.visits[0]}/report.pdf")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/pdf"
    done = subprocess.run(
        ["pdftotext", "-layout", "-", "-"], input=answer.content, capture_output=True, check=True
    )
    pages = done.stdout.decode().split("\f")[:-1]
    assert len(pages) >= 2
    assert all("DRAFT TABLES" in page for page in pages)
    assert not any(name in page for page in pages for name in (GROWER, FARM, "Long Meadow"))


def test_a_visit_of_another_region_or_without_values_has_no_report(world: World) -> None:
    land = add_field(world, "EMPTY")
    empty = add_visit(world, land)
    draft = changed(world)
    caller = world.caller("agronomist")
    with pytest.raises(Invalid) as refused:
        impactreport.draft_report(world.site, caller, draft, empty)
    assert "nothing to report" in refused.value.what
    with world.site.database.housekeeping(operator()) as look:
        look.connection.execute(schema.field.update().values(region="uk"))
    with pytest.raises(NotFound):
        impactreport.draft_report(world.site, caller, draft, empty)


# ------------------------------------------------------------------------------------------------- the page


@pytest.mark.parametrize("language", ["en", "es"])
def test_every_reason_has_words(language: str) -> None:
    w = words(language)
    for key in (*REFUSALS, *RATE_REFUSALS):
        assert w.has(f"impact.reason-{key or 'not-asked'}"), key


def test_the_page_asks_first_and_works_out_what_is_asked(lite_world: World) -> None:
    sampled(lite_world, "TC-1", 23.0, 30.0)
    draft = changed(lite_world)
    client = lite_world.client("agronomist")
    path = f"/tables/drafts/{draft}/impact"
    first = client.get(path).text
    assert 'value="2026" checked' in first
    assert 'role="img"' not in first
    page = client.get(f"{path}?go=1&years=2026&counties=upper&crops=maize").text
    assert "1 of 2 values change, 50.0 %." in page
    assert "Picture: how values of" in page
    assert f'href="{path}/fields/' in page
    assert "<ol><li>" in page


def test_the_page_names_what_was_typed_wrong(lite_world: World) -> None:
    draft = changed(lite_world)
    client = lite_world.client("agronomist")
    answer = client.get(f"/tables/drafts/{draft}/impact?go=1&as_if=soon")
    assert answer.status_code == 422
    assert 'id="e-as_if"' in answer.text
    answer = client.get(f"/tables/drafts/{draft}/impact?go=1&counties=nowhere")
    assert answer.status_code == 422
    assert "choose counties from the list" in answer.text


def test_names_that_an_agronomist_typed_are_escaped_in_the_picture() -> None:
    drawing = flow(["<b>low"], ["<b>high"], [[3]], ("Before", "After"), str)
    assert "<b>" not in drawing.inside
    assert "&lt;b&gt;low" in drawing.inside


def test_a_ribbon_that_moves_is_never_too_thin_to_be_seen_and_has_its_number() -> None:
    drawing = flow(["low", "high"], ["low", "high"], [[99_999, 1], [0, 0]], ("Before", "After"), str)
    assert ">1</text>" in drawing.inside
    assert 'fill="#4a4a4a"' in drawing.inside


def test_bars_of_changes_stand_on_either_side_of_nought() -> None:
    drawing = spread([(-10.0, 0.0, 4), (0.0, 10.0, 2)], "kg/ha", str, str)
    assert ">4</text>" in drawing.inside
    assert ">-10.0</text>" in drawing.inside
    assert ">10.0</text>" in drawing.inside
