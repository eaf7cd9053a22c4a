"""Every table of the database. Columns carry their unit in the name, or have ``unit`` beside them.

Times are UTC. What was released or issued is never changed: a newer row points at the older one.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa

from service.characters import search_words

NAMES = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}
metadata = sa.MetaData(naming_convention=NAMES)


class Utc(sa.types.TypeDecorator[datetime]):
    """An instant. SQLite forgets the zone of a time, so everything is stored as UTC and comes back so."""

    impl = sa.DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, _dialect: sa.Dialect) -> datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("an instant without a time zone cannot be stored")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, _dialect: sa.Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


def _id() -> sa.Column[int]:
    return sa.Column("id", sa.Integer, primary_key=True, autoincrement=True)


def _text(name: str, **more: Any) -> sa.Column[str]:
    """A text that is never NULL: what is not known is empty."""
    return sa.Column(name, sa.Text, nullable=False, server_default="", **more)


def _number(name: str) -> sa.Column[float]:
    return sa.Column(name, sa.Float(53), nullable=True)


def _flag(name: str) -> sa.Column[bool]:
    return sa.Column(name, sa.Boolean, nullable=False, server_default=sa.false())


def _words(*of: str) -> sa.Column[str]:
    """The words by which a row is found: made from other columns when it is added.

    Whoever changes one of those columns later writes this one too, with ``search_words``.
    """

    def made(context: Any) -> str:
        given = context.get_current_parameters()
        return search_words(*(given.get(name) or "" for name in of))

    return sa.Column("words", sa.Text, nullable=False, server_default="", default=made)


def _to(name: str, target: str, *, nullable: bool = False, **more: Any) -> sa.Column[int]:
    return sa.Column(name, sa.ForeignKey(target), nullable=nullable, **more)


# ------------------------------------------------------------------------------- laboratories and people

laboratory = sa.Table(
    "laboratory", metadata, _id(),
    sa.Column("name", sa.Text, nullable=False, unique=True),
    sa.Column("card", sa.JSON, nullable=False),  # LaboratoryCard, without what is one page's
    _text("limits"),  # YAML of acceptance limits; empty: the shipped ones
    sa.Column("created_at", Utc, nullable=False),
)  # fmt: skip

county = sa.Table(
    "county", metadata,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("region", sa.Text, nullable=False),  # id of a region of the tables
)  # fmt: skip

account = sa.Table(
    "account", metadata, _id(),
    sa.Column("email", sa.Text, nullable=False, unique=True),  # folded: one address, one account
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("role", sa.Text, nullable=False),
    _to("laboratory_id", "laboratory.id", nullable=True),
    _text("region"),
    sa.Column("language", sa.Text, nullable=False, server_default="en"),
    _text("password_hash"),
    _text("totp_secret"),
    sa.Column("totp_step", sa.Integer, nullable=False, server_default="0"),  # last one used: none twice
    sa.Column("created_at", Utc, nullable=False),
    sa.Column("disabled_at", Utc, nullable=True),
)  # fmt: skip

account_county = sa.Table(
    "account_county", metadata,
    _to("account_id", "account.id", primary_key=True),
    _to("county_id", "county.id", primary_key=True),
)  # fmt: skip

session = sa.Table(
    "session", metadata, _id(),
    sa.Column("token_sha256", sa.Text, nullable=False, unique=True),
    _to("account_id", "account.id", index=True),
    sa.Column("form_token", sa.Text, nullable=False),  # sent back with every form
    sa.Column("created_at", Utc, nullable=False),
    sa.Column("seen_at", Utc, nullable=False),
    _flag("confirmed"),  # the second factor was shown
)  # fmt: skip

access_token = sa.Table(
    "access_token", metadata, _id(),
    sa.Column("token_sha256", sa.Text, nullable=False, unique=True),
    _to("account_id", "account.id", index=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("rights", sa.JSON, nullable=False),
    sa.Column("created_at", Utc, nullable=False),
    sa.Column("expires_at", Utc, nullable=False),
    sa.Column("revoked_at", Utc, nullable=True),
)  # fmt: skip

link = sa.Table(
    "link", metadata, _id(),
    sa.Column("token_sha256", sa.Text, nullable=False, unique=True),
    sa.Column("purpose", sa.Text, nullable=False),  # set-password | report
    _to("account_id", "account.id", nullable=True),
    _to("report_id", "report.id", nullable=True, index=True),
    sa.Column("created_at", Utc, nullable=False),
    sa.Column("expires_at", Utc, nullable=False),
    sa.Column("used_at", Utc, nullable=True),
)  # fmt: skip

attempt = sa.Table(  # failed sign-ins and other counted tries, for lockout and rate limits
    "attempt", metadata, _id(),
    sa.Column("key", sa.Text, nullable=False),
    sa.Column("at", Utc, nullable=False),
    sa.Index("ix_attempt_key_at", "key", "at"),
)  # fmt: skip

audit = sa.Table(
    "audit", metadata, _id(),
    sa.Column("at", Utc, nullable=False, index=True),
    sa.Column("account_id", sa.Integer, nullable=True),  # no foreign key: the line outlives the account
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("door", sa.Text, nullable=False),
    sa.Column("verb", sa.Text, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("object_id", sa.Text, nullable=False),
    sa.Column("before", sa.JSON, nullable=True),
    sa.Column("after", sa.JSON, nullable=True),
    _text("reason"),
    _text("request_id"),
    sa.Index("ix_audit_kind_object", "kind", "object_id"),
)  # fmt: skip

submission = sa.Table(  # requests that carry an idempotency key, and their answers
    "submission", metadata, _id(),
    _to("account_id", "account.id"),
    sa.Column("key", sa.Text, nullable=False),
    sa.Column("request_sha256", sa.Text, nullable=False),
    _flag("carried_out"),  # set in the very transaction that stores what was submitted
    sa.Column("status", sa.Integer, nullable=False, server_default="0"),  # 0: not answered yet
    _text("content_type"),
    sa.Column("answer", sa.LargeBinary, nullable=True),
    sa.Column("created_at", Utc, nullable=False, index=True),
    sa.UniqueConstraint("account_id", "key"),
    sqlite_autoincrement=True,  # no number twice: a late try must not meet the row of a newer one
)  # fmt: skip

# ------------------------------------------------------------------------------------- growers and land

grower = sa.Table(
    "grower", metadata, _id(),
    _to("laboratory_id", "laboratory.id", index=True),
    sa.Column("code", sa.Text, nullable=True),  # the laboratory's number of the client; NULL: none given
    _text("name"),
    _text("address"),
    _text("telephone"),
    _text("email"),
    sa.Column("language", sa.Text, nullable=False, server_default="en"),
    sa.Column("units", sa.Text, nullable=False, server_default="metric"),
    _flag("mail_consent"),
    _text("copy_to"),  # a dealer's or adviser's address, used only with consent
    _flag("copy_consent"),
    sa.Column("created_at", Utc, nullable=False),
    sa.Column("erased_at", Utc, nullable=True),
    _words("name", "code"),
    sa.UniqueConstraint("laboratory_id", "code"),
    sa.Index("ix_grower_search", "laboratory_id", "words"),
)  # fmt: skip

farm = sa.Table(
    "farm", metadata, _id(),
    _to("grower_id", "grower.id", index=True),
    _text("name"),
    _words("name"),
)  # fmt: skip

field = sa.Table(
    "field", metadata, _id(),
    _to("laboratory_id", "laboratory.id"),
    _to("farm_id", "farm.id", index=True),
    sa.Column("code", sa.Text, nullable=False),  # field_id of the lists of samples
    sa.Column("code_folded", sa.Text, nullable=False),
    _text("name"),
    _to("county_id", "county.id", nullable=True, index=True),
    sa.Column("region", sa.Text, nullable=False),
    _number("area_ha"),
    sa.Column("outline", sa.JSON, nullable=True),  # GeoJSON Polygon, WGS 84
    sa.Column("created_at", Utc, nullable=False),
    _words("name", "code"),
    sa.UniqueConstraint("laboratory_id", "code_folded"),
    sa.Index("ix_field_search", "laboratory_id", "words"),
)  # fmt: skip

sampling = sa.Table(  # one visit to a field: its samples share a crop plan and a report
    "sampling", metadata, _id(),
    _to("field_id", "field.id", index=True),
    sa.Column("sampled_on", sa.Date, nullable=False),  # the first of its samples
    sa.Column("crop", sa.Text, nullable=False),
    sa.Column("other_crops", sa.JSON, nullable=False),  # further crops a report was asked for
    _number("yield_goal"),
    _text("yield_unit"),
    _text("previous_crop"),
    _text("tillage"),
    sa.Column("irrigated", sa.Boolean, nullable=True),  # NULL: not known
    sa.Column("limed_in_two_years", sa.Boolean, nullable=True),
    _number("manure_n_kg_per_ha"),
    _number("manure_p2o5_kg_per_ha"),
    _number("manure_k2o_kg_per_ha"),
    sa.Column("manured_since_harvest", sa.Boolean, nullable=True),
    sa.Column("manured_in_three_years", sa.Boolean, nullable=True),
    _flag("near_water"),
    _text("comment"),  # the adviser's, printed on the report
    _text("tests_wanted"),
    _flag("example"),
    sa.Column("version", sa.Integer, nullable=False, server_default="1"),
    sa.Column("registered_at", Utc, nullable=False),
    sa.Column("registered_by", sa.Text, nullable=False),
)  # fmt: skip

sample = sa.Table(
    "sample", metadata, _id(),
    _to("laboratory_id", "laboratory.id"),
    _to("sampling_id", "sampling.id", index=True),
    sa.Column("lab_number", sa.Text, nullable=False),
    _text("label"),
    sa.Column("depth_from_cm", sa.Float(53), nullable=False),
    sa.Column("depth_to_cm", sa.Float(53), nullable=False),
    sa.Column("sampled_on", sa.Date, nullable=False),
    sa.Column("received_on", sa.Date, nullable=True),
    _text("texture"),
    _text("soil_group"),
    _number("cores"),
    _number("bulk_density_g_per_cm3"),
    _number("lime_percent"),
    _number("ph_water"),
    _number("moisture_percent"),
    _number("air_dry_moisture_percent"),
    _number("soil_g"),
    _number("extract_ml"),
    _number("longitude"),
    _number("latitude"),
    sa.UniqueConstraint("laboratory_id", "lab_number"),
    sa.Index("ix_sample_laboratory_id_id", "laboratory_id", "id"),  # a list from its newest on
)  # fmt: skip

# --------------------------------------------------------------------------------------- runs and values

run = sa.Table(
    "run", metadata, _id(),
    _to("laboratory_id", "laboratory.id"),
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
    _text("reason"),
    _text("replaces"),  # run_id of the run this one is a rerun of
    sa.Column("version", sa.Integer, nullable=False, server_default="1"),
    sa.Column("uploaded_at", Utc, nullable=False),
    sa.Column("uploaded_by", sa.Text, nullable=False),
    sa.Column("decided_at", Utc, nullable=True),
    _text("decided_by"),
    sa.Column("released_at", Utc, nullable=True),
    _text("released_by"),
    sa.Column("sheet", sa.JSON, nullable=True),  # interpretation.results.RunSheet as released
    sa.Column("sheet_card", sa.JSON, nullable=True),  # reports.view.LaboratoryCard as issued with it
    _text("sheet_language"),
    sa.Column("sheet_sha256", sa.ForeignKey("document.sha256"), nullable=True),
    sa.UniqueConstraint("laboratory_id", "run_id_folded"),
    sa.Index("ix_run_laboratory_state", "laboratory_id", "state"),
)  # fmt: skip

waiting_cup = sa.Table(  # samples of released runs that no list has named yet
    "waiting_cup", metadata, _id(),
    _to("laboratory_id", "laboratory.id"),
    _to("run_id", "run.id", index=True),
    sa.Column("lab_number", sa.Text, nullable=False),
    sa.UniqueConstraint("run_id", "lab_number"),
    sa.Index("ix_waiting_cup_laboratory_number", "laboratory_id", "lab_number"),
)  # fmt: skip

soil_value = sa.Table(
    "soil_value", metadata, _id(),
    _to("sample_id", "sample.id"),
    _to("run_id", "run.id", nullable=True, index=True),  # NULL: typed
    sa.Column("analyte", sa.Text, nullable=False),
    sa.Column("form", sa.Text, nullable=False),
    sa.Column("method", sa.Text, nullable=False),
    _number("value"),
    _number("below"),
    sa.Column("unit", sa.Text, nullable=False),
    sa.Column("basis", sa.Text, nullable=False),
    _number("standard_uncertainty"),
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
    "report", metadata, _id(),
    _to("laboratory_id", "laboratory.id"),
    _to("sampling_id", "sampling.id", index=True),
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
    sa.Column("tables_sha256", sa.Text, nullable=False),
    sa.Column("document_sha256", sa.ForeignKey("document.sha256"), nullable=False),
    sa.Column("replaces", sa.ForeignKey("report.id"), nullable=True, unique=True),
    sa.Index("ix_report_laboratory_issued", "laboratory_id", "id"),
)  # fmt: skip
