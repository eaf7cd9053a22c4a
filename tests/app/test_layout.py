"""A layout file says what it means, or is refused with the line or field."""

from __future__ import annotations

from pathlib import Path

import pytest

from interpretation.errors import RunFileError
from interpretation.laboratory.run import KINDS, RunHeader
from service.layout import COLUMNS, FACTS, Layout, default_layout, read_layout
from service.paths import layouts_directory

GOOD = """\
id: mine
header: {place: constants, constants: {operator: E. Rowe}}
columns: {kind: Type, cup_id: Name, signal: Area}
position_from_order: yes
"""


def _layout(folder: Path, text: str) -> Layout:
    path = folder / "mine.yaml"
    path.write_text(text, encoding="utf-8")
    return read_layout(path)


def test_the_shipped_layouts_are_valid_and_map_everything() -> None:
    shipped = {path.stem: read_layout(path) for path in layouts_directory().glob("*.yaml")}
    assert set(shipped) == {"point-comma", "comma-semicolon"}
    for name, layout in shipped.items():
        assert layout.id == name
        assert set(layout.columns) == set(COLUMNS)
        assert set(layout.kinds) == set(KINDS)
    assert set(shipped["point-comma"].header.names) == set(FACTS)
    # What may be missing at the top is exactly what the header has a default for.
    needed = {name for name, field in RunHeader.model_fields.items() if field.is_required()}
    assert set(FACTS) - set(shipped["point-comma"].header.optional) == needed


def test_a_layout_is_found_by_name_by_path_and_by_default(tmp_path: Path) -> None:
    assert read_layout("comma-semicolon").decimal == "comma"
    assert read_layout(None) == default_layout()
    assert _layout(tmp_path, GOOD).columns["signal"] == "Area"


def test_words_stay_words(tmp_path: Path) -> None:
    layout = _layout(tmp_path, GOOD + "kinds: {standard: [no, 0012, 1e3], sample: on}\n")
    assert layout.kinds == {"standard": ("no", "0012", "1e3"), "sample": ("on",)}


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        (GOOD + "decimal: comma\n", ["delimiter and decimal are both the comma"]),
        (GOOD + "decimal: dot\n", ["mine.yaml, decimal", "'point' or 'comma'"]),
        (GOOD + "encoding: klingon\n", ["mine.yaml, encoding"]),
        (GOOD + "colour: red\n", ["mine.yaml, colour"]),
        (GOOD + "id: other\n", ["mine.yaml:5", "the key 'id' is here twice"]),
        (GOOD + "kinds: {standards: S}\n", ["unknown kind 'standards'", "standard, blank"]),
        (GOOD + "kinds: {standard: S, sample: s}\n", ["the word 's' stands for two kinds"]),
        (GOOD.replace("cup_id: Name, ", ""), ["must name cup_id"]),
        (GOOD.replace("signal: Area", "of: Area"), ["must name signal or solution_mg_per_l"]),
        (GOOD.replace("signal: Area", "signal: name"), ["'name' stands for two of our names"]),
        (GOOD.replace("signal", "area"), ["unknown column 'area'"]),
        (GOOD.replace("position_from_order: yes", ""), ["column position or"]),
        (GOOD.replace("operator", "analyst"), ["unknown fact 'analyst'"]),
        (GOOD.replace("place: constants", "place: top"), ["place 'top' needs names"]),
        (GOOD + "optional: [signal]\nignore_others: yes\n", ["cannot be used together"]),
        (GOOD + "yes: [x, J]\nno: [n, X]\n", ["the word 'x' stands for yes, and for no or nothing"]),
        (GOOD + "yes: x\nblank_cells: [X]\n", ["the word 'x' stands for yes, and for no or nothing"]),
        (GOOD + 'yes: ""\n', ["the word '' stands for yes, and for no or nothing"]),
        (GOOD + "yes: []\n", ["mine.yaml, yes", "at least 1 item"]),
        (GOOD + "no: []\n", ["mine.yaml, no", "at least 1 item"]),
        (GOOD + 'less_than: "-"\n', ["mine.yaml, less_than", "should match pattern"]),
        (GOOD + 'less_than: "0"\n', ["mine.yaml, less_than", "should match pattern"]),
        (GOOD + f"sheet: {'s' * 201}\n", ["mine.yaml, sheet", "at most 200 characters"]),
        (GOOD + 'sheet: "a\\0b"\n', ["mine.yaml:5", "the invisible character U+0000"]),
        ("a: &x [1]\nb: *x\n", ["mine.yaml:1", "an anchor or alias"]),
        ("a: [1\n", ["mine.yaml:2"]),
        ("- a\n- b\n", ["holds no names"]),
        ("? [a]\n: b\n", ["mine.yaml:1", "a key that is not a plain text"]),
        ("a: b" * 200_001, ["more than 800000 bytes"]),
        ("\x00\x01", ["control characters are not allowed"]),
    ],
)
def test_a_broken_layout_is_refused(tmp_path: Path, text: str, parts: list[str]) -> None:
    with pytest.raises(RunFileError) as caught:
        _layout(tmp_path, text)
    message = str(caught.value)
    for part in (*parts, "mine.yaml", "Expected:", "To fix it:"):
        assert part in message, message


def test_a_missing_layout_is_named() -> None:
    with pytest.raises(RunFileError, match=r"nowhere\.yaml: the file cannot be opened \(No such file"):
        read_layout(Path("nowhere.yaml"))
