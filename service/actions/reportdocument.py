"""The data inside a report as a record: read from a file of anybody's, described as JSON Schema."""

from __future__ import annotations

import json
from collections.abc import Mapping
from math import isfinite
from typing import Any, Literal

from pydantic import ConfigDict, Field, ValidationError

from interpretation.agronomy.context import CONTEXT
from interpretation.results import FieldAdvice, Record
from interpretation.soil_values import COLUMNS
from service.actions.reportinputs import ReportInputs
from service.reportdata.units import CODE_OF, without_codes
from service.reportdata.writing import FORMAT

FORMAT_1 = "furrowslice-field-report-1"
MOST_VALUES, MOST_SAMPLES, LONGEST_TEXT = 4_000, 300, 8_000  # the longest text is a logo
DEEPEST = 40  # values within values; reports have a dozen
_JSON_TYPES = {"str": "string", "float64": "number", "bool": "boolean", "datetime64[us]": "string"}


class Software(Record):
    """What made a report."""

    name: str
    version: str
    pages_by: str = Field(description="library that lays the pages out, with its version")


class CarriedTables(Record):
    """Records of the tables that the result can depend on."""

    records: dict[str, dict[str, dict[str, Any]]] = Field(
        description="kind, id, record: each exactly as the release of its book has it"
    )
    sha256: str = Field(description="of the records as canonical JSON (RFC 8785)")


class ReportData(Record):
    """The data inside a report: what it is made from, what was worked out, and by which tables.

    ``inputs`` with ``tables`` are enough to work ``advice`` out again. Terms of PROV tell where it comes
    from; they are JSON-LD. Codes of UCUM stand beside each unit: ``ucum``, ``yield_ucum``, ``factor_ucum``.
    """

    model_config = ConfigDict(populate_by_name=True)

    context: dict[str, str] = Field(alias="@context", description="of JSON-LD")
    id: str = Field(alias="@id")
    type: str = Field(alias="@type")
    format: Literal["furrowslice-field-report-2"]
    software: Software
    inputs: ReportInputs
    advice: FieldAdvice
    tables: CarriedTables
    column_units: dict[str, str] = Field(description="UCUM codes of the numbers whose unit is in their name")
    was_generated_by: dict[str, Any] = Field(
        alias="prov:wasGeneratedBy", description="the activity, with what it used and who answers for it"
    )
    was_revision_of: dict[str, Any] | None = Field(
        default=None, alias="prov:wasRevisionOf", description="the report that this one replaces"
    )


class NoReportData(Exception):  # noqa: N818 - reads as the sentence it is
    """An attached file that is not the data of a report.

    Attributes
    ----------
    reason
        ``not-json``, ``other-format``, ``old-format``, ``wrong-data`` or ``too-much``.
    told
        What the sentence of the reason leaves open.
    """

    def __init__(self, reason: str, **told: str) -> None:
        super().__init__(reason)
        self.reason, self.told = reason, told


def plain_data(text: str) -> dict[str, Any]:
    """Read attached data as plain values.

    Raises
    ------
    NoReportData
        If it is not JSON, or says one thing twice.
    """
    try:
        found = json.loads(
            text, object_pairs_hook=_once, parse_constant=_no_number, parse_int=_whole, parse_float=_finite
        )  # fmt: skip
        json.dumps(found, ensure_ascii=False).encode()  # half a character cannot be written again
    except (ValueError, RecursionError):
        raise NoReportData("not-json") from None
    if not isinstance(found, dict) or _is_deep(found):
        raise NoReportData("not-json")
    return found


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) != len(pairs):
        raise ValueError("a name comes twice")
    return made


def _no_number(text: str) -> Any:
    raise ValueError(f"{text} is no number")


def _whole(text: str) -> int:
    """Read a whole number; one that no double holds exactly cannot be written canonically again."""
    number = int(text)
    if abs(number) >= 2**53:
        raise ValueError("too many digits")
    return number


def _finite(text: str) -> float:
    number = float(text)
    if not isfinite(number):
        raise ValueError("too large a number")
    return number


def _is_deep(value: Any) -> bool:
    """Whether plain values lie deeper in each other than those of any report: we go down by recursion."""
    level = [value]
    for _ in range(DEEPEST):
        level = [
            below for each in level if isinstance(each, dict | list)
            for below in (each.values() if isinstance(each, dict) else each)
        ]  # fmt: skip
        if not level:
            return False
    return True


def report_data(plain: Mapping[str, Any]) -> ReportData:
    """Read plain values as the data of a report.

    Raises
    ------
    NoReportData
        If they are of another format, not as described, or more than any report has.
    """
    named = str(plain.get("format", ""))[:100]
    if named != FORMAT:
        raise NoReportData("old-format" if named == FORMAT_1 else "other-format", format=named or "-")
    try:
        found = ReportData.model_validate(_bare(plain))
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        place = "/".join(str(part)[:80] for part in first["loc"])
        raise NoReportData("wrong-data", place=place, problem=str(first["msg"])[:200]) from None
    inputs = found.inputs
    if not inputs.samples or any({*row} != {*CONTEXT} for row in inputs.samples):
        raise NoReportData("wrong-data", place="inputs/samples", problem="columns")
    if any({*row} != {*COLUMNS} for row in inputs.values):
        raise NoReportData("wrong-data", place="inputs/values", problem="columns")
    if len({row["region"] for row in inputs.samples} | {row["field_id"] for row in inputs.samples}) > 2:
        raise NoReportData("wrong-data", place="inputs/samples", problem="more than one field")
    if (
        len(inputs.values) > MOST_VALUES
        or len(inputs.samples) > MOST_SAMPLES
        or _longest(plain) > LONGEST_TEXT
    ):
        raise NoReportData("too-much")
    return found


def _bare(plain: Mapping[str, Any]) -> dict[str, Any]:
    """Without codes of units, but for the records of the tables, which never have any."""
    return {
        name: without_codes(value) if name in ("inputs", "advice") else value for name, value in plain.items()
    }


def _longest(value: Any) -> int:
    """Length of the longest text in plain values."""
    longest, waiting = 0, [value]
    while waiting:
        each = waiting.pop()
        if isinstance(each, str):
            longest = max(longest, len(each))
        elif isinstance(each, Mapping):
            waiting += [*each.keys(), *each.values()]
        elif isinstance(each, list):
            waiting += each
    return longest


def schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) of the data inside a report."""
    described = ReportData.model_json_schema(by_alias=True)
    described["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    _describe_codes(described)
    inputs = described["$defs"]["ReportInputs"]["properties"]
    for name, columns in (("values", COLUMNS), ("samples", CONTEXT)):
        inputs[name]["items"] = _row(columns)
    return described


def _row(columns: Mapping[str, str]) -> dict[str, Any]:
    """Schema of a row of a frame: anything but a number by which it is found may not be known."""
    properties: dict[str, Any] = {
        name: {"type": [_JSON_TYPES[kind], "null"]} for name, kind in columns.items()
    }
    properties["lab_number"] = {"type": "string"}
    codes = {code: {"type": "string"} for name, code in CODE_OF.items() if name in columns}
    described = {"type": "object", "properties": properties | codes, "required": [*columns]}
    return described | {"additionalProperties": False}


def _describe_codes(part: Any) -> None:
    """Put the code's property beside every property that is a unit."""
    if isinstance(part, list):
        for each in part:
            _describe_codes(each)
    elif isinstance(part, dict):
        for each in part.values():
            _describe_codes(each)
        properties = part.get("properties")
        if isinstance(properties, dict):
            for name, code in CODE_OF.items():
                if name in properties:
                    properties[code] = {"type": "string", "description": f"{name} as a code of UCUM"}
