"""Who asks: a person's role, what that role may do, and the part of the records that is theirs.

Every action takes a :class:`Caller`; every query of the store starts from its :class:`Scope`. What lies
outside a scope does not exist for the caller: it is not found, rather than forbidden.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

Door = Literal["page", "api", "command", "batch"]


class Role(StrEnum):
    """What a person is on this server."""

    LABORATORY = "laboratory"
    AGENT = "agent"
    AGRONOMIST = "agronomist"
    ADMINISTRATOR = "administrator"


class Right(StrEnum):
    """One thing that a role may do; also the scopes that an access token is given."""

    READ_RUNS = "runs:read"
    WRITE_RUNS = "runs:write"  # upload, confirm, judge
    RELEASE_RUNS = "runs:release"
    READ_SAMPLES = "samples:read"
    REGISTER_SAMPLES = "samples:register"
    READ_FIELDS = "fields:read"  # growers, farms, fields, their history and advice
    PLAN_FIELDS = "fields:plan"  # crop, yield goal, manure, location
    TYPE_VALUES = "values:type"  # results typed from a laboratory's paper
    READ_REPORTS = "reports:read"
    ISSUE_REPORTS = "reports:issue"
    DELIVER_REPORTS = "reports:deliver"  # to growers and whom they allow, by mail or on paper
    READ_TABLES = "tables:read"
    EDIT_TABLES = "tables:edit"  # drafts: begin, change, submit, discard
    PUBLISH_TABLES = "tables:publish"  # approve what a colleague wrote, or send it back; publish
    MANAGE_ACCOUNTS = "accounts:manage"
    READ_AUDIT = "audit:read"
    HANDLE_PERSONAL_DATA = "personal-data:handle"  # export and erase what is kept about a grower


RIGHTS: Mapping[Role, frozenset[Right]] = {
    Role.LABORATORY: frozenset(
        {
            Right.READ_RUNS, Right.WRITE_RUNS, Right.RELEASE_RUNS, Right.READ_SAMPLES, Right.REGISTER_SAMPLES,
            Right.READ_FIELDS, Right.TYPE_VALUES, Right.READ_REPORTS, Right.ISSUE_REPORTS,
            Right.DELIVER_REPORTS, Right.READ_TABLES,
        }
    ),
    Role.AGENT: frozenset(
        {
            Right.READ_SAMPLES, Right.REGISTER_SAMPLES, Right.READ_FIELDS, Right.PLAN_FIELDS,
            Right.TYPE_VALUES, Right.READ_REPORTS, Right.ISSUE_REPORTS, Right.DELIVER_REPORTS,
            Right.READ_TABLES, Right.HANDLE_PERSONAL_DATA,
        }
    ),
    Role.AGRONOMIST: frozenset({Right.READ_TABLES, Right.EDIT_TABLES, Right.PUBLISH_TABLES}),
    Role.ADMINISTRATOR: frozenset({Right.MANAGE_ACCOUNTS, Right.READ_AUDIT, Right.READ_TABLES}),
}  # fmt: skip


@dataclass(frozen=True)
class Scope:
    """The part of the records that is a caller's own.

    Attributes
    ----------
    laboratory_id
        Only records of this laboratory; None: of none.
    counties
        Only fields of these counties; None: of all.
    region
        Only tables of this region; "": of all.
    """

    laboratory_id: int | None = None
    counties: frozenset[str] | None = None
    region: str = ""


@dataclass(frozen=True)
class Caller:
    """Somebody who has proved who they are, or the command line of the server's own machine.

    ``rights`` are those of the role, or fewer where an access token was given fewer.
    """

    account_id: int | None  # None: the command line
    name: str
    role: Role
    scope: Scope
    door: Door
    rights: frozenset[Right] = frozenset()
    language: str = "en"
    request_id: str = ""
    session_id: int | None = field(default=None, repr=False)
    submission_id: int | None = field(default=None, repr=False)  # set where the request carries a key

    def may(self, right: Right) -> bool:
        """Whether the caller has a right."""
        return right in self.rights


def operator(laboratory_id: int | None = None) -> Caller:
    """The person at the server's own command line: may do everything, in one laboratory."""
    everything = frozenset(Right)
    return Caller(
        None, "command line", Role.ADMINISTRATOR, Scope(laboratory_id), "command", rights=everything
    )
