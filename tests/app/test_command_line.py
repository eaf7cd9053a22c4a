"""The command as a stranger types it: what it prints, what it leaves behind, how it ends."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jsonschema
import pikepdf
import pypdfium2
import pytest

from service.cli import app
from service.cli.answers import ANSWERS
from service.paths import demo_directory

DEMO = demo_directory()
BENCH = ("--samples", str(DEMO / "samples.csv"), "--laboratory", str(DEMO / "laboratory.yaml"))
LIMITS = ("--limits", str(DEMO / "limits.yaml"))


@dataclass(frozen=True)
class Done:
    """How a command ended."""

    status: int
    out: str
    err: str


@pytest.fixture
def command(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., Done]:
    def run(*arguments: object) -> Done:
        monkeypatch.setattr(sys, "argv", ["furrowslice", *map(str, arguments)])
        try:
            app.main()
            status = 0
        except SystemExit as end:
            status = int(end.code or 0)
        printed = capsys.readouterr()
        return Done(status, printed.out, printed.err)

    return run


Command = Callable[..., Done]


def answer(done: Done, document: str) -> dict[str, Any]:
    """The JSON a command printed, valid by the schema that describes it."""
    printed: dict[str, Any] = json.loads(done.out)
    jsonschema.validate(printed, ANSWERS[document].model_json_schema(mode="serialization"))
    return printed


# ------------------------------------------------------------------------------------------ calibrate


def test_calibrate_prints_curve_standards_and_what_else_could_be_fitted(command: Command) -> None:
    done = command("calibrate", DEMO / "bray-p.csv")
    assert done.status == 0
    assert "Run QW-0412-P: linear curve, weights 1/x" in done.out
    assert "quadratic  1/x2" in done.out
    assert "Range 0.25 to 10 mg/L" in done.out
    assert "\x1b" not in done.out  # plain text where nobody watches


def test_calibrate_says_when_another_curve_is_proposed_and_does_not_switch(
    command: Command, tmp_path: Path
) -> None:
    bent = (DEMO / "bray-p.csv").read_text()
    for x, signal in ((2.5, 23770), (5, 47288), (7.5, 70356), (10, 94483)):
        # A response that flattens by 2 % for each mg/L: 10 mg/L reads 20 % low, and no line holds that.
        assert str(signal) in bent
        bent = bent.replace(str(signal), f"{signal * (1 - 0.02 * x):.0f}")
    (tmp_path / "bent.csv").write_text(bent)
    done = command("calibrate", tmp_path / "bent.csv", "--json")
    printed = answer(done, "calibrate")
    assert done.status == 1
    assert printed["chosen_is_proposed"] is False
    curve = printed["curve"]
    assert isinstance(curve, dict)
    assert (curve["model"], curve["proposed_model"]) == ("linear", "quadratic")


def test_calibrate_leaves_out_a_standard_with_its_reason(command: Command) -> None:
    done = command("calibrate", DEMO / "bray-p.csv", "--exclude", "9=top standard pipetted twice")
    assert "top standard pipetted twice" in done.out
    assert "Range 0.25 to 7.5 mg/L" in done.out  # the range shrinks with it


@pytest.mark.parametrize(
    ("option", "message"),
    [
        ("9", "cannot read --exclude '9'"),
        ("9= ", "cannot read --exclude '9= '"),
        ("999=x", "no cup at position 999"),
    ],
)
def test_exclusion_needs_a_cup_and_a_reason(command: Command, option: str, message: str) -> None:
    done = command("calibrate", DEMO / "bray-p.csv", "--exclude", option)
    assert (done.status, message in done.err) == (2, True)
    assert "Expected: " in done.err
    assert "To fix it: " in done.err


def test_a_run_of_concentrations_has_no_curve(command: Command, tmp_path: Path) -> None:
    text = (DEMO / "bray-p.csv").read_text()
    text = text.replace("Reading,peak area", "Reading,concentration").replace(
        ",Signal,", ",Concentration mg/L,"
    )
    (tmp_path / "read.csv").write_text(text)
    done = command("calibrate", tmp_path / "read.csv")
    assert done.status == 2
    assert "this run holds concentrations, so there is no curve to fit" in done.err


# -------------------------------------------------------------------------------------------- measure


def test_measure_releases_an_accepted_run_and_keeps_back_what_a_flag_holds(
    command: Command, tmp_path: Path
) -> None:
    done = command("measure", DEMO / "nitrate-rerun.csv", *BENCH, *LIMITS, "--out", tmp_path, "--json")
    (run,) = answer(done, "measure")["runs"]  # type: ignore[misc]
    assert (done.status, run["released"], run["withheld"]) == (0, 24, {})
    assert {path.name for path in tmp_path.iterdir()} == {"QW-0413-N2.values.csv", "QW-0413-N2.sheet.pdf"}


def test_a_drifting_run_is_held_and_nothing_is_released(command: Command, tmp_path: Path) -> None:
    done = command("measure", DEMO / "nitrate.csv", *BENCH, *LIMITS, "--out", tmp_path)
    assert done.status == 1
    assert "ON HOLD" in done.out
    assert "Continuing check" in done.out
    assert "0 values released, 24 kept back" in done.out
    assert [path.name for path in tmp_path.iterdir()] == ["QW-0413-N.sheet.pdf"]


def test_options_of_one_run_are_refused_for_several(command: Command, tmp_path: Path) -> None:
    runs = (DEMO / "bray-p.csv", DEMO / "cec.csv")
    done = command("measure", *runs, *BENCH, "--exclude", "3=x", "--out", tmp_path)
    assert done.status == 2
    assert "--header and --exclude belong to one run" in done.err


def test_unknown_method_names_the_known_ones(command: Command, tmp_path: Path) -> None:
    (tmp_path / "run.csv").write_text(
        (DEMO / "bray-p.csv").read_text().replace("bray1-1:10-colour", "bray-9")
    )
    done = command("measure", tmp_path / "run.csv", *BENCH, "--out", tmp_path)
    assert done.status == 2
    assert "run.csv: unknown method 'bray-9'" in done.err
    assert "olsen-1:20-colour" in done.err


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"\x89PNG\r\n\x1a\n" + bytes(64), "the file is a PNG picture"),
        (b"", "row 1"),
        (b"a,b\x00c\n", "a zero byte: the file is not text"),
    ],
)
def test_a_file_that_is_no_run_ends_in_a_message_and_status_2(
    command: Command, tmp_path: Path, content: bytes, message: str
) -> None:
    (tmp_path / "run.csv").write_bytes(content)
    done = command("measure", tmp_path / "run.csv", *BENCH, "--out", tmp_path / "out")
    assert (done.status, message in done.err) == (2, True), done.err
    assert "Traceback" not in done.err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("card", "message"),
    [
        ("name: A\n", "card.yaml, line 1"),
        (
            "name: A\naddress: [x]\nreport_id: X1\n",
            "card.yaml, line 3: 'report_id' is not part of a laboratory card",
        ),
        ("name: A\naddress: [x]\nagent_comment: Hi\n", "'agent_comment' is not part of a laboratory card"),
        ("name: A\naddress: [x]\nfax: 1\n", "card.yaml, line 3: fax: a laboratory card has no such line"),
        ("name: A\naddress: x\n", "card.yaml, line 2: address: this must be a list of lines"),
        ("name: A\naddress: [x]\nphone: 1\n", "line 3: phone: this must be a text; put quotation marks"),
        ("address: [x]\n", "name: this is required\nExpected: a laboratory card: name, address"),
    ],
)
def test_a_wrong_laboratory_card_is_refused_with_its_line(
    command: Command, tmp_path: Path, card: str, message: str
) -> None:
    (tmp_path / "card.yaml").write_text(card)
    samples = ("--samples", str(DEMO / "samples.csv"))
    done = command(
        "measure", DEMO / "cec.csv", *samples, "--laboratory", tmp_path / "card.yaml", "--out", tmp_path
    )
    assert (done.status, message in done.err) == (2, True), done.err


# ------------------------------------------------------------------------------------- advise, report


@pytest.fixture(scope="module")
def values(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """Soil values of every accepted demo run, as ``measure`` writes them, and the bench's."""
    folder = tmp_path_factory.mktemp("values")
    program = [sys.executable, "-c", "from service.cli.app import main; main()", "measure"]
    runs = [str(DEMO / name) for name in ("bray-p.csv", "nitrate-rerun.csv", "cec.csv")]
    subprocess.run([*program, *runs, *BENCH, *LIMITS, "--out", str(folder)], check=False, capture_output=True)
    hand = [*program, str(DEMO / "olsen-p-by-hand.csv"), "--layout", "comma-semicolon"]
    subprocess.run([*hand, *BENCH, *LIMITS, "--out", str(folder)], check=True, capture_output=True)
    return [*sorted(map(str, folder.glob("*.values.csv"))), str(DEMO / "bench.csv")]


def test_advise_prints_classes_and_amounts_or_why_there_are_none(command: Command, values: list[str]) -> None:
    done = command("advise", *values, "--samples", DEMO / "samples.csv")
    assert done.status == 1  # the demo has refusals on purpose
    assert "Long Meadow, Thistlecombe Farm: maize" in done.out
    assert "less than 2.5 mg/kg" in done.out


def test_advise_json_is_described_by_its_schema(command: Command, values: list[str]) -> None:
    done = command("advise", *values, "--samples", DEMO / "samples.csv", "--json")
    fields = answer(done, "advise")["fields"]
    assert isinstance(fields, list)
    assert [field["field_id"] for field in fields] == ["TC-1", "TC-2", "LA-1", "LA-2", "BH-1", "BH-2"]


def test_what_the_demo_prints_is_what_a_calculator_gives(command: Command, values: list[str]) -> None:
    # Bray P of 004815: signal 21391 on 29.967 + 9433.28 x is 2.2644 mg/L, less the blanks' 0.0169, times
    # 20 mL / 2 g: 22.475 mg/kg. Printed in whole mg/kg that is 22, medium; "high" begins at 23. Phosphate:
    # 6 kg for each of 8 t/ha = 48, in steps of 5: 50 kg/ha; of triple superphosphate 50 / 0.46 = 108.7 kg/ha.
    # CEC of 004817: 29.311 mg/L of NH4-N in 250 mL from 5 g, air-dry with 1.7 % moisture:
    # 29.311 x 0.25 / 14.007 / 5 x 100 x 1.017 = 10.64 cmol/kg.
    # Nitrate of moist peat 004827, moisture 146 %: 10 g hold 4.065 g dry and 5.935 mL of water, so
    # (0.8163 - 0.0091) x 105.935 / 4.065 = 21.04 mg/kg.
    document: Any = answer(command("advise", *values, "--samples", DEMO / "samples.csv", "--json"), "advise")
    results = [result for field in document["fields"] for result in field["results"]]
    soil = {(result["lab_number"], result["method"]): result for result in results}
    bray = soil["004815", "bray1-1:10-colour"]
    assert (bray["value"], bray["class_name"]) == (22, "medium")
    capacity = soil["004817", "cec-nh4oac-displaced"]
    assert capacity["value"] == 10.6
    assert capacity["standard_uncertainty"] == pytest.approx(
        0.532, abs=0.001
    )  # 5 % of 10.64, not the run's 2 %
    assert soil["004827", "kcl-1:10-nitrate-colour"]["value"] == 21
    amounts = [amount for field in document["fields"] for amount in field["amounts"]]
    (phosphate,) = (a for a in amounts if (a["lab_number"], a["nutrient"]) == ("004815", "P2O5"))
    assert phosphate["rate"] == 50
    by_material = {one["material"]: one["rate"] for one in phosphate["materials"]}
    assert by_material["triple-superphosphate"] == pytest.approx(108.7, abs=0.05)


def one_sample(folder: Path) -> tuple[str, ...]:
    """Cut the demo down to its first sample; the arguments that ask for its report."""
    for name in ("samples.csv", "bench.csv"):
        head, *rows = (DEMO / name).read_text().splitlines(keepends=True)
        (folder / name).write_text(head + "".join(row for row in rows if row.startswith("004811,")))
    inputs = ("report", str(folder / "bench.csv"), "--samples", str(folder / "samples.csv"))
    return (*inputs, "--laboratory", str(DEMO / "laboratory.yaml"))


def test_same_input_gives_the_same_report_to_the_byte(command: Command, tmp_path: Path) -> None:
    asked = one_sample(tmp_path)

    def written(day: str, folder: str) -> tuple[str, str, bytes]:
        done = command(*asked, "--issued-on", day, "--out", tmp_path / folder, "--json")
        (report,) = answer(done, "report")["reports"]  # type: ignore[misc]
        return report["report_id"], report["sha256"], (tmp_path / folder / "TC-1.report.pdf").read_bytes()

    assert written("2026-04-17", "a") == written("2026-04-17", "b")
    assert written("2026-04-18", "c")[0] != written("2026-04-17", "a")[0]  # another page, another identity


@pytest.mark.parametrize(
    ("language", "units", "written"),
    [("es-MX", "garden-metric", "g/100 m²"), ("en-GB", "garden-us", "lb/1000 ft²"), ("es", "us", "lb/ac")],
)
def test_the_language_of_a_country_and_units_of_a_garden_can_be_asked_for(
    command: Command, tmp_path: Path, language: str, units: str, written: str
) -> None:
    asked = (*one_sample(tmp_path), "--out", str(tmp_path), "--issued-on", "2026-04-17")
    done = command(*asked, "--language", language, "--units", units)
    assert done.status == 1  # amounts that need a run are refused
    with pikepdf.open(tmp_path / "TC-1.report.pdf") as pdf:
        assert str(pdf.Root.Lang) == language
    document = pypdfium2.PdfDocument(tmp_path / "TC-1.report.pdf")
    assert written in "".join(page.get_textpage().get_text_bounded() for page in document)


def test_a_comment_goes_on_the_report_of_its_field_only(command: Command, tmp_path: Path) -> None:
    asked = (*one_sample(tmp_path), "--out", str(tmp_path), "--issued-on", "2026-04-17")
    said = command(*asked, "--agent", "R. Ash", "--comment", "TC-1=Split the nitrogen.")
    assert said.status == 1  # amounts that need a run are refused
    with pikepdf.open(tmp_path / "TC-1.report.pdf") as pdf:
        (attached,) = pdf.attachments.values()
        assert b"Split the nitrogen." in attached.get_file().read_bytes()
    for wrong in ("XX-9=Hello", "TC-1", "TC-1="):
        done = command(*asked, "--comment", wrong)
        assert (done.status, f"cannot place --comment '{wrong}'" in done.err) == (2, True)


def test_unknown_lab_number_is_refused_with_its_row(command: Command, tmp_path: Path) -> None:
    bench = (DEMO / "bench.csv").read_text().replace("004811,K,", "999999,K,")
    (tmp_path / "bench.csv").write_text(bench)
    done = command("advise", tmp_path / "bench.csv", "--samples", DEMO / "samples.csv")
    assert done.status == 2
    assert "999999" in done.err
    assert "bench.csv, row 5" in done.err


# ------------------------------------------------------------------------------- tables, schema, help


def test_tables_check_finds_nothing_in_the_shipped_folder(command: Command) -> None:
    done = command("tables", "check")
    assert (done.status, done.out.strip()) == (0, "0 errors, 0 warnings.")


def test_tables_check_prints_file_and_line(command: Command, tmp_path: Path) -> None:
    (tmp_path / "crops").mkdir()
    (tmp_path / "crops" / "oats.yaml").write_text("id: oats\nname: oats\nyield_unit: sacks\n")
    done = command("tables", "check", tmp_path)
    assert done.status == 2
    assert "crops/oats.yaml" in done.out
    assert "To fix it: " in done.out
    printed = answer(command("tables", "check", tmp_path, "--json"), "tables-check")
    assert printed["problems"]


@pytest.mark.parametrize("document", sorted(ANSWERS))
def test_every_json_document_has_a_valid_schema(command: Command, document: str) -> None:
    done = command("schema", document)
    assert done.status == 0
    jsonschema.Draft202012Validator.check_schema(json.loads(done.out))


def test_an_unknown_document_names_the_known_ones(command: Command) -> None:
    done = command("schema", "weather")
    assert done.status == 2
    assert "tables-check" in done.err


def test_command_runs_as_a_program_without_a_terminal(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", "from service.cli.app import main; main()", "--help"],
        capture_output=True,
        text=True,
        env=os.environ | {"COLUMNS": "100"},
        check=True,
    )
    assert "Exit status: 0 done; 1 done, but something was held or refused; 2 bad input." in done.stdout
