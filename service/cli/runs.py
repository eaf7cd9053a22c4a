"""``furrowslice calibrate`` and ``furrowslice measure``: the laboratory's two commands."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated

import typer

from interpretation.errors import FurrowsliceError
from interpretation.laboratory.run import Model, Run, Weighting
from interpretation.results import Flag
from service.actions import runs as actions
from service.actions.card import read_laboratory
from service.actions.runs import MeasuredRun
from service.characters import check_text
from service.cli import console
from service.cli.answers import CalibrateAnswer, MeasureAnswer
from service.cli.console import WORDING
from service.layout import Layout, read_layout
from service.limitsfile import read_limits
from service.paths import tables_directory
from service.runfiles import read_run
from service.samplefiles import read_samples
from service.tablefiles import read_tables

LONGEST_REASON, LONGEST_PATH = 200, 4096


def readable(folder: Path) -> Path:
    """Take a folder whose name can be printed, in JSON too."""
    check_text(str(folder), "--out", LONGEST_PATH)
    return folder


LayoutOption = Annotated[
    str | None, typer.Option("--layout", help="Name of a shipped layout, or the path of your own.")
]
HeaderOption = Annotated[
    Path | None,
    typer.Option("--header", help="Side file with the run's header facts, if not in the run file."),
]
LimitsOption = Annotated[
    Path | None, typer.Option("--limits", help="The laboratory's own acceptance limits.")
]
TablesOption = Annotated[
    Path | None, typer.Option("--tables", help="A tables folder; the shipped one if not given.")
]
ModelOption = Annotated[Model | None, typer.Option("--model", help="Curve to fit instead of the header's.")]
WeightingOption = Annotated[
    Weighting | None, typer.Option("--weighting", help="Weights instead of the header's.")
]
ZeroOption = Annotated[
    bool | None, typer.Option("--zero/--no-zero", help="Whether the zero standard takes part in the fit.")
]
ExcludeOption = Annotated[
    list[str] | None,
    typer.Option("--exclude", metavar="POSITION=REASON", help="Take a cup out, with the reason; repeatable."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON document and nothing else.")]


def exclusions(texts: list[str] | None) -> dict[int, str]:
    """Read ``--exclude`` options: position -> reason.

    Raises
    ------
    FurrowsliceError
        If an option is not POSITION=REASON with a reason in it, or a position is there twice.
    """
    found: dict[int, str] = {}
    for text in texts or []:
        match = re.fullmatch(r"\s*([0-9]{1,6})\s*=\s*(\S.*)", check_text(text, "--exclude", LONGEST_REASON))
        if match is None or int(match[1]) in found:
            raise FurrowsliceError(
                f"cannot read --exclude {text!r}",
                expected="POSITION=REASON, for example 7=bubble in the flow cell, once for each position",
                fix="give the cup's position and say why it is taken out",
            )
        found[int(match[1])] = match[2].strip()
    return found


def _read(
    path: Path,
    layout: Layout | None,
    header: Path | None,
    choice: dict[str, object],
    out: dict[int, str],
    *,
    calibration_only: bool = False,
) -> Run:
    run = read_run(path, layout=layout, header=header, calibration_only=calibration_only)
    return actions.with_choices(run, choice, out)


def refuse_repeated(runs: list[Run]) -> None:
    """Refuse two runs of one id: the files of the second would replace those of the first.

    Raises
    ------
    FurrowsliceError
        Also when the ids differ only in capital letters, which many file systems do not tell apart.
    """
    first: dict[str, Run] = {}
    for run in runs:
        other = first.setdefault(run.header.run_id.casefold(), run)
        if other is not run:
            raise FurrowsliceError(
                f"the run id {run.header.run_id} is also that of {other.source}",
                where=run.source,
                expected="an id of its own for every run; its files are named after it",
                fix="correct one of the two headers, or leave out the file that is given twice",
            )


def _choice(model: str | None, weighting: str | None, zero: bool | None) -> dict[str, object]:
    given = {"model": model, "weighting": weighting, "zero_standard": zero}
    return {name: value for name, value in given.items() if value is not None}


def calibrate(
    run: Annotated[Path, typer.Argument(help="A run file, CSV or XLSX.")],
    layout: LayoutOption = None,
    header: HeaderOption = None,
    limits: LimitsOption = None,
    model: ModelOption = None,
    weighting: WeightingOption = None,
    zero: ZeroOption = None,
    exclude: ExcludeOption = None,
    as_json: JsonOption = False,
) -> None:
    """Fit the curve of one run and compare it with the others that could be fitted."""
    choice, out = _choice(model, weighting, zero), exclusions(exclude)
    read = _read(run, read_layout(layout), header, choice, out, calibration_only=True)
    curve = actions.calibrate(read, read_limits(limits))
    same = (curve.model, curve.weighting) == (curve.proposed_model, curve.proposed_weighting)
    if as_json:
        console.print_json(CalibrateAnswer(run_id=read.header.run_id, chosen_is_proposed=same, curve=curve))
        raise typer.Exit(0 if same else 1)
    console.print_line(f"Run {read.header.run_id}: {curve.model} curve, weights {curve.weighting}")
    names = ("a", "b", "c")
    console.print_table(
        "signal = a + b x + c x2, x in mg/L"
        if len(curve.coefficients) == 3
        else "signal = a + b x, x in mg/L",
        ("coefficient", "value", "standard error"),
        [
            (name, console.number(value, 6), console.number(error, 3))
            for name, value, error in zip(names, curve.coefficients, curve.standard_errors, strict=False)
        ],
    )
    console.print_table(
        "Standards",
        ("position", "nominal mg/L", "signal", "found mg/L", "recovery %", "left out because"),
        [
            (
                str(s.position),
                console.number(s.nominal_mg_per_l),
                console.number(s.signal, 6),
                console.number(s.back_calculated_mg_per_l),
                console.number(s.recovery_percent),
                s.reason,
            )
            for s in curve.standards
        ],
    )
    console.print_table(
        "Curves that could be fitted",
        ("curve", "weights", "RSE %", "worst recovery %", "r2", "within limits"),
        [
            (
                a.model,
                a.weighting,
                console.number(a.rse_percent, 3),
                console.number(a.worst_recovery_percent),
                f"{a.r_squared:.5f}",
                "yes" if a.usable else "no",
            )
            for a in curve.alternatives
        ],
    )
    console.print_line(f"Range {curve.lowest_mg_per_l:g} to {curve.highest_mg_per_l:g} mg/L")
    console.print_line(
        f"Detection limit {curve.detection_limit_mg_per_l:.3g} mg/L, quantification limit "
        f"{curve.quantification_limit_mg_per_l:.3g} mg/L"
    )
    console.print_line(WORDING.sentence("limit_definitions", curve.limit_definition))
    if not same:
        console.print_line(
            f"Proposed: {curve.proposed_model}, weights {curve.proposed_weighting}. The choice stays yours; "
            "nothing was switched."
        )
    raise typer.Exit(0 if same else 1)


def measure(
    runs: Annotated[list[Path], typer.Argument(help="Run files, CSV or XLSX.")],
    samples: Annotated[Path, typer.Option("--samples", help="The sample list.")],
    laboratory: Annotated[
        Path, typer.Option("--laboratory", help="Laboratory card: name, address, who signs.")
    ],
    layout: LayoutOption = None,
    header: HeaderOption = None,
    limits: LimitsOption = None,
    tables: TablesOption = None,
    model: ModelOption = None,
    weighting: WeightingOption = None,
    zero: ZeroOption = None,
    exclude: ExcludeOption = None,
    folder: Annotated[
        Path, typer.Option("--out", callback=readable, help="Folder for values and sheets.")
    ] = Path("out"),
    as_json: JsonOption = False,
) -> None:
    """Calibrate, check and turn runs into soil values; one values file and one sheet (PDF) a run."""
    if len(runs) > 1 and (header or exclude):
        raise FurrowsliceError(
            "--header and --exclude belong to one run",
            expected="a single run file with these options",
            fix="measure the runs one by one",
        )
    bench = actions.Bench(
        read_tables(tables or tables_directory()), read_limits(limits), read_samples(samples)
    )
    card = read_laboratory(laboratory)
    choice, out, mapped = _choice(model, weighting, zero), exclusions(exclude), read_layout(layout)
    read = [_read(path, mapped, header, choice, out) for path in runs]
    refuse_repeated(read)
    measured = [
        actions.measure_and_write(run, bench, card, folder) for run in console.tracked(read, "Measuring")
    ]
    if as_json:
        console.print_json(MeasureAnswer(runs=tuple(measured)))
    else:
        print_runs(measured)
    held = any(m.withheld for m in measured)
    raise typer.Exit(1 if held else 0)


def print_runs(measured: list[MeasuredRun]) -> None:
    """Print the verdict of each run, its reasons, what is kept back, and where its files are."""
    for m in measured:
        verdict = WORDING.name("verdicts", m.sheet.verdict)
        console.print_line(f"Run {m.sheet.run_id}, {m.sheet.method_title}: {verdict.upper()}")
        for reason in m.reasons:
            console.print_line(f"    {reason}")
        console.print_line(f"    {m.released} values released, {len(m.withheld)} kept back")
        for flag, numbers in _by_flag(m.withheld).items():
            console.print_line(f"        {WORDING.name('flags', flag)}: {', '.join(numbers)}")
        for path in filter(None, (m.values_file, m.sheet_file)):
            console.print_line(f"    {path}")


def _by_flag(withheld: dict[str, Flag]) -> dict[Flag, list[str]]:
    grouped: dict[Flag, list[str]] = {}
    for number, flag in withheld.items():
        grouped.setdefault(flag, []).append(number)
    return grouped
