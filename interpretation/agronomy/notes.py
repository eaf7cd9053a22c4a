"""Which cautions and pieces of advice belong to which sample; keys only, the wording is elsewhere."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from interpretation.agronomy.formula import parse
from interpretation.agronomy.samples import Column
from interpretation.agronomy.tables import NoteRule, TableSet

NOTED: dict[str, str] = {
    "sample": "int64",  # row of the context
    "note": "category",  # key
}


def choose_notes(tables: TableSet, columns: Mapping[str, Column], regions: pd.Series) -> pd.DataFrame:
    """Find the notes of every sample.

    Parameters
    ----------
    tables
        With the rules, and with the regions that take over other regions' cautions.
    columns
        Columns by formula name, one element a sample.
    regions
        Region id of each sample.

    Returns
    -------
    pandas.DataFrame
        Columns of :data:`NOTED`, by the rule's ``order``, then key, then sample.

    Notes
    -----
    A note is printed where its condition holds. Where the condition cannot be decided because a figure is
    missing, a danger is printed all the same; a caution or a piece of advice is not.

    Examples
    --------
    >>> rule = NoteRule(key="acid", when="ph < 5", severity="caution", topic="soil", standing="invented")
    >>> tables = TableSet(notes={"acid": rule})
    >>> choose_notes(tables, {"ph": np.array([4.8, 6.0, np.nan])}, pd.Series(["a", "a", "a"]))
       sample  note
    0       0  acid
    """
    n = len(regions)
    keys: list[NDArray[np.int64]] = []
    samples: list[NDArray[np.int64]] = []
    in_order = sorted(tables.notes.values(), key=lambda rule: (rule.order, rule.key))
    for rule in in_order:
        condition = parse(rule.when, where=f"note {rule.key}", want="condition")
        inputs = {name: columns[name] for name in condition.names if name in columns}
        holds = np.broadcast_to(condition.evaluate(inputs), (n,))
        chosen = (holds == 1.0) | (np.isnan(holds) & (rule.severity == "danger"))
        if rule.regions:
            chosen = chosen & regions.isin(_printed_in(rule, tables)).to_numpy()
        samples.append(np.flatnonzero(chosen))
        keys.append(np.full(len(samples[-1]), len(keys)))
    order = np.concatenate([*keys, np.empty(0, dtype=np.int64)]).astype(np.int64)
    return pd.DataFrame(
        {
            "sample": np.concatenate([*samples, np.empty(0, dtype=np.int64)]).astype(np.int64),
            "note": pd.Categorical.from_codes(
                order, categories=pd.Index([rule.key for rule in in_order], dtype="str")
            ),
        }
    )


def _printed_in(rule: NoteRule, tables: TableSet) -> list[str]:
    """Regions of a rule, and those that say they take over the cautions of one of them."""
    others = (each.id for each in tables.regions.values() if set(rule.regions) & set(each.cautions_of))
    return [*rule.regions, *others]
