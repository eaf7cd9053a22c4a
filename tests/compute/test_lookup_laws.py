"""What the check promises, the lookup keeps: sound tables are never ambiguous, overlapping ones are."""

from datetime import date, timedelta
from itertools import product

from hypothesis import given
from hypothesis import strategies as st

from interpretation.agronomy.lookup import rate_applying, scale_applying
from interpretation.agronomy.scope_rules import overlaps
from interpretation.agronomy.tables import RateTable, ScaleTable, TableSet
from interpretation.errors import NoTableApplies

DAYS = [date(2026, 1, 1) + timedelta(days=n) for n in range(6)]
CROPS, TEXTURES, METHODS = ("maize", "potato"), ("sand", "clay"), ("bray", "olsen")
SOILS = ("light", "heavy")
SCOPE = st.fixed_dictionaries(
    {
        "crops": st.sampled_from(["any", ("maize",), ("potato",), CROPS]),
        "textures": st.sampled_from([(), ("sand",), TEXTURES]),
        "soil_groups": st.sampled_from([(), ("light",), ("heavy",)]),
        "effective_from": st.sampled_from(DAYS),
        "effective_to": st.sampled_from([None, *DAYS]),
    }
)
COMMON = {"region": "vale", "sources": ("s",), "standing": "invented", "analyte": "P", "basis": "air-dry"}


def ambiguous(find, tables, **asked):
    try:
        find(tables, region="vale", **asked)
    except NoTableApplies as error:
        return error.failed == ("ambiguous",)
    return False


@given(st.lists(st.tuples(SCOPE, st.sampled_from(METHODS)), max_size=4))
def test_scales(scopes):
    tables = [
        ScaleTable.model_validate(
            COMMON | scope | {
                "id": f"vale/{n}", "method": method, "depth_cm": (0, 20), "unit": "mg/kg", "round_to": 1,
                "classes": ({"name": "low", "from": 0}, {"name": "high", "from": 20}),
            }
        )
        for n, (scope, method) in enumerate(scopes)
    ]  # fmt: skip
    held = TableSet(scales={t.id: t for t in tables})
    kind = {"analyte": "P", "form": "P", "unit": "mg/kg", "basis": "air-dry", "depth_cm": (0, 20)}
    found = any(
        ambiguous(
            scale_applying, held, crop=crop, method=method, texture=texture, soil_group=soil, on=day, **kind
        )
        for crop, texture, soil, method, day in product(CROPS, TEXTURES, SOILS, METHODS, DAYS)
    )
    assert found == bool(list(overlaps(tables, "scales")))


@given(st.lists(st.tuples(SCOPE, st.sampled_from([None, *METHODS])), max_size=4))
def test_rates(scopes):
    tables = [
        RateTable.model_validate(
            COMMON | scope | {
                "id": f"vale/{n}", "method": method, "nutrient": "P2O5", "unit": "kg/ha", "round_to": 5,
                "formula": "1",
            }
        )
        for n, (scope, method) in enumerate(scopes)
    ]  # fmt: skip
    held = TableSet(rates={t.id: t for t in tables})
    measured = [("bray",), ("olsen",), METHODS]
    found = any(
        ambiguous(
            rate_applying,
            held,
            crop=crop,
            nutrient="P2O5",
            methods=methods,
            texture=texture,
            soil_group=soil,
            on=day,
        )
        for crop, texture, soil, methods, day in product(CROPS, TEXTURES, SOILS, measured, DAYS)
    )
    assert found == bool(list(overlaps(tables, "rates")))
