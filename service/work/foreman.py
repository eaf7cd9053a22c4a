"""The thread of a server that looks for batches to be worked on, and works on them one after the other."""

from __future__ import annotations

import threading

import structlog

from interpretation.errors import FurrowsliceError
from service.callers import operator
from service.outputs import outputs_at
from service.refusals import Conflict
from service.site import Site
from service.store import jobwork
from service.store.jobs import JobRow
from service.work.drawing import make_ready
from service.work.executors import Crew, open_crew
from service.work.presence import has_ended
from service.work.runner import run_job

SECONDS_BETWEEN_LOOKS = 2.0
SECONDS_AFTER_TROUBLE = 30.0
SECONDS_TO_STOP = 20.0
log = structlog.get_logger("furrowslice.batch")


class Foreman:
    """Works on batches in the background of a server.

    Workers are there only as long as there is something to do: idle they would take memory.

    Parameters
    ----------
    seconds
        Between two looks for something to do.

    Raises
    ------
    FurrowsliceError
        If the outputs of the settings are none that can be written to.
    """

    def __init__(self, site: Site, seconds: float = SECONDS_BETWEEN_LOOKS) -> None:
        outputs_at(site.settings.outputs_url)
        self._site, self._seconds = site, seconds
        self._told_to_stop = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="batches", daemon=True)

    def start(self) -> None:
        """Begin to look for batches."""
        self._thread.start()

    def stop(self) -> None:
        """Let go of what is worked on, which goes on where it was, and end."""
        self._told_to_stop.set()
        if self._thread.ident is not None:
            self._thread.join(SECONDS_TO_STOP)
            if self._thread.is_alive():
                log.warning("batches not stopped in time")

    def _watch(self) -> None:
        while not self._told_to_stop.wait(self._seconds):
            try:
                if free_jobs(self._site):
                    with open_crew(self._site.settings, make_ready) as crew:
                        self._work_off(crew)
            except FurrowsliceError as error:
                log.warning("batches wait", told=error.what, where=error.where, fix=error.fix)
                self._told_to_stop.wait(SECONDS_AFTER_TROUBLE)
            except Exception as error:  # whatever it was, the next batch must not wait for ever
                log.exception("batches wait", error=type(error).__name__)
                self._told_to_stop.wait(SECONDS_AFTER_TROUBLE)

    def _work_off(self, crew: Crew) -> None:
        while not self._told_to_stop.is_set() and (free := free_jobs(self._site)):
            try:
                run_job(self._site, free[0].id, crew, told_to_stop=self._told_to_stop)
            except Conflict:
                continue  # another process was faster


def free_jobs(site: Site) -> list[JobRow]:
    """Jobs that nobody works on, in the order in which they were asked for."""
    with site.database.look(operator(), None) as look:
        return [
            job
            for job in jobwork.open_jobs(look)
            if not jobwork.is_worked_on(look, job) or has_ended(job.runner)
        ]
