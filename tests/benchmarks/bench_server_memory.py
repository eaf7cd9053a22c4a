"""Memory of the server over 20,000 requests, after 2,000 that let caches fill."""

from __future__ import annotations

import asyncio
import tempfile
from pathlib import Path

import httpx2

from tests.app.server.live import live

WARM_UP, REQUESTS, AT_ONCE = 2_000, 20_000, 8
PATHS = ("/", "/fields", "/samples", "/runs", "/sign-in", "/fields/1", "/nowhere", "/api/v1/openapi.json")
MIB = 1024**2


def resident(pid: int) -> int:
    """Bytes of memory that a process holds."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) * 1024
    raise RuntimeError("this system does not say how much memory a process holds")


async def _ask(client: httpx2.AsyncClient, requests: int) -> None:
    left = iter(range(requests))

    async def work() -> None:
        for number in left:
            answer = await client.get(PATHS[number % len(PATHS)])
            assert answer.status_code < 500, answer.url

    await asyncio.gather(*(work() for _ in range(AT_ONCE)))


async def _measure(address: str, cookies: dict[str, str], pid: int) -> list[int]:
    async with httpx2.AsyncClient(base_url=address, cookies=cookies, timeout=60) as client:
        sizes = []
        for requests in (WARM_UP, REQUESTS // 2, REQUESTS // 2):
            await _ask(client, requests)
            sizes.append(resident(pid))
        return sizes


def run() -> list[tuple[str, float, str]]:
    with tempfile.TemporaryDirectory() as folder, live(Path(folder), "--demo") as server:
        cookies = server.cookie("administrator@localhost")
        started = resident(server.pid)
        warm, half, full = asyncio.run(_measure(server.address, cookies, server.pid))
    return [
        ("memory as it starts", started / MIB, "MiB"),
        (f"after {WARM_UP:,} requests", warm / MIB, "MiB"),
        (f"after {WARM_UP + REQUESTS // 2:,}", half / MIB, "MiB"),
        (f"after {WARM_UP + REQUESTS:,}", full / MIB, "MiB"),
        (f"growth over the last {REQUESTS:,}", 100 * (full / warm - 1), "%"),
    ]
