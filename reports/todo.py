"""What to do, a nutrient a line: how much, on the whole field, and the reason in one sentence.

The reason is the soil test that the amount was worked out from; :mod:`reports.details` has the whole working.
"""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import replace

from interpretation.results import Amount, FieldAdvice, SoilResult, Step
from reports import garden
from reports.actions import nutrients_of, printed_amount, without_table
from reports.boards import span
from reports.findings import NUTRIENTS, Places, adequate, class_name, is_close
from reports.front import ToDo, ToDoCell, ToDoTable
from reports.totals import on_the_field
from reports.wording import Wording

MOST_COLUMNS = 4  # samples that stand side by side; of more the amounts are summed up, and set out below
MOST_AMOUNTS = 3  # different amounts that are told one by one; more are told as a range
# Figures of the soil that an amount may count besides its soil test.
SOIL_INPUTS = frozenset({"nitrate_kg_per_ha", "nitrate_mg_per_kg", "om_percent", "buffer_ph", "ph"})
# Of these, what a credit takes off under a name of its own: said there, and not a second time.
CREDIT_OF = {
    "nitrate_kg_per_ha": "soil-nitrate", "nitrate_mg_per_kg": "soil-nitrate", "om_percent": "organic-matter",
}  # fmt: skip


def todo_table(
    advice: FieldAdvice, places: Places, wording: Wording, *, mind: bool = False
) -> ToDoTable | None:
    """Set out what to do; None where no amount at all was asked for. ``mind``: notes on it follow below."""
    amounts = [amount for amount in advice.amounts if not without_table(amount)]
    if not amounts:
        return None
    side_by_side = len(places.order) <= MOST_COLUMNS
    by_nutrient = {n: [a for a in amounts if a.nutrient == n] for n in nutrients_of(amounts)}
    totals = {n: _total(several, advice, places, wording) for n, several in by_nutrient.items()}
    summed = any(total not in ("", wording.page("none-needed")) for total in totals.values())
    columns: tuple[str, ...] = (wording.page("col-how-much"),)
    if places.many and side_by_side:
        columns = tuple(places.label(number) for number in places.order)
    cells = _beside if side_by_side else _summed_up
    return ToDoTable(
        columns=columns,
        total=_total_head(advice, wording) if summed else "",
        help=_help(advice, wording, mind=mind, summed=summed and places.many),
        rows=tuple(
            ToDo(
                wording.name("nutrients", nutrient), _why(several, advice, places, wording),
                cells(several, places, wording), totals[nutrient],
            )
            for nutrient, several in by_nutrient.items()
        ),
        long_units=wording.format.for_garden,
    )  # fmt: skip


def _help(advice: FieldAdvice, wording: Wording, *, mind: bool, summed: bool) -> str:
    told = {
        "amounts-first": True,
        "read-mind-first": mind,
        "read-frame-first": not mind,
        "amounts-rich": True,
        "amounts-close": any(map(is_close, advice.results)),
        "total-help": summed,
    }
    return " ".join(wording.page(key) for key, wanted in told.items() if wanted)


# ------------------------------------------------------------------------------------------ how much


def _beside(amounts: Sequence[Amount], places: Places, wording: Wording) -> tuple[tuple[ToDoCell, ...], ...]:
    found = {amount.lab_number: amount for amount in amounts}
    return tuple((_cell(found.get(number), wording),) for number in places.order)


def _summed_up(
    amounts: Sequence[Amount], places: Places, wording: Wording
) -> tuple[tuple[ToDoCell, ...], ...]:
    """Tell each amount once with the samples it is for, or from where to where they go."""
    alike: dict[ToDoCell, list[Amount]] = {}
    for amount in amounts:
        alike.setdefault(_cell(amount, wording), []).append(amount)
    given = {cell: several for cell, several in alike.items() if cell.kind == "amount"}
    if len(given) > MOST_AMOUNTS:
        several = [amount for group in given.values() for amount in group]
        alike = {_range(several, wording): several, **{c: s for c, s in alike.items() if c not in given}}
    order = {"amount": 0, "none": 1, "refused": 2}
    cells = [
        replace(cell, where=places.list([a.lab_number for a in several]))
        for cell, several in sorted(
            alike.items(), key=lambda item: (order[item[0].kind], -(item[1][0].rate or 0.0))
        )
    ]
    return (tuple(cells),)


def _cell(amount: Amount | None, wording: Wording) -> ToDoCell:
    if amount is None:
        return ToDoCell("refused", "–")
    if amount.rate is None:
        return ToDoCell("refused", wording.page("not-given"))
    if amount.rate == 0:
        return ToDoCell("none", wording.page("none-needed"))
    number, unit = printed_amount(amount.rate, amount, wording)
    return ToDoCell("amount", number, unit=unit)


def _range(amounts: Sequence[Amount], wording: Wording) -> ToDoCell:
    low, high = (
        printed_amount(choose(amounts, key=lambda a: a.rate or 0.0).rate or 0.0, amounts[0], wording)
        for choose in (min, max)
    )  # fmt: skip
    text = wording.page("also-range", **{"from": low[0], "to": high[0]})
    return ToDoCell("amount", text, unit=high[1])


# ------------------------------------------------------------------------------------------- in all


def _total_head(advice: FieldAdvice, wording: Wording) -> str:
    return wording.page("total-head", area=wording.format.quantity(advice.area_ha or 0.0, "ha"))


def _total(amounts: Sequence[Amount], advice: FieldAdvice, places: Places, wording: Wording) -> str:
    """Amount for the whole field, from the printed amounts: a reader who multiplies gets the same.

    Samples are counted alike. There is none where the area is not known, or a sample has no amount.
    """
    rates = [amount.rate for amount in amounts if amount.rate is not None]
    if advice.area_ha is None or len(rates) < len(places.order):
        return ""
    if not any(rates):
        return wording.page("none-needed")
    first = amounts[0]
    if len({amount.unit for amount in amounts}) > 1:
        return ""
    if wording.format.for_garden:
        mean = sum(rates) / len(rates)
        return garden.total(mean, first.unit, advice.area_ha, wording)
    return on_the_field(rates, first.unit, advice.area_ha, wording, lime=first.nutrient == "lime")


# ---------------------------------------------------------------------------------------------- why


def _why(amounts: Sequence[Amount], advice: FieldAdvice, places: Places, wording: Wording) -> str:
    """The reason for the amounts of a nutrient, in a sentence or two."""
    given = [amount for amount in amounts if amount.rate is not None]
    tests = {amount.lab_number: result for amount in given if (result := _test(amount, advice)) is not None}
    tested = [tests[amount.lab_number] for amount in given if amount.lab_number in tests]
    said = [*_of_the_soil(tested, places, wording)] if tested else [*_of_the_crop(given, wording)]
    said += [
        *_besides(given, {result.analyte.lower() for result in tested}, wording, first=not said),
        *_left_on(given, advice, wording),
        *_refused([amount for amount in amounts if amount.rate is None], places, wording),
    ]
    return " ".join(said)


def _test(amount: Amount, advice: FieldAdvice) -> SoilResult | None:
    """The soil test that an amount was worked out from."""
    step = next((s for s in amount.working if s.key in ("soil-test", "soil-test-below")), None)
    if step is None:
        return None
    mine = [
        result
        for result in advice.results
        if result.lab_number == amount.lab_number and result.analyte == step.values.get("analyte")
    ]
    by_method = [result for result in mine if result.method == step.values.get("method")]
    return next(iter(by_method or mine), None)


def _of_the_soil(results: list[SoilResult], places: Places, wording: Wording) -> list[str]:
    kinds: dict[str, list[SoilResult]] = {}
    for result in results:
        kinds.setdefault(_kind(result), []).append(result)
    order = ("little", "short", "enough", "class", "value")
    said = []
    for kind in sorted(kinds, key=order.index):
        several = kinds[kind]
        names = list(dict.fromkeys(class_name(result, wording) for result in _rising(several)))
        ends = {"from": names[0], "to": names[-1]}
        told = {
            "nutrient": wording.name("analytes", several[0].analyte),
            "value": span(several, wording, interval=False),
            "class": names[0] if len(names) == 1 else wording.page("also-range", **ends),
        }
        if places.many:
            told["places"] = places.list([result.lab_number for result in several])
        said.append(wording.page(f"why-{kind}-{'many' if places.many else 'one'}", **told))
    return said


def _kind(result: SoilResult) -> str:
    """How a soil test is told. The lower half of the classes in which a crop may run short is "little"."""
    index, enough = result.class_index, adequate(result)
    if not result.class_name or index is None:
        return "value"
    if result.analyte not in NUTRIENTS or enough is None:
        return "class"
    if index >= enough:
        return "enough"
    return "little" if index < enough / 2 else "short"


def _rising(results: Sequence[SoilResult]) -> list[SoilResult]:
    return sorted(results, key=lambda result: result.class_index or 0)


def _of_the_crop(amounts: Sequence[Amount], wording: Wording) -> list[str]:
    """What an amount without a soil test follows from."""
    if not amounts:
        return []
    steps = [step for amount in amounts for step in amount.working]
    if any(step.key == "yield-goal" or _is_input(step, {"yield_goal"}) for step in steps):
        return [wording.page("why-yield")]
    return [] if any(_is_input(step, SOIL_INPUTS) for step in steps) else [wording.page("why-crop")]


def _is_input(step: Step, names: Container[str]) -> bool:
    return step.key == "input" and str(step.values.get("name")) in names


def _besides(amounts: Sequence[Amount], told: Container[str], wording: Wording, *, first: bool) -> list[str]:
    """What was taken off, and which other figures of the soil than those told were counted.

    ``first`` says that nothing was said yet.
    """
    credits_: dict[str, None] = {}
    inputs: dict[str, None] = {}
    for amount in amounts:
        nothing = any(step.key == "raw-rate" and not step.values.get("rate") for step in amount.working)
        for step in amount.working:
            if step.key == "credit" and step.values.get("amount") and not nothing:
                credits_[str(step.values["credit"])] = None
            elif _is_input(step, SOIL_INPUTS):
                inputs[str(step.values["name"])] = None
    counted = dict.fromkeys(
        wording.name("credits", CREDIT_OF[name]) if name in CREDIT_OF else wording.name("inputs", name)
        for name in inputs
        if CREDIT_OF.get(name) not in credits_ and name.replace("_", "-") not in told
    )
    said = []
    if counted:
        key = "why-counted-alone" if first else "why-counted"
        said.append(wording.page(key, inputs=wording.format.join(list(counted))))
    if credits_:
        taken = [wording.name("credits", name) for name in credits_]
        said.append(wording.page("why-taken-off", credits=wording.format.join(taken)))
    return said


def _left_on(amounts: Sequence[Amount], advice: FieldAdvice, wording: Wording) -> list[str]:
    """Say that nitrate was found and not taken off, where the region's nitrogen does not go by it."""
    given = {amount.lab_number for amount in amounts if amount.nutrient == "N" and amount.rate}
    found = [
        each for each in advice.results
        if each.analyte == "nitrate" and each.value is not None and each.lab_number in given
    ]  # fmt: skip
    counted = any(
        (step.key == "input" and CREDIT_OF.get(str(step.values.get("name"))) == "soil-nitrate")
        or (step.key == "credit" and step.values.get("credit") == "soil-nitrate")
        or step.values.get("analyte") == "nitrate"
        for amount in amounts
        for step in amount.working
    )
    return [wording.page("why-nitrate-left")] if found and not counted else []


def _refused(amounts: Sequence[Amount], places: Places, wording: Wording) -> list[str]:
    reasons: dict[str, list[str]] = {}
    for amount in amounts:
        text = wording.refusal(amount.refusal) if amount.refusal is not None else ""
        reasons.setdefault(text, []).append(amount.lab_number)
    said = []
    for text, numbers in reasons.items():
        if places.many:
            said.append(wording.page("why-refused-many", places=places.list(numbers), reason=text))
        else:
            said.append(wording.page("why-refused-one", reason=text))
    return [each.rstrip(" :") for each in said]
