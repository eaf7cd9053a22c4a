"""What a change of tables can reach: all the rest stays, and what is worked out is what ``advise`` gives."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pandas as pd
import pytest

from interpretation.agronomy.advise import advise
from interpretation.agronomy.impact import changed, narrowed, touched
from interpretation.agronomy.tally import Tally, bins, quantiles
from interpretation.quantities import KG_PER_HA
from interpretation.soil_values import COLUMNS
from service.paths import tables_directory
from service.tablefiles import read_tables
from tests import small_world as build

REGIONS = ("marrowdale", "uk-2010", "nebraska", "oklahoma", "north-dakota")
SAMPLES = 80
OUT = ("refusal", "class_index", "table")


@pytest.fixture(scope="module")
def tables():
    return read_tables(tables_directory())


def drawn(tables, region):
    """Samples of a region with values by every method that its tables name, and the two pH of any soil."""
    draw = np.random.default_rng(sum(map(ord, region)))
    of_region = [each for each in (*tables.scales.values(), *tables.rates.values()) if each.region == region]
    crops = sorted({crop for each in of_region if each.crops != "any" for crop in each.crops} or {"maize"})
    textures = ["", *sorted({texture for each in of_region for texture in each.textures})]
    groups = ["", *tables.regions[region].soil_groups]
    depths = sorted({each.depth_cm for each in of_region if each.depth_cm}) or [(0.0, 20.0)]
    days = sorted({each.effective_from + timedelta(days=400) for each in of_region})[:3]
    known = build.samples({"lab_number": "0"})
    rows = []
    for n in range(SAMPLES):
        depth = depths[int(draw.integers(len(depths)))]
        crop = tables.crops[str(draw.choice(crops))]
        rows.append(
            known.iloc[0].to_dict()
            | {
                "lab_number": f"{n}", "field_id": f"{n}", "region": region, "crop": crop.id,
                "yield_goal": float(draw.uniform(0.9 * crop.yield_from, 1.1 * crop.yield_to)),
                "yield_unit": "", "previous_crop": str(draw.choice(["", *crops])),
                "texture": str(draw.choice(textures)), "soil_group": str(draw.choice(groups)),
                "depth_from_cm": depth[0], "depth_to_cm": depth[1],
                "sampled_on": pd.Timestamp(days[int(draw.integers(len(days)))]),
                "bulk_density_g_per_cm3": float(draw.choice([1.3, np.nan])),
                "lime_percent": float(draw.choice([0.0, 3.0, np.nan])),
            }
        )  # fmt: skip
    context = pd.DataFrame(rows).astype(known.dtypes.to_dict())
    named = {each.method for each in of_region if each.method} | {"ph-water-1:1", "om-loi-360"}
    methods = [tables.methods[name] for name in sorted(named)]
    values = []
    for row in rows:
        for method in methods:
            if draw.random() < 0.25:
                continue
            usual = {"pH": 6.2, "%": 3.0, "mg/kg": 25.0}.get(method.unit, 20.0)
            value = (
                usual + float(draw.normal(0, 0.7))
                if method.unit == "pH"
                else usual * float(draw.lognormal(0, 1))
            )
            censored = draw.random() < 0.05
            values.append({
                "lab_number": row["lab_number"], "analyte": method.analyte, "form": method.form,
                "method": method.id, "value": np.nan if censored else round(value, 2), "unit": method.unit,
                "basis": method.basis, "standard_uncertainty": np.nan, "below": 2.0 if censored else np.nan,
                "depth_from_cm": row["depth_from_cm"], "depth_to_cm": row["depth_to_cm"],
                "sampled_on": row["sampled_on"], "origin": "",
            })  # fmt: skip
    return pd.DataFrame(values, columns=list(COLUMNS)).astype(COLUMNS), context


def moved(scale, step=3):
    """The scale with every bound but the first some rounding steps higher."""
    first, *others = scale.classes
    higher = [one.model_copy(update={"lower": one.lower + step * scale.round_to}) for one in others]
    return scale.model_copy(update={"classes": (first, *higher)})


def changes(tables, region):
    """Tables with one thing different: a scale, its rounding, a scale less, a rate's step, cap and period."""
    scales = [each for each in tables.scales.values() if each.region == region]
    rates = [each for each in tables.rates.values() if each.region == region]
    of_ph = [each for each in scales if each.analyte in ("pH", "organic-matter")]
    for scale in (*scales[:1], *of_ph[:1]):
        yield replace(tables, scales=tables.scales | {scale.id: moved(scale)})
    for scale in (*scales[-1:], *of_ph[-2:]):
        coarser = scale.model_copy(update={"round_to": scale.round_to * 5})
        yield replace(tables, scales=tables.scales | {scale.id: coarser})
        yield replace(tables, scales={name: each for name, each in tables.scales.items() if name != scale.id})
    for rate in rates[-1:]:
        yield replace(
            tables, rates=tables.rates | {rate.id: rate.model_copy(update={"round_to": rate.round_to * 3})}
        )
        later = rate.model_copy(
            update={"effective_from": rate.effective_from + timedelta(days=500), "cap": 30.0}
        )
        yield replace(tables, rates=tables.rates | {rate.id: later})


def amounts(advice, nutrients=None):
    """(sample, nutrient) -> kg/ha or the reason for none."""
    found = {}
    for row in advice.rated.frame.to_dict("records"):
        if nutrients is None or row["nutrient"] in nutrients:
            kg = (
                None
                if pd.isna(row["rate"])
                else row["rate"] * KG_PER_HA[advice.tables.rates[row["table"]].unit]
            )
            found[row["sample"], row["nutrient"]] = (kg, row["refusal"], row["refusal_detail"])
    return found


def classed(advice, analytes=None):
    """(sample, method) -> name of the class or the reason for none."""
    found = {}
    for row in advice.classed.frame.to_dict("records"):
        if analytes is None or row["analyte"] in analytes:
            index = row["class_index"]
            name = advice.tables.scales[row["table"]].classes[index].name if index >= 0 else row["refusal"]
            found[row["sample"], row["analyte"], row["method"]] = name
    return found


def without(found, place, names):
    return {key: value for key, value in found.items() if key[place] not in names}


@pytest.mark.parametrize("region", REGIONS)
def test_what_can_differ_is_worked_out_as_advise_does_and_the_rest_stays(tables, region):
    soil, context = drawn(tables, region)
    whole_before = advise(soil, tables, context)
    classes_before, amounts_before = classed(whole_before), amounts(whole_before)
    different = 0
    for other in changes(tables, region):
        whole_after = advise(soil, other, context)
        classes_after, amounts_after = classed(whole_after), amounts(whole_after)
        reach = touched(tables, other)
        some = soil[soil["analyte"].isin(reach.needed)]
        before, after = (advise(some, narrowed(each, reach, region), context) for each in (tables, other))
        for whole, narrow in ((classes_before, before), (classes_after, after)):
            assert classed(narrow, reach.analytes) == {
                k: v for k, v in whole.items() if k[1] in reach.analytes
            }
        for whole, narrow in ((amounts_before, before), (amounts_after, after)):
            assert amounts(narrow) == {k: v for k, v in whole.items() if k[1] in reach.nutrients}
        assert without(classes_before, 1, reach.analytes) == without(classes_after, 1, reach.analytes)
        assert without(amounts_before, 1, reach.nutrients) == without(amounts_after, 1, reach.nutrients)
        different += classes_before != classes_after or amounts_before != amounts_after
        _same_counts(before, after, reach, classes_before, classes_after, amounts_before, amounts_after)
    assert different, "changes that change nothing prove nothing"


def _same_counts(before, after, reach, classes_before, classes_after, amounts_before, amounts_after):
    """The tally counts what a plain loop over the whole advice counts."""
    tally = Tally(reach.analytes, reach.nutrients)
    tally.add(before, after)
    n = len(before.context)
    moves = {}
    for key, was in classes_before.items():
        if key[1] in reach.analytes:
            of_method = moves.setdefault(key[1:], {})
            of_method[was, classes_after[key]] = of_method.get((was, classes_after[key]), 0) + 1
    told = {
        (flow.analyte, flow.method): {
            (one.name, two.name): number
            for one, row in zip(flow.before, flow.counts, strict=True)
            for two, number in zip(flow.after, row, strict=True)
            if number
        }
        for flow in tally.flows()
    }
    assert told == moves
    visit = np.arange(n) // 2  # two samples a visit
    area = np.where(np.arange(n // 2) % 3 == 0, np.nan, 4.0)
    for one in tally.amounts(visit, area):
        kg = [
            [found.get((sample, one.nutrient), (None, "", ""))[0] for sample in range(n)]
            for found in (amounts_before, amounts_after)
        ]
        both = [i for i in range(n) if kg[0][i] is not None and kg[1][i] is not None]
        gained = [i for i in range(n) if kg[0][i] is None and kg[1][i] is not None]
        lost = [i for i in range(n) if kg[0][i] is not None and kg[1][i] is None]
        assert one.samples == len(both)
        assert (one.more, one.less) == (
            sum(kg[1][i] > kg[0][i] for i in both), sum(kg[1][i] < kg[0][i] for i in both),
        )  # fmt: skip
        assert sum(each.samples for each in one.gained) == len(gained)
        assert sum(each.samples for each in one.lost) == len(lost)
        assert sum(each.samples for each in one.bins) == one.more + one.less
        share = {i: area[visit[i]] / sum(visit[j] == visit[i] for j in both) for i in both}
        known = {i: each for i, each in share.items() if not np.isnan(each)}
        assert one.total_before_kg == pytest.approx(sum(kg[0][i] * each for i, each in known.items()))
        assert one.total_after_kg == pytest.approx(sum(kg[1][i] * each for i, each in known.items()))
        assert one.area_ha == pytest.approx(sum(known.values()))


def test_words_about_a_table_reach_nothing():
    scale, rate = build.scale(), build.rate(formula="10")
    before = build.world(scale, rate)
    told = {"title": "Renamed", "remark": "Looked at again.", "sources": ("another",)}
    after = replace(
        before, scales={scale.id: scale.model_copy(update=told)},
        rates={rate.id: rate.model_copy(update=told | {"materials": ("tsp",)})},
    )  # fmt: skip
    assert changed(before, after, "scales") == ()
    assert touched(before, after).nothing


def test_a_scale_reaches_the_amounts_that_read_its_analyte():
    scale = build.scale()
    by_test = build.rate(analyte="P", method="bray", by_class={"low": 30, "medium": 20, "high": 0})
    by_name = build.rate(id="vale/k2o", nutrient="K2O", formula="50 - p_mg_per_kg")
    by_neither = build.rate(id="vale/n", nutrient="N", formula="20 * yield_goal")
    before = build.world(scale, by_test, by_name, by_neither, build.method())
    reach = touched(before, replace(before, scales={scale.id: moved(scale)}))
    assert reach.analytes == {"P"}
    assert reach.nutrients == {"P2O5", "K2O"}


def test_a_scale_of_ph_reaches_every_method_that_is_not_valid_on_all_soils():
    of_ph = build.scale(
        id="vale/ph", analyte="pH", method="ph-water-1:1", unit="pH", basis="none", round_to=0.1,
        classes=build.classes(acid=0, neutral=6),
    )  # fmt: skip
    limited = build.method(valid_ph_max=7.4, use_instead="olsen")
    others = build.method(id="k", analyte="K", form="K")
    before = build.world(of_ph, build.scale(), limited, others)
    after = replace(before, scales=before.scales | {of_ph.id: of_ph.model_copy(update={"round_to": 0.5})})
    assert touched(before, after).analytes == {"pH", "P"}


def test_bins_end_where_a_person_would_end_them():
    assert bins(np.array([])) == ()
    found = bins(np.array([-60.0, -5.0, 5.0, 10.0, 60.0]))  # 120 in at most 12 steps: steps of 10
    assert [(one.low_kg_per_ha, one.high_kg_per_ha, one.samples) for one in found] == [
        (-60, -50, 1), (-10, 0, 1), (0, 10, 2), (50, 60, 1),
    ]  # fmt: skip


def test_quantiles_of_nothing_are_not_told():
    assert quantiles(np.array([])) is None
    found = quantiles(np.array([0.0, 10.0, 20.0]))
    assert found is not None
    assert (found.least, found.median, found.most) == (0, 10, 20)
