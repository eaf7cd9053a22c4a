"""What was found: a plain sentence for each nutrient and a bar for each value."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from fractions import Fraction

from interpretation.conversions import kg_per_ha
from interpretation.quantities import KG_PER_HA, SUPPORTING
from interpretation.results import ClassProbability, FieldAdvice, MeasuredAs, SoilResult
from reports.charts import scale, scale_bar
from reports.format import printed, soil_unit
from reports.view import BarGroup, BarRow, Finding, ScaleBar
from reports.wording import Wording

COVERAGE = 2.0  # half-width of the printed interval in standard uncertainties, about 95 % (GUM sense)
SHOWN_CHANCE = 0.05  # a class less likely than this is not worth a grower's thought
LABEL_LENGTH = 24  # characters of a sample's name in sentences and table heads; in full at the back
NAMED_PLACES = 3  # more samples than this are counted, not named
# Analytes of which a crop can run short; pH and the like can only be out of place.
NUTRIENTS = frozenset(
    {"P", "K", "Ca", "Mg", "Zn", "Cu", "Mn", "Fe", "B", "nitrate", "ammonium", "sulfate", "chloride"}
)
# Order of reading: what most often limits a crop comes first; anything else follows as it came.
READ_FIRST = {
    analyte: order
    for order, analyte in enumerate(
        ("pH", "P", "K", "nitrate", "ammonium", "sulfate", "Mg", "Ca", "Zn", "organic-matter", "CEC")
    )
}
# Forms that say nothing beside the analyte's name.
FORMLESS = frozenset({"pH", "organic matter", "charge", "percent", "ratio", "EC", "water"})
ODDS = tuple(
    Fraction(a, b) for a, b in ((1, 10), (1, 5), (1, 4), (1, 3), (1, 2), (2, 3), (3, 4), (4, 5), (9, 10))
)


class Places:
    """The samples of a field as a reader names them."""

    def __init__(self, advice: FieldAdvice, wording: Wording) -> None:
        self.wording = wording
        self.order = [sample.lab_number for sample in advice.samples]
        self._labels = {s.lab_number: _short(s.label or s.lab_number) for s in advice.samples}
        shared = Counter(self._labels.values())
        for sample in advice.samples:  # two places must never read alike: an amount would go to the wrong one
            number = sample.lab_number
            if shared[self._labels[number]] > 1:
                named = _short(f"{number} {sample.label}")
                self._labels[number] = named if named.startswith(number) else number

    @property
    def many(self) -> bool:
        """Whether the field has more than one sample."""
        return len(self.order) > 1

    def label(self, lab_number: str) -> str:
        """Short name of one sample."""
        return self._labels.get(lab_number, lab_number)

    def list(self, lab_numbers: Sequence[str]) -> str:
        """Name a few samples, count many, and say so when it is all of them."""
        if self.many and len(lab_numbers) == len(self.order):
            return self.wording.page("places-all", count=str(len(self.order)))
        if len(lab_numbers) > NAMED_PLACES:
            return self.wording.page("places-many", count=str(len(lab_numbers)), total=str(len(self.order)))
        return self.wording.format.join([self.label(number) for number in lab_numbers])


def by_analyte(results: Sequence[SoilResult]) -> list[list[SoilResult]]:
    """Group results by analyte and method, what a grower acts on first."""
    groups: dict[tuple[str, str], list[SoilResult]] = {}
    for result in results:
        groups.setdefault((result.analyte, result.method), []).append(result)
    return sorted(groups.values(), key=lambda group: READ_FIRST.get(group[0].analyte, len(READ_FIRST)))


def findings(advice: FieldAdvice, places: Places, wording: Wording) -> tuple[Finding, ...]:
    """Say in plain words what each analyte's values mean; what has no class anywhere is named once, last."""
    groups = with_scale(advice)
    silent = [group for group in groups if is_silent(group)]
    found = [finding(group, places, wording) for group in groups if group not in silent]
    if silent:
        names = wording.format.join(
            list(dict.fromkeys(wording.name("analytes", group[0].analyte) for group in silent))
        )
        found.append(Finding(names, wording.page("found-unclassed-all", nutrients=names), ""))
    return tuple(found)


def bar_groups(advice: FieldAdvice, places: Places, wording: Wording) -> tuple[BarGroup, ...]:
    """Draw every value on the scale of its table."""
    methods = {method.id: method.title for method in advice.methods}
    return tuple(
        BarGroup(
            title=wording.name("analytes", group[0].analyte),
            method=wording.known("methods", group[0].method, methods.get(group[0].method, "")),
            rows=tuple(_row(result, places, wording) for result in group),
        )
        for group in with_scale(advice)
    )


def with_scale(advice: FieldAdvice) -> list[list[SoilResult]]:
    """Leave out a test that only serves another, such as a buffer pH; it stands at the back."""
    groups = by_analyte(advice.results)
    return [group for group in groups if group[0].analyte not in SUPPORTING or group[0].class_name]


def written_value(result: SoilResult, wording: Wording) -> str:
    """Value with its interval and unit, as the grower reads it."""
    unit = soil_unit(result.unit)
    if result.value is None:
        if result.below is None:
            return wording.page("not-measured")
        return wording.page("below-value", value=wording.format.plain(result.below) + unit)
    text = wording.format.number(result.value, result.decimals)
    if result.standard_uncertainty:
        text += f" ± {uncertainty(COVERAGE * result.standard_uncertainty, result.decimals, wording)}"
    return text + unit


def uncertainty(value: float, decimals: int, wording: Wording) -> str:
    """Write an uncertainty with the value's decimals, or as many more as show its first figure."""
    needed = -math.floor(math.log10(value))
    return wording.format.number(value, max(decimals, min(needed, 4)))


def written_measurement(behind: MeasuredAs, wording: Wording) -> str:
    """What was measured behind a value that was worked out, with its unit."""
    if behind.value is None:
        return wording.page("below-value", value=wording.format.plain(behind.below or 0.0)) + soil_unit(
            behind.unit
        )
    return wording.format.number(behind.value, behind.decimals) + soil_unit(behind.unit)


def worked_out(result: SoilResult, wording: Wording) -> str:
    """Say what was measured, where another method's value or another unit is classed, or nothing."""
    behind = result.measured_as
    if behind is None:
        return ""
    value = written_measurement(behind, wording)
    if behind.conversion is None:
        said = wording.page("measured-in", value=value)
    else:
        said = wording.page("worked-out-from", value=value, method=wording.name("methods", behind.method))
    if behind.factor is None or behind.factor_unit is None:
        return said
    counted = wording.page(
        "table-counts",
        factor=wording.format.plain(behind.factor) + soil_unit(result.unit),
        unit=printed(behind.factor_unit) or wording.name("analytes", result.analyte),
    )
    return " ".join(filter(None, (said, counted, _layer_behind(behind, result.unit, wording))))


def _layer_behind(behind: MeasuredAs, unit: str, wording: Wording) -> str:
    """The layer and the bulk density that a table's factor from mg/kg to an amount on a field stands for."""
    if behind.layer_cm is None or behind.factor is None or behind.factor_unit != "mg/kg":
        return ""
    top, bottom = behind.layer_cm
    on_a_field = behind.factor * (KG_PER_HA["lb/ac"] if unit == "lb/ac" else 1.0)
    density = on_a_field / float(kg_per_ha(1.0, bottom - top, 1.0))
    return wording.page(
        "counts-layer", layer=wording.layer(top, bottom), density=wording.format.number(density, 1)
    )


def class_name(result: SoilResult, wording: Wording) -> str:
    """Name of the result's class, or nothing."""
    return wording.name("classes", result.class_name) if result.class_name else ""


def reason(result: SoilResult, wording: Wording) -> str:
    """Why a value has no class, or nothing."""
    if result.refusal is None:
        return ""
    return wording.refusal(result.refusal)


# ---------------------------------------------------------------------------------------- sentences


def is_silent(group: Sequence[SoilResult]) -> bool:
    """Whether none of the values has a class, so that there is nothing to say but the numbers."""
    return {_kind(result)[1] for result in group} == {"unclassed"}


def finding(group: list[SoilResult], places: Places, wording: Wording) -> Finding:
    """Say in plain words what the values of one analyte mean."""
    nutrient = wording.name("analytes", group[0].analyte)
    kinds: dict[tuple[int, str], list[SoilResult]] = {}
    for result in group:
        kinds.setdefault(_kind(result), []).append(result)
    sentences: list[str] = []
    for (_, kind), results in sorted(kinds.items(), key=lambda item: item[0]):
        sentences.append(
            wording.page(
                _sentence_key(kind, first=not sentences, many=places.many),
                nutrient=nutrient,
                places=places.list([r.lab_number for r in results]),
                **{"class": class_name(results[0], wording)},
            )
        )
    close = [r.lab_number for r in group if is_close(r)]
    if close and places.many:
        sentences.append(wording.page("found-close-some", places=places.list(close)))
    elif close:
        sentences.append(wording.page("found-close-one"))
    return Finding(nutrient, " ".join(sentences), _outlook(group, wording))


def _kind(result: SoilResult) -> tuple[int, str]:
    """Order of the sentences: classes rising, then values without class, then what was not measured."""
    if result.class_name is not None:
        return (result.class_index or 0, f"class {result.class_name}")
    if result.value is None and result.below is None:
        return (999, "missing")
    return (998, "unclassed")


def _sentence_key(kind: str, *, first: bool, many: bool) -> str:
    stem = "found" if kind.startswith("class ") else f"found-{kind}"
    if not many:
        return f"{stem}-one"
    return f"{stem}-first" if first else f"{stem}-more"


def _outlook(group: list[SoilResult], wording: Wording) -> str:
    if group[0].analyte not in NUTRIENTS:
        return ""
    short = [enough for result in group if (enough := is_enough(result)) is not None]
    if not short:
        return ""
    if all(short):
        key = "outlook-enough-close" if any(map(_may_be_short, group)) else "outlook-enough"
        return wording.page(key) if len(short) == len(group) else ""
    return wording.page("outlook-short" if not any(short) else "outlook-short-places")


def is_enough(result: SoilResult) -> bool | None:
    """Whether a crop is rarely short at this value; None where that is not known."""
    first = adequate(result)
    if result.class_index is None or first is None:
        return None
    return result.class_index >= first


def is_close(result: SoilResult) -> bool:
    """Whether a second sample could well fall in another class: near a limit, and not nearly sure of one."""
    likely = [each for each in result.probabilities if each.probability >= SHOWN_CHANCE]
    return result.borderline and result.class_name is not None and len(likely) != 1


def _may_be_short(result: SoilResult) -> bool:
    """Whether the odds of a value name a class in which a crop may run short."""
    names, first = [limit.name for limit in result.limits], adequate(result)
    short = names[:first]
    return is_close(result) and any(
        each.name in short and each.probability >= SHOWN_CHANCE for each in result.probabilities
    )


def adequate(result: SoilResult) -> int | None:
    """Index of the first class in which a crop is rarely short, where the table says."""
    names = [limit.name for limit in result.limits]
    return names.index(result.adequate_from) if result.adequate_from in names else None


# --------------------------------------------------------------------------------------------- bars


def _row(result: SoilResult, places: Places, wording: Wording) -> BarRow:
    return BarRow(
        sample=places.label(result.lab_number),
        bar=_bar(result, places, wording),
        class_word=class_name(result, wording),
        value=written_value(result, wording),
        remark=" ".join(
            filter(None, (worked_out(result, wording), _remark(result, wording, brief=places.many)))
        ),
    )


def _bar(result: SoilResult, places: Places, wording: Wording) -> ScaleBar | None:
    position = result.value if result.value is not None else result.below
    if position is None or len(result.limits) < 2:
        return None
    words = [wording.name("classes", limit.name) for limit in result.limits]
    chosen = class_name(result, wording)
    limits = [
        wording.page("limit-of-class", limit=wording.format.plain(limit.lower), **{"class": word})
        for limit, word in zip(result.limits[1:], words[1:], strict=True)
    ]
    alt = wording.page(
        "alt-value" if chosen else "alt-no-class",
        nutrient=wording.name("analytes", result.analyte),
        sample=places.label(result.lab_number),
        value=written_value(result, wording),
        limits=", ".join(limits),
        **{"class": chosen},
    )
    u = result.standard_uncertainty
    return scale_bar(
        alt=alt,
        words=words,
        scale=scale([limit.lower for limit in result.limits], result.scale_top),
        chosen=result.class_index if chosen else None,
        value=position,
        below=result.value is None,
        reach=COVERAGE * u if u else None,
        write=wording.format.plain,
        adequate=adequate(result),
    )


def _remark(result: SoilResult, wording: Wording, *, brief: bool) -> str:
    if result.refusal is not None and not result.class_name:
        return wording.page("no-class", reason=reason(result, wording))
    if result.borderline and result.probabilities:
        return close_call(result.probabilities, wording, brief=brief)
    if result.value is not None and result.standard_uncertainty is None:
        return wording.page("no-uncertainty")
    return ""


def close_call(probabilities: Sequence[ClassProbability], wording: Wording, *, brief: bool = False) -> str:
    """Say how likely each class is: ``about 3 in 4 it is low, 1 in 4 it is medium``.

    In brief, for one line beside a lane where a sentence above names the close calls: ``3 in 4 low, 1 in 4
    medium``.
    """
    likely = [p for p in probabilities if p.probability >= SHOWN_CHANCE]
    named = sorted(likely, key=lambda p: -p.probability)
    if len(named) < 2:
        best = max(probabilities, key=lambda p: p.probability)
        key = "sure-brief" if brief else "close-sure"
        return wording.page(key, **{"class": wording.name("classes", best.name)})
    keys = ["chance-brief"] if brief else ["chance-first", "chance-more"]
    chances = []
    for rank, chance in enumerate(named):
        odds = min(ODDS, key=lambda fraction: abs(float(fraction) - chance.probability))
        part, whole = str(odds.numerator), str(odds.denominator)
        chances.append(
            wording.page(
                keys[min(rank, len(keys) - 1)],
                odds=wording.page("odds", part=part, whole=whole),
                **{"class": wording.name("classes", chance.name)},
            )
        )
    told = ", ".join(chances)
    return told if brief else wording.page("close-call", chances=told)


def _short(label: str) -> str:
    flat = " ".join(label.split())
    return flat if len(flat) <= LABEL_LENGTH else flat[: LABEL_LENGTH - 1].rstrip() + "…"


def analyte_and_form(result: SoilResult, wording: Wording) -> str:
    """Name of the analyte and the form its number counts."""
    name = wording.name("analytes", result.analyte)
    return name if result.form in FORMLESS else f"{name}, {printed(result.form)}"
