"""Records written as YAML: read again they are the same, and the same record is always the same text."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from interpretation.errors import TableError
from service.books import OF_REGION, plain
from service.entries.columns import KINDS
from service.paths import tables_directory
from service.tablefiles import read_tables
from service.yamlfiles import load
from service.yamlwriting import ORDER, WIDTH, mapping_text, record_text
from tests.small_world import rate, region, scale

HARD = (
    "", " ", "yes", "No", "null", "~", "12", "012", "1_000", "1,5", "12:30", ".5", "1e3", "-4", "2026-01-31",
    "a: b", "a #b", "#a", "- a", "? a", "[a", "{a}", "&a", "*a", "!a", "%a", "@a", "`a", '"a"', "'a'", "a\\b",
    "a:", ":a", "<<", "<= 5", "a\tb", "a\nb", "a\n\n b", " a\nb", "a  b", "µg/L", "ﬁ", "😀", "\ufffe", "=",
    "...", "---", "--- a", "a\rb", "a, b", "x" * 300, "long " * 60, "two\nlines " + "and long " * 40,
    "a\n\n\nb " * 20,
)  # fmt: skip


def said_of(text: str) -> Any:
    value = load(text, "x").value
    assert isinstance(value, dict)
    return value


def test_every_shipped_record_is_read_again_as_it_was() -> None:
    tables = read_tables(tables_directory())
    count = 0
    for kind in KINDS:
        for record in getattr(tables, kind).values():
            if kind == "sources" and record.region is None:
                continue
            read = OF_REGION[kind].model_validate(said_of(record_text(record)), strict=True)
            assert plain(read) == plain(record)
            count += 1
    assert count > 250


def test_the_order_has_every_key() -> None:
    for model in OF_REGION.values():
        assert {info.alias or name for name, info in model.model_fields.items()} <= set(ORDER)
    assert len(set(ORDER)) == len(ORDER)


def test_a_table_is_written_as_somebody_would_write_it() -> None:
    record = rate(
        by_class={"low": 25, "medium": "2 * yield_goal", "high": None}, materials=("urea", "012"),
        credits=({"key": "manure", "formula": "n"}, {"key": "crop", "by_previous_crop": {"soybean": 20}}),
        values={"a": 0.5}, effective_to=date(2026, 12, 31), title="Phosphate: first",
        remark="As printed.\nRounded.",
    )  # fmt: skip
    assert record_text(record) == (
        'id: vale/p2o5\ntitle: "Phosphate: first"\nregion: vale\nnutrient: P2O5\ncrops: any\nunit: kg/ha\n'
        "by_class:\n  low: 25\n  medium: 2 * yield_goal\n  high: null\n"
        "values:\n  a: 0.5\n"
        "credits:\n  - {key: manure, formula: n}\n"
        "  - key: crop\n    by_previous_crop:\n      soybean: 20\n"
        'round_to: 5\nmaterials: [urea, "012"]\n'
        "effective_from: 2026-01-01\neffective_to: 2026-12-31\n"
        "sources: [made-up]\nstanding: invented\n"
        "remark: |-\n  As printed.\n  Rounded.\n"
    )


def test_long_texts_are_folded_and_lists_broken() -> None:
    text = record_text(
        region(
            valid_for="Soils of many kinds. " * 12 + "End.", sources=tuple(f"a-source-{n}" for n in range(20))
        )
    )
    assert "valid_for: >-\n  Soils" in text
    assert "sources: [a-source-0," in text
    assert max(map(len, text.split("\n"))) <= WIDTH
    folded = mapping_text({"remark": "One long paragraph. " * 10 + "End.\nAnother."})
    assert folded.startswith("remark: >-\n")
    assert folded.endswith("End.\n\n  Another.\n")


@pytest.mark.parametrize("text", HARD)
@pytest.mark.parametrize("key", ["title", "remark", "not_for"])
def test_a_text_that_could_be_misread_is_read_as_it_was(key: str, text: str) -> None:
    said = {"id": "x", key: text, "values": {"a": 1, "b": text}, "sources": (text, "b"), "crops": "any"}
    assert said_of(mapping_text(said)) == said


@given(
    st.text(st.characters(exclude_categories=["Cc", "Cf", "Cs", "Zl", "Zp"]) | st.sampled_from("\n\t :#-"))
)
def test_any_text_is_read_as_it_was_or_refused(text: str) -> None:
    said = {"title": text, "remark": text, "classes": ({"name": text, "from": 0.25},), "sources": (text,)}
    assert said_of(mapping_text(said)) == said


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ({"values": {"<<": 1.0}}, "a merge key"),
        ({"values": {"x" * 2000: 1.0}}, "cannot be written as YAML"),
        ({"title": "a\u202eb"}, "the invisible character U+202E"),
        ({"cap": 0.1 + 0.2}, "can be read as more than one number"),
    ],
)
def test_what_would_be_read_otherwise_is_refused(said: dict[str, Any], why: str) -> None:
    with pytest.raises(TableError) as refused:
        mapping_text({"id": "vale/p"} | said)
    assert why in refused.value.what
    assert (refused.value.where, bool(refused.value.fix)) == ("vale/p", True)


def test_what_was_left_out_stays_left_out() -> None:
    text = record_text(scale())
    assert "textures" not in text
    assert "effective_to" not in text
    assert "textures: []\n" in record_text(scale(textures=()))
