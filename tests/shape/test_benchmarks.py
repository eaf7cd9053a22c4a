"""The benchmarks still run: they are not part of the suite, and would rot unseen."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from pypdfium2 import PdfDocument
from starlette.testclient import TestClient

from interpretation.agronomy.advise import advise
from reports.render import pdf
from tests.benchmarks import (
    bare_page,
    bench_advise,
    bench_chain,
    bench_partitions,
    bench_report_many,
    bench_server_upload,
    big_laboratory,
    plain_page,
)


def test_what_is_timed_still_works() -> None:
    values = bench_advise.soil_values(20 * bench_advise.PER_SAMPLE)
    advice = advise(values, bench_advise.tables(), bench_advise.context(values))
    assert len(advice.classed.frame) == 20 * bench_advise.PER_SAMPLE
    assert advice.rated.frame["rate"].notna().any()


def test_the_large_laboratory_fits_the_database(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name, size in {"FIELDS": 30, "YEARS": 3, "SAMPLES_A_DAY": 10, "RUNS": 50}.items():
        monkeypatch.setattr(big_laboratory, name, size)
    path = tmp_path / "big.sqlite3"
    big_laboratory.build(path)
    with closing(sqlite3.connect(path)) as raw:
        samples, values, waiting = (
            raw.execute(f"SELECT count(*) FROM {what}").fetchone()[0]
            for what in ("sample", "soil_value", "sample WHERE id NOT IN (SELECT sample_id FROM soil_value)")
        )
    assert samples == 3 * (30 - 1 + big_laboratory.SAMPLES_OF_TESTED)
    assert (values, waiting) == (8 * (samples - 10), 10)
    page = TestClient(bare_page.make_app(f"sqlite:///{path}")).get(f"/fields/{big_laboratory.TESTED}")
    assert (page.status_code, "<dt>Code</dt><dd>F000001</dd>" in page.text) == (200, True)


def test_what_is_uploaded_still_registers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bench_server_upload, "SAMPLES", 40)
    monkeypatch.setattr(bench_server_upload, "ROUNDS", 2)
    assert len(bench_server_upload.run()) == 5


def test_the_plain_page_has_the_content_of_ours() -> None:
    page = bench_report_many.report(1)
    ours, plain = (
        PdfDocument(data) for data in (pdf(page), plain_page.drawn_plainly(plain_page.plain_markup(page)))
    )
    with closing(ours), closing(plain):
        assert [sheet.get_textpage().get_text_bounded() for sheet in ours] == [
            sheet.get_textpage().get_text_bounded() for sheet in plain
        ]


def test_the_long_life_of_a_worker_is_followed() -> None:
    taken, held = bench_report_many.life(2)
    assert len(taken) == 2
    assert held[2] > 20


def test_what_a_batch_costs_besides_drawing_is_still_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bench_chain, "WARM", 1)
    rows = bench_chain.run(2)
    parts = {label.removeprefix("... "): figure for label, figure, _ in rows}
    assert parts.keys() >= {label for label, _, _ in bench_chain.PARTS}, "each part has been called"
    assert 0 < rows[0][1] < 100


def test_partitions_are_still_advised_on() -> None:
    rows = bench_partitions.run(40 * bench_advise.PER_SAMPLE, (20,))
    assert [unit for _, _, unit in rows] == ["MiB", "x"]
    assert all(figure > 0 for _, figure, _ in rows)
