"""What to do and what to mind: amounts, materials that supply them, notes."""

from __future__ import annotations

from collections.abc import Sequence

from interpretation.results import Amount, FieldAdvice, MaterialRate, Note
from reports import garden
from reports.findings import NUTRIENTS, Places, is_enough
from reports.format import half_up, printed
from reports.totals import on_the_field
from reports.view import AmountCell, AmountRow, AmountTable, Fact, MaterialLine, NoteGroup, NoteView
from reports.wording import Wording

# Notes that the fixed frame of every report already says.
SAID_BY_THE_FRAME = frozenset({"defer-to-local-rules", "licensed-advice", "sample-as-received"})
RETEST = "resample-interval"  # said with a date, and whose rule it is, by reports.afterwards
SEVERITIES = ("danger", "caution", "advice")
# What most crops are given: where nothing is said about one of them, the page says that it says nothing.
MAIN = ("lime", "N", "P2O5", "K2O")
# What a shortage of an analyte is made good with; of others no table gives an amount.
SUPPLIED_AS = {
    "P": "P2O5", "K": "K2O", "nitrate": "N", "ammonium": "N", "sulfate": "S", "chloride": "Cl", "Mg": "Mg",
    "Zn": "Zn", "Mn": "Mn", "Cu": "Cu", "B": "B",
}  # fmt: skip
NUTRIENT_ORDER = ("lime", "N", "P2O5", "K2O", "S", "Mg", "Cl", "Zn", "Mn", "Cu", "B")


def nutrients_of(amounts: Sequence[Amount]) -> list[str]:
    """Nutrients in the order in which they are printed; unknown ones come last, as they come."""
    present = dict.fromkeys(amount.nutrient for amount in amounts)
    return sorted(present, key=lambda n: NUTRIENT_ORDER.index(n) if n in NUTRIENT_ORDER else 99)


def amount_table(advice: FieldAdvice, places: Places, wording: Wording) -> AmountTable | None:
    """Set the amounts out by sample and nutrient; reasons for missing ones get a letter each."""
    if not advice.amounts:
        return None
    amounts = [amount for amount in advice.amounts if not without_table(amount)]
    nutrients = nutrients_of(amounts)
    units = {n: _common_unit(amounts, n, wording) for n in nutrients}
    found = {(amount.lab_number, amount.nutrient): amount for amount in amounts}
    reasons: dict[str, str] = {}
    rows = []
    for lab_number in places.order:
        cells = tuple(
            _cell(found.get((lab_number, nutrient)), units[nutrient], reasons, wording)
            for nutrient in nutrients
        )
        rows.append(AmountRow(places.label(lab_number), cells))
    if (whole_ha := garden.whole_area(advice, wording)) is not None:
        rows.append(
            _whole_garden(rows[0], [found.get((places.order[0], n)) for n in nutrients], whole_ha, wording)
        )
    return AmountTable(
        caption=wording.page("amounts-caption"),
        corner=wording.page("col-sample"),
        nutrients=tuple(Fact(wording.name("nutrients", n), units[n]) for n in nutrients),
        rows=tuple(rows),
        reasons=tuple(Fact(mark, text) for text, mark in reasons.items()),
        no_tables=tuple(
            dict.fromkeys(
                wording.refusal(a.refusal) for a in advice.amounts if a.refusal and without_table(a)
            )
        ),
    )


def _whole_garden(
    row: AmountRow, amounts: Sequence[Amount | None], whole_ha: float, wording: Wording
) -> AmountRow:
    """The same amounts for the whole of a garden, by weight."""
    cells = tuple(
        AmountCell("amount", garden.total(amount.rate, amount.unit, whole_ha, wording))
        if amount is not None and amount.rate
        else cell
        for cell, amount in zip(row.cells, amounts, strict=True)
    )
    return AmountRow(wording.page("garden-row", area=wording.format.quantity(whole_ha, "ha")), cells)


def silence(advice: FieldAdvice, wording: Wording) -> str:
    """Name what has no amount: what was found to be short, and main nutrients that no table was asked for.

    Silence must not read as "none needed".
    """
    given = {(a.lab_number, a.nutrient) for a in advice.amounts if a.rate is not None}
    short = dict.fromkeys(
        result.analyte
        for result in advice.results
        if result.analyte in NUTRIENTS
        and is_enough(result) is False
        and (result.lab_number, SUPPLIED_AS.get(result.analyte)) not in given
    )
    spoken_of = {amount.nutrient for amount in advice.amounts} | {SUPPLIED_AS.get(each) for each in short}
    silent = [wording.name("nutrients", nutrient) for nutrient in MAIN if nutrient not in spoken_of]
    lacking = [wording.name("analytes", analyte) for analyte in short]
    return " ".join(
        wording.page(key, nutrients=wording.format.join(names))
        for key, names in (("short-without", lacking), ("silent", silent))
        if names
    )


def without_table(amount: Amount) -> bool:
    """Whether the region has no amounts of this nutrient for the crop: said once, not for every sample."""
    return amount.refusal is not None and amount.refusal.key == "not-calibrated"


def _common_unit(amounts: Sequence[Amount], nutrient: str, wording: Wording) -> str:
    units = {printed_amount(1.0, a, wording)[1] for a in amounts if a.nutrient == nutrient}
    return units.pop() if len(units) == 1 else ""


def printed_amount(rate: float, amount: Amount, wording: Wording) -> tuple[str, str]:
    """Number and unit as printed; lime by the tonne or ton even where its table is in pounds."""
    number, unit = wording.format.amount(rate, amount.unit, lime=amount.nutrient == "lime")
    return number, printed(unit)


def _cell(amount: Amount | None, unit: str, reasons: dict[str, str], wording: Wording) -> AmountCell:
    if amount is None:
        return AmountCell("refused", "–")
    if amount.rate is None:
        if amount.refusal is None:
            return AmountCell("refused", wording.page("not-given"))
        text = f"{wording.page('not-given')}: {wording.refusal(amount.refusal)}"
        return AmountCell("refused", wording.page("not-given"), _mark(text, reasons))
    if amount.rate == 0:
        covered = _covering_credits(amount, wording)
        mark = _mark(wording.page("credits-cover", credits=covered), reasons) if covered else ""
        return AmountCell("none", wording.page("none-needed"), mark)
    number, own_unit = printed_amount(amount.rate, amount, wording)
    return AmountCell("amount", number if unit else f"{number} {own_unit}")


def _covering_credits(amount: Amount, wording: Wording) -> str:
    """What brought a rate down to nothing, or nothing where the rate itself was nothing."""
    rate = next((step.values["rate"] for step in amount.working if step.key == "raw-rate"), 0.0)
    taken = [s.values["credit"] for s in amount.working if s.key == "credit" and s.values["amount"]]
    return ", ".join(wording.name("credits", str(name)) for name in taken) if rate else ""


def _mark(text: str, reasons: dict[str, str]) -> str:
    return reasons.setdefault(text, letter(len(reasons)))


def letter(index: int) -> str:
    """Mark of the nth reason: a to z, then aa, ab, ..."""
    head, last = divmod(index, 26)
    return (letter(head - 1) if head else "") + chr(ord("a") + last)


# ---------------------------------------------------------------------------------------- materials


def material_lines(advice: FieldAdvice, places: Places, wording: Wording) -> tuple[MaterialLine, ...]:
    """Name, for each nutrient, the materials that would supply it and how much of them."""
    uses: dict[tuple[str, str], list[tuple[str, MaterialRate]]] = {}
    for nutrient in nutrients_of(advice.amounts):
        for amount in advice.amounts:
            if amount.nutrient == nutrient and amount.rate:
                for material in _to_be_had(amount.materials, wording):
                    uses.setdefault((nutrient, material.material), []).append((amount.lab_number, material))
    return tuple(
        _material_line(nutrient, material, used, advice, places, wording)
        for (nutrient, material), used in uses.items()
    )


def _material_total(
    nutrient: str, used: dict[str, MaterialRate], advice: FieldAdvice, places: Places, wording: Wording
) -> str:
    """How much of a material the whole field takes; nothing where a sample has no amount, or another one."""
    rates = {a.lab_number: a.rate for a in advice.amounts if a.nutrient == nutrient and a.rate is not None}
    complete = all(number in rates and (not rates[number] or number in used) for number in places.order)
    units = {rate.unit for rate in used.values()}
    if advice.area_ha is None or not complete or len(units) > 1 or wording.format.for_garden:
        return ""
    each = [_whole(used[number].rate) if number in used else 0.0 for number in places.order]
    return on_the_field(each, units.pop(), advice.area_ha, wording)


def _to_be_had(materials: Sequence[MaterialRate], wording: Wording) -> list[MaterialRate]:
    """Leave out for a garden what only trained people may handle."""
    barred = garden.NOT_FOR_GARDENS if wording.format.for_garden else frozenset()
    return [material for material in materials if barred.isdisjoint(material.cautions)]


def _material_line(
    nutrient: str,
    material: str,
    used: list[tuple[str, MaterialRate]],
    advice: FieldAdvice,
    places: Places,
    wording: Wording,
) -> MaterialLine:
    whole_ha = garden.whole_area(advice, wording)
    samples: dict[str, list[str]] = {}
    for lab_number, rate in used:
        samples.setdefault(_material_amount(rate, whole_ha, wording), []).append(lab_number)
    amounts = [
        wording.page("material-of", sample=places.list(numbers), amount=text) if places.many else text
        for text, numbers in samples.items()
    ]
    cautions = dict.fromkeys(key for _, rate in used for key in rate.cautions)
    return MaterialLine(
        nutrient=wording.name("nutrients", nutrient),
        material=wording.name("materials", material),
        amounts="; ".join(amounts),
        total=_material_total(nutrient, dict(used), advice, places, wording),
        remark=" ".join(
            filter(
                None,
                (
                    _also(nutrient, [rate for _, rate in used], wording),
                    *(wording.sentence("cautions", key) for key in cautions),
                ),
            )
        ),
    )


def _material_amount(rate: MaterialRate, whole_ha: float | None, wording: Wording) -> str:
    if wording.format.for_garden:
        return garden.material(rate, whole_ha, wording)
    text = wording.format.quantity(_whole(rate.rate), rate.unit)
    if rate.litres_per_ha is None:
        return text
    litres = wording.format.quantity(_whole(rate.litres_per_ha), "L/ha")
    return wording.page("material-litres", amount=text, litres=litres)


def _also(nutrient: str, rates: list[MaterialRate], wording: Wording) -> str:
    """Nutrients that come along, with their range over the samples."""
    others = dict.fromkeys(n for rate in rates for n in rate.supplies_kg_per_ha if n != nutrient)
    brought = []
    for other in others:
        amounts = [rate.supplies_kg_per_ha.get(other, 0.0) for rate in rates]
        low, unit = wording.format.amount(_whole(min(amounts)), "kg/ha")
        high, _ = wording.format.amount(_whole(max(amounts)), "kg/ha")
        span = low if low == high else wording.page("also-range", **{"from": low, "to": high})
        brought.append(f"{printed(other)} {span} {printed(unit)}")
    return wording.page("material-also", nutrients=wording.format.join(brought)) if brought else ""


def _whole(value: float) -> float:
    """Round as a spreader can be set: an example needs no more figures."""
    return half_up(value, 0 if value >= 10 else 1)


# -------------------------------------------------------------------------------------------- notes


def note_groups(
    advice: FieldAdvice, numbers: dict[str, int], places: Places, wording: Wording
) -> tuple[NoteGroup, ...]:
    """Word the notes, the most serious first; ``numbers`` gives each source its number in the list."""
    chosen = [note for note in advice.notes if note.key not in SAID_BY_THE_FRAME | {RETEST}]
    known = [*SEVERITIES, *dict.fromkeys(n.severity for n in chosen if n.severity not in SEVERITIES)]
    groups = []
    for severity in known:
        notes = tuple(_note(note, numbers, places, wording) for note in chosen if note.severity == severity)
        if notes:
            style = severity if severity in SEVERITIES else "advice"
            groups.append(NoteGroup(style, wording.label(f"severity-{severity}", severity), notes))
    return tuple(groups)


def _note(note: Note, numbers: dict[str, int], places: Places, wording: Wording) -> NoteView:
    concerned = [number for number in places.order if number in note.lab_numbers]
    some = places.many and 0 < len(concerned) < len(places.order)
    sources = ", ".join(str(numbers[source]) for source in note.sources if source in numbers)
    return NoteView(
        topic=wording.label(f"topic-{note.topic}", note.topic),
        text=wording.sentence("notes", note.key, note.values),
        samples=wording.page("note-samples", places=places.list(concerned)) if some else "",
        sources=wording.page("note-sources", numbers=sources) if sources else "",
    )
