"""Which revision of a draft is one step back from where it stands, and which one step forward.

A draft that went back stands at an earlier revision again; nothing is taken out of the list of changes. So
the steps are found by following what each revision was made from.
"""

from __future__ import annotations

from collections.abc import Sequence

from service.store.drafts import RevisionRow


def step_back(revisions: Sequence[RevisionRow]) -> int | None:
    """The revision before the one at which a draft stands; None at its beginning.

    Parameters
    ----------
    revisions
        Of one draft, newest first.
    """
    return _made_from(revisions).get(revisions[0].as_of)


def step_forward(revisions: Sequence[RevisionRow]) -> int | None:
    """The revision that was last undone; None where nothing was, or something was typed since."""
    made_from = _made_from(revisions)
    at = revisions[0].as_of
    step = next((each.number for each in revisions if each.what != "back"), None)
    while step is not None and made_from.get(step) != at:
        step = made_from.get(step)
    return step


def _made_from(revisions: Sequence[RevisionRow]) -> dict[int, int]:
    """For each revision in which something was typed, the one at which the draft stood then."""
    oldest_first = revisions[::-1]
    pairs = zip(oldest_first[1:], oldest_first, strict=False)
    return {each.number: before.as_of for each, before in pairs if each.what != "back"}
