"""A crew of processes: everything given out comes back once, whatever becomes of the processes."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import psutil
import pytest

from interpretation.errors import FurrowsliceError
from service.settings import read_settings
from service.work import processes
from service.work.executors import Crew, WorkerLost, open_crew
from service.work.processes import AT_ONCE, Processes, processors
from tests.app.server.live import environment
from tests.app.work import deeds
from tests.app.work.rounds import done_in_the_end, is_whole, made, names, with_a_kill

ROOT = Path(__file__).parents[3]


@pytest.fixture(scope="module")
def crew() -> Iterator[Crew]:
    with open_crew(read_settings(workers=2)) as crew:
        yield crew


def test_every_chunk_comes_back_with_its_result(crew: Crew) -> None:
    assert crew.workers == 2
    assert sorted(crew.run(deeds.double, range(50))) == [(n, 2 * n) for n in range(50)]
    assert list(crew.run(deeds.double, [])) == []


def test_both_processes_work(crew: Crew) -> None:
    assert len({pid for _, pid in crew.run(deeds.tell_process, range(20))}) == 2


def test_what_was_raised_comes_back(crew: Crew) -> None:
    ((number, error),) = crew.run(deeds.fail, [3])
    assert (number, type(error), str(error)) == (3, ValueError, "no good: 3")


def test_what_was_raised_and_cannot_travel_comes_back_in_words(crew: Crew) -> None:
    ((_, error),) = crew.run(deeds.fail_unportably, [3])
    assert (type(error), str(error)) == (RuntimeError, "Unportable: 3 and 3")
    assert next(crew.run(deeds.double, [4])) == (4, 8)  # the process has lived through it


def test_chunks_are_taken_as_there_is_room(crew: Crew) -> None:
    taken: list[int] = []

    def source() -> Iterator[int]:
        for number in range(40):
            taken.append(number)
            yield number

    for back, _ in enumerate(crew.run(deeds.double, source())):
        assert len(taken) <= back + 1 + AT_ONCE * crew.workers
    assert len(taken) == 40


def test_a_round_may_be_left(crew: Crew) -> None:
    for number, _ in crew.run(deeds.double, range(1000)):
        if number == 3:
            break
    assert sorted(crew.run(deeds.double, range(5))) == [(n, 2 * n) for n in range(5)]


def test_workers_stand_back_and_leave_interrupts_to_the_server(crew: Crew) -> None:
    ((_, manners),) = crew.run(deeds.tell_manners, [0])
    assert manners == (min(19, os.nice(0) + processes.NICENESS), True)


def test_a_killed_process_costs_one_chunk_and_no_file(crew: Crew, tmp_path: Path) -> None:
    answered, lost = with_a_kill(crew, tmp_path, 300)
    assert answered == Counter(range(300))
    assert len(lost) <= 1
    again = crew.run(deeds.write, ((str(tmp_path), number) for number in lost))
    assert not [result for _, result in again if isinstance(result, BaseException)]
    assert made(tmp_path) == names(300)
    assert is_whole(tmp_path)


def test_a_process_that_was_killed_while_it_had_nothing_to_do_is_made_up_for(crew: Crew) -> None:
    for pid in {pid for _, pid in crew.run(deeds.tell_process, range(20))}:
        with suppress(ProcessLookupError):  # one that grew old over the last of the chunks has left by itself
            os.kill(pid, signal.SIGKILL)
        psutil.wait_procs([psutil.Process(pid)] if psutil.pid_exists(pid) else [])
    results = list(crew.run(deeds.double, range(20)))
    assert sorted(number for number, _ in results) == list(range(20))
    # A process that died unseen takes the chunk with it that it was given meanwhile, and no other.
    assert sum(isinstance(result, WorkerLost) for _, result in results) <= 2


def test_what_kills_every_process_is_blamed_alone(crew: Crew, tmp_path: Path) -> None:
    answers = dict(crew.run(deeds.write_or_die, [(str(tmp_path), number, 7) for number in range(40)]))
    lost = [task[1] for task, result in answers.items() if isinstance(result, WorkerLost)]
    assert lost == [7]
    assert "came to an end over it" in str(answers[str(tmp_path), 7, 7])
    assert done_in_the_end(crew, tmp_path, 40, 7) == (set(range(40)) - {7}, {7})


def test_processes_are_made_anew_before_they_grow_old() -> None:
    employer = Processes(1)
    employer.tasks_per_seat = 6  # making it ready is the first
    crew = Crew(employer)
    try:
        pids = Counter(pid for _, pid in crew.run(deeds.tell_process, range(20)))
        assert sorted(pids.values()) == [5, 5, 5, 5]
        assert not any(psutil.pid_exists(pid) for pid in list(pids)[:-1])
    finally:
        crew.close()


def test_each_process_is_warmed_up_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TRACES", str(tmp_path))
    with open_crew(read_settings(workers=2), deeds.note_warming) as crew:
        assert len(list(tmp_path.iterdir())) == 2  # before anything is asked of them
        pids = {pid for _, pid in crew.run(deeds.tell_process, range(20))}
    assert sorted(path.name.partition("-")[0] for path in tmp_path.iterdir()) == sorted(map(str, pids))


@pytest.mark.parametrize(
    ("warm_up", "said"),
    [
        (deeds.cannot_warm_up, "no font here"),
        (deeds.stumble_warming_up, "a worker cannot be made ready: KeyError: 'nothing'"),
        (
            deeds.die_warming_up,
            "3 processes one after the other came to an end before they were ready to work",
        ),
    ],
)
def test_a_worker_that_cannot_be_made_ready_is_told(warm_up: Callable[[], None], said: str) -> None:
    with pytest.raises(FurrowsliceError) as caught, open_crew(read_settings(workers=1), warm_up):
        pytest.fail("nobody is ready")
    assert caught.value.what == said
    assert caught.value.fix or "KeyError" in said


def test_there_is_a_process_for_each_processor_unless_somebody_says_otherwise() -> None:
    assert Processes(0).seats == processors() == len(os.sched_getaffinity(0))
    assert Processes(3).seats == 3


PARENT = """
import time
from service.settings import read_settings
from service.work.executors import open_crew
from tests.app.work import deeds
if __name__ == "__main__":
    with open_crew(read_settings(workers=2)) as crew:
        print(*{pid for _, pid in crew.run(deeds.tell_process, range(20))}, flush=True)
        list(crew.run(deeds.sleep, [600.0] * at_work))
        time.sleep(600)
"""


@pytest.mark.parametrize("at_work", [0, 2])
def test_no_process_is_left_when_the_server_is_killed(tmp_path: Path, at_work: int) -> None:
    script = tmp_path / "parent.py"
    script.write_text(PARENT.replace("at_work", str(at_work)))
    parent = subprocess.Popen(
        [sys.executable, script], stdout=subprocess.PIPE, text=True,
        env=environment() | {"PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert parent.stdout is not None
    with parent.stdout:
        pids = [int(text) for text in parent.stdout.readline().split()]
    family = psutil.Process(parent.pid).children(recursive=True)
    assert len(pids) == 2
    assert set(pids) <= {process.pid for process in family}
    time.sleep(0.2)
    parent.kill()
    parent.wait()
    gone, left = psutil.wait_procs(family, timeout=60)
    assert (len(gone) >= 2, left) == (True, [])
