"""Pages of a server with 300,000 samples, against a bare page over the same database; many readers at once.

Both are processes of their own under uvicorn on the loopback, asked in turns over one connection. Every list
is opened as well, on a day of 5,000 samples.
"""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx2
import numpy as np

from tests.app.server.live import Live, live
from tests.benchmarks import big_laboratory

WARM_UP, ROUNDS = 30, 400
READERS, SECONDS = 50, float(os.environ.get("FURROWSLICE_BENCH_SECONDS", "60"))
FIELD = f"/fields/{big_laboratory.TESTED}"
LISTS = {
    "laboratory@soil.example": (
        "/", "/samples", "/samples?search=29999", "/runs", "/runs?state=released", "/reports", "/fields",
        "/fields?search=mar",
    ),
    "agent@soil.example": ("/", "/samples", "/fields", "/fields?search=mar", "/growers/1", "/reports"),
    "administrator@soil.example": ("/", "/accounts", "/laboratories", "/counties", "/changes"),
}  # fmt: skip
Row = tuple[str, float, str]


@contextmanager
def big_server(folder: Path) -> Iterator[Live]:
    """A server of the large laboratory."""
    (folder / "data").mkdir()
    big_laboratory.build(folder / "data" / "furrowslice.sqlite3")
    with live(folder, "--no-demo") as server:
        yield server


@contextmanager
def bare_server(url: str) -> Iterator[str]:
    """The bare page over the same database; gives its address."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.benchmarks.bare_page", url], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    try:
        yield process.stdout.readline().strip()
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


def run() -> Iterator[Row]:
    with tempfile.TemporaryDirectory() as folder, big_server(Path(folder)) as server:
        with bare_server(server.url) as bare:
            yield from _against_bare(server, bare)
        yield from asyncio.run(_readers(server))
        yield from _lists(server)


def _against_bare(server: Live, bare: str) -> list[Row]:
    cookies = server.cookie("laboratory@soil.example")
    with (
        httpx2.Client(base_url=server.address, cookies=cookies) as ours,
        httpx2.Client(base_url=server.address) as nobody,
        httpx2.Client(base_url=bare) as theirs,
    ):
        sides = {
            "bare": (theirs, FIELD), "field": (ours, FIELD), "first": (ours, "/"),
            "sign-in": (nobody, "/sign-in"),
        }  # fmt: skip
        times: dict[str, list[float]] = {side: [] for side in sides}
        for round_ in range(WARM_UP + ROUNDS):
            for side, (client, path) in sides.items():
                took = _timed(client, path)
                if round_ >= WARM_UP:
                    times[side].append(took)
    median = {side: float(np.median(each)) for side, each in times.items()}
    return [
        ("bare page of one row", 1e3 * median["bare"], "ms"),
        ("field page with ten years", 1e3 * median["field"], "ms"),
        ("field page over the bare page", median["field"] / median["bare"], "x"),
        ("first page of somebody signed in, over the bare page", median["first"] / median["bare"], "x"),
        ("sign-in page, over the bare page", median["sign-in"] / median["bare"], "x"),
    ]


def _timed(client: httpx2.Client, path: str) -> float:
    start = time.perf_counter()
    answer = client.get(path)
    took = time.perf_counter() - start
    assert answer.status_code == 200, (path, answer.status_code)
    return took


async def _readers(server: Live) -> list[Row]:
    """Readers who each ask for the next field as soon as they have the last."""
    times: list[float] = []
    errors = 0
    ends = time.monotonic() + SECONDS
    cookies = server.cookie("agent@soil.example")
    limits = httpx2.Limits(max_connections=READERS, max_keepalive_connections=READERS)

    async def read(client: httpx2.AsyncClient, reader: int) -> None:
        nonlocal errors
        number = reader
        while time.monotonic() < ends:
            number = (number * 7919 + 104_729) % big_laboratory.FIELDS + 1
            start = time.perf_counter()
            try:
                answer = await client.get(f"/fields/{number}")
            except httpx2.HTTPError:
                errors += 1
                continue
            errors += answer.status_code != 200
            times.append(time.perf_counter() - start)

    async with httpx2.AsyncClient(
        base_url=server.address, cookies=cookies, limits=limits, timeout=30
    ) as client:
        await asyncio.gather(*(read(client, reader) for reader in range(READERS)))
    p50, p99 = np.percentile(times, [50, 99])
    return [
        (f"pages a second to {READERS} readers over {SECONDS:g} s", len(times) / SECONDS, "1/s"),
        ("errors among them", errors, ""),
        ("p50", 1e3 * p50, "ms"),
        ("p99", 1e3 * p99, "ms"),
        ("p99 over p50", p99 / p50, "x"),
    ]


def _lists(server: Live) -> list[Row]:
    rows = []
    for email, paths in LISTS.items():
        with httpx2.Client(base_url=server.address, cookies=server.cookie(email), timeout=60) as client:
            for path in paths:
                if client.get(path).status_code == 404:
                    rows.append((f"{path} for {email.partition('@')[0]}: there is no such page", 0.0, ""))
                    continue
                took = sorted(_timed(client, path) for _ in range(5))
                rows.append((f"{path} for {email.partition('@')[0]}: slowest of 5", 1e3 * took[-1], "ms"))
    return rows
