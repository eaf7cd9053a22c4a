"""Releases of the tables of classes and amounts, and the drafts that lead to them."""

from __future__ import annotations

import sqlalchemy as sa

from service.store.schema.columns import Utc, metadata, row_id, text, to

table_release = sa.Table(  # never changed: the next row of a book carries the digest of the one before
    "table_release", metadata, row_id(),
    sa.Column("book", sa.Text, nullable=False),  # id of a region, or "shared"
    sa.Column("number", sa.Integer, nullable=False),  # 1, 2, ... in each book
    sa.Column("effective_on", sa.Date, nullable=False),  # from this day on it is used
    sa.Column("published_at", Utc, nullable=False),
    sa.Column("content", sa.Text, nullable=False),  # canonical JSON of all that was published, see releasing
    sa.Column("sha256", sa.Text, nullable=False, unique=True),  # of content
    sa.Column("previous_sha256", sa.Text, nullable=False),  # empty in the first
    sa.UniqueConstraint("book", "number"),
    sa.UniqueConstraint("book", "previous_sha256"),  # a chain has no fork
)  # fmt: skip

table_draft = sa.Table(
    "table_draft", metadata, row_id(),
    sa.Column("book", sa.Text, nullable=False, index=True),
    to("base_id", "table_release.id", nullable=True),  # NULL: of a region that has no release yet
    text("why"),  # printed in the release's history
    sa.Column("effective_on", sa.Date, nullable=True),  # NULL: the day it is published
    sa.Column("last_entry", sa.Integer, nullable=False, server_default="0"),  # no number is given twice
    sa.Column("state", sa.Text, nullable=False),  # open | submitted | approved | published | discarded
    sa.Column("started_at", Utc, nullable=False),
    sa.Column("started_by", sa.Text, nullable=False),
    sa.Column("submitted_at", Utc, nullable=True),
    sa.Column("submitted_by_id", sa.Integer, nullable=True),  # no foreign keys: the row outlives accounts
    text("submitted_by"),
    text("submitted_sha256"),  # of the records and of what is said about them: what a reviewer approves
    sa.Column("approved_at", Utc, nullable=True),
    text("approved_by"),
    text("returned_because"),  # what the last reviewer who sent it back wrote
    to("release_id", "table_release.id", nullable=True),
)  # fmt: skip

table_revision = sa.Table(  # a draft as it stood after each change; the last one counts
    "table_revision", metadata, row_id(),
    to("draft_id", "table_draft.id"),
    sa.Column("number", sa.Integer, nullable=False),
    sa.Column("as_of", sa.Integer, nullable=False),  # whose content it has: its own, or one gone back to
    sa.Column("content", sa.JSON, nullable=False),  # entries as they were typed, see service.entries
    sa.Column("what", sa.Text, nullable=False),  # start | edit | add | remove | upload | back
    text("about"),  # which entry
    sa.Column("at", Utc, nullable=False),
    sa.Column("by_id", sa.Integer, nullable=True),
    sa.Column("by", sa.Text, nullable=False),
    text("reason"),
    sa.UniqueConstraint("draft_id", "number"),
)  # fmt: skip

table_upload = sa.Table(  # a file that was read and waits until somebody has looked at the difference
    "table_upload", metadata, row_id(),
    to("draft_id", "table_draft.id", index=True),
    sa.Column("revision", sa.Integer, nullable=False),  # the one it was compared with
    sa.Column("file_name", sa.Text, nullable=False),
    sa.Column("content", sa.JSON, nullable=False),  # entries
    sa.Column("at", Utc, nullable=False),
    sa.Column("by_id", sa.Integer, nullable=True),
    sa.Column("by", sa.Text, nullable=False),
)  # fmt: skip

table_comment = sa.Table(  # what somebody says about a cell of a draft
    "table_comment", metadata, row_id(),
    to("draft_id", "table_draft.id", index=True),
    sa.Column("entry", sa.Integer, nullable=False),  # number of the entry in the draft
    text("place"),  # of the cell inside the entry, as service.entries names it; empty: the whole entry
    sa.Column("text", sa.Text, nullable=False),
    sa.Column("at", Utc, nullable=False),
    sa.Column("by", sa.Text, nullable=False),
    sa.Column("settled_at", Utc, nullable=True),
    text("settled_by"),
)  # fmt: skip
