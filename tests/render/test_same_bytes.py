"""The same input gives the same bytes: alone, in a batch, in two processes, in any order."""

from __future__ import annotations

import gc
import multiprocessing
import os
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor

import pytest

from reports.render import warm_up
from tests.render.twenty_pages import NUMBERS, digest


@pytest.fixture(scope="module")
def expected() -> list[str]:
    """Digests of the twenty, drawn in one process in their order."""
    return [digest(number) for number in NUMBERS]


def test_all_differ(expected: list[str]) -> None:
    assert len(set(expected)) == len(NUMBERS)


def test_in_another_order(expected: list[str]) -> None:
    assert [digest(number) for number in reversed(NUMBERS)] == expected[::-1]


@pytest.mark.parametrize("number", [0, 1, 2, 7])
def test_alone_in_a_process_with_another_seed(number: int, expected: list[str]) -> None:
    said = subprocess.run(
        [sys.executable, "-m", "tests.render.twenty_pages", str(number)],
        capture_output=True, text=True, check=True, timeout=120,
        env={**os.environ, "PYTHONHASHSEED": "77", "PYTHONPATH": os.pathsep.join(filter(None, sys.path)),
             "SOURCE_DATE_EPOCH": "1", "TZ": "Pacific/Auckland", "LC_ALL": "C"},
    )  # fmt: skip
    assert said.stdout.split() == [expected[number]]


@pytest.mark.parametrize("way", ["spawn", "forkserver"])
def test_in_two_warm_processes(way: str, expected: list[str]) -> None:
    context = multiprocessing.get_context(way)
    with ProcessPoolExecutor(2, mp_context=context, initializer=warm_up) as pool:
        assert list(pool.map(digest, NUMBERS)) == expected


def test_warming_up_leaves_what_it_read_out_of_the_collectors_rounds() -> None:
    before = gc.get_freeze_count()
    try:
        warm_up()
        assert gc.get_freeze_count() > max(before, 100_000)
        assert gc.isenabled()
    finally:
        gc.unfreeze()
