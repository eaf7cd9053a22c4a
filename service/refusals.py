"""What the server refuses, beside the errors of the science.

::

    FurrowsliceError
    └── Refusal              carries the HTTP status it is answered with
        ├── NotSignedIn      401  nobody, or somebody whose session has ended
        ├── NotAllowed       403  the role does not do this
        ├── NotFound         404  there is no such thing, or it is not the caller's
        ├── Conflict         409  somebody else was faster, or the state no longer allows it
        ├── TooLarge         413  a file larger than the server takes
        ├── Invalid          422  a form or a request says something impossible
        ├── TooMany          429  too many tries; wait
        ├── Unavailable      503  the database does not answer
        └── NoRoom           507  the disk is full
"""

from __future__ import annotations

from collections.abc import Mapping

from interpretation.errors import FurrowsliceError


class Refusal(FurrowsliceError):  # noqa: N818 - reads as what it is
    """Base: an error with the HTTP status it is answered with."""

    status = 400


class NotSignedIn(Refusal):
    """Nobody is signed in."""

    status = 401


class NotAllowed(Refusal):
    """The caller's role does not do this."""

    status = 403


class NotFound(Refusal):
    """There is no such thing within the caller's scope."""

    status = 404


class Conflict(Refusal):
    """The thing is no longer as the caller saw it."""

    status = 409


class TooLarge(Refusal):
    """A file or a request is larger than the server takes."""

    status = 413


class Invalid(Refusal):
    """One or more fields of a form or a request cannot be taken.

    ``fields`` maps the name of each to what is wrong with it, to be shown beside it.
    """

    status = 422

    def __init__(
        self, what: str, *, where: str = "", expected: str = "", fix: str = "",
        fields: Mapping[str, str] | None = None,
    ) -> None:  # fmt: skip
        super().__init__(what, where=where, expected=expected, fix=fix)
        self.fields = dict(fields or {})


class TooMany(Refusal):
    """Too many tries; ``wait_seconds`` until the next is heard."""

    status = 429

    def __init__(self, what: str, *, wait_seconds: int, fix: str = "") -> None:
        super().__init__(what, expected="fewer tries", fix=fix or "wait, then try again")
        self.wait_seconds = wait_seconds


class Unavailable(Refusal):
    """The database does not answer."""

    status = 503


class NoRoom(Refusal):
    """There is no room left to store anything."""

    status = 507
