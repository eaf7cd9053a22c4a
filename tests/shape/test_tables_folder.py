"""The shipped tables: complete, free of problems, data only, and explained."""

from datetime import date
from pathlib import Path

import numpy as np
import pytest

from interpretation.agronomy.formula import NAMES
from interpretation.agronomy.lookup import rate_applying, scale_applying
from interpretation.agronomy.rates import rates
from interpretation.agronomy.scope_rules import TEXTURES
from interpretation.agronomy.tables import Conversion, Crop, Material, RateTable, ScaleTable
from interpretation.methods import Standing
from service.tablefiles import check_directory, read_tables
from service.yamlfiles import load

FOLDER = Path(__file__).parents[2] / "tables"
CROPS = ("maize", "winter-wheat", "spring-barley", "soybean", "potato", "grass-clover")
TODAY = date(2026, 3, 15)


@pytest.fixture(scope="module")
def tables():
    return read_tables(FOLDER)


def test_no_error_and_no_warning():
    assert [str(problem) for problem in check_directory(FOLDER)] == []


def test_data_only():
    assert {path.suffix for path in FOLDER.rglob("*") if path.is_file()} == {".yaml", ".md"}


def test_a_file_is_named_like_its_record(tables):
    for kind in ("methods", "crops", "materials", "scales", "rates", "conversions"):
        stems = {path.stem for path in FOLDER.rglob(f"{kind}/*.yaml")}
        assert stems == {name.rpartition("/")[2].replace(":", "-") for name in getattr(tables, kind)}


def test_only_the_example_region_is_invented(tables):
    assert {r.id for r in tables.regions.values() if r.standing == "invented"} == {"marrowdale"}
    for table in (*tables.scales.values(), *tables.rates.values()):
        assert (table.standing == "invented") == (table.region == "marrowdale")
    for record in (*tables.methods.values(), *tables.materials.values(), *tables.notes.values()):
        assert record.standing != "invented"


def test_the_demo_crops_are_there(tables):
    assert set(tables.crops) >= set(CROPS)


@pytest.mark.parametrize("crop", CROPS)
@pytest.mark.parametrize(
    ("nutrient", "method"),
    [("N", None), ("P2O5", "bray1-1:10-colour"), ("P2O5", "olsen-1:20-colour"), ("K2O", "k-nh4oac"),
     ("S", "sulfate-mcp"), ("lime", "buffer-ph-sikora")],
)  # fmt: skip
def test_the_example_region_has_a_rate_for_every_crop(tables, crop, nutrient, method):
    found = rate_applying(
        tables,
        region="marrowdale",
        crop=crop,
        nutrient=nutrient,
        on=TODAY,
        methods=(method,) if method else (),
        depth_cm=(0, 20),
    )
    assert found is not None
    assert found.method == method


@pytest.mark.parametrize("crop", CROPS)
@pytest.mark.parametrize("texture", ["sandy loam", "clay loam"])
def test_the_example_region_has_a_scale_for_every_method_of_the_demo(tables, crop, texture):
    demo = ("bray1-1:10-colour", "olsen-1:20-colour", "kcl-1:10-nitrate-colour", "k-nh4oac", "ca-nh4oac",
            "mg-nh4oac", "cec-nh4oac-displaced", "sulfate-mcp", "zn-dtpa", "om-loi-360", "ph-water-1:1",
            "ec-saturation-extract")  # fmt: skip
    for method in (tables.methods[name] for name in demo):
        assert scale_applying(
            tables, region="marrowdale", crop=crop, analyte=method.analyte, form=method.form,
            method=method.id, unit=method.unit, basis=method.basis, depth_cm=(0, 20), texture=texture,
            on=TODAY,
        )  # fmt: skip


# The edition of 2023 ends on the last day of 2024: low begins at 8 in it, at 7 from 2025 on.
@pytest.mark.parametrize(
    ("on", "low"), [(date(2023, 1, 1), 8), (date(2024, 12, 31), 8), (date(2025, 1, 1), 7)]
)
def test_editions_follow_each_other_without_a_gap(tables, on, low):
    scale = scale_applying(
        tables, region="marrowdale", crop="maize", analyte="P", form="P", method="bray1-1:10-colour",
        unit="mg/kg", basis="air-dry", depth_cm=(0, 20), texture="", on=on,
    )  # fmt: skip
    assert scale.classes[1].lower == low


def rate(tables, name, **columns):
    given = {key: np.array([value]) for key, value in columns.items()}
    scale = tables.scales["marrowdale/phosphorus-bray1"]
    found = rates(tables.rates[f"marrowdale/{name}"], given, 1, tuple(c.name for c in scale.classes))
    assert found.missing.tolist() == [""]
    return found.rate.item()


NO_CREDIT = {"om_percent": 2.0, "previous_crop": "maize", "manure_n_kg_per_ha": 0.0, "nitrate_kg_per_ha": 0.0}


def test_amounts_by_hand(tables):
    # 16 x 10 = 160
    assert rate(tables, "n-maize", yield_goal=10.0, **NO_CREDIT) == 160
    # 160 - 0.7 x 26 - min(40, 12 x (3 - 2)) - 30 - 20 = 79.8, to steps of 5: 80
    some = {
        "nitrate_kg_per_ha": 26.0,
        "om_percent": 3.0,
        "previous_crop": "soybean",
        "manure_n_kg_per_ha": 20.0,
    }
    assert rate(tables, "n-maize", yield_goal=10.0, **some) == 80
    # 16 x 12 = 192, capped at 180
    assert rate(tables, "n-maize", yield_goal=12.0, **NO_CREDIT) == 180
    assert rate(tables, "n-soybean", yield_goal=3.0) == 0
    # very low: 36 + 6 x 9 = 90; high: 0.5 x 6 x 9 = 27, to steps of 5: 25
    assert rate(tables, "p2o5-arable-bray1", class_index=0.0, yield_goal=9.0, manure_p2o5_kg_per_ha=0.0) == 90
    assert rate(tables, "p2o5-arable-bray1", class_index=3.0, yield_goal=9.0, manure_p2o5_kg_per_ha=0.0) == 25
    # steps of Olsen: 11.9 is below 12 (60), 12 begins the next row (40)
    assert rate(tables, "p2o5-arable-olsen", soil_test=11.9, manure_p2o5_kg_per_ha=0.0) == 60
    assert rate(tables, "p2o5-arable-olsen", soil_test=12.0, manure_p2o5_kg_per_ha=0.0) == 40
    # 5 x (6.5 - 5.7) x (7.3 - 6.4) = 3.6, to steps of 0.5: 3.5; at pH 6.2 none is due
    assert rate(tables, "lime-arable", ph=5.7, soil_test=6.4) == 3.5
    assert rate(tables, "lime-arable", ph=6.2, soil_test=6.4) == 0


def test_the_always_notes_are_there(tables):
    always = {rule.key for rule in tables.notes.values() if rule.when == "always" and not rule.regions}
    assert {"defer-to-local-rules", "licensed-advice", "sample-as-received"} <= always


def test_the_readme_explains_every_name_standing_and_folder():
    readme = (FOLDER / "README.md").read_text(encoding="utf-8")
    assert [name for name in NAMES if f"`{name}`" not in readme] == []
    assert [standing for standing in Standing.__args__ if f"`{standing}`" not in readme] == []
    folders = [path for path in FOLDER.iterdir() if path.is_dir()]
    shared = [path.name for path in folders if not (path / "region.yaml").exists()]
    assert [name for name in shared if f"`{name}/`" not in readme] == []


def test_the_examples_of_the_readme_are_valid():
    blocks = (FOLDER / "README.md").read_text(encoding="utf-8").split("```yaml\n")[1:]
    scale, *ways = [load(block.partition("```")[0], "README.md").value for block in blocks]
    equations = [way for way in ways if "from_method" in way]
    assert [Conversion.model_validate(one, strict=True).highest for one in equations] == [150]
    crops = [Crop.model_validate(way, strict=True) for way in ways if "yield_from" in way]
    assert [[one.edition for one in crop.removal] for crop in crops] == [
        ["IPNI 2014", "Illinois", "RB209 2020"]
    ]
    materials = [Material.model_validate(way, strict=True) for way in ways if "salt_indices" in way]
    assert [material.salt_indices[0].value for material in materials] == [3.3]
    assert [material.bulk_densities[0].g_per_cm3 for material in materials] == [0.9]
    ways = [way for way in ways if not {"from_method", "yield_from", "salt_indices"} & way.keys()]
    assert ScaleTable.model_validate(scale, strict=True).classes[2].open_below
    around = {
        "id": "x/y", "region": "x", "crops": "any", "nutrient": "P2O5", "unit": "kg/ha", "round_to": 5,
        "effective_from": TODAY, "sources": ("s",), "standing": "invented",
    }  # fmt: skip
    tables = [RateTable.model_validate(around | way, strict=True) for way in ways]
    given = [name for t in tables for name in ("by_class", "by_value", "formula") if getattr(t, name)]
    assert given == ["by_class", "by_value", "formula", "by_value"]


def test_the_readme_lists_the_usual_textures():
    readme = (FOLDER / "README.md").read_text(encoding="utf-8")
    assert ", ".join(TEXTURES) in " ".join(readme.split())
