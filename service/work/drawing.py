"""What a worker does with a chunk of a batch: put together, advise, draw, write the files.

A worker gets ids and reads everything else by itself. It issues nothing: who gave out the chunk does, after
looking whether everything is still as it was drawn. So a chunk may be drawn twice, and the files of the
second time take the place of the first.
"""

from __future__ import annotations

import hashlib
import logging
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import structlog
from pydantic import SecretStr

from interpretation.agronomy.tables import TableSet
from interpretation.errors import FurrowsliceError
from reports.render import pdf, warm_up
from service.actions.batches import BatchWish, caller_of
from service.actions.batchissuing import reason_of, wishes_of
from service.actions.reporting import Asked, Draft, advised, asked_for
from service.actions.reportinputs import page_of
from service.callers import operator
from service.logs import configure_log
from service.outputs import Outputs, outputs_at
from service.refusals import NoRoom, Unavailable
from service.settings import Settings, read_settings
from service.site import Site
from service.store import jobwork
from service.store.database import Database, Look, make_engine
from service.store.jobwork import Begun
from service.work.labour import Unfit

log = structlog.get_logger("furrowslice.batch")


@dataclass(frozen=True)
class ChunkOrder:
    """Items of one job to be drawn.

    Attributes
    ----------
    runner
        Who gave it out; nothing is drawn for one who no longer holds the job.
    database_url, outputs_url
        Where to read and write; None where the worker is another machine's, which has settings of its own:
        what a task carries is written into the logs of a cluster.
    """

    job_id: int
    runner: str
    items: tuple[Begun, ...]
    database_url: SecretStr | None = None
    outputs_url: str | None = None


@dataclass(frozen=True)
class Drawn:
    """A report that was drawn, and lies in the outputs under its name."""

    item_id: int
    report_id: str  # as printed
    sha256: str
    size_bytes: int
    file_name: str
    advice: bytes = field(repr=False)  # what was advised: JSON, deflated


@dataclass(frozen=True)
class Refused:
    """Why there is no report; ``passing``: trying again may help."""

    item_id: int
    reason: str
    passing: bool


Outcome = Drawn | Refused


def make_ready() -> None:
    """Make a fresh worker ready: its log, and everything that drawing needs."""
    configure_log(logging.WARNING)
    warm_up()


def draw_chunk(order: ChunkOrder) -> tuple[Outcome, ...]:
    """Draw the reports of a chunk and write their files; what cannot be drawn comes back with the reason.

    Raises
    ------
    Unfit
        If this worker was not told where to read and write.
    """
    site, outputs = _site(*_places(order))
    try:
        folder, asked = _asked(site, order)
    except FurrowsliceError as error:
        return tuple(Refused(each.id, reason_of(error), passing=True) for each in order.items)
    found: dict[int, Outcome] = {}
    ready: list[tuple[Begun, Asked]] = []
    for item in order.items:
        each = asked[item.visit_id]
        if isinstance(each, Asked):
            ready.append((item, each))
        else:
            found[item.id] = _refused(item, each)
    for item, draft in _advised(ready):
        if isinstance(draft, Refused):
            found[item.id] = draft
        elif _is_held(site, order):
            found[item.id] = _draw(outputs, folder, item, draft)
        else:
            found[item.id] = Refused(item.id, "the batch was let go of before this was drawn", passing=True)
    return tuple(found[each.id] for each in order.items)


def _asked(site: Site, order: ChunkOrder) -> tuple[str, dict[int, Asked | Exception]]:
    """What the reports are made from; where that fails for all of them, one by one."""
    with site.database.look(operator(), None) as opened:
        job = jobwork.any_job(opened, order.job_id)
        look = Look(opened.connection, caller_of(opened, job), opened.now)
        wish = BatchWish.model_validate(job.wish)

        def put_together(visit_ids: list[int]) -> dict[int, Asked | Exception]:
            try:
                return dict(asked_for(site, look, wishes_of(look, wish, visit_ids), job.day))
            except FurrowsliceError:
                raise
            except Exception as error:  # whatever is wrong with one of them must not hold up the others
                if len(visit_ids) == 1:
                    return {visit_ids[0]: error}
                return {each: found for one in visit_ids for each, found in put_together([one]).items()}

        return job.folder, put_together([each.visit_id for each in order.items])


def _is_held(site: Site, order: ChunkOrder) -> bool:
    with site.database.look(operator(), None) as look:
        return jobwork.is_held(look, order.job_id, order.runner)


def _places(order: ChunkOrder) -> tuple[str, str]:
    if order.database_url is not None and order.outputs_url is not None:
        return order.database_url.get_secret_value(), order.outputs_url
    own = read_settings()
    if own.database_url is None or not own.outputs:
        raise Unfit(
            FurrowsliceError(
                "a worker of the cluster does not know where to read and write",
                where="FURROWSLICE_DATABASE_URL and FURROWSLICE_OUTPUTS",
                expected="both in the worker's environment, as every machine reaches them",
                fix="set them where the worker is started, as the README says",
            )
        )  # fmt: skip
    return own.url, own.outputs_url


@lru_cache(maxsize=2)
def _site(url: str, outputs_url: str) -> tuple[Site, Outputs]:
    """The site, opened once a process; files of tables are not read, as reports follow from releases."""
    return Site(Settings(), Database(make_engine(url)), TableSet()), outputs_at(outputs_url)


def _advised(ready: Sequence[tuple[Begun, Asked]]) -> list[tuple[Begun, Draft | Refused]]:
    """Advise on all at once; where that fails, one by one, so that only what is broken is held up."""
    if not ready:
        return []
    try:
        drafts = advised([asked for _, asked in ready])
    except Exception as error:  # whatever is wrong with one of them must not hold up the others
        if len(ready) == 1:
            return [(ready[0][0], _refused(ready[0][0], error))]
        return [each for one in ready for each in _advised([one])]
    return list(zip([item for item, _ in ready], drafts, strict=True))


def _draw(outputs: Outputs, folder: str, item: Begun, draft: Draft) -> Outcome:
    try:
        content = pdf(page_of(draft.inputs, draft.advice, draft.in_force.tables), draft.wish.paper)
        name = f"{item.number:06d}-{draft.card.report_id}.pdf"
        outputs.put(folder, name, content)
    except Exception as error:
        return _refused(item, error)
    return Drawn(
        item.id, draft.card.report_id, hashlib.sha256(content).hexdigest(), len(content), name,
        zlib.compress(draft.advice.model_dump_json().encode()),
    )  # fmt: skip


def _refused(item: Begun, error: Exception) -> Refused:
    """Say why; what is unexpected is said by its kind alone, as its text could hold anything."""
    if isinstance(error, FurrowsliceError):
        return Refused(item.id, reason_of(error), passing=isinstance(error, Unavailable | NoRoom))
    log.warning("report not drawn", item=item.id, error=type(error).__name__, exc_info=error)
    return Refused(item.id, f"something unexpected happened while it was drawn: {type(error).__name__}", True)
