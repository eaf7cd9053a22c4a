"""A crew of a cluster's workers, over TLS, started by the lines of the README; and who is not let in."""

from __future__ import annotations

import socket
import ssl
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Thread

import distributed
import pytest

from interpretation.errors import FurrowsliceError
from service.settings import read_settings
from service.work import cluster as module
from service.work import labour
from service.work.door import Files, knock
from service.work.executors import SchedulerLost, WorkerLost, open_crew
from tests.app.server.clusters import free_port
from tests.app.work import deeds
from tests.app.work.machines import Machines, machines, make_certificates
from tests.app.work.rounds import done_in_the_end, is_whole, made, names, with_a_kill


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machines]:
    with machines(tmp_path_factory.mktemp("cluster")) as made_of:
        yield made_of


@pytest.fixture(scope="module")
def foreign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Certificates of another authority."""
    folder = tmp_path_factory.mktemp("foreign")
    make_certificates(folder)
    return folder


def refused(machines: Machines, **other: object) -> FurrowsliceError:
    with (
        pytest.raises(FurrowsliceError) as caught,
        open_crew(machines.settings_to_join(**other), deeds.note_warming),
    ):
        pytest.fail("it was let in")
    return caught.value


def test_every_chunk_comes_back_and_a_killed_worker_costs_none(running: Machines, tmp_path: Path) -> None:
    with open_crew(running.settings_to_join()) as crew:
        assert crew.workers == 2
        assert sorted(crew.run(deeds.double, range(50))) == [(n, 2 * n) for n in range(50)]
        ((_, error),) = crew.run(deeds.fail, [3])
        assert (type(error), str(error)) == (ValueError, "no good: 3")
        answered, lost = with_a_kill(crew, tmp_path, 300)
    assert (answered, lost) == (Counter(range(300)), [])
    assert made(tmp_path) == names(300)
    assert is_whole(tmp_path)


def test_workers_keep_no_profile_of_what_they_do(running: Machines) -> None:
    """Every second of drawing would leave a megabyte behind."""
    with open_crew(running.settings_to_join()) as crew:
        ((_, rounds),) = crew.run(deeds.tell_rounds, [0])
    assert "heartbeat" in rounds
    assert not [each for each in rounds if "profile" in each]


def test_a_worker_that_nobody_watches_costs_none_either(tmp_path: Path) -> None:
    files = tmp_path / "files"
    files.mkdir()
    with machines(tmp_path, nanny=False) as unwatched:
        with open_crew(unwatched.settings_to_join()) as crew:
            answered, lost = with_a_kill(crew, files, 300)
        assert [process.poll() is not None for process in unwatched.workers].count(True) == 1
    assert (answered, lost) == (Counter(range(300)), [])
    assert made(files) == names(300)
    assert is_whole(files)


def test_what_kills_every_worker_is_blamed_alone(running: Machines, tmp_path: Path) -> None:
    with open_crew(running.settings_to_join()) as crew:
        answers = dict(crew.run(deeds.write_or_die, [(str(tmp_path), number, 20) for number in range(40)]))
    lost = {task[1]: str(result) for task, result in answers.items() if isinstance(result, WorkerLost)}
    assert lost == {20: "4 workers one after the other came to an end over it"}
    assert made(tmp_path) == [name for name in names(40) if name != "00020"]


def test_when_the_scheduler_is_lost_it_is_said_of_each_chunk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "SECONDS_TO_COME_BACK", 1)
    answers: list[object] = []

    def work(dying: Machines) -> None:
        with open_crew(dying.settings_to_join()) as crew:
            for _, answer in crew.run(deeds.sleep, [0.05] * 100):
                answers.append(answer)
                if len(answers) == 10:
                    dying.kill_scheduler()

    with machines(tmp_path) as dying, pytest.raises(FurrowsliceError) as caught:
        work(dying)
    assert caught.value.what.startswith("no scheduler answers")
    lost = [answer for answer in answers if isinstance(answer, SchedulerLost)]
    assert answers == [0.05] * (len(answers) - len(lost)) + lost
    assert 0 < len(lost) <= 8  # four with each of two workers
    assert len(answers) >= 10


def test_when_the_scheduler_comes_back_the_rest_is_done(tmp_path: Path) -> None:
    files = tmp_path / "files"
    files.mkdir()
    waiting, killed = set(range(100)), False
    with machines(tmp_path) as mortal, open_crew(mortal.settings_to_join()) as crew:
        while waiting:
            for (_, number), answer in crew.run(deeds.write, [(str(files), n) for n in sorted(waiting)]):
                if isinstance(answer, SchedulerLost):
                    continue
                assert not isinstance(answer, BaseException)
                waiting.remove(number)
                if len(waiting) == 50 and not killed:
                    killed = True
                    mortal.kill_scheduler()
                    mortal.stop_workers()
                    mortal.start_scheduler()
                    mortal.start_workers()
    assert made(files) == names(100)
    assert is_whole(files)


def test_the_poison_is_given_up_and_nothing_else(running: Machines, tmp_path: Path) -> None:
    with open_crew(running.settings_to_join()) as crew:
        assert done_in_the_end(crew, tmp_path, 12, 5) == (set(range(12)) - {5}, {5})


def test_nothing_of_a_cluster_is_open_to_the_network(running: Machines) -> None:
    assert running.listening() == {"127.0.0.1"}


def test_who_has_no_certificate_is_not_let_in(running: Machines) -> None:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    with (
        socket.create_connection(("127.0.0.1", running.port)) as plain,
        context.wrap_socket(plain) as secured,
        pytest.raises(OSError) as caught,
    ):
        secured.recv(1)
    assert "CERTIFICATE_REQUIRED" in str(caught.value)


def test_who_comes_without_tls_is_not_let_in(running: Machines) -> None:
    with socket.create_connection(("127.0.0.1", running.port), timeout=60) as plain:
        plain.sendall(b"\0" * 64)
        with suppress(ConnectionResetError):
            assert plain.recv(1024)[:1] in (b"", b"\x15")  # hung up on, or an alert of TLS at most
    careless = distributed.Security(require_encryption=False)
    with pytest.raises(OSError):
        distributed.Client(
            f"tcp://127.0.0.1:{running.port}", security=careless, timeout=1, set_as_default=False
        )


def test_a_foreign_certificate_is_refused(running: Machines, foreign: Path) -> None:
    said = refused(running, tls_certificate=foreign / "machine-1.pem", tls_key=foreign / "machine-1-key.pem")
    assert said.what.startswith("the scheduler refuses this machine's certificate (TLSV1_ALERT_")
    assert said.where == running.address
    assert "name it with --tls-certificate" in said.fix


def test_a_foreign_scheduler_is_refused(running: Machines, foreign: Path) -> None:
    said = refused(running, tls_ca=foreign / "authority.pem")
    assert said.what.startswith("the scheduler's certificate is not to be trusted: ")
    assert str(foreign / "authority.pem") in said.expected


def test_a_port_where_nobody_listens(running: Machines) -> None:
    said = refused(running, scheduler=f"tls://127.0.0.1:{free_port()}")
    assert said.what == "no scheduler answers: Connection refused"
    assert "start it, or correct --scheduler" in said.fix


@contextmanager
def somebody(answer: bytes) -> Iterator[str]:
    """Somebody who listens and is no scheduler."""
    with socket.create_server(("127.0.0.1", 0)) as door:

        def serve() -> None:
            caller, _ = door.accept()
            with caller:
                caller.sendall(answer)
                caller.recv(1 << 16)

        thread = Thread(target=serve)
        thread.start()
        yield f"tls://127.0.0.1:{door.getsockname()[1]}"
        thread.join()


def test_what_does_not_speak_tls_is_refused(running: Machines) -> None:
    with somebody(b"220 mail.example ESMTP\r\n") as address:
        said = refused(running, scheduler=address)
    assert said.what == "what answers does not speak TLS (WRONG_VERSION_NUMBER)"
    assert "--tls-ca-file" in said.fix


@pytest.mark.parametrize(
    ("spoil", "option", "said"),
    [
        (lambda path: path.unlink(), "tls_ca", "the file cannot be read: No such file or directory"),
        (lambda path: path.write_text("no certificate"), "tls_ca", "the file cannot be used"),
        (lambda path: path.unlink(), "tls_certificate", "the file cannot be read: No such file or directory"),
        (lambda path: path.write_text("nothing"), "tls_certificate", "the file cannot be used"),
        (lambda path: path.unlink(), "tls_key", "the file cannot be read: No such file or directory"),
        (lambda path: path.write_text("nothing"), "tls_key", "the file cannot be used"),
    ],
)
def test_a_file_that_is_none(
    foreign: Path, tmp_path: Path, spoil: Callable[[Path], object], option: str, said: str
) -> None:
    paths = {}
    for setting, name in (
        ("tls_ca", "authority"),
        ("tls_certificate", "machine-1"),
        ("tls_key", "machine-1-key"),
    ):
        paths[setting] = tmp_path / f"{name}.pem"
        paths[setting].write_bytes((foreign / f"{name}.pem").read_bytes())
    spoil(paths[option])
    with pytest.raises(FurrowsliceError) as caught:
        knock("tls://127.0.0.1:1", Files(paths["tls_ca"], paths["tls_certificate"], paths["tls_key"]))
    assert caught.value.what.startswith(said)
    assert f"--{option.replace('_', '-')} {paths[option]}" in caught.value.where


def test_a_key_of_another_certificate(foreign: Path, running: Machines) -> None:
    said = refused(running, tls_key=foreign / "machine-1-key.pem")
    assert said.what == "the file cannot be used (KEY_VALUES_MISMATCH)"


def test_a_key_with_a_passphrase_asks_nobody(running: Machines, tmp_path: Path) -> None:
    locked = tmp_path / "locked.pem"
    command = ["openssl", "ec", "-aes256", "-passout", "pass:guess", "-in", running.files()["tls_key"]]
    subprocess.run([*command, "-out", locked], check=True, capture_output=True)
    said = refused(running, tls_key=locked)
    assert (said.what.startswith("the file cannot be used"), "without a passphrase" in said.expected) == (
        True,
    ) * 2


def test_a_cluster_without_workers_is_not_waited_for_for_ever(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "SECONDS_TO_COME_BACK", 1)
    with machines(tmp_path, 0) as idle:
        said = refused(idle)
    assert said.what == "the cluster has had no worker for 1 seconds"
    assert "start workers" in said.fix


def test_a_cluster_that_loses_its_workers_is_not_waited_for_for_ever(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "SECONDS_TO_COME_BACK", 1)
    monkeypatch.setattr(module, "SECONDS_BETWEEN_COUNTS", 0)

    def work(mortal: Machines) -> None:
        with open_crew(mortal.settings_to_join()) as crew:
            for _ in crew.run(deeds.sleep, [0.05] * 100):
                mortal.stop_workers()

    with machines(tmp_path, nanny=False) as mortal, pytest.raises(FurrowsliceError) as caught:
        work(mortal)
    assert caught.value.what == "the cluster has had no worker for 1 seconds"


@pytest.mark.parametrize(
    ("warm_up", "said"),
    [
        (deeds.cannot_warm_up, "no font here"),
        (deeds.stumble_warming_up, "a worker cannot be made ready: KeyError: 'nothing'"),
    ],
)
def test_a_machine_that_cannot_be_made_ready_is_told(
    running: Machines, warm_up: Callable[[], None], said: str
) -> None:
    with pytest.raises(FurrowsliceError) as caught, open_crew(running.settings_to_join(), warm_up) as crew:
        list(crew.run(deeds.double, range(10)))
    assert caught.value.what == said


def test_another_version_on_a_machine_is_told(running: Machines, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(labour, "version", lambda _: "99.0")
    with pytest.raises(FurrowsliceError) as caught, open_crew(running.settings_to_join()) as crew:
        list(crew.run(deeds.double, range(10)))
    assert "the work is of 99.0" in caught.value.what
    assert "the same version on every machine" in caught.value.expected


def test_a_machine_without_furrowslice_is_told(running: Machines) -> None:
    error = ModuleNotFoundError("No module named 'service'", name="service")
    read = module.Cluster(running.settings_to_join()).read(error)
    assert isinstance(read, labour.Unfit)
    assert "this version of Furrowslice on every machine" in read.reason.expected
    assert module.Cluster(running.settings_to_join()).read(other := ImportError("x", name="x")) is other


def test_without_the_extra_it_is_said_what_to_install(
    running: Machines, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    said = refused(running)
    assert said.what == "what a cluster needs is not installed"
    assert "pip install 'furrowslice[cluster]'" in said.fix


NOT_OVER_TLS, NO_ADDRESS = "the scheduler {!r} is not reached over TLS", "the scheduler {!r} is no address"


@pytest.mark.parametrize(
    ("address", "what"),
    [
        ("tcp://10.0.0.5:8786", NOT_OVER_TLS),
        ("10.0.0.5:8786", NOT_OVER_TLS),
        ("tls://10.0.0.5", NO_ADDRESS),
        ("tls://10.0.0.5:x", NO_ADDRESS),
        ("tls://:8786", NO_ADDRESS),
        ("tls://a@10.0.0.5:8786", NO_ADDRESS),
        ("tls://10.0.0.5:8786/x", NO_ADDRESS),
    ],
)
def test_an_address_that_no_cluster_is_joined_at(address: str, what: str) -> None:
    with pytest.raises(FurrowsliceError) as caught:
        read_settings(scheduler=address, tls_ca="a", tls_certificate="c", tls_key="k")
    assert caught.value.what == what.format(address.replace("a@", "...@"))
    assert "tls://host:port" in caught.value.expected


@pytest.mark.parametrize("missing", ["tls_ca", "tls_certificate", "tls_key"])
def test_settings_without_a_file(missing: str) -> None:
    whole = {"scheduler": "tls://10.0.0.5:8786", "tls_ca": "a", "tls_certificate": "c", "tls_key": "k"}
    assert read_settings(**whole).scheduler == "tls://10.0.0.5:8786"
    with pytest.raises(FurrowsliceError) as caught:
        read_settings(**(whole | {missing: None}))
    assert "one of its three files is not named" in caught.value.what
    assert caught.value.where.startswith(f"--{missing.replace('_', '-')} or ")
