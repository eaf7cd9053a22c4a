"""Batches drawn for real by processes of their own, into a folder and into a store, and handed out."""

from __future__ import annotations

import csv
import hashlib
import io
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pikepdf
import pytest

from service.actions import batches, batchfiles, printing, reporting
from service.actions.batches import BatchWish
from service.outputs import outputs_at
from service.refusals import NotFound, TooMany
from service.settings import read_settings
from service.store import schema
from service.work.drawing import make_ready
from service.work.executors import Crew, open_crew
from service.work.runner import run_job
from tests.app.server.batches import add_ready, items, rows, start, states, use_plain_pages, work
from tests.app.server.conftest import World
from tests.app.server.s3 import BUCKET, s3_store, stored, use_store


@pytest.fixture(scope="module")
def store() -> Iterator[str]:
    with s3_store() as address:
        yield address


@pytest.fixture(scope="module")
def crew(store: str) -> Iterator[Crew]:
    """Workers that know the way to the store, as they have our environment."""
    with pytest.MonkeyPatch.context() as patch:
        use_store(store, patch)
        with open_crew(read_settings(workers=2), make_ready) as crew:
            yield crew


@pytest.mark.parametrize("world", ["sqlite"], indirect=True)
def test_reports_go_to_a_folder_and_are_what_is_issued_by_hand(world: World, crew: Crew) -> None:
    lands = [add_ready(world, number, language="es" if number == 2 else "en") for number in (1, 2)]
    job_id = start(world)
    wishes = [reporting.Wish(language="en"), reporting.Wish(language="es")]
    caller = world.caller("laboratory")
    by_hand = [
        reporting.drawn(reporting.draft(world.site, caller, land.visits[0], wish))
        for land, wish in zip(lands, wishes, strict=True)
    ]
    assert run_job(world.site, job_id, crew) == "done"
    assert states(world) == ["done"] * 2
    folder = world.site.settings.data / "reports" / "batch-000001-20260420090000"
    there = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert [there[row.file_name] for row in items(world)] == by_hand


@pytest.mark.parametrize("world", ["postgresql"], indirect=True)
def test_reports_go_to_a_store(world: World, crew: Crew, monkeypatch: pytest.MonkeyPatch) -> None:
    for number in (1, 2):
        add_ready(world, number)
    settings = world.site.settings.model_copy(update={"outputs": f"s3://{BUCKET}/spring"})
    world.site = replace(world.site, settings=settings)
    assert run_job(world.site, start(world), crew) == "done"
    documents = {row.sha256: bytes(row.content) for row in rows(world, schema.document)}
    home = "spring/batch-000001-20260420090000"
    assert stored() == {f"{home}/{row.file_name}": documents[row.file_sha256] for row in items(world)}
    outputs_at(settings.outputs_url).remove(home.partition("/")[2], [items(world)[0].file_name])
    assert len(stored()) == 1


# ------------------------------------------------------------------------------------- handed out


@pytest.fixture
def handed(lite_world: World, monkeypatch: pytest.MonkeyPatch) -> tuple[World, int]:
    """Four reports: of one grower in a county, and of two in another, one of them with two fields."""
    use_plain_pages(lite_world, monkeypatch)
    for number, county, who, name in (
        (1, "lower", "Ada Reed", "=Plot, 1"), (2, "upper", "Ben Sallow", "Plot 2"),
        (3, "upper", "Ben Sallow", "Plot 3"), (4, "upper", "", "Plot 4"),
    ):  # fmt: skip
        land = add_ready(lite_world, number, county=county)
        with lite_world.site.database.housekeeping(lite_world.caller("laboratory")) as look:
            execute = look.connection.execute
            grower = 2 if number == 3 else land.grower
            execute(schema.farm.update().where(schema.farm.c.id == land.farm).values(grower_id=grower))
            execute(
                schema.grower.update()
                .where(schema.grower.c.id == land.grower)
                .values(name=who, address="7 Mill Lane\nFord" if number == 2 else "")
            )
            execute(schema.field.update().where(schema.field.c.id == land.field).values(name=name))
    job_id = start(lite_world, BatchWish(paper="letter"))
    work(lite_world, job_id)
    assert states(lite_world) == ["done"] * 4
    return lite_world, job_id


def test_an_archive_holds_every_report_and_a_list_without_formulas(handed: tuple[World, int]) -> None:
    world, job_id = handed
    made = batchfiles.archive(world.site, world.caller("laboratory"), job_id)
    assert made.name == "batch-000001-20260420090000.zip"
    pieces = list(made.pieces)
    assert len(pieces) == 5, "it is written as it is read"
    with zipfile.ZipFile(io.BytesIO(b"".join(pieces))) as archive:
        assert archive.testzip() is None
        home = made.name.removesuffix(".zip")
        listed = list(csv.DictReader(io.StringIO(archive.read(f"{home}/index.csv").decode())))
        assert sorted(archive.namelist()) == sorted(
            [f"{home}/index.csv", *(f"{home}/{row['file']}" for row in listed)]
        )
        for row in listed:
            assert hashlib.sha256(archive.read(f"{home}/{row['file']}")).hexdigest() == row["sha256"]
    assert [row["field_name"] for row in listed] == ["'=Plot, 1", "Plot 2", "Plot 3", "Plot 4"]
    assert [row["number"] for row in listed] == ["1", "2", "3", "4"]


def test_only_a_few_archives_are_read_at_once_and_room_is_made_again(handed: tuple[World, int]) -> None:
    world, job_id = handed
    caller = world.caller("laboratory")
    opened = [batchfiles.archive(world.site, caller, job_id) for _ in range(3)]
    with pytest.raises(TooMany, match="several archives are being read already"):
        batchfiles.archive(world.site, caller, job_id)
    next(opened[0].pieces)
    opened.clear()  # nobody reads on
    assert b"".join(batchfiles.archive(world.site, caller, job_id).pieces)
    assert batchfiles._archiving._value == 3  # type: ignore[attr-defined]


def test_nothing_is_handed_out_before_anything_is_issued(lite_world: World) -> None:
    add_ready(lite_world, 1)
    job_id, caller = start(lite_world), lite_world.caller("laboratory")
    assert batchfiles.parts(lite_world.site, caller, job_id) == 0
    with pytest.raises(NotFound, match="no report of this batch was issued yet"):
        batchfiles.archive(lite_world.site, caller, job_id)
    with pytest.raises(NotFound, match="no such part"):
        batchfiles.print_part(lite_world.site, caller, job_id, 1, duplex=False)
    with pytest.raises(NotFound, match="there is no such batch"):
        batchfiles.archive(lite_world.site, lite_world.caller("other-agent"), job_id)


def pages(count: int) -> bytes:
    """A file of so many pages of Letter paper."""
    with pikepdf.new() as pdf:
        for _ in range(count):
            pdf.add_blank_page(page_size=(612, 792))
        written = io.BytesIO()
        pdf.save(written)
    return written.getvalue()


@pytest.mark.parametrize(
    ("duplex", "places"),
    [(False, [0, 1, 2, 5, 6, 7, 9, 12, 13]), (True, [0, 2, 4, 8, 10, 12, 14, 18, 20])],
)
def test_reports_are_bound_in_the_order_of_the_route_with_sheets_between(
    handed: tuple[World, int], monkeypatch: pytest.MonkeyPatch, duplex: bool, places: list[int]
) -> None:
    """Places: county, grower, report of 3 pages; county, grower, 2 and 3 pages; grower, 1 page."""
    world, job_id = handed
    counts = iter((3, 2, 3, 1))
    monkeypatch.setattr(batchfiles.documents, "get", lambda *_: pages(next(counts)))
    sheets: list[tuple[str, str, str]] = []

    def sheet(notice: object, paper: str) -> bytes:
        sheets.append((notice.title, notice.sentence, paper))  # type: ignore[attr-defined]
        return pages(1)

    monkeypatch.setattr(printing, "pdf", sheet)
    made = batchfiles.print_part(world.site, world.caller("laboratory"), job_id, 1, duplex=duplex)
    assert made.name == "batch-000001-20260420090000-001.pdf"
    assert sheets == [
        ("County: Lower", "1 grower, 1 report. 3 pages follow.", "letter"),
        ("Ada Reed", "1 report. 3 pages follow.", "letter"),
        ("County: Upper", "2 growers, 3 reports. 6 pages follow.", "letter"),
        ("Ben Sallow", "7 Mill Lane, Ford. 2 reports. 5 pages follow.", "letter"),
        ("No name given", "1 report. 1 page follows.", "letter"),
    ]
    with pikepdf.open(io.BytesIO(made.content)) as pdf, pdf.open_outline() as outline:
        assert len(pdf.pages) == (22 if duplex else 14)
        found = [
            pdf.pages.index(pikepdf.Page(each.destination[0]))
            for county in outline.root
            for each in (county, *(e for g in county.children for e in (g, *g.children)))
        ]
    assert found == places
    if duplex:
        assert all(place % 2 == 0 for place in found), "page 1 is a front, and so is every odd one"


def test_a_real_sheet_says_whose_reports_follow(handed: tuple[World, int]) -> None:
    world, job_id = handed
    with world.site.database.look(world.caller("laboratory"), None) as look:
        (file, *_) = batchfiles.batchfiles.issued(look, job_id, after=3)
    content = printing.merged([printing.Bound(file, pages(1))], "es", "Primavera", duplex=True)
    with pikepdf.open(io.BytesIO(content)) as pdf:
        assert len(pdf.pages) == 6
        assert [tuple(map(float, page.mediabox))[2:] for page in pdf.pages] == [(612, 792)] * 6
        assert (str(pdf.Root.Lang), "/StructTreeRoot" in pdf.Root) == ("es", False)
        assert pdf.open_metadata()["dc:title"] == "Primavera"


def test_parts_hold_so_many_reports_each(handed: tuple[World, int], monkeypatch: pytest.MonkeyPatch) -> None:
    world, job_id = handed
    caller = world.caller("laboratory")
    monkeypatch.setattr(batchfiles, "PER_PART", 3)
    monkeypatch.setattr(batchfiles.documents, "get", lambda *_: pages(1))
    monkeypatch.setattr(printing, "pdf", lambda *_: pages(1))
    assert batchfiles.parts(world.site, caller, job_id) == 2
    second = batchfiles.print_part(world.site, caller, job_id, 2, duplex=False)
    with pikepdf.open(io.BytesIO(second.content)) as pdf:
        assert len(pdf.pages) == 3  # county, grower, report
    assert Path(second.name).stem.endswith("-002")
    assert batches.one(world.site, caller, job_id).counts.done == 4
