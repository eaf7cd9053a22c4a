"""A cluster for tests, started by the very lines of the README, on this machine and free ports."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import psutil

from service.settings import Settings, read_settings
from tests.app.server.clusters import free_port
from tests.app.server.live import environment

ROOT = Path(__file__).parents[3]
SECONDS_TO_START = 120


def printed_lines(number: int) -> str:
    """One of the shell blocks of the README's section, from 0: certificates, scheduler, workers, server."""
    section = (ROOT / "README.md").read_text("utf-8").split("\n## Many machines\n")[1].split("\n## ")[0]
    blocks = re.findall(r"```sh\n(.*?)```", section, re.DOTALL)
    return str(blocks[number])


def make_certificates(folder: Path) -> None:
    """An authority and a certificate, made in a folder of their own."""
    folder.mkdir(parents=True, exist_ok=True)
    subprocess.run(["sh", "-euc", printed_lines(0)], cwd=folder, check=True, capture_output=True)


class Machines:
    """A scheduler and workers; the names of processes are what tests kill.

    Parameters
    ----------
    folder
        For certificates and logs.
    nanny
        Whether a process watches the workers and starts those anew that die.
    preload
        A module that workers read before anything else.
    settings
        Of workers, by name, through the environment.
    """

    def __init__(self, folder: Path, *, nanny: bool = True, preload: str = "", **settings: str) -> None:
        self.folder, self.nanny, self.preload, self.settings = folder, nanny, preload, settings
        self.port = free_port()
        self.scheduler: subprocess.Popen[bytes] | None = None
        self.workers: list[subprocess.Popen[bytes]] = []

    @property
    def address(self) -> str:
        return f"tls://127.0.0.1:{self.port}"

    def files(self) -> dict[str, Path]:
        """The settings that name the files."""
        names = {"tls_ca": "authority", "tls_certificate": "machine-1", "tls_key": "machine-1-key"}
        return {setting: self.folder / f"{name}.pem" for setting, name in names.items()}

    def settings_to_join(self, **other: object) -> Settings:
        return read_settings(**({"scheduler": self.address} | self.files() | other))

    def start_scheduler(self) -> None:
        self.scheduler = self._start(printed_lines(1), "scheduler.log")
        self._wait_for("scheduler.log", "Scheduler at:", 1)

    def start_workers(self, count: int = 2) -> None:
        """Two workers of one command with a nanny, or commands of one worker each."""
        lines = printed_lines(2)
        if self.preload:
            lines = lines.replace("--no-dashboard", f"--preload {self.preload} --no-dashboard")
        if self.nanny:
            self.workers = [self._start(lines.replace("--nworkers 2", f"--nworkers {count}"), "workers.log")]
            self._wait_for("workers.log", "Registered to:", count)
            return
        alone = lines.replace("--nworkers 2", "--no-nanny")
        self.workers = [self._start(alone, f"worker-{number}.log") for number in range(count)]
        for number in range(count):
            self._wait_for(f"worker-{number}.log", "Registered to:", 1)

    def kill_scheduler(self) -> None:
        assert self.scheduler is not None
        self.scheduler.kill()
        self.scheduler.wait()

    def stop_workers(self) -> None:
        """Kill the workers and those who watch them."""
        for process in self.workers:
            kill_family(process.pid)
            process.wait()
        self.workers = []

    def leave(self) -> None:
        """Kill all that was started and what it has started."""
        self.stop_workers()
        if self.scheduler is not None:
            self.kill_scheduler()

    def listening(self) -> set[str]:
        """Addresses that processes of this cluster listen on."""
        found: set[str] = set()
        for process in filter(None, [*self.workers, self.scheduler]):
            head = psutil.Process(process.pid)
            for each in (head, *head.children(recursive=True)):
                found |= {
                    one.laddr.ip for one in each.net_connections("inet") if one.status == psutil.CONN_LISTEN
                }
        return found

    def _start(self, lines: str, log: str) -> subprocess.Popen[bytes]:
        lines = lines.replace("10.0.0.5:8786", f"127.0.0.1:{self.port}").replace("8786", str(self.port))
        lines = re.sub(r"10\.0\.0\.[56]", "127.0.0.1", lines)
        variables = environment(**self.settings) | {
            "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}",
            "PYTHONPATH": str(ROOT),  # for the deeds of the tests
        }
        with (self.folder / log).open("wb") as out:
            return subprocess.Popen(
                ["sh", "-euc", lines], cwd=self.folder, env=variables,
                stdin=subprocess.DEVNULL, stdout=out, stderr=subprocess.STDOUT,
            )  # fmt: skip

    def _wait_for(self, log: str, text: str, times: int) -> None:
        ends = time.monotonic() + SECONDS_TO_START
        while (said := (self.folder / log).read_text("utf-8")).count(text) < times:
            if time.monotonic() > ends:
                raise RuntimeError(f"the cluster did not start:\n{said}")
            time.sleep(0.02)


def kill_family(pid: int) -> None:
    """Kill a process and all that came of it."""
    with suppress(psutil.NoSuchProcess):
        head = psutil.Process(pid)
        for each in (head, *head.children(recursive=True)):
            with suppress(psutil.NoSuchProcess):
                each.send_signal(signal.SIGKILL)


@contextmanager
def machines(
    folder: Path, workers: int = 2, *, nanny: bool = True, preload: str = "", **settings: str
) -> Iterator[Machines]:
    """A cluster for the length of a block."""
    make_certificates(folder)
    made = Machines(folder, nanny=nanny, preload=preload, **settings)
    try:
        made.start_scheduler()
        if workers:
            made.start_workers(workers)
        yield made
    finally:
        made.leave()
