"""``--convert``: what advise prints and what the report says of a value that was worked out."""

from __future__ import annotations

import json
from pathlib import Path

import pikepdf
import pytest

from service.samplefiles import REQUIRED
from tests.app.test_command_line import Command, Done, answer, command

__all__ = ["command"]  # the fixture

SOUND = Path(__file__).parents[1] / "broken_tables" / "sound"
NAME = "vale/bray-from-olsen"
SAMPLES = f"""{",".join(REQUIRED)}
0001,F1,Long Acre,Low Farm,A. Grower,vale,maize,0,20,2025-06-02
"""
# 1.6 x 20.4 - 3.2 = 29.44: 29 on the scale's whole mg/kg, and high from 20
VALUES = """lab_number,analyte,form,method,value,unit,basis,standard_uncertainty
0001,P,P,olsen,20.4,mg/kg,air-dry,1
"""
LABORATORY = """name: Test laboratory
address: [One Street]
"""


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    for name, text in (("samples.csv", SAMPLES), ("values.csv", VALUES), ("laboratory.yaml", LABORATORY)):
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


def run(command: Command, what: str, bench: Path, *more: object) -> Done:
    return command(
        what, bench / "values.csv", "--samples", bench / "samples.csv", "--tables", SOUND, *more
    )  # fmt: skip


def test_without_the_option_nothing_is_converted_and_advise_says_how(command: Command, bench: Path) -> None:
    done = run(command, "advise", bench)
    assert done.status == 1
    words = " ".join(done.out.split())
    assert "--convert" in words
    assert NAME in words.replace("- ", "-")


def test_advise_converts_where_it_is_named(command: Command, bench: Path) -> None:
    done = run(command, "advise", bench, "--convert", NAME, "--json")
    (field,) = answer(done, "advise")["fields"]  # type: ignore[attr-defined]
    (result,) = field["results"]
    assert (result["method"], result["value"], result["class_name"]) == ("bray", 29.0, "high")
    assert result["standard_uncertainty"] == pytest.approx(1.6)
    assert result["measured_as"] == {
        "value": 20.4, "below": None, "decimals": 1, "method": "olsen", "unit": "mg/kg", "factor": None,
        "factor_unit": None, "layer_cm": None, "conversion": NAME,
    }  # fmt: skip
    assert field["tables"][0]["id"] == NAME
    assert len(field["tables"][0]["fingerprint"]) == 64


def test_an_equation_that_turned_nothing_is_named(command: Command, bench: Path) -> None:
    path = bench / "values.csv"
    path.write_text(VALUES.replace("olsen", "bray"), encoding="utf-8")
    assert f"{NAME} turned no value:" in run(command, "advise", bench, "--convert", NAME).out
    path.write_text(VALUES, encoding="utf-8")
    assert "turned no value" not in run(command, "advise", bench, "--convert", NAME).out


def test_an_unknown_name_is_told_with_the_known_ones(command: Command, bench: Path) -> None:
    done = run(command, "advise", bench, "--convert", "vale/olsen-from-bray")
    assert done.status == 2
    assert done.err.replace("\n", " ").strip() == (
        "there is no conversion 'vale/olsen-from-bray' Expected: one of vale/bray-from-olsen "
        "To fix it: correct the id; without it, nothing is converted"
    )


def test_the_report_converts_where_it_is_named(command: Command, bench: Path) -> None:
    more = ("--laboratory", bench / "laboratory.yaml", "--out", bench / "out", "--issued-on", "2025-06-09")
    done = run(command, "report", bench, *more, "--convert", NAME, "--json")
    (written,) = answer(done, "report")["reports"]  # type: ignore[misc]
    with pikepdf.open(written["file"]) as file:
        (data,) = file.attachments.values()
        attached = json.loads(data.get_file().read_bytes())
    assert attached["advice"]["results"][0]["measured_as"]["conversion"] == NAME
