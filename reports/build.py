"""From one field's advice to its report, every string final."""

from __future__ import annotations

from collections.abc import Sequence

from interpretation.results import FieldAdvice
from reports import actions, boards, details, findings, garden, todo, wide
from reports.afterwards import afterwards
from reports.format import Format, Units
from reports.logos import address_of
from reports.view import EarlierResult, Fact, GrowerReport, LaboratoryCard
from reports.wording import Wording

# The deferral to law, licensed practice and the field's own facts: on every report, not a setting.
FRAME = ("frame-start", "frame-law", "frame-sample", "frame-advice")


def build_report(
    advice: FieldAdvice,
    lab: LaboratoryCard,
    *,
    locale: str = "en",
    units: Units = "metric",
    earlier: Sequence[EarlierResult] = (),
    attachment: str = "",
) -> GrowerReport:
    """Word one field's advice.

    Parameters
    ----------
    advice
        Results, amounts and notes of one field with one or more samples.
    lab
        Who answers for the report, its id and its day.
    locale
        Language with an optional country, e.g. ``en``, ``es``, ``es-MX``: the language chooses the wording,
        the country how numbers and dates are written.
    units
        ``metric`` (kg/ha, t/ha) or ``us`` (lb/ac, ton/ac); ``garden-metric`` (on 100 m²) or ``garden-us`` (on
        1,000 ft²), with cups and spoons. Soil values keep their own unit.
    earlier
        Values of earlier years by the same methods, set beside this year's.
    attachment
        The report's data, as JSON; nothing where the page is only looked at.

    Returns
    -------
    GrowerReport
        Ready for :func:`reports.render.html` and :func:`reports.render.pdf`.

    Raises
    ------
    FurrowsliceError
        If there is no wording in the language, or the locale is unknown.
    """
    wording = Wording(Format(locale, units))
    places = findings.Places(advice, wording)
    numbers = details.source_numbers(advice)
    groups = findings.bar_groups(advice, places, wording)
    sampling = details.sampling_table(advice, wording)
    results = details.results_table(advice, places, wording)
    methods = details.methods_table(advice, lab, wording)
    tables = details.tables_table(advice, numbers, wording)
    notes = actions.note_groups(advice, numbers, places, wording)
    field_name = advice.field_name.strip() or advice.field_id
    return GrowerReport(
        language=locale,
        title=wording.page("title-of-field", field=" ".join(field_name.split())),
        report_id=lab.report_id,
        issued_on=lab.issued_on.isoformat(),
        laboratory=lab.name,
        laboratory_lines=tuple(filter(None, (*lab.address, lab.contact, lab.phone))),
        logo=address_of(lab.logo),
        foot=wording.page("foot", id=lab.report_id, laboratory=lab.name),
        page_word=wording.page("page-word"),
        of_word=wording.page("of-word"),
        band=details.band(advice, wording),
        end=wording.page("end"),
        attachment=attachment,
        attachment_name=wording.page("attachment-name"),
        words=wording.labels() | garden.labels(advice, wording),
        field_name=field_name,
        grower=" · ".join(filter(None, (advice.farm_name, advice.grower_name))),
        facts=_facts(advice, lab, wording),
        findings=findings.findings(advice, places, wording),
        groups=groups,
        found=boards.found(advice, groups, places, wording, earlier),
        classes=boards.class_tables(advice, places, wording),
        scale_help=_scale_help(advice, places, earlier, wording),
        todo=todo.todo_table(
            advice, places, wording, mind=any(group.severity != "danger" for group in notes)
        ),
        amounts=actions.amount_table(advice, places, wording),
        by_sample=len(places.order) > todo.MOST_COLUMNS,
        no_amounts=wording.page("no-amounts"),
        silent=actions.silence(advice, wording),
        materials=actions.material_lines(advice, places, wording),
        notes=notes,
        afterwards=afterwards(advice, lab, numbers, wording),
        frame=(*(wording.page(key) for key in FRAME), *_whose_tables(advice, wording)),
        comment=lab.agent_comment,
        comment_by=wording.page("comment-by", name=lab.agent_name) if lab.agent_name else "",
        back_facts=details.laboratory_facts(advice, lab, wording),
        sampling=sampling,
        results=results,
        methods=methods,
        tables=tables,
        back_tables=(
            wide.sampling(advice, sampling, wording),
            *(wide.results(advice, places, wording) or [wide.told_once(results, wording)]),
            wide.told_once(methods, wording),
            wide.told_once(tables, wording),
        ),
        region_facts=details.region_facts(advice, lab, wording),
        workings=details.workings(advice, places, wording),
        wide_workings=wide.workings(advice, places, wording),
        conversions=(
            *details.equations(advice, numbers, places, wording),
            *details.conversions(advice, wording),
        ),
        sources=details.source_lines(advice, wording),
        declarations=details.statements(advice, wording),
    )


def _scale_help(
    advice: FieldAdvice, places: findings.Places, earlier: Sequence[EarlierResult], wording: Wording
) -> str:
    """How to read the boards, and only what is on them: a crowd of samples, earlier years, close calls."""
    crowded = len(places.order) > boards.MANY
    close = any(map(findings.is_close, advice.results))
    told = {
        "crowd-help": crowded,
        "scale-help": not crowded,
        "below-help": not crowded and any(each.below is not None and each.limits for each in advice.results),
        "earlier-help": bool(earlier),
        # In the trade of the United States mg/kg goes by another name.
        "ppm-help": wording.format.in_inches and any(result.unit == "mg/kg" for result in advice.results),
        "close-help": close,
        "odds-help": close and not crowded,
        "enough-help": any(map(findings.is_enough, advice.results)),
    }
    keys = [key for key, wanted in told.items() if wanted]
    return " ".join(wording.page(key) for key in keys)


def _whose_tables(advice: FieldAdvice, wording: Wording) -> tuple[str, ...]:
    """Who publishes the tables, in front too: the grower must know whose advice this is."""
    if not advice.region_publisher:
        return ()
    return (wording.page("frame-tables", publisher=advice.region_publisher),)


def _facts(advice: FieldAdvice, lab: LaboratoryCard, wording: Wording) -> tuple[Fact, ...]:
    day = wording.format.day
    sampled = dict.fromkeys(day(sample.sampled_on) for sample in advice.samples)
    depths = dict.fromkeys(details.depth(sample, wording) for sample in advice.samples)
    goal = wording.page("no-yield-goal")
    if advice.yield_goal is not None:
        goal = f"{wording.format.plain(advice.yield_goal)} {advice.yield_unit}"
    facts = [
        ("fact-crop", wording.name("crops", advice.crop)),
        ("fact-yield-goal", goal),
        ("fact-previous-crop", wording.name("crops", advice.previous_crop) if advice.previous_crop else "–"),
        ("fact-area", wording.format.quantity(advice.area_ha, "ha") if advice.area_ha is not None else "–"),
        ("fact-depth", "; ".join(depths) or "–"),
        ("fact-sampled", "; ".join(sampled) or "–"),
        ("issued", day(lab.issued_on)),
        ("report-id", lab.report_id),
    ]
    return tuple(Fact(wording.page(key), value) for key, value in facts)
