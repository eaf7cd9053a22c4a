"""A file's entries put into those of a draft: each is known again by kind and id, and keeps its number."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from service.entries.entry import Entry


def merged(current: Sequence[Entry], given: Iterable[Entry], *, whole: bool, first: int) -> tuple[Entry, ...]:
    """Put given entries into current ones.

    Parameters
    ----------
    current
        As they are in the draft.
    given
        As a file has them, each with a kind and id of its own.
    whole
        Whether the file is all there is: then what it lacks is removed.
    first
        Number of the first entry that is new; those after it follow.

    Returns
    -------
    tuple of Entry
        What is known already in its place and under its number, what is new behind it.

    Examples
    --------
    >>> old = [Entry(number=n, kind="rates", facts={"id": name}) for n, name in ((7, "a"), (8, "b"))]
    >>> new = [Entry(kind="rates", facts={"id": name, "title": "New"}) for name in "ca"]
    >>> [(each.number, each.id) for each in merged(old, new, whole=False, first=9)]
    [(7, 'a'), (8, 'b'), (9, 'c')]
    >>> [(each.number, each.id) for each in merged(old, new, whole=True, first=9)]
    [(7, 'a'), (9, 'c')]
    """
    waiting = {(each.kind, each.id): each for each in given}
    made = []
    for each in current:
        found = waiting.pop((each.kind, each.id), None)
        if found is not None:
            made.append(found.model_copy(update={"number": each.number}))
        elif not whole:
            made.append(each)
    made += (
        each.model_copy(update={"number": number}) for number, each in enumerate(waiting.values(), first)
    )
    return tuple(made)
