"""Which table holds: every edge of the scope, and what the refusal says."""

from datetime import date, datetime

import pytest

from interpretation.agronomy.lookup import in_force, rate_applying, scale_applying
from interpretation.agronomy.tables import RateTable, ScaleTable, TableSet
from interpretation.errors import NoTableApplies

NAN = float("nan")


def scale(table="vale/p-bray", **changes):
    fields = {
        "id": table, "region": "vale", "crops": ("maize", "soybean"), "analyte": "P", "method": "bray",
        "depth_cm": (0, 20), "unit": "mg/kg", "basis": "air-dry", "round_to": 1,
        "classes": ({"name": "low", "from": 0}, {"name": "high", "from": 20}),
        "effective_from": date(2026, 1, 1), "effective_to": date(2026, 12, 31),
        "sources": ("s",), "standing": "invented",
    }  # fmt: skip
    return ScaleTable.model_validate(fields | changes)


def rate(table="vale/p-rate", **changes):
    fields = {
        "id": table, "region": "vale", "crops": ("maize",), "nutrient": "P2O5", "analyte": "P",
        "method": "bray", "unit": "kg/ha", "formula": "20", "round_to": 5,
        "effective_from": date(2026, 1, 1), "sources": ("s",), "standing": "invented",
    }  # fmt: skip
    return RateTable.model_validate(fields | changes)


ASKED = {
    "region": "vale", "crop": "maize", "analyte": "P", "form": "P", "method": "bray", "unit": "mg/kg",
    "basis": "air-dry", "depth_cm": (0.0, 20.0), "texture": "", "on": date(2026, 5, 1),
}  # fmt: skip


def find(*tables, **changes):
    return scale_applying(TableSet(scales={t.id: t for t in tables}), **(ASKED | changes))


def find_rate(*tables, **changes):
    asked = {
        "region": "vale",
        "crop": "maize",
        "nutrient": "P2O5",
        "on": date(2026, 5, 1),
        "methods": ("bray",),
    }
    return rate_applying(TableSet(rates={t.id: t for t in tables}), **(asked | changes))


def test_the_table_that_matches_in_everything():
    assert find(scale()).id == "vale/p-bray"


@pytest.mark.parametrize("on", [date(2026, 1, 1), date(2026, 12, 31), datetime(2026, 12, 31, 23, 59)])  # noqa: DTZ001
def test_both_ends_of_the_period_belong_to_it(on):
    assert find(scale(), on=on).id == "vale/p-bray"


@pytest.mark.parametrize("on", [date(2025, 12, 31), date(2027, 1, 1)])
def test_the_days_beside_the_period_do_not(on):
    with pytest.raises(NoTableApplies, match=f"it holds from 2026-01-01 to 2026-12-31, not on {on}"):
        find(scale(), on=on)


def test_a_period_without_an_end_is_open():
    assert in_force(scale(effective_to=None), date(2199, 1, 1))


def test_a_new_table_takes_over_on_its_day():
    old = scale("vale/old", effective_to=date(2026, 4, 30))
    new = scale("vale/new", effective_from=date(2026, 5, 1))
    assert find(old, new, on=date(2026, 4, 30)).id == "vale/old"
    assert find(old, new, on=date(2026, 5, 1)).id == "vale/new"


@pytest.mark.parametrize(
    ("changes", "failed", "said"),
    [
        ({"method": "olsen"}, "method", "its method is bray, and this value's is olsen"),
        ({"basis": "oven-dry"}, "basis", "its basis is air-dry, and this value's is oven-dry"),
        ({"unit": "mg/dm3"}, "unit", "its unit is mg/kg, and this value's is mg/dm3"),
        ({"form": "P2O5"}, "form", "its form is P, and this value's is P2O5"),
        ({"crop": "potato"}, "crop", "it is for maize, soybean, not potato"),
        ({"depth_cm": (0.0, 30.0)}, "depth", "it is for 0-20 cm, and this sample is 0-30 cm"),
        ({"depth_cm": (0.0, NAN)}, "depth", "it is for 0-20 cm, and this sample is 0-nan cm"),
    ],
)
def test_one_thing_fails_and_is_named(changes, failed, said):
    with pytest.raises(NoTableApplies) as caught:
        find(scale(), **changes)
    assert caught.value.failed == (failed,)
    assert caught.value.what.endswith(f"The nearest is vale/p-bray, but {said}")


# 6 in = 15.24 cm is printed as 15; the tolerance is 0.5 cm.
@pytest.mark.parametrize(
    ("to_cm", "matches"), [(15.24, True), (15.5, True), (15.51, False), (14.5, True), (14.49, False)]
)
def test_depth_within_the_rounding_of_inches(to_cm, matches):
    table = scale(depth_cm=(0, 15))
    if matches:
        assert find(table, depth_cm=(0.0, to_cm)) is table
    else:
        with pytest.raises(NoTableApplies):
            find(table, depth_cm=(0.0, to_cm))


@pytest.mark.parametrize(
    ("texture", "said"), [("clay", "this soil is clay"), ("", "this soil has no known texture")]
)
def test_texture_is_needed_where_the_table_names_one(texture, said):
    table = scale(textures=("sand", "loamy sand"))
    assert find(table, texture="sand") is table
    with pytest.raises(NoTableApplies, match=f"it is for sand, loamy sand, and {said}"):
        find(table, texture=texture)


@pytest.mark.parametrize(
    ("soil_group", "said"), [("heavy", "this soil is heavy"), ("", "this soil has no known soil group")]
)
def test_soil_group_is_needed_where_the_table_names_one(soil_group, said):
    light, table = scale("vale/any"), scale(soil_groups=("light", "peaty"))
    assert find(table, soil_group="peaty") is table
    with pytest.raises(NoTableApplies, match=f"it is for soils light, peaty, and {said}") as caught:
        find(table, soil_group=soil_group)
    assert caught.value.failed == ("soil-group",)
    assert find(light, soil_group=soil_group) is light  # a table that names none holds for every soil
    with pytest.raises(NoTableApplies, match=f"soils light, peaty, and {said}") as caught:
        find_rate(rate(soil_groups=("light", "peaty")), soil_group=soil_group)
    assert caught.value.failed == ("soil-group",)
    assert find_rate(rate(soil_groups=("light",)), soil_group="light").id == "vale/p-rate"


def test_a_known_soil_group_is_told_with_what_was_asked():
    with pytest.raises(NoTableApplies, match="texture not known, soil group heavy, on 2026-05-01"):
        find(scale(), soil_group="heavy", method="olsen")


def test_of_two_equally_near_tables_the_one_of_the_same_method_is_named():
    olsen, other = scale("vale/olsen", method="olsen"), scale("vale/other", basis="oven-dry")
    with pytest.raises(NoTableApplies, match="The nearest is vale/other"):
        find(olsen, other)


def test_any_crop():
    assert find(scale(crops="any"), crop="potato").id == "vale/p-bray"


def test_another_regions_table_is_never_borrowed():
    with pytest.raises(NoTableApplies) as caught:
        find(scale(region="hill"))
    assert caught.value.failed == ("analyte",)
    assert "nearest" not in str(caught.value)


def test_the_refusal_names_everything():
    with pytest.raises(NoTableApplies) as caught:
        find(scale(), method="olsen", on=date(2020, 2, 3))
    assert str(caught.value) == (
        "vale: no scale of this region covers P by olsen in maize, mg/kg P, air-dry, 0-20 cm, "
        "texture not known, on 2020-02-03. The nearest is vale/p-bray, but it holds from 2026-01-01 to "
        "2026-12-31, not on 2020-02-03; its method is bray, and this value's is olsen\n"
        "Expected: a scale of vale that matches in crop, method, form, unit, basis, depth and day\n"
        "To fix it: add the table, or measure by the method the region's table is for; nothing is borrowed"
    )
    assert caught.value.failed == ("day", "method")


def test_two_tables_at_once_are_refused():
    with pytest.raises(NoTableApplies, match=r"two tables cover .*: vale/a, vale/b"):
        find(scale("vale/a"), scale("vale/b"))


def test_rate_no_table_means_no_recommendation():
    assert find_rate(rate(), nutrient="Zn") is None
    assert find_rate(rate(), crop="potato") is None
    assert find_rate(rate(), region="hill") is None


def test_rate_follows_the_method_the_sample_was_measured_by():
    bray, olsen, none = rate(), rate("vale/olsen", method="olsen"), rate("vale/n", nutrient="N", method=None)
    assert find_rate(bray, olsen) is bray
    assert find_rate(bray, olsen, methods=("olsen",)) is olsen
    assert find_rate(bray, olsen, methods=("olsen", "bray")) is olsen  # the preferred one comes first
    assert find_rate(bray, none, nutrient="N", methods=()) is none
    with pytest.raises(
        NoTableApplies, match="its method is bray, and this sample was measured by mehlich"
    ) as caught:
        find_rate(bray, methods=("mehlich",))
    assert caught.value.failed == ("method",)


def test_rate_day_texture_and_depth():
    with pytest.raises(NoTableApplies, match="it holds from 2026-01-01 onwards"):
        find_rate(rate(), on=date(2025, 12, 31))
    with pytest.raises(NoTableApplies, match="no known texture"):
        find_rate(rate(textures=("sand",)))
    deep = rate(depth_cm=(0, 60))
    assert find_rate(deep) is deep  # depth not compared when not asked
    with pytest.raises(NoTableApplies, match="0-60 cm, and this sample is 0-20 cm"):
        find_rate(deep, depth_cm=(0.0, 20.0))


def test_two_rate_tables_at_once_are_refused():
    with pytest.raises(NoTableApplies, match="two tables cover"):
        find_rate(rate("vale/a"), rate("vale/b"))
