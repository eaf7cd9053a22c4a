"""A laboratory with ten years behind it: 30,000 fields, 300,000 samples, 2.4 million values.

Everything is invented. Rows are written past the actions, which would take hours; what they hold is of the
kind and the size that the actions would have stored. 5,000 of the samples came today.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from service.actions.card import OF_ONE_PAGE, read_laboratory
from service.characters import search_words
from service.paths import demo_directory
from service.store.database import make_engine
from service.store.migrating import migrate

FIELDS, YEARS, FARMS_A_GROWER, FIELDS_A_FARM = 30_000, 10, 2, 5
SAMPLES_A_DAY, RUNS, TODAY = 5_000, 2_000, date(2026, 11, 26)
TESTED = 1  # the field whose page is looked at: several samples a visit
SAMPLES_OF_TESTED = 4
COUNTIES = ("upper", "middle", "lower")
AT = "2026-11-26 08:00:00.000000"
# analyte, form, method, unit, basis, a usual value
ANALYTES = (
    ("pH", "pH", "ph-water-1:1", "pH", "none", 6.4),
    ("organic-matter", "organic matter", "om-loi-360", "%", "oven-dry", 3.1),
    ("P", "P", "bray1-1:10-colour", "mg/kg", "air-dry", 18.0),
    ("K", "K", "k-nh4oac", "mg/kg", "air-dry", 140.0),
    ("Ca", "Ca", "ca-nh4oac", "mg/kg", "air-dry", 1600.0),
    ("Mg", "Mg", "mg-nh4oac", "mg/kg", "air-dry", 210.0),
    ("Zn", "Zn", "zn-dtpa", "mg/kg", "air-dry", 1.1),
    ("sulfate", "SO4-S", "sulfate-mcp", "mg/kg", "air-dry", 9.0),
)


def _put(raw: sqlite3.Connection, table: str, columns: str, rows: Iterable[tuple[Any, ...]]) -> None:
    marks = ",".join("?" * len(columns.split(",")))
    raw.executemany(f"INSERT INTO {table} ({columns}) VALUES ({marks})", rows)


def build(path: Path) -> None:
    """Make the database; a minute's work."""
    engine = make_engine(f"sqlite:///{path}")
    migrate(engine)
    engine.dispose()
    raw = sqlite3.connect(path, isolation_level=None)
    raw.execute("PRAGMA synchronous=OFF")
    raw.execute("PRAGMA foreign_keys=OFF")
    raw.execute("BEGIN")
    _people(raw)
    _land(raw)
    _visits(raw)
    _runs(raw)
    _reports(raw)
    raw.execute("COMMIT")
    broken = raw.execute("PRAGMA foreign_key_check").fetchone()
    assert broken is None, broken
    raw.close()


def _people(raw: sqlite3.Connection) -> None:
    card = read_laboratory(demo_directory() / "laboratory.yaml").model_dump(
        mode="json", exclude=set(OF_ONE_PAGE)
    )
    _put(raw, "laboratory", "id,name,card,created_at", [(1, card["name"], json.dumps(card), AT)])
    _put(raw, "county", "id,name,region", [(each, each.title(), "marrowdale") for each in COUNTIES])
    people = ((1, "laboratory", 1), (2, "agent", 1), (3, "administrator", None))
    _put(
        raw, "account", "id,email,name,role,laboratory_id,created_at",
        [(number, f"{role}@soil.example", role.title(), role, of, AT) for number, role, of in people],
    )  # fmt: skip
    _put(raw, "account_county", "account_id,county_id", [(2, county) for county in COUNTIES])


def _land(raw: sqlite3.Connection) -> None:
    farms = FIELDS // FIELDS_A_FARM
    growers = farms // FARMS_A_GROWER
    _put(
        raw, "grower", "id,laboratory_id,code,name,created_at,words",
        (
            (n, 1, f"G{n:05d}", f"Grower {_name(n)}", AT, search_words(f"Grower {_name(n)}", f"G{n:05d}"))
            for n in range(1, growers + 1)
        ),
    )  # fmt: skip
    _put(
        raw, "farm", "id,grower_id,name,words",
        (
            (n, (n - 1) // FARMS_A_GROWER + 1, f"{_name(n * 7)} Farm", search_words(f"{_name(n * 7)} Farm"))
            for n in range(1, farms + 1)
        ),
    )  # fmt: skip
    _put(
        raw, "field",
        "id,laboratory_id,farm_id,code,code_folded,name,county_id,region,area_ha,created_at,words",
        (
            (
                n, 1, (n - 1) // FIELDS_A_FARM + 1, f"F{n:06d}", f"f{n:06d}", f"{_name(n * 3)} {n % 9}",
                COUNTIES[n % 3], "marrowdale", 4.0 + n % 30, AT,
                search_words(f"{_name(n * 3)} {n % 9}", f"F{n:06d}"),
            )
            for n in range(1, FIELDS + 1)
        ),
    )  # fmt: skip


def _name(number: int) -> str:
    """An invented word of two syllables, and never the same for neighbours."""
    first = ("Mar", "Alder", "Quill", "Hollow", "Brack", "Stone", "Wether", "Lark", "Dun", "Ash")
    last = ("marsh", "wood", "field", "brook", "ley", "combe", "holt", "mere", "fold", "hurst", "den")
    return first[number % 10] + last[number // 10 % 11]


def visits() -> Iterator[tuple[int, int, date]]:
    """Every visit: its number, its field, its day. The last ones were registered today."""
    number = 0
    for year in range(YEARS):
        for field in range(1, FIELDS + 1):
            number += 1
            day = date(2017 + year, 9, 1) + timedelta(days=field % 60)
            yield number, field, day


def _samples() -> Iterator[tuple[int, int, date, str]]:
    """Every sample: its number, its visit, its day, its label."""
    number = 0
    for visit, field, day in visits():
        for each in range(SAMPLES_OF_TESTED if field == TESTED else 1):
            number += 1
            yield number, visit, day, "ABCD"[each]


def _visits(raw: sqlite3.Connection) -> None:
    crops = ("maize", "soybean", "winter-wheat")
    newest = FIELDS * YEARS - SAMPLES_A_DAY
    _put(
        raw, "sampling",
        "id,field_id,sampled_on,crop,other_crops,yield_goal,yield_unit,registered_at,registered_by",
        (
            (
                n, field, str(day), crops[day.year % 3], "[]", 9.0, "t/ha",
                AT if n > newest else f"{day} 10:00:00.000000", "Laboratory",
            )
            for n, field, day in visits()
        ),
    )  # fmt: skip
    _put(
        raw, "sample",
        "id,laboratory_id,sampling_id,lab_number,label,depth_from_cm,depth_to_cm,sampled_on,received_on",
        (
            (n, 1, visit, f"{n:07d}", label, 0.0, 15.0, str(day), str(TODAY if visit > newest else day))
            for n, visit, day, label in _samples()
        ),
    )  # fmt: skip
    _put(
        raw, "soil_value",
        "sample_id,analyte,form,method,value,unit,basis,standard_uncertainty,origin,released_at,released_by",
        (
            (
                n, analyte, form, method, round(usual * (0.6 + (n * 7919 + visit) % 97 / 97), 2), unit, basis,
                round(usual * 0.05, 3), "run", f"{day} 15:00:00.000000", "Laboratory",
            )
            for n, visit, day, _ in _samples()
            if visit <= newest  # today's are still on the bench
            for analyte, form, method, unit, basis, usual in ANALYTES
        ),
    )  # fmt: skip


def _runs(raw: sqlite3.Connection) -> None:
    content = (demo_directory() / "bray-p.csv").read_bytes()
    states = ("read", "confirmed", "accepted", "held")
    _put(
        raw, "run",
        "id,laboratory_id,run_id,run_id_folded,analyte,method,run_on,operator,file_name,content,content_sha256,"
        "layout,choice,excluded,state,uploaded_at,uploaded_by",
        (
            (
                n, 1, f"R-{n:06d}", f"r-{n:06d}", "P", "bray1-1:10-colour",
                str(TODAY - timedelta(days=(RUNS - n) // 8)), "A. N. Analyst", "run.csv", content,
                f"{n:064x}", "point-comma", "{}", "[]",
                states[n % 4] if n > RUNS - 40 else "released", AT, "Laboratory",
            )
            for n in range(1, RUNS + 1)
        ),
    )  # fmt: skip


def _reports(raw: sqlite3.Connection) -> None:
    """One report a visit of the last year but one; what they say is read on a report's own page alone."""
    _put(raw, "document", "sha256,content,created_at", [("0" * 64, b"%PDF-", AT)])
    last = FIELDS * (YEARS - 1)
    _put(
        raw, "report",
        "id,laboratory_id,sampling_id,report_id,issued_on,issued_at,issued_by,crop,language,units,paper,advice,"
        "card,tables_sha256,document_sha256",
        (
            (
                n, 1, last - FIELDS + n, f"{n:08x}", "2026-01-15", AT, "Agent", "maize", "en", "metric", "a4",
                "{}", "{}", "0" * 64, "0" * 64,
            )
            for n in range(1, FIELDS + 1)
        ),
    )  # fmt: skip
