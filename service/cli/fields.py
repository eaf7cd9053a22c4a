"""``furrowslice advise`` and ``furrowslice report``: the field side of the job."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any, Literal

import pandas as pd
import typer

from interpretation.errors import FurrowsliceError
from interpretation.quantities import SUPPORTING
from interpretation.results import Amount, FieldAdvice, SoilResult
from reports.actions import silence
from reports.findings import class_name, reason, worked_out, written_value
from reports.format import Units
from reports.view import LONGEST_COMMENT, LONGEST_LINE
from reports.wording import Language
from service.actions import fields as actions
from service.actions.card import read_laboratory, with_comment
from service.actions.fields import WrittenReport
from service.characters import check_text
from service.cli import console
from service.cli.answers import AdviseAnswer, ReportAnswer
from service.cli.console import WORDING
from service.cli.options import with_settings
from service.cli.partitions import advise_partitions, refuse_for_lists, the_one_data_set
from service.cli.runs import JsonOption, TablesOption, readable
from service.paths import tables_directory
from service.samplefiles import read_bench, read_samples
from service.tablefiles import read_tables

SamplesOption = Annotated[Path, typer.Option("--samples", help="The sample list.")]
ValuesArgument = Annotated[
    list[Path],
    typer.Argument(help="Files of soil values: written by 'measure', or typed from other benches."),
]


ConvertOption = Annotated[
    list[str] | None,
    typer.Option(
        "--convert",
        metavar="ID",
        help="Use this published equation between two laboratory methods, in its own region; repeatable. "
        "Nothing is converted without it.",
    ),
]


def _read(values: list[Path], samples: Path) -> tuple[list[pd.DataFrame], pd.DataFrame]:
    context = read_samples(samples).context
    return [read_bench(path, context) for path in values], context


def _print_idle(convert: list[str] | None, fields: tuple[FieldAdvice, ...]) -> None:
    """Name each equation that was switched on and found no value to turn."""
    used = {r.measured_as.conversion for field in fields for r in field.results if r.measured_as}
    for name in dict.fromkeys(convert or ()):
        if name not in used:
            console.print_line(
                f"{name} turned no value: it takes values by its method, in its region, within its span and "
                "days, that have no value by the other method and would not lose their table."
            )


def _print_offered(fields: tuple[FieldAdvice, ...]) -> None:
    """Name each equation that a refused value could be turned by, and how it is switched on."""
    refused = [r.refusal.values for field in fields for r in field.results if r.refusal is not None]
    for name in sorted({str(told["conversion"]) for told in refused if told.get("conversion")}):
        console.print_line(f"--convert {name} would use this equation.")


def _status(fields: tuple[FieldAdvice, ...]) -> int:
    return 1 if any(actions.refusals(field) for field in fields) else 0


@with_settings("workers", "scheduler", "tls_ca", "tls_certificate", "tls_key")
def advise(
    values: Annotated[
        list[str],
        typer.Argument(help="Files of soil values; or, without --samples, one folder of partitions."),
    ],
    samples: Annotated[Path | None, typer.Option("--samples", help="The sample list.")] = None,
    tables: TablesOption = None,
    convert: ConvertOption = None,
    folder: Annotated[
        str | None,
        typer.Option("--out", help="With partitions: folder, or s3://bucket/folder, for the results."),
    ] = None,
    as_json: JsonOption = False,
    **given: Any,
) -> None:
    """Class soil values and work out amounts, field by field, or partition by partition."""
    if samples is None:
        data, in_force = the_one_data_set(values), read_tables(tables or tables_directory())
        refused = advise_partitions(data, folder or "advised", in_force, convert, as_json=as_json, **given)
        raise typer.Exit(int(refused))
    refuse_for_lists(out=folder, **given)
    frames, context = _read([Path(path) for path in values], samples)
    advised = actions.advise(frames, read_tables(tables or tables_directory()), context, convert or ())
    if as_json:
        console.print_json(AdviseAnswer(fields=advised))
    else:
        for field in advised:
            print_field(field)
        _print_idle(convert, advised)
        _print_offered(advised)
    raise typer.Exit(_status(advised))


def print_field(field: FieldAdvice) -> None:
    """Print one field's classes and amounts, or why there are none."""
    places = {s.lab_number: f"{s.lab_number} {s.label}" for s in field.samples}
    console.print_line(f"{field.field_name}, {field.farm_name}: {WORDING.name('crops', field.crop)}")
    console.print_table(
        "Results",
        ("sample", "analyte", "value", "class", "method"),
        [
            (places[r.lab_number], r.analyte, written_value(r, WORDING), _class_or_reason(r), _method(r))
            for r in field.results
        ],
    )
    if field.amounts:
        console.print_table(
            "Amounts",
            ("sample", "nutrient", "amount", "table"),
            [(places[a.lab_number], a.nutrient, _rate_or_reason(a), a.table or "") for a in field.amounts],
        )
    else:
        console.print_line(WORDING.page("no-amounts"))
    if unsaid := silence(field, WORDING):
        console.print_line(unsaid)
        console.print_line()


def _class_or_reason(result: SoilResult) -> str:
    if result.class_name is None and result.refusal is None and result.analyte in SUPPORTING:
        return WORDING.page("supporting")
    return reason(result, WORDING) if result.class_name is None else class_name(result, WORDING)


def _method(result: SoilResult) -> str:
    behind = result.measured_as
    if behind is None:
        return result.method
    if behind.conversion is None:
        return f"{result.method}. {worked_out(result, WORDING)}"
    return f"{result.method}, worked out from {behind.method} by {behind.conversion}"


def _rate_or_reason(amount: Amount) -> str:
    if amount.rate is None:
        return WORDING.refusal(amount.refusal) if amount.refusal else ""
    return f"{amount.rate:g} {amount.unit}"


def report(
    values: ValuesArgument,
    samples: SamplesOption,
    laboratory: Annotated[
        Path, typer.Option("--laboratory", help="Laboratory card: name, address, who signs.")
    ],
    tables: TablesOption = None,
    convert: ConvertOption = None,
    folder: Annotated[Path, typer.Option("--out", callback=readable, help="Folder for the PDFs.")] = Path(
        "out"
    ),
    paper: Annotated[Literal["a4", "letter"], typer.Option("--paper", help="Paper size.")] = "a4",
    language: Annotated[
        Language, typer.Option("--language", help="Language of the report; the country decides 7.2 or 7,2.")
    ] = "en",
    units: Annotated[
        Units, typer.Option("--units", help="Units of the amounts; the garden ones with cups and spoons.")
    ] = "metric",
    issued_on: Annotated[
        datetime | None,
        typer.Option("--issued-on", formats=["%Y-%m-%d"], help="Date of issue; today if not given."),
    ] = None,
    agent: Annotated[str, typer.Option("--agent", help="Who comments on the reports.")] = "",
    comment: Annotated[
        list[str] | None,
        typer.Option(
            "--comment", metavar="FIELD=TEXT", help="Comment printed on one field's report; repeatable."
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Write one printable PDF per field."""
    frames, context = _read(values, samples)
    in_force = read_tables(tables or tables_directory())
    advised = actions.advise(frames, in_force, context, convert or ())
    made_from = actions.inputs_by_field(frames, context, convert or ())
    day = issued_on.date() if issued_on else date.today()  # noqa: DTZ011 - the day on the wall is meant
    style = actions.Style(paper=paper, language=language, units=units)
    card = read_laboratory(laboratory)
    check_text(agent, "--agent", LONGEST_LINE)
    comments = comments_by_field(comment, [field.field_id for field in advised])
    written = [
        actions.write_report(
            field,
            made_from[field.field_id],
            with_comment(card, agent, comments.get(field.field_id, "")),
            style,
            day,
            folder,
            in_force,
        )
        for field in console.tracked(advised, "Writing reports")
    ]
    if as_json:
        console.print_json(ReportAnswer(reports=tuple(written)))
    else:
        print_reports(written)
        _print_idle(convert, advised)
        _print_offered(advised)
    raise typer.Exit(_status(advised))


def comments_by_field(texts: list[str] | None, field_ids: list[str]) -> dict[str, str]:
    """Read ``--comment`` options: field -> text.

    Raises
    ------
    FurrowsliceError
        If an option is not FIELD=TEXT, there is no such field, or it has a comment already.
    """
    found: dict[str, str] = {}
    for text in texts or []:
        field_id, equals, said = (part.strip() for part in text.partition("="))
        check_text(said, f"--comment for {field_id[:60]!r}", LONGEST_COMMENT)
        if not equals or not said or field_id not in field_ids or field_id in found:
            raise FurrowsliceError(
                f"cannot place --comment {text!r}",
                expected=f"FIELD=TEXT, once for a field from {', '.join(field_ids)}",
                fix="name the field as in the sample list's field_id, then '=' and the comment",
            )
        found[field_id] = said
    return found


def print_reports(written: list[WrittenReport]) -> None:
    """Print where each report is, and how many of its lines were refused."""
    for w in written:
        note = f"  ({w.refusals} values or amounts not given; the report says why)" if w.refusals else ""
        console.print_line(f"{w.file}{note}")
