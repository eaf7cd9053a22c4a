"""The one way in which a report's data are written."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from importlib.metadata import version
from typing import Any

from interpretation.agronomy.tables import TableSet
from service.books import digest
from service.reportdata.carried import carried_text, need_of
from service.reportdata.provenance import REPORT, provenance
from service.reportdata.units import OF_COLUMNS, with_codes

FORMAT = "furrowslice-field-report-2"
PROGRAM = "furrowslice"


@cache
def software() -> dict[str, str]:
    """What makes a report: this program, and the library that lays its pages out."""
    return {"name": PROGRAM, "version": version(PROGRAM), "pages_by": f"WeasyPrint {version('weasyprint')}"}


def data_text(
    inputs: Mapping[str, Any],
    advice: Mapping[str, Any],
    tables: TableSet,
    made_by: Mapping[str, str] | None = None,
) -> str:
    """Write a report's data.

    Parameters
    ----------
    inputs
        What the report is made from, as plain values.
    advice
        What was worked out from it, as plain values.
    tables
        What it was worked out by; the records that matter go along.
    made_by
        What made the report; this program if not given.

    Returns
    -------
    str
        JSON without blanks, its keys in order: the same values are the same text.
    """
    made_by = software() if made_by is None else made_by
    values, samples = inputs["values"], inputs["samples"]
    need = need_of(values, samples, inputs["convert"])
    records = carried_text(tables, need)
    program = f"{made_by['name']} {made_by['version']}"
    told = REPORT | provenance(inputs["card"], need.region, (each["origin"] for each in values), program)
    told |= {
        "format": FORMAT, "software": dict(made_by), "column_units": dict(OF_COLUMNS),
        "inputs": with_codes(inputs), "advice": with_codes(advice),
    }  # fmt: skip
    parts = {name: _plain(value) for name, value in told.items()}
    parts["tables"] = f'{{"records":{records},"sha256":"{digest(records)}"}}'
    return f"{{{','.join(f'{json.dumps(name)}:{parts[name]}' for name in sorted(parts))}}}"


def _plain(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), sort_keys=True, allow_nan=False)
