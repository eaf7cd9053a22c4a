"""Long work and what is sent: jobs and their items, deliveries and every try of them.

These rows are the record of what was done. Worker processes, schedulers and files may vanish at any moment;
what is left to do is read from here.
"""

from __future__ import annotations

import sqlalchemy as sa

from service.store.schema.columns import Utc, metadata, row_id, text, to

job = sa.Table(  # reports of many visits, made together
    "job", metadata, row_id(),
    to("laboratory_id", "laboratory.id", index=True),
    sa.Column("title", sa.Text, nullable=False),
    sa.Column("wish", sa.JSON, nullable=False),  # how the reports are wanted
    sa.Column("day", sa.Date, nullable=False),  # all its reports are issued on this day
    sa.Column("state", sa.Text, nullable=False, index=True),  # waiting | running | cancelled | done
    sa.Column("asked_at", Utc, nullable=False),
    sa.Column("asked_by_id", sa.Integer, nullable=True),  # no foreign key: the row outlives accounts
    sa.Column("asked_by", sa.Text, nullable=False),
    sa.Column("ended_at", Utc, nullable=True),
    text("runner"),  # the process that works on it; empty: none
    sa.Column("runner_seen_at", Utc, nullable=True),  # when that process was last heard of
)  # fmt: skip

job_item = sa.Table(  # one visit of a job
    "job_item", metadata, row_id(),
    to("job_id", "job.id"),
    sa.Column("number", sa.Integer, nullable=False),  # 1, 2, ... in the order of delivery
    to("sampling_id", "sampling.id"),
    sa.Column("state", sa.Text, nullable=False),  # waiting | done | failed | cancelled
    sa.Column("attempts", sa.Integer, nullable=False, server_default="0"),  # begun, whatever became of them
    text("route"),  # what deliveries are sorted by
    to("report_id", "report.id", nullable=True),  # set in the very transaction that issues the report
    text("file_name"),  # in the job's output folder
    text("file_sha256"),
    text("reason"),  # why there is no report
    sa.Column("changed_at", Utc, nullable=False),
    sa.UniqueConstraint("job_id", "number"),
    sa.UniqueConstraint("job_id", "sampling_id"),
    sa.Index("ix_job_item_job_state", "job_id", "state", "number"),
    sa.Index("ix_job_item_report_id", "report_id"),
    sa.Index("ix_job_item_sampling_id", "sampling_id"),
)  # fmt: skip

delivery = sa.Table(  # one report to one reader
    "delivery", metadata, row_id(),
    to("laboratory_id", "laboratory.id"),
    to("report_id", "report.id"),
    sa.Column("reader", sa.Text, nullable=False),  # grower | copy | agent
    sa.Column("round", sa.Integer, nullable=False),  # 1; each time it is sent again on purpose, one more
    sa.Column("way", sa.Text, nullable=False),  # file | link | paper
    text("address"),  # of mail, as it was when the delivery was planned; erased with the grower
    sa.Column("language", sa.Text, nullable=False),
    # waiting | sending | sent | refused | held | printed | cancelled. A row that is "sending" when the server
    # starts may have gone or not: it is held for a person, and never sent again by itself.
    sa.Column("state", sa.Text, nullable=False),
    sa.Column("attempts", sa.Integer, nullable=False, server_default="0"),
    sa.Column("next_at", Utc, nullable=True),  # not before this instant
    text("message_id"),  # Message-ID of the mail, the same in every try
    text("reason"),
    sa.Column("planned_at", Utc, nullable=False),
    sa.Column("planned_by", sa.Text, nullable=False),
    sa.Column("ended_at", Utc, nullable=True),
    sa.UniqueConstraint("report_id", "reader", "round"),  # planned twice is planned once
    sa.Index("ix_delivery_state_next", "state", "next_at"),
    sa.Index("ix_delivery_laboratory", "laboratory_id", "id"),
)  # fmt: skip

delivery_try = sa.Table(  # the log of a delivery; rows are only added
    "delivery_try", metadata, row_id(),
    to("delivery_id", "delivery.id", index=True),
    sa.Column("at", Utc, nullable=False),
    sa.Column("what", sa.Text, nullable=False),  # begun | sent | put-off | refused | uncertain | ...
    text("answer"),  # what the mail server said, without addresses
    sa.Column("by", sa.Text, nullable=False),
)  # fmt: skip
