"""Places: GeoJSON read strictly, drawn to scale, and given out again."""

from __future__ import annotations

import json
import math
import re
from typing import Any

import pytest

from service.actions import advising, land, maps
from service.actions.geojson import MOST_FEATURES, MOST_POSITIONS, read_ground
from service.pages.drawing.ground import HEIGHT, WIDTH, Placed, drawn
from service.refusals import Invalid, NotAllowed
from tests.app.server.conftest import World
from tests.app.server.land import advised_land
from tests.app.server.tokens import program

RING = [[1.0, 52.0], [1.01, 52.0], [1.01, 52.01], [1.0, 52.0]]


def point(number: object = "004811", at: object = (1.002, 52.003)) -> dict[str, Any]:
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": at},
        "properties": {"lab_number": number},
    }


def polygon(code: object = "TC-1", rings: object = None) -> dict[str, Any]:
    shape = {"type": "Polygon", "coordinates": [RING] if rings is None else rings}
    return {"type": "Feature", "geometry": shape, "properties": {"field_id": code}}


def collection(*features: object, **more: object) -> bytes:
    return json.dumps({"type": "FeatureCollection", "features": features} | more).encode()


def test_points_and_outlines_are_read_and_rounded_to_a_centimetre() -> None:
    ground = read_ground(collection(point(at=[1.00212345678, 52, 31.5]), polygon("tc-1")))
    assert ground.points == {"004811": (1.0021235, 52.0)}
    assert ground.outlines == {"tc-1": {"type": "Polygon", "coordinates": [RING]}}


@pytest.mark.parametrize(
    ("content", "what", "where"),
    [
        (b"\xff\xfe", "not UTF-8", "file"),
        (b'{"type": ', "no JSON", "line 1"),
        (b"[" * 200_000, "nested too deeply", "file"),
        (b'{"type": "FeatureCollection", "features": [NaN]}', "NaN is no number", "file"),
        (b"1" * 5000, "too long", "file"),
        (b"[]", "no FeatureCollection", "file"),
        (collection(), "no features", "features"),
        (collection(point(), crs={"type": "name"}), "coordinate system", "crs"),
        (collection(*[0] * (MOST_FEATURES + 1)), "5001 features", "features"),
        (collection(point(), 7), "no feature", "feature 2"),
        (collection(point(), {"type": "Feature", "geometry": None}), "nothing", "feature 2"),
        (collection({"type": "Feature", "geometry": {"type": "LineString"}}), "LineString", "feature 1"),
        (collection(point(None)), "no lab_number", "feature 1"),
        (collection(point(4811)), "no lab_number", "feature 1"),  # a number loses its leading zeros
        (collection(point("x" * 65)), "no lab_number", "feature 1"),
        (collection(point("a\u0000b")), "no lab_number", "feature 1"),
        (collection(point(), point()), "two points", "feature 2"),
        (collection(polygon(), polygon("tc-1")), "two outlines", "feature 2"),
        (collection(point(at=[1.0])), "not two numbers", "feature 1"),
        (collection(point(at=[1.0, "52"])), "not two numbers", "feature 1"),
        (collection(point(at=[True, 52.0])), "not two numbers", "feature 1"),
        (collection(point(at=[1.0, 2.0, 3.0, 4.0])), "not two numbers", "feature 1"),
        (collection(point(at=[52.0, 91.0])), "nowhere", "feature 1"),
        (collection(point(at=[-180.1, 0.0])), "nowhere", "feature 1"),
        (collection(point(at=[10**400, 0])), "nowhere", "feature 1"),
        (collection(point()).replace(b"52.003", b"1e999"), "nowhere", "feature 1"),
        (collection(polygon(rings=[])), "no rings", "feature 1"),
        (collection(polygon(rings=[RING[:3]])), "fewer than four", "feature 1"),
        (collection(polygon(rings=[[*RING[:3], [1.5, 52.5]]])), "not closed", "feature 1"),
        (collection(polygon(rings=[RING * 501])), "too many corners", "feature 1"),
    ],
)  # fmt: skip
def test_a_file_that_is_not_as_described_is_refused_with_the_feature(
    content: bytes, what: str, where: str
) -> None:
    assert MOST_POSITIONS == 2000
    with pytest.raises(Invalid, match=what) as refused:
        read_ground(content)
    assert where in refused.value.where
    assert refused.value.expected


@pytest.mark.parametrize("at", [[180, 90], [-180, -90], [0, 0]])
def test_the_ends_of_the_earth_are_on_it(at: list[float]) -> None:
    assert read_ground(collection(point(at=at))).points["004811"] == tuple(at)


def test_places_are_set_all_or_none_on_what_is_ones_own(world: World) -> None:
    ours = advised_land(world)
    agent = world.caller("agent")
    ground = read_ground(collection(point(), polygon("tc-1")))
    assert maps.load_ground(world.site, agent, ground) == (1, 1)
    sample, other = advising.advised(world.site, agent, ours.visits[0]).samples
    assert (sample.longitude, sample.latitude, other.longitude) == (1.002, 52.003, None)
    outline = land.field(world.site, agent, ours.field).outline
    assert outline == {"type": "Polygon", "coordinates": [RING]}
    moved = read_ground(collection(point(at=[2.0, 50.0]), point("009999")))
    with pytest.raises(Invalid, match="1 of the samples are none of yours: 009999"):
        maps.load_ground(world.site, agent, moved)
    assert advising.advised(world.site, agent, ours.visits[0]).samples[0].longitude == 1.002
    with pytest.raises(Invalid, match="none of yours"):
        maps.load_ground(world.site, world.caller("other-agent"), ground)
    with pytest.raises(NotAllowed):
        maps.load_ground(world.site, world.caller("laboratory"), ground)


def test_the_map_is_to_scale_with_north_up() -> None:
    north = 52.0 + 100 / 111_195  # 100 m north of the first
    east = 1.0 + 100 / (111_195 * math.cos(math.radians(52.0)))
    placed = [Placed("a", (1.0, 52.0), 0), Placed("b", (1.0, north), 1), Placed("c", (east, 52.0), None)]
    shown = drawn(placed, None, ["low", "high"], "no class", 1)
    assert shown is not None
    a, b, c = shown.points
    metre = shown.bar_px / shown.bar_m
    assert (b.x, c.y) == (a.x, a.y)
    assert a.y - b.y == pytest.approx(100 * metre, abs=0.5)
    assert c.x - a.x == pytest.approx(100 * metre, abs=0.5)
    assert [p.letter for p in shown.points] == ["A", "B", "–"]
    assert [(mark.letter, mark.word) for mark in shown.legend] == [
        ("A", "low"),
        ("B", "high"),
        ("–", "no class"),
    ]
    assert len({p.fill for p in shown.points}) == 3
    assert shown.bar_m in (10, 20, 50, 100)


@pytest.mark.parametrize(
    ("places", "outline"),
    [
        ([(1.0, 52.0)], None),
        ([(1.0, 52.0), (1.0, 52.0)], None),
        ([(179.999, -17.0), (-179.999, -17.001)], None),  # a field across the 180th degree is one field
        ([(0.0, 90.0), (90.0, 89.999)], None),
        ([], {"type": "Polygon", "coordinates": [RING]}),
    ],
)
def test_every_map_fits_its_frame(places: list[tuple[float, float]], outline: dict[str, Any] | None) -> None:
    shown = drawn([Placed("x", place, None) for place in places], outline, [], "none", None)
    assert shown is not None
    corners = [(p.x, p.y) for p in shown.points]
    corners += [
        (float(x), float(y)) for ring in shown.rings for x, y in re.findall(r"([\d.]+) ([\d.]+)", ring)
    ]
    assert all(0 <= x <= WIDTH and 0 <= y <= HEIGHT for x, y in corners)
    assert 0 < shown.bar_px <= WIDTH / 4


def test_nothing_to_place_is_no_map() -> None:
    assert drawn([], None, ["low"], "none", None) is None


def test_the_page_shows_classes_by_letter_and_word_and_the_same_as_a_table(lite_world: World) -> None:
    ours = advised_land(lite_world)
    client = lite_world.client("agent")
    path = f"/visits/{ours.visits[0]}/map"
    assert "Nobody has said yet where" in client.get(path).text
    places = collection(point(), point("004812", [1.004, 52.004]), polygon())
    sent = client.post(
        "/places", data={"form_token": lite_world.form_token(client)}, files={"file": ("p.geojson", places)}
    )
    assert "places of 2 samples, outlines of 1 fields" in sent.text
    assert '<td class="number">1.00400°</td><td class="number">52.00400°</td>' in client.get(path).text
    page = client.get(path, params={"test": "P bray1-1:10-colour"}).text
    assert page.count("<circle") == 2 + 5  # two samples, five classes in the legend
    for text in ("52.00300", "A: very low", 'aria-current="page"', '<path d="M'):
        assert text in page, text
    assert "<script>" not in page
    wrong = client.post(
        "/places", data={"form_token": lite_world.form_token(client)}, files={"file": ("p", b"{}")}
    )
    assert (wrong.status_code, "no FeatureCollection" in wrong.text) == (422, True)


def test_what_goes_out_comes_in_again_and_names_nobody(lite_world: World) -> None:
    ours = advised_land(lite_world)
    agent, visit = lite_world.caller("agent"), ours.visits[0]
    maps.load_ground(lite_world.site, agent, read_ground(collection(point(), point("004812"), polygon())))
    answer = lite_world.client("agent").get(f"/visits/{visit}/map.geojson")
    assert answer.headers["content-type"] == "application/geo+json"
    assert 'filename="TC-1.2026-04-02.geojson"' in answer.headers["content-disposition"]
    assert "Marlowe" not in answer.text
    first = answer.json()["features"][0]["properties"]
    assert (first["P_value"], first["P_unit"], first["P_class"]) == (9, "mg/kg", "low")
    assert {"analyte", "form", "method", "value", "below", "unit", "basis", "class"} == set(
        first["results"][0]
    )
    again = read_ground(answer.content)
    assert set(again.points) == {"004811", "004812"}
    asking = program(lite_world, "agent")
    assert asking.get(f"/api/v1/visits/{visit}/geojson").json() == answer.json()
    put = asking.put("/api/v1/places", json=answer.json())
    assert put.json() == {"samples": 2, "fields": 1}
    assert asking.put("/api/v1/places", json={"type": "x"}).status_code == 422
