"""Which notes are chosen, for which samples, in which order."""

import numpy as np
import pandas as pd
import pytest

from interpretation.agronomy.notes import choose_notes
from interpretation.agronomy.tables import TableSet
from tests.small_world import note, region

NAN = float("nan")
REGIONS = pd.Series(["vale", "vale", "hill"])


def chosen(*rules, **columns):
    found = choose_notes(TableSet(notes={rule.key: rule for rule in rules}), columns, REGIONS)
    return [(str(key), int(sample)) for sample, key in zip(found["sample"], found["note"], strict=True)]


def test_always_is_for_every_sample():
    assert chosen(note()) == [("n", 0), ("n", 1), ("n", 2)]


@pytest.mark.parametrize(("ph", "samples"), [((4.9, 5.0, 5.1), [0]), ((5.0, 4.99, 4.0), [1, 2])])
def test_a_note_is_printed_where_its_condition_holds(ph, samples):
    assert [sample for _, sample in chosen(note(when="ph < 5"), ph=np.array(ph))] == samples


@pytest.mark.parametrize(("severity", "samples"), [("danger", [0, 2]), ("caution", [0]), ("advice", [0])])
def test_what_cannot_be_decided_is_printed_only_as_a_danger(severity, samples):
    found = chosen(note(when="ph < 5", severity=severity), ph=np.array([4.0, 6.0, NAN]))
    assert [sample for _, sample in found] == samples


def test_a_known_no_beats_an_unknown():
    # near_water is known to be no: what the pH is does not matter
    rule = note(when="near_water and ph < 5", severity="danger")
    assert chosen(rule, near_water=np.zeros(3), ph=np.full(3, NAN)) == []


def test_region_and_order():
    rules = note(key="b", order=2), note(key="a", order=2), note(key="z", order=1, regions=("hill",))
    assert [key for key, _ in chosen(*rules)] == ["z", "a", "a", "a", "b", "b", "b"]


def test_no_rules_no_notes():
    assert chosen() == []


def test_a_region_takes_over_the_cautions_of_the_region_it_was_copied_from():
    rule = note(when="ph < 9", regions=("vale",))
    columns = {"ph": np.array([5.0, 5.0, 5.0])}

    def of(**hill):
        tables = TableSet(
            notes={rule.key: rule}, regions={"vale": region(), "hill": region(id="hill", **hill)}
        )
        return choose_notes(tables, columns, REGIONS)["sample"].tolist()

    assert of() == [0, 1]
    assert of(cautions_of=("vale",)) == [0, 1, 2]
