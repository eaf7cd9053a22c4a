"""A laboratory's own limits: what is read, what is refused, and where."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from interpretation.errors import TableError
from interpretation.laboratory.limits import ReferenceSoil
from interpretation.results import CheckName, Outcome
from service.limitsfile import read_limits
from service.paths import tables_directory

DEFAULT = (tables_directory() / "limits" / "default.yaml").read_text(encoding="utf-8")


def edited(tmp_path: Path, old: str, new: str) -> Path:
    assert DEFAULT.count(old) >= 1
    path = tmp_path / "ours.yaml"
    path.write_text(DEFAULT.replace(old, new, 1), encoding="utf-8")
    return path


def line_of(text: str) -> int:
    return next(number for number, line in enumerate(DEFAULT.splitlines(), 1) if line.startswith(text))


def test_the_defaults_are_complete_and_every_limit_has_its_source() -> None:
    limits = read_limits()
    for check in CheckName:
        if check not in (CheckName.CURVE_RECOVERY, CheckName.CURVE_RSE, CheckName.REFERENCE_SOIL):
            assert limits.limit(check).source in limits.sources
    assert set(limits.curve.sources) <= set(limits.sources)
    assert {source.read for source in limits.sources.values()} <= {"seen", "memory", "common practice"}


def test_a_laboratory_edits_its_own_copy(tmp_path: Path) -> None:
    path = edited(tmp_path, "duplicate: {high: 25, failed: hold", "duplicate: {high: 15, failed: warn")
    limits = read_limits(path)
    assert (limits.duplicate.high, limits.duplicate.failed) == (15.0, Outcome.WARN)


def test_reference_soils_are_listed_in_it(tmp_path: Path) -> None:
    soils = """reference_soils:
  - name: QR-1
    method: bray1-1:10-colour
    mean: 30.0
    sd: 2.0
    recent: [29.1, 31.4]
    source: our-plan
"""
    path = edited(tmp_path, "reference_soils: []\n", soils)
    text = path.read_text() + "  our-plan: {title: Our quality plan, read: laboratory}\n"
    path.write_text(text)
    assert read_limits(path).reference_soils == (
        ReferenceSoil(
            name="QR-1", method="bray1-1:10-colour", mean=30.0, sd=2.0, recent=(29.1, 31.4), source="our-plan"
        ),
    )


@pytest.mark.parametrize(
    ("old", "new", "line", "says"),
    [
        ("second_source:", "secondsource:", "second_source:", "secondsource: Extra inputs are not permitted"),
        (
            "spike: {low: 90, high: 110",
            "spike: {low: 110, high: 90",
            "spike:",
            "spike: low 110 must be below high 90",
        ),
        (
            "failed: hold, missing: hold",
            "failed: holds, missing: hold",
            "method_blank:",
            "method_blank.failed: Input should be",
        ),
        (
            "drift: {low: -5, high: 5,",
            "drift: {",
            "drift:",
            "drift has neither low nor high, so nothing could fail it",
        ),
        (
            "source: sm-3020}",
            "source: sm-9999}",
            "second_source:",
            "second_source: source 'sm-9999' is not among sources",
        ),
        ("    10x: reject\n", "", "  outcomes:", "control_chart.outcomes lacks 10x"),
        ("curve_failed: reject\n", "", "#", "curve_failed: Field required"),
    ],
)
def test_a_mistake_is_named_with_its_line(tmp_path: Path, old: str, new: str, line: str, says: str) -> None:
    with pytest.raises(TableError) as caught:
        read_limits(edited(tmp_path, old, new))
    where, what = str(caught.value).splitlines()[0].split(": ", 1)
    assert what.startswith(says)
    assert where == f"ours.yaml:{line_of(line) if line != '#' else 1}"
    assert "the keys and kinds of values of tables/limits/default.yaml" in str(caught.value)


def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.yaml")
    with pytest.raises(TableError, match=r"pipe.yaml: the file cannot be opened \(it is a pipe\)"):
        read_limits(tmp_path / "pipe.yaml")


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(TableError) as caught:
        read_limits(tmp_path / "none.yaml")
    assert "the file cannot be opened (No such file or directory)" in str(caught.value)
