"""The shipped crop and material files: their arithmetic against printed answers, and what they doubt."""

import shutil
from pathlib import Path

import pytest

from interpretation.agronomy import crop_rules
from interpretation.agronomy.materials import removal_kg_per_ha, removal_kg_per_t
from interpretation.agronomy.tables import TableSet
from interpretation.quantities import KG_PER_HA_PER_LB_PER_ACRE
from service.tablefiles import read_tables

TABLES = Path(__file__).parents[2] / "tables"


@pytest.fixture(scope="module")
def tables(tmp_path_factory: pytest.TempPathFactory) -> TableSet:
    """The shipped crops and materials with their sources, and nothing that depends on a region."""
    folder = tmp_path_factory.mktemp("crops-and-materials")
    for name in ("crops", "materials", "sources"):
        shutil.copytree(TABLES / name, folder / name)
    return read_tables(folder)


def edition(tables, crop, name, part="harvest"):
    """One edition of a shipped crop."""
    (found,) = [one for one in tables.crops[crop].removal if (one.edition, one.part) == (name, part)]
    return found


def kg_per_t(tables, crop, name, part="harvest"):
    return removal_kg_per_t(edition(tables, crop, name, part), tables.crops[crop].bushel_lb)


def alone(tables, crop, name, **about):
    """A shipped crop with one edition only."""
    return tables.crops[crop].model_copy(update={"removal": (edition(tables, crop, name),), **about})


# PDA, March 2020: 10 t of wheat grain 65 and 55 kg, with the straw 70 and 105; 4 t of straw 4 and 40.
@pytest.mark.parametrize(
    ("part", "tonnes", "expected"),
    [("harvest", 10, (65, 55)), ("harvest-and-straw", 10, (70, 105)), ("straw", 4, (4, 40))],
)
def test_british_wheat(tables, part, tonnes, expected):
    figures = kg_per_t(tables, "winter-wheat", "RB209 2020", part)
    assert (tonnes * figures["P2O5"], tonnes * figures["K2O"]) == pytest.approx(expected)


# Printed in pounds an acre: Michigan State, Minnesota, and Ohio State's LaBarge.
@pytest.mark.parametrize(
    ("crop", "name", "bushels", "expected"),
    [
        ("maize", "Michigan State 2017", 150, {"N": 135, "P2O5": 56, "K2O": 41}),
        ("soybean", "Michigan State 2017", 40, {"N": 152, "P2O5": 32, "K2O": 56}),
        ("winter-wheat", "Minnesota 2020", 80, {"P2O5": 50, "K2O": 30}),
        ("maize", "Ohio State (LaBarge)", 150, {"P2O5": 55}),
    ],
)
def test_american_examples(tables, crop, name, bushels, expected):
    grown = alone(tables, crop, name, yield_unit="bu/ac")
    found = {key: kg / KG_PER_HA_PER_LB_PER_ACRE for key, kg in removal_kg_per_ha(grown, bushels).items()}
    assert found == pytest.approx(expected, abs=0.5)


# kg/t x lb in a bushel / 1000, and for alfalfa x 2000 / 1000: maize 6.3 x 56 / 1000 = 0.353.
@pytest.mark.parametrize(
    ("crop", "phosphate", "potash"),
    [
        ("maize", 0.353, 0.252), ("soybean", 0.72, 1.20), ("winter-wheat", 0.48, 0.288),
        ("spring-wheat", 0.57, 0.33), ("spring-barley", 0.398, 0.322), ("oats", 0.282, 0.189),
        ("sorghum", 0.437, 0.302), ("rye", 0.459, 0.308), ("canola", 0.80, 0.40),
    ],
)  # fmt: skip
def test_first_edition_in_pounds_per_bushel(tables, crop, phosphate, potash):
    grown = tables.crops[crop]
    figures = kg_per_t(tables, crop, "IPNI 2014")
    in_a_bushel = {key: kg * grown.bushel_lb / 1000 for key, kg in figures.items()}
    assert (in_a_bushel["P2O5"], in_a_bushel["K2O"]) == pytest.approx((phosphate, potash), abs=0.0006)


# percent of the element x 2.2913 (P) or 1.2046 (K) x lb in a bushel / 100: maize 0.28 x 2.2913 x 0.56 = 0.359
@pytest.mark.parametrize(
    ("crop", "phosphate", "potash"),
    [
        ("maize", 0.359, 0.270), ("soybean", 0.88, 1.373), ("winter-wheat", 0.852, 0.376),
        ("spring-barley", 0.374, 0.249), ("oats", 0.249, 0.189), ("sorghum", 0.462, 0.283),
    ],
)  # fmt: skip
def test_american_handbook_in_pounds_per_bushel(tables, crop, phosphate, potash):
    figures = kg_per_t(tables, crop, "USDA Table 6-6")
    bushel = tables.crops[crop].bushel_lb / 1000
    assert (figures["P2O5"] * bushel, figures["K2O"] * bushel) == pytest.approx(
        (phosphate, potash), abs=0.0006
    )


# Ohio State (ANR-74): 180 bu of maize and 60 bu of soybean carry away 100 to 120 lb of P2O5, and of K2O.
@pytest.mark.parametrize("name", ["IPNI 2014", "Illinois"])
@pytest.mark.parametrize("oxide", ["P2O5", "K2O"])
def test_a_rotation_lies_inside_the_range_ohio_prints(tables, name, oxide):
    removed = sum(
        removal_kg_per_ha(alone(tables, crop, name, yield_unit="bu/ac"), bushels)[oxide]
        for crop, bushels in (("maize", 180), ("soybean", 60))
    )
    assert 100 <= removed / KG_PER_HA_PER_LB_PER_ACRE <= 120


def warnings_of(tables, crop, name):
    """What the check says of a crop once one of its editions is no longer called doubtful."""
    grown = tables.crops[crop]
    trusted = tuple(
        one.model_copy(update={"doubtful": ""}) if (one.edition, one.part) == (name, "harvest") else one
        for one in grown.removal
    )
    return [str(p) for p in crop_rules.check(grown.model_copy(update={"removal": trusted}), tables)]


@pytest.mark.parametrize(
    ("crop", "name", "message"),
    [
        # 10.9 x 2.2913 = 25.0 against 12, 11.5, 14.7, 12.5 and 13.3; 0.62 % x 22.913 = 14.2 against 6.5-10.4
        ("soybean", "FAO 2004", "25 kg P2O5 in a tonne"),
        ("winter-wheat", "USDA Table 6-6", "14.2 kg P2O5 in a tonne"),
        ("potato", "FAO 2004", "2.98 kg P2O5 in a tonne"),
        ("sugar-beet", "IPNI 2014", "3.7 kg K2O in a tonne"),
        ("groundnut", "FAO 2004", "13.7 kg P2O5 in a tonne"),
        ("millet", "FAO 2004", "13.7 kg P2O5 in a tonne"),
        ("sunflower", "USDA Table 6-6", "39.2 kg P2O5 in a tonne"),
        ("sugar-cane", "USDA Table 6-6", "4.46 kg K2O in a tonne"),
        ("dry-bean", "IFA 2020", "32 kg K2O in a tonne"),
        ("peas", "IFA 2020", "20 kg P2O5 in a tonne"),
        ("cassava", "USDA Table 6-6", "2.98 kg P2O5 in a tonne"),
    ],
)
def test_a_doubtful_figure_is_caught_without_the_doubt(tables, crop, name, message):
    assert any(message in warning for warning in warnings_of(tables, crop, name))


def test_an_oxide_imported_as_the_element_is_caught_beside_one_other_edition(tables):
    # IPNI's 12 kg P2O5 beside FAO's 10.9 kg P, 25.0 kg P2O5: with two editions both are asked about.
    soybean = tables.crops["soybean"]
    pair = (
        edition(tables, "soybean", "IPNI 2014"),
        edition(tables, "soybean", "FAO 2004").model_copy(update={"doubtful": ""}),
    )
    problems = list(crop_rules.check(soybean.model_copy(update={"removal": pair}), tables))
    assert [problem.path for problem in problems] == [("removal", 0, "P2O5"), ("removal", 1, "P")]


@pytest.mark.parametrize(("ratio", "found"), [(1.69, 0), (1.71, 2)])
def test_how_far_apart_is_too_far(tables, ratio, found):
    first = edition(tables, "maize", "IPNI 2014")
    second = first.model_copy(update={"P2O5": first.P2O5 * ratio})
    pair = tables.crops["maize"].model_copy(update={"removal": (first, second)})
    assert len(list(crop_rules.check(pair, tables))) == found


def test_the_crops_of_the_demo_keep_their_first_figures(tables):
    first = {name: tables.crops[name].removal[0] for name in ("maize", "potato", "grass-clover")}
    assert {name: (one.N, one.P2O5, one.K2O, one.S) for name, one in first.items()} == {
        "maize": (12, 6.3, 4.5, 1.4), "potato": (3, 1.5, 6.5, 0.3), "grass-clover": (22, 6, 22, None),
    }  # fmt: skip
    assert {one.edition for one in first.values()} == {"IPNI 2014"}


def test_every_crop_yields_something_and_every_edition_is_named(tables):
    for crop in tables.crops.values():
        assert removal_kg_per_ha(crop, 1.0) or not crop.removal or crop.yield_unit == "bale/ac", crop.id
        assert all(one.edition for one in crop.removal), crop.id


def test_a_salt_index_rests_on_a_university_and_names_its_basis(tables):
    indices = [(m.id, index) for m in tables.materials.values() for index in m.salt_indices]
    assert {index.basis for _, index in indices} == {"per-unit-of-nitrogen"}
    assert {tables.sources[index.source].publisher for _, index in indices} == {
        "Oregon State University, Forage Information System"
    }
    # 69 / 21 = 3.29: the list rests on 69 for ammonium sulfate, not on another list's 88.3 (/ 21 = 4.2).
    assert {name: index.value for name, index in indices}["ammonium-sulfate"] == 3.3


def test_every_material_says_what_to_mind(tables):
    assert [m.id for m in tables.materials.values() if not m.cautions] == []


def test_no_figure_of_crops_and_materials_rests_on_memory(tables):
    for material in tables.materials.values():
        assert material.standing != "memory"
    standings = {one.standing for crop in tables.crops.values() for one in crop.removal}
    assert standings == {"transcribed", "published", "derived"}


@pytest.mark.parametrize(
    ("name", "lb_per_gallon"),  # x 0.45359237 / 3.785411784
    [
        ("uan-28", 10.67),
        ("uan-30", 10.90),
        ("ammonium-thiosulfate", 11.5),
        ("ammonium-polyphosphate-10-34-0", 11.4),
    ],
)
def test_densities_are_the_printed_ones(tables, name, lb_per_gallon):
    density = tables.materials[name].density_kg_per_l
    assert density == pytest.approx(lb_per_gallon * 0.45359237 / 3.785411784, abs=0.0006)


@pytest.mark.parametrize(
    ("name", "lowest", "highest"),  # lb per cubic foot; x 0.45359237 / 28.316846592 = g/cm3
    [
        ("urea", 44, 48),
        ("dap-18-46-0", 55, 60),
        ("map-11-52-0", 60, 65),
        ("triple-superphosphate", 65, 75),
        ("potassium-chloride", 58, 65),
        ("potassium-magnesium-sulfate", 90, 98),
    ],
)
def test_bulk_densities_are_the_middle_of_the_printed_range(tables, name, lowest, highest):
    (density,) = tables.materials[name].bulk_densities
    middle = (lowest + highest) / 2
    assert density.g_per_cm3 == pytest.approx(middle * 0.45359237 / 28.316846592, abs=0.0006)
    assert density.standing == "derived"


def test_only_dry_materials_have_a_bulk_density(tables):
    both = [m.id for m in tables.materials.values() if m.bulk_densities and m.density_kg_per_l is not None]
    assert both == []
    assert sum(bool(m.bulk_densities) for m in tables.materials.values()) == 6
