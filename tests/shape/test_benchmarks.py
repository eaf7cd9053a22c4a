"""The benchmarks still run: they are not part of the suite, and would rot unseen."""

from __future__ import annotations

from interpretation.agronomy.advise import advise
from tests.benchmarks import bench_advise


def test_what_is_timed_still_works() -> None:
    values = bench_advise.soil_values(20 * bench_advise.PER_SAMPLE)
    advice = advise(values, bench_advise.tables(), bench_advise.context(values))
    assert len(advice.classed.frame) == 20 * bench_advise.PER_SAMPLE
    assert advice.rated.frame["rate"].notna().any()
