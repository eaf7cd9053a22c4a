"""A method from memory measures nothing until the laboratory vouches for it on its card."""

from __future__ import annotations

from pathlib import Path

import pytest

from interpretation.errors import FurrowsliceError, PreparationError
from reports.view import LaboratoryCard
from service.actions.card import read_laboratory
from service.actions.runs import Bench, MeasuredRun, measure_and_write
from service.limitsfile import read_limits
from service.paths import demo_directory, tables_directory
from service.runfiles import read_run
from service.samplefiles import read_samples
from service.tablefiles import read_tables

DEMO = demo_directory()
METHOD = "bray2-1:10-colour"


@pytest.fixture(scope="module")
def bench() -> Bench:
    tables = read_tables(tables_directory())
    assert tables.methods[METHOD].standing == "memory"
    return Bench(tables, read_limits(DEMO / "limits.yaml"), read_samples(DEMO / "samples.csv"))


def card(folder: Path, more: str = "") -> LaboratoryCard:
    path = folder / "laboratory.yaml"
    path.write_text(f"name: Quillwater\naddress: [4 Weir Lane]\n{more}", encoding="utf-8")
    return read_laboratory(path)


def measured(folder: Path, bench: Bench, lab: LaboratoryCard) -> MeasuredRun:
    """The demo's phosphorus run, as if it had been extracted by the method from memory."""
    text = (DEMO / "bray-p.csv").read_text(encoding="utf-8")
    text = text.replace("bray1-1:10-colour", METHOD).replace("Bray-1 extractant", "Bray-2 extractant")
    path = folder / "run.csv"
    path.write_text(text, encoding="utf-8")
    return measure_and_write(read_run(path), bench, lab, folder / "out")


def test_the_run_is_refused_and_the_message_says_what_to_do(tmp_path: Path, bench: Bench) -> None:
    with pytest.raises(PreparationError) as refused:
        measured(tmp_path, bench, card(tmp_path))
    assert str(refused.value) == (
        "run QW-0412-P: the figures of bray2-1:10-colour are from memory: nobody has looked them up\n"
        "Expected: a method read in its source, or one that this laboratory has confirmed\n"
        "To fix it: compare extractant, ratio, shaking and finish in the method's file with your own "
        "procedure; if they agree, add bray2-1:10-colour to confirmed_methods in the laboratory card"
    )
    assert not (tmp_path / "out").exists()


def test_confirming_one_method_confirms_no_other(tmp_path: Path, bench: Bench) -> None:
    with pytest.raises(PreparationError):
        measured(tmp_path, bench, card(tmp_path, 'confirmed_methods: ["bray2-1:7-colour"]\n'))


def test_a_confirmed_method_releases_its_values(tmp_path: Path, bench: Bench) -> None:
    done = measured(tmp_path, bench, card(tmp_path, f'confirmed_methods: ["{METHOD}"]\n'))
    assert done.sheet.from_memory
    assert done.released > 0
    assert done.values_file is not None
    assert METHOD in done.values_file.read_text(encoding="utf-8")


def test_what_is_confirmed_must_be_a_list(tmp_path: Path) -> None:
    with pytest.raises(FurrowsliceError) as refused:
        card(tmp_path, f'confirmed_methods: "{METHOD}"\n')
    assert "confirmed_methods: this must be a list of lines" in str(refused.value)
    assert "line 3" in str(refused.value)
