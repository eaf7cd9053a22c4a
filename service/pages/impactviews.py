"""The impact of a draft, worded: flows of classes, amounts of nutrients, fields with both their workings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from interpretation.agronomy.changes import AmountChange, Flow, Refused, State
from interpretation.results import Amount
from reports.actions import NUTRIENT_ORDER
from service.impact import AffectedField, Impact, ValueChange
from service.pages.drawing.flow import Drawing, flow
from service.pages.drawing.spread import spread
from service.web.templates import Words

KG_A_TONNE = 1000.0


@dataclass(frozen=True)
class FlowView:
    """One analyte by one method; ``rows`` are a name, its numbers and their sum."""

    title: str
    method: str
    told: str
    drawing: Drawing
    columns: list[str]
    rows: list[tuple[str, list[tuple[str, bool]], str]]  # of a number: whether it has moved
    sums: list[str]


@dataclass(frozen=True)
class AmountView:
    """One nutrient: how its amounts change, and what that comes to on the fields."""

    name: str
    unit: str
    counts: list[str]  # samples, more, less, same, newly given, no longer given
    means: list[str]  # before, after, change
    spread: list[str]  # of the change: least, 5 %, 25 %, half, 75 %, 95 %, most
    totals: list[str]  # area, kg before, kg after, kg change, change for each hectare
    reasons: list[str]
    drawing: Drawing | None
    told: str


@dataclass(frozen=True)
class Side:
    """An amount as one set of tables works it out."""

    amount: str
    steps: list[str]


@dataclass(frozen=True)
class PairView:
    """An amount of one sample by both."""

    title: str
    before: Side
    after: Side


@dataclass(frozen=True)
class FieldView:
    """One visit."""

    field: AffectedField
    title: str
    told: str
    values: list[tuple[str, str, str, str, str]]  # sample, what, value, class before, class after
    pairs: list[PairView]


def flows_of(w: Words, found: Impact) -> list[FlowView]:
    """Flows in which anything moves, those of which most moves first."""
    return [_flow(w, each) for each in found.flows if each.changed]


def still_of(w: Words, found: Impact) -> list[str]:
    """Analytes and methods that could move, and do not."""
    return [_of_method(w, each) for each in found.flows if not each.changed]


def amounts_of(w: Words, found: Impact) -> list[AmountView]:
    """Nutrients in the order in which reports print them."""
    order = {name: place for place, name in enumerate(NUTRIENT_ORDER)}
    return [
        _amount(w, each)
        for each in sorted(found.amounts, key=lambda one: (order.get(one.nutrient, 99), one.nutrient))
    ]


def fields_of(w: Words, found: Impact) -> list[FieldView]:
    """The most affected visits."""
    return [_field(w, each) for each in found.fields]


def state_name(w: Words, state: State) -> str:
    """A class, or the reason for none."""
    if state.kind == "class":
        return w.wording.name("classes", state.name)
    return reason(w, state.name) if state.kind == "refusal" else w("impact.no-class")


def reason(w: Words, key: str) -> str:
    """Why there is no class or no amount, in a few words."""
    told = f"impact.reason-{key or 'not-asked'}"
    return w(told) if w.has(told) else key


def whole(w: Words, number: float) -> str:
    """A whole number."""
    return w.format.number(number, 0)


def _of_method(w: Words, each: Flow | ValueChange) -> str:
    return w(
        "impact.by-method", analyte=w.wording.name("analytes", each.analyte),
        method=w.wording.name("methods", each.method),
    )  # fmt: skip


def _flow(w: Words, found: Flow) -> FlowView:
    before = [state_name(w, each) for each in found.before]
    after = [state_name(w, each) for each in found.after]
    heads = (w("impact.before"), w("impact.after"))
    drawing = flow(before, after, found.counts, heads, lambda number: whole(w, number))
    rows = [
        (name, [(whole(w, number), one != two and number > 0)
                for number, two in zip(row, found.after, strict=True)], whole(w, sum(row)))
        for name, one, row in zip(before, found.before, found.counts, strict=True)
    ]  # fmt: skip
    sums = [whole(w, sum(row[j] for row in found.counts)) for j in range(len(after))]
    share = 100 * found.changed / max(found.values, 1)
    return FlowView(
        title=w.wording.name("analytes", found.analyte), method=w.wording.name("methods", found.method),
        told=w("impact.flow-told", changed=whole(w, found.changed), values=whole(w, found.values),
               percent=w.format.number(share, 1)),
        drawing=drawing, columns=after, rows=rows, sums=[*sums, whole(w, found.values)],
    )  # fmt: skip


def _amount(w: Words, one: AmountChange) -> AmountView:
    by, unit, digits = (KG_A_TONNE, "t/ha", 2) if one.nutrient == "lime" else (1.0, "kg/ha", 1)

    def number(value: float | None) -> str:
        return "–" if value is None else w.format.number(value / by, digits)

    def signed(value: float | None) -> str:
        return "–" if value is None else _signed(w, value / by, digits)

    before, after = one.mean_before_kg_per_ha, one.mean_after_kg_per_ha
    change = one.change_kg_per_ha
    per_ha = one.total_change_kg / one.area_ha if one.area_ha else None
    steps = [(each.low_kg_per_ha / by, each.high_kg_per_ha / by, each.samples) for each in one.bins]
    name = w.wording.name("nutrients", one.nutrient)
    gained, lost = (sum(each.samples for each in some) for some in (one.gained, one.lost))
    return AmountView(
        name=name, unit=unit,
        counts=[whole(w, each) for each in (one.samples, one.more, one.less, one.same, gained, lost)],
        means=[number(before), number(after), signed(_less(after, before))],
        spread=[signed(each) for each in (change.model_dump().values() if change else ())],
        totals=[
            w.format.number(one.area_ha, 0), whole(w, one.total_before_kg), whole(w, one.total_after_kg),
            _signed(w, one.total_change_kg, 0), "–" if per_ha is None else _signed(w, per_ha, 1),
        ],
        reasons=_reasons(w, "impact.gained-because", one.gained)
        + _reasons(w, "impact.lost-because", one.lost),
        drawing=spread(steps, unit, w.number, lambda falls: whole(w, falls)) if steps else None,
        told=w("impact.spread-told", nutrient=name, more=whole(w, one.more), less=whole(w, one.less),
               same=whole(w, one.same)),
    )  # fmt: skip


def _signed(w: Words, value: float, digits: int) -> str:
    """A change, with its sign where it does not round to nought."""
    return ("+" if round(value, digits) > 0 else "") + w.format.number(value, digits)


def _less(after: float | None, before: float | None) -> float | None:
    return None if after is None or before is None else after - before


def _reasons(w: Words, key: str, refused: Sequence[Refused]) -> list[str]:
    return [w(key, number=whole(w, each.samples), reason=reason(w, each.reason)) for each in refused]


def _field(w: Words, field: AffectedField) -> FieldView:
    return FieldView(
        field=field,
        title=", ".join(filter(None, (
            field.field_code, w.wording.name("crops", field.crop), field.county, field.laboratory,
            w.day(field.sampled_on),
        ))),
        told=w("impact.field-told", classes=field.classes_changed, amounts=len(field.amounts)),
        values=[
            (each.lab_number, _of_method(w, each), _value(w, each), state_name(w, each.before),
             state_name(w, each.after))
            for each in field.values
        ],
        pairs=[
            PairView(
                w("impact.pair", sample=pair.lab_number, nutrient=w.wording.name("nutrients", pair.nutrient)),
                _side(w, pair.before), _side(w, pair.after),
            )
            for pair in field.amounts
        ],
    )  # fmt: skip


def _value(w: Words, each: ValueChange) -> str:
    if each.value_after is None:
        number = f"< {w.number(each.below)}"
    else:
        number = w.format.number(each.value_after, each.decimals)
    return number if each.unit == "pH" else f"{number} {each.unit}"


def _side(w: Words, amount: Amount | None) -> Side:
    """The amount and its working, as a report words them."""
    wording = w.wording
    if amount is None:
        return Side(w("impact.reason-not-asked"), [])
    steps = [wording.sentence("steps", step.key, step.values) for step in amount.working]
    if amount.refusal is not None:
        steps.append(wording.refusal(amount.refusal))
    if amount.rate is None:
        return Side(wording.page("not-given"), steps)
    if amount.rate == 0:
        return Side(wording.page("none-needed"), steps)
    return Side(
        " ".join(wording.format.amount(amount.rate, amount.unit, lime=amount.nutrient == "lime")), steps
    )
