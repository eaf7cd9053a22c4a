"""The rules of the ledger of printed values, and how much stands in it."""

from __future__ import annotations

import pytest

from tests.published import printed


@pytest.mark.parametrize(
    ("text", "half"), [("90", 0.5), ("0.0410", 5e-5), ("-1.6163E-04", 5e-9), ("1E+3", 500.0)]
)
def test_half_of_the_last_printed_digit(text: str, half: float) -> None:
    assert printed.half_digit(text) == pytest.approx(half, rel=1e-12)


def test_the_digits_decide() -> None:
    # 0.0410: from 0.04095 to 0.04105
    row = {"answer": "printed", "printed": "0.0410"}
    assert printed.expected(row) == 0.04105
    assert printed.expected(row) != 0.041051
    assert printed.expected(row | {"tolerance": 1e-5}) != 0.0411  # may be narrowed
    assert printed.expected(row | {"tolerance": 1e-3}) != 0.0415  # and not widened
    assert printed.expected(row | {"tolerance": 1e-3, "because": "of the source's rounding"}) == 0.0415


@pytest.mark.parametrize(
    "wrong",
    [
        {"answer": "looked up"},
        {"standing": "heard"},
        {"locator": ""},
        {"answer": "computed"},
        {"because": "it does not fit", "tolerance": 0},
    ],
)
def test_a_row_that_does_not_say_what_it_is_is_refused(wrong: dict[str, object]) -> None:
    row = {"answer": "printed", "printed": "7", "source": "harvey", "locator": "p. 1", "standing": "seen"}
    printed.check_row(row)
    with pytest.raises(AssertionError):
        printed.check_row(row | wrong)


def test_a_source_that_is_not_known_is_refused() -> None:
    with pytest.raises(KeyError):
        printed.publication({"source": "nowhere"})


def test_how_much_stands_in_it() -> None:
    """At least 250 printed values of 30 publications in the rows of shipped tables alone."""
    rows = [
        row
        for path in sorted((printed.CASES / "printed_tables").glob("*.json"))
        for row in printed.rows_in(printed.load(f"printed_tables/{path.name}"))
    ]
    assert sum(printed.values_of(row) for row in rows) >= 250
    assert len({printed.publication(row) for row in rows if printed.values_of(row)}) >= 30
