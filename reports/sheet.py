"""The laboratory sheet of one run: curve, checks, verdict with every reason, cups with flags and results."""

from __future__ import annotations

import json

from interpretation.results import CheckLine, CupLine, Outcome, RunSheet, Verdict
from reports.curves import curve_view
from reports.format import Format, printed, soil_unit
from reports.logos import address_of
from reports.view import Fact, LaboratoryCard, RunPage, Table
from reports.wording import Wording

DATA_FORMAT = "furrowslice-run-sheet-1"
FOUND_DECIMALS = 4  # mg/L of a check; what lies behind is noise of the arithmetic
ORDER = (Outcome.REJECT, Outcome.HOLD, Outcome.WARN)  # the reasons of a verdict, the gravest first


def build_sheet(sheet: RunSheet, lab: LaboratoryCard, *, locale: str = "en") -> RunPage:
    """Word one run's laboratory sheet.

    Parameters
    ----------
    sheet
        The run with its curve, checks and cups.
    lab
        Who answers for the sheet, its id and its day.
    locale
        Language with an optional country.

    Returns
    -------
    RunPage
        Ready for :func:`reports.render.html` and :func:`reports.render.pdf`.

    Raises
    ------
    FurrowsliceError
        If there is no wording in the language, or the locale is unknown.
    """
    wording = Wording(Format(locale))
    return RunPage(
        language=locale,
        title=wording.page("sheet-of-run", run=sheet.run_id),
        report_id=lab.report_id,
        issued_on=lab.issued_on.isoformat(),
        laboratory=lab.name,
        laboratory_lines=tuple(filter(None, (*lab.address, lab.contact, lab.phone))),
        logo=address_of(lab.logo),
        foot=wording.page("sheet-foot", run=sheet.run_id, laboratory=lab.name),
        page_word=wording.page("page-word"),
        of_word=wording.page("of-word"),
        band=wording.page("band") if sheet.example else "",
        end=wording.page("sheet-end"),
        attachment=_data(sheet, lab),
        attachment_name=wording.page("sheet-attachment-name"),
        words=wording.labels(),
        facts=_facts(sheet, lab, wording),
        verdict=sheet.verdict.value,
        verdict_word=wording.name("verdicts", sheet.verdict),
        verdict_text=_verdict_text(sheet, wording),
        reasons=_reasons(sheet, wording),
        curve=curve_view(sheet, wording) if sheet.curve else None,
        no_curve=wording.page("sheet-no-curve"),
        checks=_checks(sheet, wording),
        cups=_cups(sheet, wording),
        flags=_flag_key(sheet, wording),
        hazards=_hazards(sheet, wording),
        declarations=_statements(sheet, wording),
    )


def _facts(sheet: RunSheet, lab: LaboratoryCard, wording: Wording) -> tuple[Fact, ...]:
    unknown = wording.page("not-stated")
    water = "sheet-soil-water-yes" if sheet.soil_water_added else "sheet-soil-water-no"
    drift = "sheet-drift-yes" if sheet.drift_corrected else "sheet-drift-no"
    values = {
        "sheet-analyte": f"{wording.name('analytes', sheet.analyte)}, {printed(sheet.form)}",
        "sheet-method": f"{sheet.method_title} ({sheet.method})",
        "sheet-preparation": sheet.method_note or unknown,
        "sheet-matrix": sheet.standards_matrix,
        "sheet-signal": wording.name("signals", sheet.signal_kind),
        "sheet-run-on": wording.format.day(sheet.run_on),
        "sheet-operator": sheet.operator,
        "sheet-instrument": sheet.instrument or unknown,
        "sheet-basis": f"{printed(sheet.unit)} · {wording.name('bases', sheet.basis)}",
        "sheet-soil-water": wording.page(water),
        "sheet-drift": wording.page(drift),
        "fact-laboratory": sheet.laboratory,
        "fact-authorised": lab.authorised_by or unknown,
        "issued": wording.format.day(lab.issued_on),
    }
    return tuple(Fact(wording.page(key), value) for key, value in values.items())


def _verdict_text(sheet: RunSheet, wording: Wording) -> str:
    looked = any(line.outcome is Outcome.WARN for line in sheet.checks)
    key = f"verdict-{sheet.verdict.value}"
    return wording.page(f"{key}-look" if sheet.verdict is Verdict.ACCEPT and looked else key)


def _reasons(sheet: RunSheet, wording: Wording) -> tuple[str, ...]:
    """Every check that did not pass, the gravest first."""
    return tuple(
        _reason(line, wording) for outcome in ORDER for line in sheet.checks if line.outcome is outcome
    )


def _reason(line: CheckLine, wording: Wording) -> str:
    text = wording.page(
        "reason-at" if _where(line, wording) else "reason-line",
        check=wording.name("checks", line.check),
        cup=_where(line, wording),
        outcome=wording.name("outcomes", line.outcome),
    )
    more = []
    if line.figure is not None:
        more.append(
            wording.page("reason-figure", figure=_figure(line, wording), limits=_limits(line, wording))
        )
    if line.detail:
        more.append(wording.sentence("details", line.detail))
    for detail in more:
        text = wording.page("reason-more", reason=text, detail=detail)
    return text


def _checks(sheet: RunSheet, wording: Wording) -> Table:
    columns = ("check", "where", "found", "expected", "figure", "limits", "outcome", "detail")
    rows = tuple(
        (
            wording.name("checks", line.check),
            _where(line, wording) or "–",
            _number(None if line.found is None else round(line.found, FOUND_DECIMALS), wording),
            _number(line.expected, wording),
            _figure(line, wording),
            _limits(line, wording),
            wording.name("outcomes", line.outcome),
            wording.sentence("details", line.detail) if line.detail else "–",
        )
        for line in sheet.checks
    )
    return Table(wording.page("sheet-head-checks"), tuple(wording.page(f"checks-{c}") for c in columns), rows)


def _where(line: CheckLine, wording: Wording) -> str:
    if line.position is None:
        return line.cup_id
    if not line.cup_id:
        return str(line.position)
    return wording.page("cup-at", position=str(line.position), cup=line.cup_id)


def _figure(line: CheckLine, wording: Wording) -> str:
    if line.figure is None:
        return "–"
    unit = wording.name("figure_units", line.figure_unit) if line.figure_unit else ""
    return f"{wording.format.plain(line.figure)} {unit}".rstrip()


def _limits(line: CheckLine, wording: Wording) -> str:
    low, high = _number(line.limit_low, wording), _number(line.limit_high, wording)
    if line.limit_low is not None and line.limit_high is not None:
        return wording.page("limits-between", low=low, high=high)
    if line.limit_low is not None:
        return wording.page("limits-above", low=low)
    return wording.page("limits-below", high=high) if line.limit_high is not None else "–"


def _cups(sheet: RunSheet, wording: Wording) -> Table:
    columns = ("position", "kind", "cup", "signal", "dilution", "solution", "uncertainty", "result", "flags")
    rows = tuple(_cup(cup, wording) for cup in sheet.cups)
    return Table(wording.page("sheet-head-cups"), tuple(wording.page(f"cups-{c}") for c in columns), rows)


def _cup(cup: CupLine, wording: Wording) -> tuple[str, ...]:
    return (
        str(cup.position),
        wording.name("kinds", cup.kind),
        cup.cup_id or "–",
        _number(cup.signal, wording),
        wording.format.plain(cup.dilution),
        _number(cup.solution_mg_per_l, wording),
        _number(cup.solution_uncertainty_mg_per_l, wording),
        _result(cup, wording),
        "; ".join(wording.name("flags", flag) for flag in cup.flags) or "–",
    )


def _result(cup: CupLine, wording: Wording) -> str:
    unit = soil_unit(cup.unit)
    if cup.value is not None:
        return wording.format.number(cup.value, cup.decimals) + unit
    return f"< {wording.format.plain(cup.below)}{unit}" if cup.below is not None else "–"


def _number(value: float | None, wording: Wording) -> str:
    return "–" if value is None else wording.format.plain(value)


def _flag_key(sheet: RunSheet, wording: Wording) -> tuple[Fact, ...]:
    """Say for every flag on the sheet what it means and asks for."""
    used = dict.fromkeys(flag for cup in sheet.cups for flag in cup.flags)
    return tuple(
        Fact(wording.name("flags", flag), wording.sentence("flag_meanings", flag.value)) for flag in used
    )


def _hazards(sheet: RunSheet, wording: Wording) -> tuple[str, ...]:
    """Warn of the method's reagents; the deferral is there whether or not any of them is listed."""
    warnings = (wording.sentence("hazards", hazard) for hazard in sheet.hazards)
    return (*warnings, wording.page("hazards-defer"))


def _statements(sheet: RunSheet, wording: Wording) -> tuple[str, ...]:
    lines = [wording.page("state-example")] if sheet.example else []
    if sheet.from_memory:
        lines.append(wording.page("state-method-confirmed"))
    sources = dict.fromkeys(line.source for line in sheet.checks if line.source)
    if sources:
        lines.append(wording.page("state-limits", sources=", ".join(sources)))
    return (*lines, wording.page("state-sheet-uncertainty"), wording.page("state-sheet-released"))


def _data(sheet: RunSheet, lab: LaboratoryCard) -> str:
    content = {
        "format": DATA_FORMAT,
        "laboratory": lab.model_dump(mode="json"),
        "run": sheet.model_dump(mode="json"),
    }
    return json.dumps(content, ensure_ascii=False, indent=1, sort_keys=True)
