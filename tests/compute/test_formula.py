"""The arithmetic language of tables: what it computes, and what it refuses."""

import contextlib
import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from interpretation.agronomy.formula import MAX_DEPTH, MAX_LENGTH, NAMES, parse
from interpretation.errors import FormulaError

NAN = float("nan")


def value(text, **columns):
    return parse(text, where="t").evaluate(columns).tolist()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2 + 3 * 4", 14.0),  # product before sum
        ("(2 + 3) * 4", 20.0),
        ("-2 - -3", 1.0),
        ("7 / 2", 3.5),
        ("min(3, 1, 2) + max(3, 1)", 4.0),  # 1 + 3
        ("5 if 2 < 3 else 9", 5.0),
        ("5 if 2 >= 3 else 9", 9.0),
        ("  1\n + 2 ", 3.0),
        ("1 if always else 0", 1.0),
        ("(1 if 2 != 2 or not 1 > 2 else 0)", 1.0),
        (".5 * 4", 2.0),
        ("4. / 2", 2.0),
    ],
)
def test_arithmetic(text, expected):
    assert value(text) == expected


def test_whole_columns_of_every_kind():
    frame = pd.DataFrame({"crop": ["maize", "potato", ""], "soil_test": [5.0, NAN, 7.0]})
    rate = parse('10 - soil_test if crop == "maize" else 2', where="t")
    # row 3: the crop is not known, so neither is the amount
    result = rate.evaluate({"crop": frame["crop"], "soil_test": frame["soil_test"]})
    np.testing.assert_array_equal(result, [5.0, 2.0, NAN])
    assert result.dtype == np.float64
    assert (rate.names, rate.kind, rate.texts) == (("crop", "soil_test"), "number", (("crop", "maize"),))


def test_text_as_scalar_list_object_array_and_pandas_agree():
    texts = ["sand", "clay"]
    expression = parse('texture != "clay"', where="t")
    for column in (
        texts,
        np.array(texts, dtype=object),
        np.array(texts),
        pd.Series(texts),
        pd.Categorical(texts),
    ):
        assert expression.evaluate({"texture": column}).tolist() == [1.0, 0.0]
    assert expression.evaluate({"texture": "sand", "ph": [6.0, 7.0]}).tolist() == [1.0, 1.0]


def test_constants_of_the_table():
    expression = parse("(target_ph - ph) * 2", where="t", constants={"target_ph": 6.5})
    assert expression.constants == ("target_ph",)
    assert expression.evaluate({"ph": [6.0]}).tolist() == [1.0]


def test_a_constant_never_hides_the_samples_own_figure():
    expression = parse("ph", where="t", constants={"ph": 7.0})
    assert expression.evaluate({"ph": [5.0]}).tolist() == [5.0]
    assert expression.constants == ()


def test_conditions_are_columns_of_one_and_zero():
    assert value("near_water and p2o5_rate > 0", near_water=[True, False], p2o5_rate=[5.0, 5.0]) == [1.0, 0.0]


@pytest.mark.parametrize("text", ["1 / 0", "0 / 0", "min(1 / 0, 50)", "max(0, soil_test)", "1 / soil_test"])
def test_division_by_zero_and_missing_input_are_never_an_amount(text):
    assert math.isnan(value(text))


def test_overflow_is_not_an_amount():
    big = " * ".join(["999999999999"] * 26)  # 1e12 ** 26 = 1e312, above the largest double 1.8e308
    assert math.isnan(value(f"min({big}, 5)"))


# Kleene's strong three-valued logic, row by row; U is "not known".
T, F, U = 1.0, 0.0, NAN


@pytest.mark.parametrize(
    ("a", "b", "both", "either"),
    [
        (T, T, T, T),
        (T, F, F, T),
        (F, F, F, F),
        (T, U, U, T),
        (U, T, U, T),
        (F, U, F, U),
        (U, F, F, U),
        (U, U, U, U),
    ],
)
def test_kleene_logic(a, b, both, either):
    ph, soil_test = ([{T: 5.0, F: 7.0}.get(x, NAN)] for x in (a, b))
    np.testing.assert_array_equal(value("ph < 6 and soil_test < 6", ph=ph, soil_test=soil_test), [both])
    np.testing.assert_array_equal(value("ph < 6 or soil_test < 6", ph=ph, soil_test=soil_test), [either])
    np.testing.assert_array_equal(value("not ph < 6", ph=ph), [1.0 - a])
    np.testing.assert_array_equal(value("1 if ph < 6 else 2", ph=ph), [{T: 1.0, F: 2.0}.get(a, NAN)])


def test_the_branch_not_taken_may_be_unknown():
    assert value("soil_test if ph < 6 else 2", ph=[7.0], soil_test=[NAN]) == [2.0]


@pytest.mark.parametrize(
    ("text", "column", "piece"),
    [
        ("__import__('os')", 1, "__import__('os')"),
        ("soil_test.real", 10, "."),
        ("2 ** 9", 1, "2 ** 9"),
        ("7 // 2", 1, "7 // 2"),
        ("7 % 2", 3, "%"),
        ("[1, 2]", 1, "["),
        ("lambda x: x", 9, ":"),
        ("1 if True else 2", 6, "True"),
        ("f'{ph}'", 1, "f"),
        ("1e5 * ph", 1, "1e5"),
        ("1_000 * ph", 1, "1_000"),
        ("0x10", 1, "0x10"),
        ("5j", 1, "5j"),
        ("1 + ph_value", 5, "ph_value"),
        ("abs(ph)", 1, "abs(ph)"),
        ("max(ph)", 1, "max(ph)"),
        ("max(ph, key=ph)", 1, "max(ph, key=ph)"),
        ("max(*ph, 1)", 5, "*ph"),
        ("1 < ph < 2", 1, "1 < ph < 2"),
        ("ph is 3", 1, "ph is 3"),
        ("ph in crop", 1, "ph in crop"),
        ("(1, 2)", 1, "(1, 2)"),
        ("crop + 1", 1, "crop"),
        ("crop < 'a'", 1, "crop"),
        ("crop == 1", 9, "1"),
        ("'maize' == crop", 1, "'maize'"),
        ("'maize'", 1, "'maize'"),
        ("1 + (ph < 2)", 6, "ph < 2"),
        ("ph and 1", 1, "ph"),
        ("near_water == 1", 1, "near_water"),
        ("ph; ph", 3, ";"),
        ("ph # note", 4, "#"),
        ("~1", 1, "~"),
        ("ph @ ph", 4, "@"),
        ("1 + ñ", 5, "ñ"),
        ("'a\\'b'", 1, "'"),
        ("9999999999999 * ph", 1, "9999999999999"),
    ],
)
def test_refusals_name_the_piece_and_its_column(text, column, piece):
    with pytest.raises(FormulaError) as caught:
        parse(text, where="p.yaml:7")
    assert caught.value.where == f"p.yaml:7, column {column}"
    assert piece in caught.value.what
    assert caught.value.expected
    assert caught.value.fix


@pytest.mark.parametrize(
    ("text", "column"), [("1 +", 4), ("(1", 1), ("1)", 2), ("ph = 1", 4), (" 1 2", 4), ("012", 1)]
)
def test_what_cannot_be_read(text, column):
    with pytest.raises(FormulaError, match="cannot be read here") as caught:
        parse(text, where="t")
    assert caught.value.where == f"t, column {column}"


@pytest.mark.parametrize("text", ["", "   "])
def test_empty(text):
    with pytest.raises(FormulaError, match="the formula is empty"):
        parse(text, where="t")


def test_message_in_full():
    with pytest.raises(FormulaError) as caught:
        parse("0.5 * yeild_goal", where="rates/n.yaml:12", constants={"need": 20.0})
    assert str(caught.value) == (
        "rates/n.yaml:12, column 7: 'yeild_goal' is not a known name\n"
        f"Expected: {', '.join(NAMES)}, need\n"
        "To fix it: perhaps yield_goal is meant"
    )


@pytest.mark.parametrize(
    ("text", "want", "kind"), [("ph < 6", "number", "condition"), ("ph", "condition", "number")]
)
def test_the_place_decides_what_is_needed(text, want, kind):
    with pytest.raises(FormulaError, match=f"this is a {kind}, and a {want} is needed"):
        parse(text, where="t", want=want)


def test_length_at_and_over_the_cap():
    assert value("1" + " " * (MAX_LENGTH - 1)) == 1.0
    with pytest.raises(FormulaError, match="401 characters"):
        parse("1" + " " * MAX_LENGTH, where="t")


def test_depth_at_and_over_the_cap():
    # each sign adds a level to the number's own
    assert value("-" * (MAX_DEPTH - 1) + "1") in (1.0, -1.0)
    with pytest.raises(FormulaError, match="nested too deeply"):
        parse("-" * MAX_DEPTH + "1", where="t")


@pytest.mark.parametrize(
    "text", ["(" * 300 + "1" + ")" * 90, "-" * 399 + "1", "not " * 99 + "ph", "1+" * 199 + "1"]
)
def test_deep_nesting_ends_in_a_clear_error(text):
    with pytest.raises(FormulaError):
        parse(text, where="t")


@given(st.text(max_size=60))
def test_any_text_is_a_formula_or_a_formula_error(text):
    with contextlib.suppress(FormulaError):
        parse(text, where="t")


@given(st.text(alphabet="0123456789.+-*/()<>=! ,'\"andortifelsminmaxph_", max_size=40))
def test_near_formulas_are_formulas_or_formula_errors(text):
    with contextlib.suppress(FormulaError):
        parse(text, where="t").evaluate({name: np.array([1.0]) for name in NAMES if name != "crop"})
