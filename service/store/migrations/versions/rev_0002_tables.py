"""Releases and drafts of the tables.

Revision: 0002
Follows: 0001
"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "table_release",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("book", sa.Text(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("effective_on", sa.Date(), nullable=False),
        sa.Column("published_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("previous_sha256", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_table_release")),
        sa.UniqueConstraint("book", "number", name=op.f("uq_table_release_book_number")),
        sa.UniqueConstraint("book", "previous_sha256", name=op.f("uq_table_release_book_previous_sha256")),
        sa.UniqueConstraint("sha256", name=op.f("uq_table_release_sha256")),
    )
    op.create_table(
        "table_draft",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("book", sa.Text(), nullable=False),
        sa.Column("base_id", sa.Integer(), nullable=True),
        sa.Column("why", sa.Text(), server_default="", nullable=False),
        sa.Column("effective_on", sa.Date(), nullable=True),
        sa.Column("last_entry", sa.Integer(), server_default="0", nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("started_by", sa.Text(), nullable=False),
        sa.Column("submitted_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("submitted_by_id", sa.Integer(), nullable=True),
        sa.Column("submitted_by", sa.Text(), server_default="", nullable=False),
        sa.Column("submitted_sha256", sa.Text(), server_default="", nullable=False),
        sa.Column("approved_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("approved_by", sa.Text(), server_default="", nullable=False),
        sa.Column("returned_because", sa.Text(), server_default="", nullable=False),
        sa.Column("release_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["base_id"], ["table_release.id"], name=op.f("fk_table_draft_base_id")),
        sa.ForeignKeyConstraint(["release_id"], ["table_release.id"], name=op.f("fk_table_draft_release_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_table_draft")),
    )
    with op.batch_alter_table("table_draft", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_table_draft_book"), ["book"], unique=False)

    op.create_table(
        "table_comment",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("draft_id", sa.Integer(), nullable=False),
        sa.Column("entry", sa.Integer(), nullable=False),
        sa.Column("place", sa.Text(), server_default="", nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("settled_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("settled_by", sa.Text(), server_default="", nullable=False),
        sa.ForeignKeyConstraint(["draft_id"], ["table_draft.id"], name=op.f("fk_table_comment_draft_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_table_comment")),
    )
    with op.batch_alter_table("table_comment", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_table_comment_draft_id"), ["draft_id"], unique=False)

    op.create_table(
        "table_revision",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("draft_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("as_of", sa.Integer(), nullable=False),
        sa.Column("content", sa.JSON(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("about", sa.Text(), server_default="", nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by_id", sa.Integer(), nullable=True),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), server_default="", nullable=False),
        sa.ForeignKeyConstraint(["draft_id"], ["table_draft.id"], name=op.f("fk_table_revision_draft_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_table_revision")),
        sa.UniqueConstraint("draft_id", "number", name=op.f("uq_table_revision_draft_id_number")),
    )
    op.create_table(
        "table_upload",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("draft_id", sa.Integer(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("file_name", sa.Text(), nullable=False),
        sa.Column("content", sa.JSON(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by_id", sa.Integer(), nullable=True),
        sa.Column("by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["draft_id"], ["table_draft.id"], name=op.f("fk_table_upload_draft_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_table_upload")),
    )
    with op.batch_alter_table("table_upload", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_table_upload_draft_id"), ["draft_id"], unique=False)

    with op.batch_alter_table("report", schema=None) as batch_op:
        batch_op.add_column(sa.Column("region_release_id", sa.Integer(), nullable=True))
        batch_op.add_column(sa.Column("shared_release_id", sa.Integer(), nullable=True))
        batch_op.create_foreign_key(
            batch_op.f("fk_report_region_release_id"), "table_release", ["region_release_id"], ["id"]
        )
        batch_op.create_foreign_key(
            batch_op.f("fk_report_shared_release_id"), "table_release", ["shared_release_id"], ["id"]
        )
