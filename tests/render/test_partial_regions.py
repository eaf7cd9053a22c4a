"""Reports of regions that publish only part of the picture: what is missing must not read as good news."""

from __future__ import annotations

from typing import Any

import pytest

from interpretation.results import FieldAdvice, Refusal
from reports.build import build_report
from reports.charts import MOST_LINES, segments, wrapped
from reports.render import html
from reports.view import GrowerReport
from tests.render.demo_world import amount, field, laboratory, ph, result, sample

NO_TABLE = Refusal(key="no-table", values={"failed": "analyte"})
TWO = (sample("1", "North"), sample("2", "South"))


def report(advice: FieldAdvice, locale: str = "en") -> GrowerReport:
    return build_report(advice, laboratory(), locale=locale)


def small(**changes: Any) -> FieldAdvice:
    return field(**({"samples": TWO, "results": (), "amounts": (), "notes": ()} | changes))


def unclassed(lab_number: str, analyte: str, **changes: Any) -> Any:
    return result(lab_number, analyte, 5.0, None, limits=(), table=None, refusal=NO_TABLE, **changes)


@pytest.mark.parametrize(
    ("locale", "said"),
    [
        (
            "en",
            "No amount is given for: Lime (as CaCO₃), Nitrogen (N), and Potash (K₂O). "
            "That does not mean that none is needed.",
        ),
        (
            "es",
            "No se indica cantidad de: Cal agrícola (como CaCO₃), Nitrógeno (N) y Potasa (K₂O). "
            "Eso no quiere decir que no haga falta.",
        ),
    ],
)
def test_main_nutrients_on_which_nothing_is_said_are_named(locale: str, said: str) -> None:
    page = report(small(amounts=(amount("1", "P2O5", 30.0), amount("1", "S", 9.0))), locale)
    assert page.silent == said
    assert said in html(page)


def test_what_runs_short_and_has_no_amount_is_named() -> None:
    """Phosphorus: classes 0 very low, 1 low, 2 medium, 3 high; enough from high on."""
    all_main = [amount("1", nutrient, 30.0) for nutrient in ("lime", "N", "K2O")]
    refused = amount("1", "P2O5", None, refusal=Refusal(key="no-rate-row"))
    low = (result("1"),)
    short = "May run short, and no amount is given here: Phosphorus. Ask your adviser."
    assert report(small(results=low, amounts=(*all_main, refused))).silent == short
    assert report(small(results=low, amounts=tuple(all_main))).silent == short, "named once"
    assert report(small(results=low, amounts=(*all_main, amount("1", "P2O5", 0.0)))).silent == ""
    elsewhere = (*all_main, amount("2", "P2O5", 30.0))  # an amount for another place helps here nothing
    assert report(small(results=low, amounts=elsewhere)).silent == short
    enough = small(amounts=(*all_main, refused), results=(result("1", index=3),))
    assert report(enough).silent == ""


def test_an_amount_that_was_refused_is_not_silence() -> None:
    given = [amount("1", nutrient, 30.0) for nutrient in ("lime", "N", "P2O5")]
    refused = amount("1", "K2O", None, refusal=Refusal(key="no-rate-row"))
    page = report(small(amounts=(*given, refused)))
    assert page.silent == ""
    assert "That does not mean" not in html(page)


def test_a_report_without_amounts_says_so_and_what_it_leaves_open() -> None:
    shown = html(report(small()))
    assert "This report gives no amounts." in shown
    assert "No amount is given for: Lime" in shown


def test_what_has_no_class_anywhere_is_named_once_and_last() -> None:
    other = {"method": "ph-water-unstated"}
    found = report(
        small(
            results=(
                unclassed("1", "pH"),
                unclassed("2", "pH", **other),  # two methods, one name
                unclassed("1", "K"),
                result("1", "P"),
                unclassed("2", "P"),
                ph("1", 6.0, "slightly acid", 2).model_copy(update={"method": "ph-3"}),
            )
        )
    ).findings
    assert [finding.sentences for finding in found] == [
        "Soil pH is slightly acid in North.",
        "Phosphorus is low in North. It has no class in South.",
        "No class for: Soil pH and Potassium. The values stand below, with the reason.",
    ]


def test_spanish_does_not_say_level_twice() -> None:
    word = "critical level reached"
    page = report(small(samples=TWO[:1], results=(result("1", "Zn", class_name=word),)), "es")
    assert page.findings[0].sentences == "Zinc: nivel crítico alcanzado."


@pytest.mark.parametrize(
    ("name", "characters", "lines"),
    [
        ("index 4 and above", 17, ("index 4 and above",)),  # 17 characters: just fits
        ("index 4 and above", 16, ("index 4", "and above")),
        ("index 4 and above", 9, ("index 4", "and above")),
        ("index 4 and above", 8, ("index", "4 and", "above")),
        ("index 4 and above", 4, ()),
        ("extremely", 8, ()),
        ("in the range of likely response", 15, ("in the range of", "likely response")),
    ],
)
def test_a_long_class_name_is_set_on_as_few_lines_as_hold_it(
    name: str, characters: int, lines: tuple[str, ...]
) -> None:
    assert wrapped(name, characters) == lines
    assert len(lines) <= MOST_LINES


def test_six_classes_of_which_one_has_a_long_name_all_carry_their_names() -> None:
    # 340 / 6 = 56.7 px; less 4 px and by 5.5 px a character: 9 characters a line
    names = ["index 0", "index 1", "index 2-", "index 2+", "index 3", "index 4 and above"]
    assert [segment.lines for segment in segments(names, 0)][-2:] == [("index 3",), ("index 4", "and above")]


def test_the_box_of_a_scale_grows_with_its_names() -> None:
    def height(*names: str) -> float:
        page = report(
            small(results=(result("1", "P", limits=[{"name": n, "lower": i} for i, n in enumerate(names)]),))
        )
        bar = page.groups[0].rows[0].bar
        assert bar is not None
        return bar.box_height

    assert height("low", "high") == 15.0
    # two boxes of 170 px hold 30 characters
    assert height("low", "low enough for zinc in the starter") == 25.0


def test_a_report_that_used_no_table_prints_no_empty_one() -> None:
    used = html(report(field()))
    assert "Tables used" in used
    assert "Tables used" not in html(report(field(tables=())))
