"""Soils on which a method means nothing: at, just under and just over each of its limits."""

import numpy as np
import pytest

from interpretation.agronomy.advise import advise
from interpretation.agronomy.records import field_advice
from interpretation.agronomy.validity import LIMITS
from interpretation.methods import Method
from reports.format import Format
from reports.wording import Wording
from tests.small_world import conversion, method, ph, samples, scale, values, world

NAN = float("nan")
OLSEN, P_SCALE = method(id="olsen"), scale()
ALL = {
    "valid_ph_min": 4.5, "valid_ph_max": 7.4, "valid_lime_percent_max": 2.0, "valid_om_percent_max": 20.0,
    "use_instead": "olsen",
}  # fmt: skip


def matter(percent, **changes):
    return {
        "analyte": "organic-matter", "form": "organic matter", "method": "om-loi-360", "unit": "%",
        "value": percent,
    } | changes  # fmt: skip


def phosphorus(bray, *others, lime=NAN, tables=(P_SCALE,), convert=(), **soil):
    soil = values({"value": 12.0} | soil, *others)
    found = field_advice(advise(soil, world(*tables, *bray), samples({"lime_percent": lime}), convert), "f1")
    return next(result for result in found.results if result.analyte == "P")


def told(result):
    if result.refusal is None:
        return None
    return (result.refusal.key, *(result.refusal.values.get(name) for name in ("input", "found", "limit")))


@pytest.mark.parametrize(
    ("soil_ph", "lime", "om", "expected"),
    [
        (6.5, 0.5, 3.0, None),
        # At each limit the method still holds; what is printed is compared: pH 4.45 is printed as 4.5.
        (7.4, 2.0, 20.0, None),
        (4.5, 2.0, 20.0, None),
        (4.45, NAN, NAN, None),
        (4.44, NAN, NAN, ("method-not-valid", "ph", 4.4, 4.5)),
        (4.4, NAN, NAN, ("method-not-valid", "ph", 4.4, 4.5)),
        (7.44, NAN, NAN, None),
        (7.5, NAN, NAN, ("method-not-valid", "ph", 7.5, 7.4)),
        (6.5, 2.1, NAN, ("method-not-valid", "lime_percent", 2.1, 2.0)),
        (6.5, NAN, 19.9, None),
        (6.5, NAN, 20.04, None),  # printed as 20.0
        (6.5, NAN, 20.1, ("method-not-valid", "om_percent", 20.1, 20.0)),
        # Several at once: the one that is told is the first of pH, carbonate, organic matter.
        (7.5, 2.1, 20.1, ("method-not-valid", "ph", 7.5, 7.4)),
        (6.5, 2.1, 20.1, ("method-not-valid", "lime_percent", 2.1, 2.0)),
        (4.4, NAN, 20.1, ("method-not-valid", "ph", 4.4, 4.5)),
        # One of pH and carbonate must be known, organic matter not.
        (NAN, 1.0, NAN, None),
        (NAN, NAN, 3.0, ("validity-unknown", "ph", None, 7.4)),
        (NAN, NAN, 20.1, ("method-not-valid", "om_percent", 20.1, 20.0)),
    ],
)
def test_at_under_and_over_each_limit(soil_ph, lime, om, expected):
    others = [one for one in (ph(soil_ph), matter(om)) if one["value"] == one["value"]]
    found = phosphorus((method(**ALL), OLSEN), *others, lime=lime)
    assert told(found) == expected
    assert found.class_name == ("medium" if expected is None else None)
    if expected:
        assert found.refusal.values["use_instead"] == "olsen"


RARE = {"valid_ph_min": 4.5, "valid_om_percent_max": 20.0}


@pytest.mark.parametrize("names", [["valid_ph_min"], ["valid_om_percent_max"], [*RARE]])
def test_what_is_rare_may_be_unknown(names):
    # Very acid and organic soils are rare and show themselves; limy ones do not, and any field may be one.
    assert phosphorus((method(**{name: RARE[name] for name in names}),)).class_name == "medium"


def test_two_ways_of_measuring_count_on_the_safe_side():
    acid = method(valid_ph_min=5.0, valid_ph_max=7.0)
    both = (ph(4.9), ph(6.0) | {"method": "ph-water-1:2"})
    assert told(phosphorus((acid,), *both)) == ("method-not-valid", "ph", 4.9, 5.0)
    both = (ph(6.0), ph(7.1) | {"method": "ph-water-1:2"})
    assert told(phosphorus((acid,), *both)) == ("method-not-valid", "ph", 7.1, 7.0)
    both = (matter(3.0), matter(21.0, method="om-other"))
    assert told(phosphorus((method(valid_om_percent_max=20),), *both)) == (
        "method-not-valid", "om_percent", 21.0, 20.0,
    )  # fmt: skip


@pytest.mark.parametrize(
    "other",
    [
        {"analyte": "organic-carbon", "form": "organic carbon"},  # another quantity
        {"unit": "g/kg"},  # another unit: nothing is turned
        {"value": NAN, "below": 25.0},  # only a limit
    ],
)
def test_only_organic_matter_in_percent_counts(other):
    assert phosphorus((method(valid_om_percent_max=20),), matter(30.0, **other)).class_name == "medium"


def test_organic_matter_counts_in_percent_although_its_own_table_is_printed_in_another_unit():
    organic = {"analyte": "organic-matter", "form": "organic matter", "method": "om-loi-360"}
    table = scale(
        id="vale/om", unit="g/kg", per_method_unit=10, analyte="organic-matter", method="om-loi-360"
    )
    bench = method(id="om-loi-360", analyte="organic-matter", form="organic matter", unit="%")
    bray = method(valid_om_percent_max=20)
    for percent, expected in ((20.0, None), (20.1, ("method-not-valid", "om_percent", 20.1, 20.0))):
        found = phosphorus((bray, bench), organic | {"value": percent, "unit": "%"}, tables=(scale(), table))
        assert told(found) == expected


def test_the_limit_of_the_method_that_was_measured_is_told():
    limited = (method(), method(id="m3", valid_om_percent_max=10, use_instead="bray"))
    found = phosphorus(
        limited, matter(10.1), tables=(scale(), conversion()), convert=("vale/bray-from-m3",), method="m3",
        value=30.0,
    )  # fmt: skip
    assert told(found) == ("method-not-valid", "om_percent", 10.1, 10.0)
    assert found.refusal.values["use_instead"] == "bray"


@pytest.mark.parametrize(
    ("language", "said"),
    [
        ("en",
         "This test does not suit this soil. The organic matter, % is 20.1, and the limit is 20. "
         "Ask the lab for Olsen phosphorus."),
        ("es",
         "Este análisis no sirve para este suelo. El dato de materia orgánica, % es 20,1, y el límite es "
         "20. Pida al laboratorio: fósforo Olsen."),
    ],
)  # fmt: skip
def test_the_reason_names_the_figure_and_the_method_to_use_instead(language, said):
    bray = method(valid_om_percent_max=20, use_instead="olsen-1:20-colour")
    found = phosphorus((bray,), matter(20.1))
    assert Wording(Format(language)).refusal(found.refusal) == said


def test_every_limit_of_the_model_is_held():
    fields = {name for name in Method.model_fields if name.startswith("valid_")}
    assert fields == {one.field for one in LIMITS}


def test_limits_hold_row_by_row():
    bray = method(**ALL)
    numbers = [f"S{n}" for n in range(1, 5)]
    soil = values(
        *({"value": 12.0, "lab_number": n} for n in numbers),
        *(ph(value, n) for value, n in zip((4.4, 6.0, 7.5, 6.0), numbers, strict=True)),
        *(matter(value, lab_number=n) for value, n in zip((3.0, 3.0, 3.0, 30.0), numbers, strict=True)),
    )
    found = advise(soil, world(scale(), bray, OLSEN), samples(*({} for _ in numbers))).classed
    rows = found.frame["analyte"] == "P"
    assert found.frame["refusal_detail"][rows].tolist() == [
        "valid_ph_min", "", "valid_ph_max", "valid_om_percent_max",
    ]  # fmt: skip
    assert np.isnan(found.probability[rows.to_numpy()]).all()
