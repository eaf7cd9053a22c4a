"""Jobs, deliveries, and what a report was made from.

Revision: 0003
Follows: 0002
"""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "job",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("laboratory_id", sa.Integer(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("wish", sa.JSON(), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("asked_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("asked_by_id", sa.Integer(), nullable=True),
        sa.Column("asked_by", sa.Text(), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("runner", sa.Text(), server_default="", nullable=False),
        sa.Column("runner_seen_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["laboratory_id"], ["laboratory.id"], name=op.f("fk_job_laboratory_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_job")),
    )
    with op.batch_alter_table("job", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_job_laboratory_id"), ["laboratory_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_job_state"), ["state"], unique=False)

    op.create_table(
        "delivery",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("laboratory_id", sa.Integer(), nullable=False),
        sa.Column("report_id", sa.Integer(), nullable=False),
        sa.Column("reader", sa.Text(), nullable=False),
        sa.Column("round", sa.Integer(), nullable=False),
        sa.Column("way", sa.Text(), nullable=False),
        sa.Column("address", sa.Text(), server_default="", nullable=False),
        sa.Column("language", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("attempts", sa.Integer(), server_default="0", nullable=False),
        sa.Column("next_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("message_id", sa.Text(), server_default="", nullable=False),
        sa.Column("reason", sa.Text(), server_default="", nullable=False),
        sa.Column("planned_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("planned_by", sa.Text(), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["laboratory_id"], ["laboratory.id"], name=op.f("fk_delivery_laboratory_id")),
        sa.ForeignKeyConstraint(["report_id"], ["report.id"], name=op.f("fk_delivery_report_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_delivery")),
        sa.UniqueConstraint("report_id", "reader", "round", name=op.f("uq_delivery_report_id_reader_round")),
    )
    with op.batch_alter_table("delivery", schema=None) as batch_op:
        batch_op.create_index("ix_delivery_laboratory", ["laboratory_id", "id"], unique=False)
        batch_op.create_index("ix_delivery_state_next", ["state", "next_at"], unique=False)

    op.create_table(
        "job_item",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("sampling_id", sa.Integer(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("attempts", sa.Integer(), server_default="0", nullable=False),
        sa.Column("route", sa.Text(), server_default="", nullable=False),
        sa.Column("report_id", sa.Integer(), nullable=True),
        sa.Column("file_name", sa.Text(), server_default="", nullable=False),
        sa.Column("file_sha256", sa.Text(), server_default="", nullable=False),
        sa.Column("reason", sa.Text(), server_default="", nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["job.id"], name=op.f("fk_job_item_job_id")),
        sa.ForeignKeyConstraint(["report_id"], ["report.id"], name=op.f("fk_job_item_report_id")),
        sa.ForeignKeyConstraint(["sampling_id"], ["sampling.id"], name=op.f("fk_job_item_sampling_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_job_item")),
        sa.UniqueConstraint("job_id", "number", name=op.f("uq_job_item_job_id_number")),
        sa.UniqueConstraint("job_id", "sampling_id", name=op.f("uq_job_item_job_id_sampling_id")),
    )
    with op.batch_alter_table("job_item", schema=None) as batch_op:
        batch_op.create_index("ix_job_item_job_state", ["job_id", "state", "number"], unique=False)
        batch_op.create_index("ix_job_item_report_id", ["report_id"], unique=False)
        batch_op.create_index("ix_job_item_sampling_id", ["sampling_id"], unique=False)

    op.create_table(
        "delivery_try",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("delivery_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("answer", sa.Text(), server_default="", nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["delivery_id"], ["delivery.id"], name=op.f("fk_delivery_try_delivery_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_delivery_try")),
    )
    with op.batch_alter_table("delivery_try", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_delivery_try_delivery_id"), ["delivery_id"], unique=False)

    with op.batch_alter_table("report", schema=None) as batch_op:
        batch_op.add_column(sa.Column("inputs", sa.JSON(), nullable=True))
