"""``./run bench [name ...]``: every benchmark, as ratios measured in one process.

Nothing here asserts a time: machines differ. Each ``bench_*.py`` beside this file has ``run()``, which
returns rows of (what was measured, figure, unit).
"""

import importlib
import sys
from pathlib import Path

here = Path(__file__).parent
names = sys.argv[1:] or sorted(path.stem.removeprefix("bench_") for path in here.glob("bench_*.py"))
for name in names:
    print(f"{name}")
    for label, figure, unit in importlib.import_module(f"tests.benchmarks.bench_{name}").run():
        print(f"  {figure:10.3g} {unit:<14} {label}", flush=True)
