"""Laboratories, people, land, samples, runs, values and reports.

Columns carry their unit in the name, or have ``unit`` beside them. Times are UTC. What was released or issued
is never changed: a newer row points at the older one.
"""

from __future__ import annotations

import sqlalchemy as sa

from service.store.schema.columns import Utc, flag, metadata, number, row_id, search_column, text, to

# ------------------------------------------------------------------------------- laboratories and people

laboratory = sa.Table(
    "laboratory", metadata, row_id(),
    sa.Column("name", sa.Text, nullable=False, unique=True),
    sa.Column("card", sa.JSON, nullable=False),  # LaboratoryCard, without what is one page's
    text("limits"),  # YAML of acceptance limits; empty: the shipped ones
    sa.Column("created_at", Utc, nullable=False),
)  # fmt: skip

county = sa.Table(
    "county", metadata,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("region", sa.Text, nullable=False),  # id of a region of the tables
)  # fmt: skip

account = sa.Table(
    "account", metadata, row_id(),
    sa.Column("email", sa.Text, nullable=False, unique=True),  # folded: one address, one account
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("role", sa.Text, nullable=False),
    to("laboratory_id", "laboratory.id", nullable=True),
    text("region"),
    sa.Column("language", sa.Text, nullable=False, server_default="en"),
    text("password_hash"),
    text("totp_secret"),
    sa.Column("totp_step", sa.Integer, nullable=False, server_default="0"),  # last one used: none twice
    sa.Column("created_at", Utc, nullable=False),
    sa.Column("disabled_at", Utc, nullable=True),
)  # fmt: skip

account_county = sa.Table(
    "account_county", metadata,
    to("account_id", "account.id", primary_key=True),
    to("county_id", "county.id", primary_key=True),
)  # fmt: skip

session = sa.Table(
    "session", metadata, row_id(),
    sa.Column("token_sha256", sa.Text, nullable=False, unique=True),
    to("account_id", "account.id", index=True),
    sa.Column("form_token", sa.Text, nullable=False),  # sent back with every form
    sa.Column("created_at", Utc, nullable=False),
    sa.Column("seen_at", Utc, nullable=False),
    flag("confirmed"),  # the second factor was shown
)  # fmt: skip

access_token = sa.Table(
    "access_token", metadata, row_id(),
    sa.Column("token_sha256", sa.Text, nullable=False, unique=True),
    to("account_id", "account.id", index=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("rights", sa.JSON, nullable=False),
    sa.Column("created_at", Utc, nullable=False),
    sa.Column("expires_at", Utc, nullable=False),
    sa.Column("revoked_at", Utc, nullable=True),
)  # fmt: skip

link = sa.Table(
    "link", metadata, row_id(),
    sa.Column("token_sha256", sa.Text, nullable=False, unique=True),
    sa.Column("purpose", sa.Text, nullable=False),  # set-password | report
    to("account_id", "account.id", nullable=True),
    to("report_id", "report.id", nullable=True, index=True),
    sa.Column("created_at", Utc, nullable=False),
    sa.Column("expires_at", Utc, nullable=False),
    sa.Column("used_at", Utc, nullable=True),
)  # fmt: skip

attempt = sa.Table(  # failed sign-ins and other counted tries, for lockout and rate limits
    "attempt", metadata, row_id(),
    sa.Column("key", sa.Text, nullable=False),
    sa.Column("at", Utc, nullable=False),
    sa.Index("ix_attempt_key_at", "key", "at"),
)  # fmt: skip

audit = sa.Table(
    "audit", metadata, row_id(),
    sa.Column("at", Utc, nullable=False, index=True),
    sa.Column("account_id", sa.Integer, nullable=True),  # no foreign key: the line outlives the account
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("door", sa.Text, nullable=False),
    sa.Column("verb", sa.Text, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("object_id", sa.Text, nullable=False),
    sa.Column("before", sa.JSON, nullable=True),
    sa.Column("after", sa.JSON, nullable=True),
    text("reason"),
    text("request_id"),
    sa.Index("ix_audit_kind_object", "kind", "object_id"),
)  # fmt: skip

submission = sa.Table(  # requests that carry an idempotency key, and their answers
    "submission", metadata, row_id(),
    to("account_id", "account.id"),
    sa.Column("key", sa.Text, nullable=False),
    sa.Column("request_sha256", sa.Text, nullable=False),
    flag("carried_out"),  # set in the very transaction that stores what was submitted
    sa.Column("status", sa.Integer, nullable=False, server_default="0"),  # 0: not answered yet
    text("content_type"),
    sa.Column("answer", sa.LargeBinary, nullable=True),
    sa.Column("created_at", Utc, nullable=False, index=True),
    sa.UniqueConstraint("account_id", "key"),
    sqlite_autoincrement=True,  # no number twice: a late try must not meet the row of a newer one
)  # fmt: skip

# ------------------------------------------------------------------------------------- growers and land

grower = sa.Table(
    "grower", metadata, row_id(),
    to("laboratory_id", "laboratory.id", index=True),
    sa.Column("code", sa.Text, nullable=True),  # the laboratory's number of the client; NULL: none given
    text("name"),
    text("address"),
    text("telephone"),
    text("email"),
    sa.Column("language", sa.Text, nullable=False, server_default="en"),
    sa.Column("units", sa.Text, nullable=False, server_default="metric"),
    flag("mail_consent"),
    text("copy_to"),  # a dealer's or adviser's address, used only with consent
    flag("copy_consent"),
    sa.Column("created_at", Utc, nullable=False),
    sa.Column("erased_at", Utc, nullable=True),
    search_column("name", "code"),
    sa.UniqueConstraint("laboratory_id", "code"),
    sa.Index("ix_grower_search", "laboratory_id", "words"),
)  # fmt: skip

farm = sa.Table(
    "farm", metadata, row_id(),
    to("grower_id", "grower.id", index=True),
    text("name"),
    search_column("name"),
)  # fmt: skip

field = sa.Table(
    "field", metadata, row_id(),
    to("laboratory_id", "laboratory.id"),
    to("farm_id", "farm.id", index=True),
    sa.Column("code", sa.Text, nullable=False),  # field_id of the lists of samples
    sa.Column("code_folded", sa.Text, nullable=False),
    text("name"),
    to("county_id", "county.id", nullable=True, index=True),
    sa.Column("region", sa.Text, nullable=False),
    number("area_ha"),
    sa.Column("outline", sa.JSON, nullable=True),  # GeoJSON Polygon, WGS 84
    sa.Column("created_at", Utc, nullable=False),
    search_column("name", "code"),
    sa.UniqueConstraint("laboratory_id", "code_folded"),
    sa.Index("ix_field_search", "laboratory_id", "words"),
)  # fmt: skip

sampling = sa.Table(  # one visit to a field: its samples share a crop plan and a report
    "sampling", metadata, row_id(),
    to("field_id", "field.id", index=True),
    sa.Column("sampled_on", sa.Date, nullable=False),  # the first of its samples
    sa.Column("crop", sa.Text, nullable=False),
    sa.Column("other_crops", sa.JSON, nullable=False),  # further crops a report was asked for
    number("yield_goal"),
    text("yield_unit"),
    text("previous_crop"),
    text("tillage"),
    sa.Column("irrigated", sa.Boolean, nullable=True),  # NULL: not known
    sa.Column("limed_in_two_years", sa.Boolean, nullable=True),
    number("manure_n_kg_per_ha"),
    number("manure_p2o5_kg_per_ha"),
    number("manure_k2o_kg_per_ha"),
    sa.Column("manured_since_harvest", sa.Boolean, nullable=True),
    sa.Column("manured_in_three_years", sa.Boolean, nullable=True),
    flag("near_water"),
    text("comment"),  # the adviser's, printed on the report
    text("tests_wanted"),
    flag("example"),
    sa.Column("version", sa.Integer, nullable=False, server_default="1"),
    sa.Column("registered_at", Utc, nullable=False),
    sa.Column("registered_by", sa.Text, nullable=False),
)  # fmt: skip

sample = sa.Table(
    "sample", metadata, row_id(),
    to("laboratory_id", "laboratory.id"),
    to("sampling_id", "sampling.id", index=True),
    sa.Column("lab_number", sa.Text, nullable=False),
    text("label"),
    sa.Column("depth_from_cm", sa.Float(53), nullable=False),
    sa.Column("depth_to_cm", sa.Float(53), nullable=False),
    sa.Column("sampled_on", sa.Date, nullable=False),
    sa.Column("received_on", sa.Date, nullable=True),
    text("texture"),
    text("soil_group"),
    number("cores"),
    number("bulk_density_g_per_cm3"),
    number("lime_percent"),
    number("ph_water"),
    number("moisture_percent"),
    number("air_dry_moisture_percent"),
    number("soil_g"),
    number("extract_ml"),
    number("longitude"),
    number("latitude"),
    sa.UniqueConstraint("laboratory_id", "lab_number"),
    sa.Index("ix_sample_laboratory_id_id", "laboratory_id", "id"),  # a list from its newest on
)  # fmt: skip

# --------------------------------------------------------------------------------------- runs and values

run = sa.Table(
    "run", metadata, row_id(),
    to("laboratory_id", "laboratory.id"),
    sa.Column("run_id", sa.Text, nullable=False),  # the laboratory's name of the run
    sa.Column("run_id_folded", sa.Text, nullable=False),
    sa.Column("analyte", sa.Text, nullable=False),
    sa.Column("method", sa.Text, nullable=False),
    sa.Column("run_on", sa.Date, nullable=False),
    sa.Column("operator", sa.Text, nullable=False),
    sa.Column("file_name", sa.Text, nullable=False),
    sa.Column("content", sa.LargeBinary, nullable=False),  # as it came: a measurement is worked out from it
    sa.Column("content_sha256", sa.Text, nullable=False),
    sa.Column("side_content", sa.LargeBinary, nullable=True),  # the side file with header facts, if any
    sa.Column("layout", sa.Text, nullable=False),
    sa.Column("choice", sa.JSON, nullable=False),  # curve choices that differ from the header's
    sa.Column("excluded", sa.JSON, nullable=False),  # [[position, reason], ...]
    sa.Column("state", sa.Text, nullable=False),  # read | confirmed | accepted | held | rejected | released
    text("reason"),
    text("replaces"),  # run_id of the run this one is a rerun of
    sa.Column("version", sa.Integer, nullable=False, server_default="1"),
    sa.Column("uploaded_at", Utc, nullable=False),
    sa.Column("uploaded_by", sa.Text, nullable=False),
    sa.Column("decided_at", Utc, nullable=True),
    text("decided_by"),
    sa.Column("released_at", Utc, nullable=True),
    text("released_by"),
    sa.Column("sheet", sa.JSON, nullable=True),  # interpretation.results.RunSheet as released
    sa.Column("sheet_card", sa.JSON, nullable=True),  # reports.view.LaboratoryCard as issued with it
    text("sheet_language"),
    sa.Column("sheet_sha256", sa.ForeignKey("document.sha256"), nullable=True),
    sa.UniqueConstraint("laboratory_id", "run_id_folded"),
    sa.Index("ix_run_laboratory_state", "laboratory_id", "state"),
)  # fmt: skip

waiting_cup = sa.Table(  # samples of released runs that no list has named yet
    "waiting_cup", metadata, row_id(),
    to("laboratory_id", "laboratory.id"),
    to("run_id", "run.id", index=True),
    sa.Column("lab_number", sa.Text, nullable=False),
    sa.UniqueConstraint("run_id", "lab_number"),
    sa.Index("ix_waiting_cup_laboratory_number", "laboratory_id", "lab_number"),
)  # fmt: skip

soil_value = sa.Table(
    "soil_value", metadata, row_id(),
    to("sample_id", "sample.id"),
    to("run_id", "run.id", nullable=True, index=True),  # NULL: typed
    sa.Column("analyte", sa.Text, nullable=False),
    sa.Column("form", sa.Text, nullable=False),
    sa.Column("method", sa.Text, nullable=False),
    number("value"),
    number("below"),
    sa.Column("unit", sa.Text, nullable=False),
    sa.Column("basis", sa.Text, nullable=False),
    number("standard_uncertainty"),
    sa.Column("origin", sa.Text, nullable=False),
    sa.Column("released_at", Utc, nullable=False),
    sa.Column("released_by", sa.Text, nullable=False),
    sa.Column("superseded_at", Utc, nullable=True),  # these two are the one change ever made:
    # NULL with a time beside it: a typed value that was withdrawn, nothing in its place
    sa.Column("superseded_by", sa.ForeignKey("soil_value.id"), nullable=True),
    sa.Index("ix_soil_value_sample", "sample_id"),
    sa.Index(
        "uq_soil_value_standing", "sample_id", "analyte", "method", unique=True,
        sqlite_where=sa.text("superseded_at IS NULL"), postgresql_where=sa.text("superseded_at IS NULL"),
    ),
    sa.CheckConstraint("(value IS NULL) != (below IS NULL)", name="number_or_limit"),
)  # fmt: skip

# ------------------------------------------------------------------------------------------ reports

document = sa.Table(  # PDFs, by what they are
    "document", metadata,
    sa.Column("sha256", sa.Text, primary_key=True),
    sa.Column("content", sa.LargeBinary, nullable=False),
    sa.Column("created_at", Utc, nullable=False),
)  # fmt: skip

report = sa.Table(
    "report", metadata, row_id(),
    to("laboratory_id", "laboratory.id"),
    to("sampling_id", "sampling.id", index=True),
    sa.Column("report_id", sa.Text, nullable=False, unique=True),  # as printed
    sa.Column("issued_on", sa.Date, nullable=False),
    sa.Column("issued_at", Utc, nullable=False),
    sa.Column("issued_by", sa.Text, nullable=False),
    sa.Column("crop", sa.Text, nullable=False),
    sa.Column("language", sa.Text, nullable=False),
    sa.Column("units", sa.Text, nullable=False),
    sa.Column("paper", sa.Text, nullable=False),
    sa.Column("advice", sa.JSON, nullable=False),  # interpretation.results.FieldAdvice
    sa.Column("card", sa.JSON, nullable=False),  # reports.view.LaboratoryCard as issued
    # service.actions.reportinputs.ReportInputs, from which both follow; NULL in older reports.
    sa.Column("inputs", sa.JSON, nullable=True),
    sa.Column("tables_sha256", sa.Text, nullable=False),
    # The releases it was made from; NULL in reports older than releases.
    to("region_release_id", "table_release.id", nullable=True),
    to("shared_release_id", "table_release.id", nullable=True),
    sa.Column("document_sha256", sa.ForeignKey("document.sha256"), nullable=False),
    sa.Column("replaces", sa.ForeignKey("report.id"), nullable=True, unique=True),
    sa.Index("ix_report_laboratory_issued", "laboratory_id", "id"),
)  # fmt: skip
