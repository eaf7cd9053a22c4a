"""Reading the agronomist's YAML: what is read as what, and every surprise refused with its line."""

import contextlib
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from interpretation.errors import TableError
from service.yamlfiles import MAX_CHARACTERS, MAX_DEPTH, load


def read(text):
    return load(text, "t.yaml").value


@pytest.mark.parametrize(
    ("written", "value"),
    [
        ("12", 12),
        ("-3", -3),
        ("0.50", 0.5),
        ("2026-01-31", date(2026, 1, 31)),
        ("true", True),
        ("false", False),
        ("null", None),
        ("~", None),
        ("", None),
        ("bray1-1:10-colour", "bray1-1:10-colour"),
        ("2.0 g + 20 mL", "2.0 g + 20 mL"),
        ("10-34-0", "10-34-0"),
        ("'012'", "012"),
        ('"no"', "no"),
        ('"2026-01-31"', "2026-01-31"),
        ("[1, a]", (1, "a")),
        ("{b: 1}", {"b": 1}),
        ("Norway", "Norway"),
        ("N", "N"),  # nitrogen
        ("y", "y"),
        ("pH 6", "pH 6"),
    ],
)
def test_read_as(written, value):
    found = read(f"a: {written}\n")["a"]
    assert found == value
    assert type(found) is type(value)


@pytest.mark.parametrize("written", ["yes", "NO", "On", "off", "True", "FALSE", "Null"])
def test_words_that_yaml_1_1_turns_into_something_else(written):
    with pytest.raises(TableError) as caught:
        read(f"a: 1\nb: {written}\n")
    assert str(caught.value) == (
        f"t.yaml:2: {written!r} can be read as a word or as true or false\n"
        "Expected: true, false or a quoted text\n"
        f'To fix it: write true or false, or put it between quotes: "{written}"'
    )


@pytest.mark.parametrize(
    "written",
    ["012", "1_000", "12:30", "1,5", "1e3", "1.5E-3", ".5", "5.", "+5", "0x1F", "0o17", "1.2.3", ".inf",
     "-.INF", ".nan", "01.02.2026", "5%", "1,000.5", "9999999999999999"],
)  # fmt: skip
def test_numbers_that_can_be_read_in_more_than_one_way(written):
    with pytest.raises(TableError) as caught:
        read(f"a: 1\nb: {written}\n")
    assert str(caught.value) == (
        f"t.yaml:2: {written!r} can be read as more than one number\n"
        "Expected: a number such as 12, 1000 or 0.5\n"
        "To fix it: write it plainly with a decimal point, or between quotes if it is a text"
    )


@pytest.mark.parametrize(
    ("text", "line", "said"),
    [
        ("a: 1\nb: 2\na: 3\n", 3, "the key 'a' is here twice, first on line 1"),
        ("a:\n  - b: 1\n    b: 2\n", 3, "the key 'b' is here twice, first on line 2"),
        ("a: &x 1\nb: 2\n", 1, "an anchor or alias (x)"),
        ("a: 1\nb: *x\n", 2, "an anchor or alias (x)"),
        ("a: 1\nb: !!python/object:os.system x\n", 2, "a tag (tag:yaml.org,2002:python/object:os.system)"),
        ("a: 1\nb: !mine x\n", 2, "a tag (!mine)"),
        ("<<: {a: 1}\n", 1, "a merge key (<<)"),
        ("? [a]\n: 1\n", 1, "a key that is not a plain text"),
        ("&x a: 1\n", 1, "a key that is not a plain text"),
        ("a: 1\n---\nb: 2\n", 2, "a second document"),
        ("%YAML 1.1\n---\na: 1\n", 1, "a % line"),
        ("", 1, "the file is empty"),
        ("# only a comment\n", 1, "the file is empty"),
        ("a:\n\tb: 1\n", 2, "a tab"),
        ("a: 1 \t# x\n", 1, "a tab"),
        ("a: 2026-02-30\n", 1, "2026-02-30 is not a day of the calendar"),
        ("a: [1, 2\nb: 3\n", 2, "did not find expected ',' or ']' while parsing a flow sequence"),
        ("a: 1\nb: c: d\n", 2, "mapping values are not allowed in this context"),
        ("a: 1\nb: 'x\n", 3, "found unexpected end of stream while scanning a quoted scalar"),
        ("a: 1\nb: \x01\n", 2, "control characters are not allowed"),
        ('a: 1\nb: "x\\0y"\n', 2, "the invisible character U+0000"),
        ('a: ["\\e[31m"]\n', 1, "the invisible character U+001B"),
        ("a: x\u202ey\n", 1, "the invisible character U+202E"),
        ("a: 1\nb\u200b: 2\n", 2, "the invisible character U+200B"),
        ("a: " + "[" * (MAX_DEPTH + 1) + "]" * (MAX_DEPTH + 1), 1, "nested too deeply"),
    ],
)
def test_refused_with_its_line(text, line, said):
    with pytest.raises(TableError) as caught:
        read(text)
    assert caught.value.where == f"t.yaml:{line}"
    assert caught.value.what == said
    assert caught.value.expected
    assert caught.value.fix


def test_size_at_and_over_the_cap():
    assert read("a: " + "x" * (MAX_CHARACTERS - 3))
    with pytest.raises(TableError, match="200001 characters"):
        read("a: " + "x" * (MAX_CHARACTERS - 2))


def test_depth_at_the_cap():
    assert read("a: " + "[" * MAX_DEPTH + "]" * MAX_DEPTH)


def test_many_aliases_do_not_multiply():
    with pytest.raises(TableError, match="anchor"):
        read("a: &a [x, x]\nb: &b [*a, *a]\nc: [*b, *b]\n")


def test_lines_of_every_part_and_of_what_is_missing():
    document = load("a: 1\nb:\n  - c: 2\n  - d: [3,\n     4]\n", "t.yaml")
    assert document.line(("a",)) == 1
    assert document.line(("b", 1)) == 4
    assert document.line(("b", 1, "d", 1)) == 5
    assert document.line(("b", 0, "missing")) == 3
    assert document.line(("missing",)) == 1


@given(st.text(max_size=80))
def test_any_text_is_read_or_refused(text):
    with contextlib.suppress(TableError):
        read(text)
