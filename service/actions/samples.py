"""Looking at samples: the list, and one with all its values."""

from __future__ import annotations

from dataclasses import dataclass

from service.callers import Caller, Right
from service.site import Site
from service.store import samples as store
from service.store import values
from service.store.samples import Measured, SampleInList, SampleRow
from service.store.values import ValueRow


@dataclass(frozen=True)
class SampleView:
    """One sample, and all its values: those that stand before those that are superseded."""

    row: SampleRow
    values: tuple[ValueRow, ...]


def list_samples(
    site: Site,
    caller: Caller,
    *,
    search: str = "",
    measured: Measured | None = None,
    before: int | None = None,
    most: int = 50,
) -> tuple[SampleInList, ...]:
    """Samples of the caller from the newest on; ``search`` begins the lab number or the field's code."""
    with site.database.look(caller, Right.READ_SAMPLES) as look:
        return store.listing(look, search=search, measured=measured, before=before, most=most)


def samples_after(
    site: Site,
    caller: Caller,
    last: int,
    most: int,
    *,
    search: str = "",
    measured: Measured | None = None,
) -> tuple[SampleInList, ...]:
    """Samples of the caller in the order of their ids, behind one."""
    with site.database.look(caller, Right.READ_SAMPLES) as look:
        return store.after(look, last, most, search=search, measured=measured)


def show_sample(site: Site, caller: Caller, sample_id: int) -> SampleView:
    """One sample with all its values."""
    with site.database.look(caller, Right.READ_SAMPLES) as look:
        row = store.the_sample(look, sample_id)
        return SampleView(row, values.of_samples(look, [sample_id]))
