"""Registering a list of 5,000 samples, against pandas reading it."""

from __future__ import annotations

import sqlite3
import tempfile
import time
from contextlib import closing
from pathlib import Path

import pandas as pd

from service.actions.registering import register_list
from service.actions.seeding import seed
from service.callers import operator
from service.settings import Settings
from service.site import open_site
from service.store import schema
from service.store.migrating import migrate

SAMPLES, ROUNDS = 5_000, 5
COLUMNS = (
    "lab_number,field_id,field_name,farm_name,grower_name,region,crop,depth_from_cm,depth_to_cm,sampled_on,"
    "yield_goal,previous_crop,texture,area_ha,moisture_percent\n"
)


def sample_list(day: int) -> str:
    """A list of one day's samples: four a field, two fields a farm."""
    rows = []
    for n in range(SAMPLES):
        field = day * SAMPLES + n // 4
        rows.append(
            f"{day}-{n:05d},F{field:06d},Long Field {field % 40},Farm {field // 2},Grower {field // 2},"
            f"marrowdale,maize,0,15,2026-04-0{n // 4 % 7 + 1},9.5,soybean,silt loam,{4 + field % 9}.5,"
            f"{n % 50 / 10 + 2:.1f}\n"
        )
    return COLUMNS + "".join(rows)


def run() -> list[tuple[str, float, str]]:
    with tempfile.TemporaryDirectory() as folder:
        site = open_site(Settings(data=Path(folder)))
        with closing(site.database):
            migrate(site.database.engine)
            seed(site)
            with site.database.housekeeping(operator()) as look:
                look.connection.execute(
                    schema.laboratory.insert().values(id=1, name="x", card={}, created_at=look.now)
                )
            read, stored, registered = [], [], []
            for day in range(ROUNDS):
                file = Path(folder) / f"{day}.csv"
                file.write_text(sample_list(day), encoding="utf-8")
                start = time.perf_counter()
                pd.read_csv(file)
                read.append(time.perf_counter() - start)
                with closing(sqlite3.connect(Path(folder) / "plain.sqlite3")) as plain:
                    start = time.perf_counter()
                    pd.read_csv(file).to_sql("samples", plain, if_exists="append", index=False)
                    stored.append(time.perf_counter() - start)
                start = time.perf_counter()
                done = register_list(site, operator(1), file)
                registered.append(time.perf_counter() - start)
                assert len(done.sample_ids) == SAMPLES
    return [
        (f"pandas.read_csv of {SAMPLES:,} samples", 1e3 * min(read), "ms"),
        ("reading them and DataFrame.to_sql into one table without keys", 1e3 * min(stored), "ms"),
        ("reading and registering them", 1e3 * min(registered), "ms"),
        ("registering over read_csv", min(registered) / min(read), "x"),
        ("registering over read_csv and to_sql", min(registered) / min(stored), "x"),
    ]
