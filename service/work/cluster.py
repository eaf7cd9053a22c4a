"""Workers of a cluster: ``dask.distributed`` over TLS, where both sides show a certificate.

What is sent to a cluster is run there, so nobody may join without a certificate of its own authority.
"""

from __future__ import annotations

import contextlib
import time
from concurrent.futures import Executor
from typing import Any

from interpretation.errors import FurrowsliceError
from service.settings import Settings
from service.work.door import Files, Unreachable, knock
from service.work.labour import SchedulerLost, Unfit, WorkerLost

AT_ONCE = 4  # chunks with one worker
SECONDS_TO_ANSWER = 10
SECONDS_TO_COME_BACK = 60  # for a scheduler or workers that were lost: whoever watches them starts them anew
SECONDS_BETWEEN_COUNTS = 5.0
_OURS = ("service", "reports", "interpretation")


class Cluster:
    """Hires the workers of a cluster, all together as one executor.

    Parameters
    ----------
    settings
        Name the scheduler and the three files of TLS.

    Raises
    ------
    FurrowsliceError
        If the packages that a cluster needs are not installed.
    """

    seats, one_by_one = 1, False
    tasks_per_seat: int | None = None

    def __init__(self, settings: Settings) -> None:
        try:
            import dask
            import distributed
        except ImportError:
            raise FurrowsliceError(
                "what a cluster needs is not installed",
                where="--scheduler",
                expected="the package distributed, here and on the machines of the cluster",
                fix="pip install 'furrowslice[cluster]', or leave out --scheduler to use this machine",
            ) from None
        dask.config.set(
            {
                "distributed.comm.require-encryption": True,
                "distributed.comm.timeouts.connect": f"{SECONDS_TO_ANSWER}s",
            }
        )
        self._distributed: Any = distributed
        self._address = settings.scheduler
        assert settings.tls_ca is not None
        assert settings.tls_certificate is not None
        assert settings.tls_key is not None
        self._files = Files(settings.tls_ca, settings.tls_certificate, settings.tls_key)
        self._client: Any = None
        self._scheduler_id = ""
        self._threads, self._counted_at, self._seen_at = 0, 0.0, 0.0
        self._patience = 0

    def hire(self) -> Executor:
        """Join the cluster and wait for a worker; one that was lost is given time to come back."""
        ends = time.monotonic() + self._patience
        while True:
            try:
                return self._join()
            except Unreachable as error:
                if time.monotonic() >= ends:
                    raise error.reason from None
                time.sleep(0.5)

    def _join(self) -> Executor:
        knock(self._address, self._files)
        security = self._distributed.Security(
            require_encryption=True,
            tls_ca_file=str(self._files.authority),
            tls_client_cert=str(self._files.certificate),
            tls_client_key=str(self._files.key),
        )
        try:
            client = self._distributed.Client(
                self._address,
                security=security,
                timeout=SECONDS_TO_ANSWER,
                set_as_default=False,
                name="furrowslice",
            )
        except (OSError, TimeoutError) as error:
            raise Unreachable(self._no_answer(str(error))) from None
        self._client = client
        try:
            client.wait_for_workers(1, timeout=SECONDS_TO_COME_BACK)
        except (TimeoutError, self._distributed.TimeoutError):
            self._leave(client)
            raise self._nobody() from None
        except OSError as error:
            self._leave(client)
            raise Unreachable(self._no_answer(str(error))) from None
        self._patience = SECONDS_TO_COME_BACK
        self._scheduler_id = str(client.scheduler_info(n_workers=0).get("id"))
        self._counted_at = 0.0
        # Of two calls alike each is a task of its own.
        executor: Executor = client.get_executor(pure=False)
        return executor

    def dismiss(self, executor: Executor) -> None:  # noqa: ARG002 - the client has no other
        """Leave the cluster; what it still does for us is called off."""
        client, self._client = self._client, None
        if client is not None:
            self._leave(client)

    @staticmethod
    def _leave(client: Any) -> None:
        with contextlib.suppress(Exception):  # a cluster that is gone cannot be left politely
            client.close(timeout=SECONDS_TO_ANSWER)

    def is_sound(self, executor: Executor) -> bool:  # noqa: ARG002
        """Whether the scheduler is still the one that was given the work, and somebody is there to do it."""
        if self._client is None or self._client.status != "running":
            return False
        self._count()
        if self._client.status != "running" or self._identity().get("id") != self._scheduler_id:
            return False
        if not self._threads and time.monotonic() - self._seen_at > SECONDS_TO_COME_BACK:
            raise self._nobody()
        return True

    def room(self) -> int:
        """How many chunks the cluster may have; one waits for whoever comes if nobody is there now."""
        self._count()
        return max(1, AT_ONCE * self._threads)

    def workers(self) -> int:
        """How many workers there are."""
        self._count()
        return self._threads

    def _count(self) -> None:
        now = time.monotonic()
        if now - self._counted_at < SECONDS_BETWEEN_COUNTS or self._client is None:
            return
        self._counted_at = now
        self._threads = int(self._identity().get("total_threads", 0))
        if self._threads:
            self._seen_at = now

    def _identity(self) -> dict[str, Any]:
        try:
            known: dict[str, Any] = self._client.scheduler_info(n_workers=0)
        except (OSError, TimeoutError):
            return {}
        return known

    def read(self, error: BaseException) -> BaseException:
        """Say in our words what the cluster's own errors mean."""
        if isinstance(error, self._distributed.KilledWorker):
            return WorkerLost(
                f"{error.allowed_failures + 1} workers one after the other came to an end over it"
            )
        if isinstance(error, self._distributed.client.FutureCancelledError):
            return SchedulerLost("the cluster's scheduler was lost while this was done")
        if isinstance(error, ImportError) and (error.name or "").partition(".")[0] in _OURS:
            return Unfit(
                FurrowsliceError(
                    f"a worker of the cluster cannot do this work: {error}",
                    where=self._address,
                    expected="this version of Furrowslice on every machine of the cluster",
                    fix="install it there, into the environment that dask worker is started from",
                )
            )
        return error

    def _no_answer(self, said: str) -> FurrowsliceError:
        return FurrowsliceError(
            f"the scheduler does not take this machine in: {said}",
            where=self._address,
            expected="a scheduler of dask.distributed, of the same version as here",
            fix="look at what the scheduler prints",
        )

    def _nobody(self) -> FurrowsliceError:
        return FurrowsliceError(
            f"the cluster has had no worker for {SECONDS_TO_COME_BACK} seconds",
            where=self._address,
            expected="at least one worker that has signed on at this scheduler",
            fix="start workers, as the README says, and look at what they print",
        )
