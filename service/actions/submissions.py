"""A request with an idempotency key is carried out once, however often it is sent.

::

    reserve the key ──► carry the request out, marking the key ──► keep the answer
         │              in the same transaction                         │
         │                   │                                          │
         two at once:        cut off before it: the key is              cut off before it: never carried out
         the later one       free again after CUT_OFF_AFTER             twice; the sender is told to look
         is told to wait

The answers hold what the API answered, so they are forgotten after a day. One with a link that opens
something by itself is not kept at all: its secret is stored nowhere. The statuses are those of the IETF draft
draft-ietf-httpapi-idempotency-key-header: 409 while the first is carried out, 422 for another request.
"""

from __future__ import annotations

from datetime import timedelta

from service.actions.privacy import REPORT_LINK
from service.actions.signing import SET_PASSWORD
from service.callers import Caller
from service.refusals import Conflict, Invalid
from service.site import Site
from service.store import submissions
from service.store.submissions import Submission

KEPT = timedelta(hours=24)
CUT_OFF_AFTER = timedelta(minutes=10)  # far longer than any request takes
LARGEST_ANSWER = 1024**2


def begin(site: Site, caller: Caller, key: str, request_sha256: str) -> Submission | int:
    """Reserve a key for a request, or find what was answered to the same one.

    Returns
    -------
    Submission | int
        The answered one; or the number of the reservation, to be carried out now.

    Raises
    ------
    Conflict
        If the same request is still being carried out, or was, and its answer is lost.
    Invalid
        If the key stands for another request.
    """
    assert caller.account_id is not None
    try:
        with site.database.housekeeping(caller) as look:
            submissions.sweep(look, KEPT)
            found = submissions.find(look, caller.account_id, key)
            age = look.now - found.created_at if found else KEPT
            if found is None or _was_cut_off(found, age):
                if found is not None:
                    submissions.free(look, found.id)
                return submissions.reserve(look, caller.account_id, key, request_sha256)
    except Conflict:  # both found the key free, and the other one was faster
        raise _being_carried_out() from None
    return _answered(found, request_sha256, age)


def _was_cut_off(found: Submission, age: timedelta) -> bool:
    """Whether a reservation is left over from a request that ended without a trace."""
    return not found.status and not found.carried_out and age >= CUT_OFF_AFTER


def _answered(found: Submission, request_sha256: str, age: timedelta) -> Submission:
    """Take what was submitted before only where it is the same request and its answer is kept."""
    if found.request_sha256 != request_sha256:
        raise Invalid(
            "this idempotency key was used for another request",
            where="Idempotency-Key",
            expected="one key for one request: the same method, address and content",
            fix="make a new key for each new request; send an old one again unchanged",
        )
    if not found.status and age < CUT_OFF_AFTER:
        raise _being_carried_out()
    if found.answer is None:
        raise Conflict(
            "this request was carried out, but its answer was not kept",
            where="Idempotency-Key",
            expected="a request that has not been carried out",
            fix="look at what is stored now; it will not be carried out a second time under this key",
        )
    return found


def _being_carried_out() -> Conflict:
    return Conflict(
        "this very request is still being carried out",
        where="Idempotency-Key",
        expected="one try at a time",
        fix="wait a few seconds, then send it again under the same key",
    )


def finish(
    site: Site, caller: Caller, submission_id: int, status: int, content_type: str, answer: bytes
) -> None:
    """Keep a successful answer; after any other, free the key, unless something was stored all the same."""
    links = (f"{site.settings.address}{path}".encode() for path in (SET_PASSWORD, REPORT_LINK))
    fit = 200 <= status < 300 and len(answer) <= LARGEST_ANSWER and not any(link in answer for link in links)
    kept = answer if fit else None
    with site.database.housekeeping(caller) as look:
        if kept is None:
            submissions.free(look, submission_id)
        submissions.keep_answer(look, submission_id, status, content_type, kept)
