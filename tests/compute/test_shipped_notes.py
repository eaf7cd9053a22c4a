"""Shipped notes that must be true of the very sample: what is said of manure, and when to sample again."""

from pathlib import Path

import pytest
import yaml

from interpretation.agronomy.advise import advise
from interpretation.agronomy.tables import NoteRule
from tests.small_world import ph, rate, samples, values, world

NAN = float("nan")
TABLES = Path(__file__).parents[2] / "tables"
RULES = [
    NoteRule.model_validate({**rule, "sources": ("made-up",)})
    for name in ("crop-and-soil", "always")
    for rule in yaml.safe_load((TABLES / "notes" / f"{name}.yaml").read_text("utf-8"))
    if "manure" in rule["key"] or rule["key"] == "resample-interval"
]
AGAIN = "resample-interval"
FEEDS = {"formula": "50", "credits": [{"key": "manure", "formula": "manure_p2o5_kg_per_ha"}]}


def said(table, **context):
    """Keys of the shipped notes about manure for one sample with one table of phosphate."""
    noted = advise(values(ph(6.5)), world(table, *RULES), samples(context)).noted
    return [str(key) for key in noted["note"] if str(key) != AGAIN]


@pytest.mark.parametrize(
    ("table", "manure", "expected"),
    [
        (FEEDS, 20.0, ["manure-counted"]),
        (FEEDS, 60.0, ["manure-counted"]),  # nothing is left to give, because of the manure
        (FEEDS, 0.0, ["no-manure-stated"]),
        ({"formula": "50"}, 20.0, ["manure-p2o5-not-counted"]),
        ({"formula": "50"}, 0.0, ["no-manure-stated"]),
        ({"formula": "0"}, 0.0, []),  # no amount to be too high
        ({"formula": "0"}, 20.0, []),  # nothing to take it off
        ({"formula": "50", "holds_if": "manure_p2o5_kg_per_ha == 0"}, 20.0, []),  # no amount
    ],
)
def test_manure_is_said_to_be_counted_only_where_it_is(table, manure, expected):
    assert said(rate(**table), manure_p2o5_kg_per_ha=manure) == expected


def test_manure_of_one_nutrient_is_not_counted_by_the_table_of_another():
    assert said(rate(**FEEDS), manure_n_kg_per_ha=40.0) == []
    assert said(rate(nutrient="N", formula="50"), manure_n_kg_per_ha=40.0) == ["manure-n-not-counted"]
    assert said(rate(nutrient="K2O", formula="50"), manure_k2o_kg_per_ha=9.0) == ["manure-k2o-not-counted"]


def test_a_table_that_finds_nothing_due_counts_no_manure():
    assert said(rate(**FEEDS, when="yield_goal > 9"), manure_p2o5_kg_per_ha=20.0) == []


@pytest.mark.parametrize(("manured", "expected"), [(1.0, ["manure-p2o5-not-counted"]), (0.0, []), (NAN, [])])
def test_manure_of_an_amount_nobody_stated_is_spoken_of_where_it_was_spread(manured, expected):
    found = said(rate(formula="50"), manure_p2o5_kg_per_ha=NAN, manured_since_harvest=manured)
    assert found == expected


@pytest.mark.parametrize(("depth", "expected"), [(20.0, [AGAIN]), (27.9, [AGAIN]), (28.0, []), (61.0, [])])
def test_a_deep_sample_for_nitrate_is_not_sent_away_for_years(depth, expected):
    noted = advise(values(ph(6.5)), world(*RULES), samples({"depth_to_cm": depth})).noted
    assert [str(key) for key in noted["note"]] == expected
