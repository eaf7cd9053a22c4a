"""Every column in which a table is typed has a label, in each language, and so has every choice."""

from __future__ import annotations

from itertools import chain

import pytest

from service.entries.columns import FACTS, KINDS, ROWS, Column
from service.pages.cellwords import choice_name, column_help, column_name, one_name, sheet_name
from service.web.templates import LANGUAGES, words

SHEETS: list[tuple[str, tuple[Column, ...]]] = list(FACTS.items())
SHEETS += list(chain.from_iterable(sheets.items() for sheets in ROWS.values()))


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_column_has_a_label_and_every_choice_a_word(language: str) -> None:
    w = words(language)
    for sheet, columns in SHEETS:
        assert sheet_name(w, sheet)
        labels = [column_name(w, sheet, column.name) for column in columns]
        assert len(set(labels)) == len(labels), "two columns of a sheet are called the same"
        for column, label in zip(columns, labels, strict=True):
            assert w.has(f"cells.column-{column.name.replace('_', '-')}") or label != column.name
            assert all(choice_name(w, column.name, each) for each in column.choices)
    assert all(one_name(w, kind) for kind in KINDS)


def test_a_sheets_own_label_comes_before_the_general_one() -> None:
    w = words("en")
    assert "whole number" in column_help(w, "rates", "round_to")
    assert "classed" in column_help(w, "scales", "round_to")
    assert column_help(w, "scales", "scale_top") == ""
    assert column_name(w, "scales", "no_such_column") == "no_such_column"


def test_choices_are_called_as_reports_call_them() -> None:
    assert choice_name(words("en"), "nutrient", "P2O5") == words("en").wording.name("nutrients", "P2O5")
    assert choice_name(words("es"), "standing", "regional") == "fijado y revisado por la región"
    assert choice_name(words("en"), "unit", "mg/kg") == "mg/kg"
