"""The demo scenario on a server: an invented laboratory, its samples and runs, through the same actions."""

from __future__ import annotations

from dataclasses import dataclass

from interpretation.results import Verdict
from service.actions.bench import confirm_run, decide, upload_run
from service.actions.card import OF_ONE_PAGE, read_laboratory
from service.actions.registering import register_list
from service.actions.releasing import release_run
from service.actions.runviews import show_run
from service.callers import Caller, Right, operator
from service.paths import demo_directory
from service.refusals import Conflict
from service.samplefiles import read_bench, read_samples
from service.site import Site
from service.store import laboratories, samples, values
from service.store.laboratories import County
from service.uploads import Upload

COUNTIES = (
    County(id="upper-marrow", name="Upper Marrow (invented)", region="marrowdale"),
    County(id="lower-marrow", name="Lower Marrow (invented)", region="marrowdale"),
)
# Run files in the order they were read on the bench: file, layout, side file, the run it is a rerun of.
RUNS = (
    ("bray-p.csv", "point-comma", "", ""),
    ("nitrate.csv", "point-comma", "", ""),  # drifts, and is held
    ("nitrate-rerun.csv", "point-comma", "", "QW-0413-N"),
    ("cec.csv", "point-comma", "", ""),
    ("olsen-p-by-hand.csv", "comma-semicolon", "olsen-p-by-hand.header.yaml", ""),
)
WHY_HELD = "the checks hold this run: it is read again"


@dataclass(frozen=True)
class Demo:
    """What was loaded."""

    laboratory_id: int
    counties: tuple[str, ...]
    samples: int
    released: tuple[str, ...]  # names of runs
    held: tuple[str, ...]
    typed: int  # values of other benches


def load_demo(site: Site) -> Demo:
    """Load the demo scenario: everything in it is invented, and every page made from it says so.

    Raises
    ------
    Conflict
        If its laboratory is there already.
    """
    caller = operator(_add_laboratory(site))
    laboratory_id = caller.scope.laboratory_id
    assert laboratory_id is not None
    registered = register_list(site, caller, demo_directory() / "samples.csv")
    typed = _type_bench(site, caller)
    released: list[str] = []
    held: list[str] = []
    for file, layout, side, replaces in RUNS:
        name, verdict = _run(site, caller, file, layout, side, replaces)
        (released if verdict is Verdict.ACCEPT else held).append(name)
    counties = tuple(county.id for county in COUNTIES)
    return Demo(laboratory_id, counties, registered.samples, tuple(released), tuple(held), typed)


def _add_laboratory(site: Site) -> int:
    folder = demo_directory()
    card = read_laboratory(folder / "laboratory.yaml").model_dump(mode="json", exclude=set(OF_ONE_PAGE))
    limits = (folder / "limits.yaml").read_text("utf-8")
    with site.database.change(operator(), Right.MANAGE_ACCOUNTS) as change:
        if any(each.name == card["name"] for each in laboratories.laboratories(change)):
            raise Conflict(
                "the demo scenario is there already",
                where=card["name"],
                expected="a server without it",
                fix="use the one that is there, or begin with an empty data folder",
            )
        laboratory_id = laboratories.add_laboratory(change, card)
        laboratories.set_limits(change, laboratory_id, limits)
        change.note("add", "laboratory", laboratory_id, after=card)
        there = {county.id for county in laboratories.counties(change)}
        for county in COUNTIES:
            if county.id not in there:
                laboratories.add_county(change, county)
                change.note("add", "county", county.id, after=county.model_dump(exclude={"id"}))
    return laboratory_id


def _type_bench(site: Site, caller: Caller) -> int:
    """Store the values that other benches of the laboratory have found."""
    folder = demo_directory()
    frame = read_bench(folder / "bench.csv", read_samples(folder / "samples.csv").context)
    with site.database.change(caller, Right.TYPE_VALUES) as change:
        ids = samples.ids_of(change, dict.fromkeys(frame["lab_number"]))
        put = values.put(change, values.new_values(frame, ids))
        change.note("type", "values", "bench.csv", after={"values": put.stored})
    return put.stored


def _run(
    site: Site, caller: Caller, file: str, layout: str, side: str, replaces: str
) -> tuple[str, Verdict | None]:
    """Upload, confirm and judge one run, and release it where its checks allow."""
    folder = demo_directory()
    beside = Upload(side, (folder / side).read_bytes()) if side else None
    run = Upload(file, (folder / file).read_bytes())
    run_id = upload_run(site, caller, run, side=beside, layout=layout, replaces=replaces)
    confirm_run(site, caller, run_id, version=1)
    view = show_run(site, caller, run_id)
    verdict = view.sheet.verdict if view.sheet else None
    if verdict is Verdict.ACCEPT:
        decide(site, caller, run_id, 2, "accepted")
        release_run(site, caller, run_id, version=3)
    else:
        decide(site, caller, run_id, 2, "held", WHY_HELD)
    return view.header.run_id, verdict
