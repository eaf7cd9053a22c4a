"""Samples that were filled in one by one, in a form or by a program: read as strictly as a list of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from interpretation.errors import SampleListError
from service.grids import Grid
from service.samplefiles import REQUIRED, Samples, samples_in


def samples_of(rows: Sequence[Mapping[str, str]], source: str) -> Samples:
    """Read samples that were filled in one by one, by the titles of a list, and as strictly.

    Parameters
    ----------
    rows
        Cells by title; what is left out is blank.
    source
        What messages call them; rows count from 1.
    """
    titles = list(dict.fromkeys([*REQUIRED, *(title for row in rows for title in row)]))
    cells = [titles, *([row.get(title, "") for title in titles] for row in rows)]
    grid = Grid(source, cells, range(len(cells)), SampleListError)
    grid.check_size()
    grid.check_characters()
    return samples_in(grid)
