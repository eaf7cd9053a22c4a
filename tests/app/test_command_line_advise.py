"""What ``advise`` prints where a region gives little: supporting tests, silence, no empty tables."""

from __future__ import annotations

from pathlib import Path

from service.samplefiles import REQUIRED
from tests.app.test_command_line import Command, command

__all__ = ["command"]  # the fixture

HEAD = "lab_number,analyte,form,method,value,unit,basis\n"
SAMPLES = ",".join(REQUIRED) + "\n0001,F1,Long Acre,Low Farm,A. Grower,{region},maize,0,18,2026-04-10\n"


def said(command: Command, folder: Path, region: str, values: str) -> str:
    (folder / "samples.csv").write_text(SAMPLES.format(region=region), encoding="utf-8")
    (folder / "values.csv").write_text(HEAD + values, encoding="utf-8")
    done = command("advise", folder / "values.csv", "--samples", folder / "samples.csv")
    return " ".join(done.out.split())


def test_a_test_that_serves_an_amount_says_so_and_the_rest_is_named(command: Command, tmp_path: Path) -> None:
    # 840 x 5.2 = 4368 lb of lime an acre, to 10
    values = (
        "0001,exchangeable-acidity,charge,acidity-mehlich-buffer,5.2,cmol/kg,air-dry\n"
        "0001,pH,pH,ph-water-1:1,6.1,pH,none\n"
    )
    shown = said(command, tmp_path, "pennsylvania", values)
    assert "5.2 cmol/kg none; it serves to work out an amount" in shown
    assert "4370 lb/ac" in shown
    assert "No amount is given for: Phosphate (P₂O₅) and Potash (K₂O)." in shown


def test_a_region_without_amounts_prints_no_empty_table(command: Command, tmp_path: Path) -> None:
    shown = said(command, tmp_path, "india", "0001,Zn,Zn,zn-dtpa,0.5,mg/kg,air-dry\n")
    assert "Amounts" not in shown
    assert "This report gives no amounts. No amount is given for: Lime" in shown
