"""The back of a report: what an agronomist, an auditor or another laboratory needs to check it."""

from __future__ import annotations

from interpretation.quantities import RATE_UNITS, SUPPORTING
from interpretation.results import (
    Amount,
    ClassLimit,
    FieldAdvice,
    MethodLine,
    SampleLine,
    SoilResult,
    SourceLine,
    TableLine,
)
from reports.actions import nutrients_of
from reports.findings import (
    Places,
    analyte_and_form,
    class_name,
    reason,
    uncertainty,
    written_measurement,
    written_value,
)
from reports.format import printed
from reports.view import Fact, LaboratoryCard, Table, Working
from reports.wording import Wording

FINGERPRINT_LENGTH = 12  # characters of the SHA-256 that are printed; the whole is in the attached data
# Widths of columns, in percent.
RESULT_WIDTHS = (13, 19, 7, 7, 8, 21, 15, 10)
METHOD_WIDTHS = (18, 26, 39, 6, 11)
TABLE_WIDTHS = (17, 17, 28, 11, 12, 9, 6)
STATEMENTS = (
    "state-items", "state-uncertainty", "state-rule", "state-customer", "state-interpretation", "state-whole",
)  # fmt: skip


def laboratory_facts(advice: FieldAdvice, lab: LaboratoryCard, wording: Wording) -> tuple[Fact, ...]:
    """List who did what when: the facts ISO/IEC 17025:2017, 7.8.2, asks for."""
    day = wording.format.day
    unknown = wording.page("not-stated")
    tested = wording.page(
        "tested-span", **{"from": day(lab.tested_from, unknown), "to": day(lab.tested_to, unknown)}
    )
    values = {
        "fact-laboratory": ", ".join((lab.name, *lab.address)),
        "fact-place": lab.place_of_work or wording.page("fact-place-same"),
        "fact-contact": ", ".join(filter(None, (lab.contact, lab.phone))) or unknown,
        "fact-customer": ", ".join(filter(None, (advice.grower_name, advice.farm_name))) or unknown,
        "fact-customer-address": lab.customer_address or unknown,
        "fact-field-id": advice.field_id,
        "fact-region": advice.region_name,
        "fact-tested": tested if lab.tested_from or lab.tested_to else unknown,
        "fact-condition": lab.sample_condition or unknown,
        "fact-sampled-by": lab.sampled_by or unknown,
        "fact-sampling-method": lab.sampling_method or unknown,
        "fact-deviations": lab.deviations or wording.page("none-stated"),
        "fact-runs": ", ".join(advice.runs) or wording.page("no-runs"),
        "fact-authorised": lab.authorised_by or unknown,
        "report-id": lab.report_id,
        "issued": day(lab.issued_on),
    }
    if lab.replaces:
        values["fact-replaces"] = lab.replaces
    return tuple(Fact(wording.page(key), value) for key, value in values.items())


def sampling_table(advice: FieldAdvice, wording: Wording) -> Table:
    """List the samples with the grower's full names; soil groups where the region has them."""
    grouped = any(sample.soil_group for sample in advice.samples)
    group = ("soil-group",) if grouped else ()
    columns = ("lab-number", "label", "depth", "sampled", "received", "texture", *group, "cores")
    rows = tuple(
        (
            sample.lab_number,
            sample.label,
            depth(sample, wording),
            wording.format.day(sample.sampled_on),
            wording.format.day(sample.received_on),
            wording.name("textures", sample.texture) if sample.texture else "–",
            *((sample.soil_group or "–",) if grouped else ()),
            str(sample.cores) if sample.cores is not None else "–",
        )
        for sample in advice.samples
    )
    return Table(wording.page("sampling-caption"), _head("sampling", columns, wording), rows)


def depth(sample: SampleLine, wording: Wording) -> str:
    """Sampled layer, in the report's system."""
    return wording.layer(sample.depth_from_cm, sample.depth_to_cm)


def results_table(advice: FieldAdvice, places: Places, wording: Wording) -> Table:
    """List every value with its uncertainty, the chance of each class, its table and origin."""
    columns = ("sample", "analyte", "value", "uncertainty", "unit", "class", "table", "origin")
    rows = tuple(_result_row(result, places, wording) for result in advice.results)
    return Table(
        wording.page("results-caption"), _head("results", columns, wording), rows, widths=RESULT_WIDTHS
    )


def _result_row(result: SoilResult, places: Places, wording: Wording) -> tuple[str, ...]:
    u = result.standard_uncertainty
    if result.value is not None:
        value = wording.format.number(result.value, result.decimals)
    else:
        value = f"< {wording.format.plain(result.below)}" if result.below is not None else "–"
    return (
        places.label(result.lab_number),
        analyte_and_form(result, wording),
        value,
        uncertainty(u, result.decimals, wording) if u else "–",
        printed(result.unit) or "–",
        _class_and_chances(result, wording) or "–",
        result.table or "–",
        result.origin or "–",
    )


def _class_and_chances(result: SoilResult, wording: Wording) -> str:
    name = class_name(result, wording)
    if not name and result.refusal is None and result.analyte in SUPPORTING:
        return wording.page("supporting")
    chances = ", ".join(
        f"{wording.name('classes', p.name)} {wording.format.number(100 * p.probability, 0)} %"
        for p in result.probabilities
        if p.probability >= 0.005
    )
    return f"{name} ({chances})" if name and chances else name or reason(result, wording)


def methods_table(advice: FieldAdvice, lab: LaboratoryCard, wording: Wording) -> Table:
    """List the methods: extractant, ratio, finish, unit, basis."""
    columns = ("id", "title", "note", "unit", "basis")
    rows = tuple(
        (
            m.id,
            m.title,
            _how(m, lab, wording),
            printed(m.unit) or "–",
            wording.name("bases", m.basis) if m.basis else "–",
        )
        for m in advice.methods
    )
    return Table(
        wording.page("methods-caption"), _head("methods", columns, wording), rows, widths=METHOD_WIDTHS
    )


def _how(method: MethodLine, lab: LaboratoryCard, wording: Wording) -> str:
    """Extraction and finish, what became of a moist soil's water, who vouches for a method from memory."""
    if not method.measured:
        return wording.page("method-worked-out")
    parts = [method.note]
    if method.soil_water_added is not None:
        added = wording.page("sheet-soil-water-yes" if method.soil_water_added else "sheet-soil-water-no")
        parts.append(f"{wording.page('sheet-soil-water')}: {added}")
    if method.from_memory:
        # Only what this laboratory measured itself: it cannot vouch for another laboratory's paper.
        confirmed = method.id in lab.confirmed_methods and method.run_here
        parts.append(wording.page("method-confirmed" if confirmed else "method-from-memory"))
    return "; ".join(filter(None, parts)) or "–"


def tables_table(advice: FieldAdvice, numbers: dict[str, int], wording: Wording) -> Table:
    """List the tables that were used, with limits, standing, date and fingerprint."""
    limits = {result.table: result for result in advice.results if result.table and result.limits}
    columns = ("id", "title", "limits", "standing", "effective", "fingerprint", "sources")
    rows = tuple(_table_row(table, limits.get(table.id), numbers, wording) for table in advice.tables)
    return Table(wording.page("tables-caption"), _head("tables", columns, wording), rows, widths=TABLE_WIDTHS)


def region_facts(advice: FieldAdvice, lab: LaboratoryCard, wording: Wording) -> tuple[Fact, ...]:
    """Who publishes the region's tables, for which soils and laboratories, how old, and which release."""
    values = {
        "fact-publisher": advice.region_publisher,
        "fact-valid-for": advice.region_valid_for,
        "fact-not-for": advice.region_not_for,
        "fact-edition": advice.region_edition,
        "fact-release": _release(lab, wording),
    }
    return tuple(Fact(wording.page(key), value) for key, value in values.items() if value)


def _release(lab: LaboratoryCard, wording: Wording) -> str:
    release = lab.tables_release
    if release is None:
        return ""
    return wording.page(
        "release-line", number=str(release.number), day=wording.format.day(release.effective_on),
        sha256=release.sha256[:FINGERPRINT_LENGTH], shared_number=str(release.shared_number),
        shared_day=wording.format.day(release.shared_effective_on),
        shared_sha256=release.shared_sha256[:FINGERPRINT_LENGTH],
    )  # fmt: skip


def _table_row(
    table: TableLine, result: SoilResult | None, numbers: dict[str, int], wording: Wording
) -> tuple[str, ...]:
    unit = f" {printed(result.unit)}".rstrip() if result else ""
    shown = ", ".join(_limit(limit, wording) for limit in result.limits) + unit if result else ""
    return (
        table.id,
        table.title or "–",
        shown or table.equation or wording.page("no-limits"),
        wording.name("standings", table.standing),
        wording.format.day(table.effective_from),
        table.fingerprint[:FINGERPRINT_LENGTH] or "–",
        _numbers(table.sources, numbers),
    )


def _numbers(sources: tuple[str, ...], numbers: dict[str, int]) -> str:
    return ", ".join(str(numbers[s]) if s in numbers else s for s in sources) or "–"


def _limit(limit: ClassLimit, wording: Wording) -> str:
    sign = "> " if limit.open_below else ""
    return f"{wording.name('classes', limit.name)} {sign}{wording.format.plain(limit.lower)}"


def workings(advice: FieldAdvice, places: Places, wording: Wording) -> tuple[Working, ...]:
    """Show step by step how each amount came about, and why some did not."""
    ordered = [
        amount
        for lab_number in places.order
        for nutrient in nutrients_of(advice.amounts)
        for amount in advice.amounts
        if (amount.lab_number, amount.nutrient) == (lab_number, nutrient)
    ]
    return tuple(_working(amount, places, wording) for amount in ordered)


def _working(amount: Amount, places: Places, wording: Wording) -> Working:
    steps = [wording.sentence("steps", step.key, step.values) for step in amount.working]
    if amount.refusal is not None:
        steps.append(wording.refusal(amount.refusal))
    if amount.rate is None:
        shown = wording.page("not-given")
    elif amount.rate == 0:
        shown = wording.page("none-needed")
    else:
        shown = wording.format.quantity(amount.rate, amount.unit, lime=amount.nutrient == "lime")
    return Working(
        title=wording.page(
            "working-title",
            sample=places.label(amount.lab_number),
            nutrient=wording.name("nutrients", amount.nutrient),
            amount=shown,
        ),
        steps=tuple(steps),
    )


def equations(
    advice: FieldAdvice, numbers: dict[str, int], places: Places, wording: Wording
) -> tuple[str, ...]:
    """State, for every value that was worked out from another method's, from what and by which equation."""
    tables = {table.id: table for table in advice.tables}
    titles = {method.id: method.title for method in advice.methods}
    lines = []
    for result in advice.results:
        behind = result.measured_as
        table = tables.get(behind.conversion or "") if behind else None
        if behind is None or table is None:
            continue
        told = {
            "sample": places.label(result.lab_number),
            "analyte": wording.name("analytes", result.analyte),
            "method": wording.known("methods", result.method, titles.get(result.method, "")),
            "from": wording.known("methods", behind.method, titles.get(behind.method, "")),
            "value": written_value(result, wording),
            "measured": written_measurement(behind, wording),
            "conversion": table.id,
            "equation": table.equation,
            "day": wording.format.day(table.effective_from),
            "standing": wording.name("standings", table.standing),
            "sources": _numbers(table.sources, numbers),
        }
        lines.append(wording.page("equation-line", **told))
    return tuple(lines)


def conversions(advice: FieldAdvice, wording: Wording) -> tuple[str, ...]:
    """State the factor of every unit that was converted for print."""
    used = {(amount.unit, amount.nutrient == "lime") for amount in advice.amounts}
    used |= {(m.unit, amount.nutrient == "lime") for amount in advice.amounts for m in amount.materials}
    lines = []
    for unit, lime in sorted(used, key=lambda pair: (RATE_UNITS.index(pair[0]), pair[1])):
        other, factor = wording.format.conversion(unit, lime=lime)
        if other != unit:
            written = wording.format.number(factor, 0 if factor.is_integer() else 6)
            told = {"from": printed(unit), "to": printed(other), "factor": written}
            lines.append(wording.page("conversion-from", **told))
    return tuple(dict.fromkeys(lines))


def source_numbers(advice: FieldAdvice) -> dict[str, int]:
    """Give each source its number in the list."""
    return {source.id: number for number, source in enumerate(advice.sources, start=1)}


def source_lines(advice: FieldAdvice, wording: Wording) -> tuple[Fact, ...]:
    """List the sources with number, publisher, year, place and standing."""
    return tuple(
        Fact(str(number), _source(source, wording)) for number, source in enumerate(advice.sources, start=1)
    )


def _source(source: SourceLine, wording: Wording) -> str:
    year = str(source.year) if source.year else ""
    standing = wording.name("standings", source.standing) if source.standing else ""
    parts = [part for part in (source.publisher, year, source.locator, source.url, standing) if part]
    return wording.page("source-line", title=source.title, parts=", ".join(parts)) if parts else source.title


def statements(advice: FieldAdvice, wording: Wording) -> tuple[str, ...]:
    """What holds for every report, and for drafts and examples the warning."""
    warnings = {"state-draft": advice.draft, "state-example": advice.example}
    keys = (*(key for key, needed in warnings.items() if needed), *STATEMENTS)
    return tuple(wording.page(key) for key in keys)


def band(advice: FieldAdvice, wording: Wording) -> str:
    """What stands on every page of a report that must not be used; empty on one that may."""
    if advice.draft:
        return wording.page("band-draft")
    return wording.page("band") if advice.example else ""


def _head(table: str, columns: tuple[str, ...], wording: Wording) -> tuple[str, ...]:
    return tuple(wording.page(f"{table}-{column}") for column in columns)
