"""The calibration curve on a laboratory sheet: three pictures and the figures behind them."""

from __future__ import annotations

from interpretation.results import Alternative, CheckName, CurveSummary, RunSheet, StandardPoint
from reports.charts import Frame, curve_line, padded, plot
from reports.view import CurveView, Fact, Plot, Table
from reports.wording import Wording


def curve_view(sheet: RunSheet, wording: Wording) -> CurveView:
    """Word and draw a run's curve; ``sheet.curve`` must be there."""
    curve = sheet.curve
    assert curve is not None
    drawn = (_signals(sheet, curve, wording), _residuals(curve, wording), _recoveries(sheet, curve, wording))
    return CurveView(
        plots=tuple(picture for picture in drawn if picture is not None),
        key=wording.page("plot-key"),
        facts=_facts(curve, wording),
        coefficients=_coefficients(curve, wording),
        standards=_standards(curve, wording),
        alternatives=_alternatives(curve, wording),
        proposal=_proposal(curve, wording),
    )


# ----------------------------------------------------------------------------------------- pictures


def _signals(sheet: RunSheet, curve: CurveSummary, wording: Wording) -> Plot:
    plain = wording.format.plain
    line = curve_line(curve.coefficients, curve.lowest_mg_per_l, curve.highest_mg_per_l)
    points = [(p.nominal_mg_per_l, p.signal, p.excluded) for p in curve.standards if p.signal is not None]
    xs, ys = padded([x for x, _, _ in points], 0.0), padded([y for _, y, _ in points], *(y for _, y in line))
    return plot(
        Frame(*xs, *ys),
        title=wording.page("plot-curve"),
        alt=wording.page(
            "plot-alt-curve",
            model=wording.name("models", curve.model),
            count=str(len(points)),
            **{"from": plain(curve.lowest_mg_per_l), "to": plain(curve.highest_mg_per_l)},
        ),
        x_label=wording.page("plot-concentration"),
        y_label=wording.page("plot-signal", kind=wording.name("signals", sheet.signal_kind)),
        points=points,
        line=line,
        band=(curve.lowest_mg_per_l, curve.highest_mg_per_l),
        write=plain,
    )


def _residuals(curve: CurveSummary, wording: Wording) -> Plot | None:
    points = [(p.nominal_mg_per_l, p.residual, p.excluded) for p in curve.standards if p.residual is not None]
    if not points:
        return None
    residuals = [residual for _, residual, _ in points]
    largest = max(abs(residual) for residual in residuals)
    return plot(
        Frame(*padded([x for x, _, _ in points], 0.0), *padded([-largest, largest])),
        title=wording.page("plot-residuals"),
        alt=_alt("plot-alt-residuals", residuals, wording),
        x_label=wording.page("plot-concentration"),
        y_label=wording.page("plot-residual"),
        points=points,
        levels=(0.0,),
        write=wording.format.plain,
    )


def _recoveries(sheet: RunSheet, curve: CurveSummary, wording: Wording) -> Plot | None:
    points = [
        (p.nominal_mg_per_l, p.recovery_percent, p.excluded)
        for p in curve.standards
        if p.recovery_percent is not None
    ]
    if not points:
        return None
    recoveries = [recovery for _, recovery, _ in points]
    limits = [
        bound
        for line in sheet.checks
        if line.check is CheckName.CURVE_RECOVERY
        for bound in (line.limit_low, line.limit_high)
        if bound is not None
    ]
    return plot(
        Frame(*padded([x for x, _, _ in points], 0.0), *padded(recoveries, 100.0, *limits)),
        title=wording.page("plot-recovery"),
        alt=_alt("plot-alt-recovery", recoveries, wording),
        x_label=wording.page("plot-concentration"),
        y_label=wording.page("plot-recovery-axis"),
        points=points,
        levels=(100.0,),
        dashed=tuple(dict.fromkeys(limits)),
        write=wording.format.plain,
    )


def _alt(key: str, values: list[float], wording: Wording) -> str:
    low, high = wording.format.plain(min(values)), wording.format.plain(max(values))
    return wording.page(key, count=str(len(values)), **{"from": low, "to": high})


# ------------------------------------------------------------------------------------------ figures


def _facts(curve: CurveSummary, wording: Wording) -> tuple[Fact, ...]:
    plain = wording.format.plain
    none = wording.page("not-computed")
    mandel = none
    if curve.mandel_statistic is not None and curve.mandel_critical is not None:
        statistic, critical = plain(curve.mandel_statistic), plain(curve.mandel_critical)
        mandel = wording.page("mandel-line", statistic=statistic, critical=critical)
    span = wording.page(
        "limits-between", low=plain(curve.lowest_mg_per_l), high=plain(curve.highest_mg_per_l)
    )
    worst = none if curve.ratio_worst_percent is None else f"{plain(curve.ratio_worst_percent)} %"
    values = {
        "curve-model": wording.name("models", curve.model),
        "curve-weighting": curve.weighting,
        "curve-response": wording.name("responses", curve.response),
        "curve-zero": wording.page("curve-zero-in" if curve.zero_standard else "curve-zero-out"),
        "curve-range": f"{span} mg/L",
        "curve-residual-sd": wording.page(
            "degrees", sd=plain(curve.residual_sd), df=str(curve.degrees_of_freedom)
        ),
        "curve-r2": wording.format.number(curve.r_squared, 5),
        "curve-rse": f"{plain(curve.rse_percent)} %",
        "curve-lod": f"{plain(curve.detection_limit_mg_per_l)} mg/L",
        "curve-loq": f"{plain(curve.quantification_limit_mg_per_l)} mg/L",
        "curve-limit-definition": wording.sentence("limit_definitions", curve.limit_definition),
        "curve-mandel": mandel,
        "curve-ratio": worst,
    }
    return tuple(Fact(wording.page(key), value) for key, value in values.items())


def _coefficients(curve: CurveSummary, wording: Wording) -> Table:
    pairs = zip(curve.coefficients, curve.standard_errors, strict=True)
    rows = tuple(
        (wording.page(f"term-{power}"), wording.format.plain(value), wording.format.plain(error))
        for power, (value, error) in enumerate(pairs)
    )
    return _table("coefficients", ("term", "value", "error"), rows, "coefficient", wording)


def _standards(curve: CurveSummary, wording: Wording) -> Table:
    columns = ("position", "cup", "nominal", "signal", "found", "recovery", "residual", "remark")
    rows = tuple(_standard(point, wording) for point in curve.standards)
    return _table("standards", columns, rows, "standards", wording)


def _standard(point: StandardPoint, wording: Wording) -> tuple[str, ...]:
    remark = wording.page("standard-zero") if point.nominal_mg_per_l == 0 else "–"
    if point.excluded:
        remark = wording.page("standard-excluded", reason=point.reason or wording.page("not-stated"))
    recovery = point.recovery_percent
    return (
        str(point.position),
        point.cup_id,
        wording.format.plain(point.nominal_mg_per_l),
        _number(point.signal, wording),
        _number(point.back_calculated_mg_per_l, wording),
        "–" if recovery is None else wording.format.number(recovery, 1),
        _number(point.residual, wording),
        remark,
    )


def _number(value: float | None, wording: Wording) -> str:
    return "–" if value is None else wording.format.plain(value)


def _alternatives(curve: CurveSummary, wording: Wording) -> Table:
    columns = ("model", "weighting", "rse", "worst", "r2", "usable")
    rows = tuple(_alternative(other, curve, wording) for other in curve.alternatives)
    return _table("alternatives", columns, rows, "alternatives", wording)


def _alternative(other: Alternative, curve: CurveSummary, wording: Wording) -> tuple[str, ...]:
    model = wording.name("models", other.model)
    chosen = (other.model, other.weighting) == (curve.model, curve.weighting)
    return (
        wording.page("alternative-chosen", model=model) if chosen else model,
        other.weighting,
        wording.format.number(other.rse_percent, 1),
        wording.format.number(other.worst_recovery_percent, 1),
        wording.format.number(other.r_squared, 5),
        wording.page("usable-yes" if other.usable else "usable-no"),
    )


def _proposal(curve: CurveSummary, wording: Wording) -> str:
    same = (curve.proposed_model, curve.proposed_weighting) == (curve.model, curve.weighting)
    return wording.page(
        "proposal-same" if same else "proposal-other",
        model=wording.name("models", curve.proposed_model),
        weighting=curve.proposed_weighting,
    )


def _table(
    name: str, columns: tuple[str, ...], rows: tuple[tuple[str, ...], ...], prefix: str, wording: Wording
) -> Table:
    return Table(wording.page(f"{name}-caption"), tuple(wording.page(f"{prefix}-{c}") for c in columns), rows)
