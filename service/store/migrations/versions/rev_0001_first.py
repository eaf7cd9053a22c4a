"""The first schema.

Revision: 0001
Follows: nothing
"""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "attempt",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_attempt")),
    )
    with op.batch_alter_table("attempt", schema=None) as batch_op:
        batch_op.create_index("ix_attempt_key_at", ["key", "at"], unique=False)

    op.create_table(
        "audit",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("door", sa.Text(), nullable=False),
        sa.Column("verb", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("object_id", sa.Text(), nullable=False),
        sa.Column("before", sa.JSON(), nullable=True),
        sa.Column("after", sa.JSON(), nullable=True),
        sa.Column("reason", sa.Text(), server_default="", nullable=False),
        sa.Column("request_id", sa.Text(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit")),
    )
    with op.batch_alter_table("audit", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_audit_at"), ["at"], unique=False)
        batch_op.create_index("ix_audit_kind_object", ["kind", "object_id"], unique=False)

    op.create_table(
        "county",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("region", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_county")),
    )
    op.create_table(
        "document",
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_document")),
    )
    op.create_table(
        "laboratory",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("card", sa.JSON(), nullable=False),
        sa.Column("limits", sa.Text(), server_default="", nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_laboratory")),
        sa.UniqueConstraint("name", name=op.f("uq_laboratory_name")),
    )
    op.create_table(
        "account",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("email", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("laboratory_id", sa.Integer(), nullable=True),
        sa.Column("region", sa.Text(), server_default="", nullable=False),
        sa.Column("language", sa.Text(), server_default="en", nullable=False),
        sa.Column("password_hash", sa.Text(), server_default="", nullable=False),
        sa.Column("totp_secret", sa.Text(), server_default="", nullable=False),
        sa.Column("totp_step", sa.Integer(), server_default="0", nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("disabled_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["laboratory_id"], ["laboratory.id"], name=op.f("fk_account_laboratory_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_account")),
        sa.UniqueConstraint("email", name=op.f("uq_account_email")),
    )
    op.create_table(
        "grower",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("laboratory_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.Text(), nullable=True),
        sa.Column("name", sa.Text(), server_default="", nullable=False),
        sa.Column("address", sa.Text(), server_default="", nullable=False),
        sa.Column("telephone", sa.Text(), server_default="", nullable=False),
        sa.Column("email", sa.Text(), server_default="", nullable=False),
        sa.Column("language", sa.Text(), server_default="en", nullable=False),
        sa.Column("units", sa.Text(), server_default="metric", nullable=False),
        sa.Column("mail_consent", sa.Boolean(), server_default=sa.false(), nullable=False),
        sa.Column("copy_to", sa.Text(), server_default="", nullable=False),
        sa.Column("copy_consent", sa.Boolean(), server_default=sa.false(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("erased_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("words", sa.Text(), server_default="", nullable=False),
        sa.ForeignKeyConstraint(["laboratory_id"], ["laboratory.id"], name=op.f("fk_grower_laboratory_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_grower")),
        sa.UniqueConstraint("laboratory_id", "code", name=op.f("uq_grower_laboratory_id_code")),
    )
    with op.batch_alter_table("grower", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_grower_laboratory_id"), ["laboratory_id"], unique=False)
        batch_op.create_index("ix_grower_search", ["laboratory_id", "words"], unique=False)

    op.create_table(
        "run",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("laboratory_id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Text(), nullable=False),
        sa.Column("run_id_folded", sa.Text(), nullable=False),
        sa.Column("analyte", sa.Text(), nullable=False),
        sa.Column("method", sa.Text(), nullable=False),
        sa.Column("run_on", sa.Date(), nullable=False),
        sa.Column("operator", sa.Text(), nullable=False),
        sa.Column("file_name", sa.Text(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("content_sha256", sa.Text(), nullable=False),
        sa.Column("side_content", sa.LargeBinary(), nullable=True),
        sa.Column("layout", sa.Text(), nullable=False),
        sa.Column("choice", sa.JSON(), nullable=False),
        sa.Column("excluded", sa.JSON(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), server_default="", nullable=False),
        sa.Column("replaces", sa.Text(), server_default="", nullable=False),
        sa.Column("version", sa.Integer(), server_default="1", nullable=False),
        sa.Column("uploaded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("uploaded_by", sa.Text(), nullable=False),
        sa.Column("decided_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("decided_by", sa.Text(), server_default="", nullable=False),
        sa.Column("released_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("released_by", sa.Text(), server_default="", nullable=False),
        sa.Column("sheet", sa.JSON(), nullable=True),
        sa.Column("sheet_card", sa.JSON(), nullable=True),
        sa.Column("sheet_language", sa.Text(), server_default="", nullable=False),
        sa.Column("sheet_sha256", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["laboratory_id"], ["laboratory.id"], name=op.f("fk_run_laboratory_id")),
        sa.ForeignKeyConstraint(["sheet_sha256"], ["document.sha256"], name=op.f("fk_run_sheet_sha256")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_run")),
        sa.UniqueConstraint(
            "laboratory_id", "run_id_folded", name=op.f("uq_run_laboratory_id_run_id_folded")
        ),
    )
    with op.batch_alter_table("run", schema=None) as batch_op:
        batch_op.create_index("ix_run_laboratory_state", ["laboratory_id", "state"], unique=False)

    op.create_table(
        "access_token",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("token_sha256", sa.Text(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("rights", sa.JSON(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["account_id"], ["account.id"], name=op.f("fk_access_token_account_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_access_token")),
        sa.UniqueConstraint("token_sha256", name=op.f("uq_access_token_token_sha256")),
    )
    with op.batch_alter_table("access_token", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_access_token_account_id"), ["account_id"], unique=False)

    op.create_table(
        "account_county",
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("county_id", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["account.id"], name=op.f("fk_account_county_account_id")),
        sa.ForeignKeyConstraint(["county_id"], ["county.id"], name=op.f("fk_account_county_county_id")),
        sa.PrimaryKeyConstraint("account_id", "county_id", name=op.f("pk_account_county")),
    )
    op.create_table(
        "farm",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("grower_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), server_default="", nullable=False),
        sa.Column("words", sa.Text(), server_default="", nullable=False),
        sa.ForeignKeyConstraint(["grower_id"], ["grower.id"], name=op.f("fk_farm_grower_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_farm")),
    )
    with op.batch_alter_table("farm", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_farm_grower_id"), ["grower_id"], unique=False)

    op.create_table(
        "session",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("token_sha256", sa.Text(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("form_token", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("seen_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("confirmed", sa.Boolean(), server_default=sa.false(), nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["account.id"], name=op.f("fk_session_account_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_session")),
        sa.UniqueConstraint("token_sha256", name=op.f("uq_session_token_sha256")),
    )
    with op.batch_alter_table("session", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_session_account_id"), ["account_id"], unique=False)

    op.create_table(
        "submission",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("request_sha256", sa.Text(), nullable=False),
        sa.Column("carried_out", sa.Boolean(), server_default=sa.false(), nullable=False),
        sa.Column("status", sa.Integer(), server_default="0", nullable=False),
        sa.Column("content_type", sa.Text(), server_default="", nullable=False),
        sa.Column("answer", sa.LargeBinary(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["account.id"], name=op.f("fk_submission_account_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_submission")),
        sa.UniqueConstraint("account_id", "key", name=op.f("uq_submission_account_id_key")),
        sqlite_autoincrement=True,
    )
    with op.batch_alter_table("submission", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_submission_created_at"), ["created_at"], unique=False)

    op.create_table(
        "waiting_cup",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("laboratory_id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("lab_number", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["laboratory_id"], ["laboratory.id"], name=op.f("fk_waiting_cup_laboratory_id")
        ),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_waiting_cup_run_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_waiting_cup")),
        sa.UniqueConstraint("run_id", "lab_number", name=op.f("uq_waiting_cup_run_id_lab_number")),
    )
    with op.batch_alter_table("waiting_cup", schema=None) as batch_op:
        batch_op.create_index(
            "ix_waiting_cup_laboratory_number", ["laboratory_id", "lab_number"], unique=False
        )
        batch_op.create_index(batch_op.f("ix_waiting_cup_run_id"), ["run_id"], unique=False)

    op.create_table(
        "field",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("laboratory_id", sa.Integer(), nullable=False),
        sa.Column("farm_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("code_folded", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), server_default="", nullable=False),
        sa.Column("county_id", sa.Text(), nullable=True),
        sa.Column("region", sa.Text(), nullable=False),
        sa.Column("area_ha", sa.Float(precision=53), nullable=True),
        sa.Column("outline", sa.JSON(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("words", sa.Text(), server_default="", nullable=False),
        sa.ForeignKeyConstraint(["county_id"], ["county.id"], name=op.f("fk_field_county_id")),
        sa.ForeignKeyConstraint(["farm_id"], ["farm.id"], name=op.f("fk_field_farm_id")),
        sa.ForeignKeyConstraint(["laboratory_id"], ["laboratory.id"], name=op.f("fk_field_laboratory_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_field")),
        sa.UniqueConstraint("laboratory_id", "code_folded", name=op.f("uq_field_laboratory_id_code_folded")),
    )
    with op.batch_alter_table("field", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_field_county_id"), ["county_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_field_farm_id"), ["farm_id"], unique=False)
        batch_op.create_index("ix_field_search", ["laboratory_id", "words"], unique=False)

    op.create_table(
        "sampling",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("field_id", sa.Integer(), nullable=False),
        sa.Column("sampled_on", sa.Date(), nullable=False),
        sa.Column("crop", sa.Text(), nullable=False),
        sa.Column("other_crops", sa.JSON(), nullable=False),
        sa.Column("yield_goal", sa.Float(precision=53), nullable=True),
        sa.Column("yield_unit", sa.Text(), server_default="", nullable=False),
        sa.Column("previous_crop", sa.Text(), server_default="", nullable=False),
        sa.Column("tillage", sa.Text(), server_default="", nullable=False),
        sa.Column("irrigated", sa.Boolean(), nullable=True),
        sa.Column("limed_in_two_years", sa.Boolean(), nullable=True),
        sa.Column("manure_n_kg_per_ha", sa.Float(precision=53), nullable=True),
        sa.Column("manure_p2o5_kg_per_ha", sa.Float(precision=53), nullable=True),
        sa.Column("manure_k2o_kg_per_ha", sa.Float(precision=53), nullable=True),
        sa.Column("manured_since_harvest", sa.Boolean(), nullable=True),
        sa.Column("manured_in_three_years", sa.Boolean(), nullable=True),
        sa.Column("near_water", sa.Boolean(), server_default=sa.false(), nullable=False),
        sa.Column("comment", sa.Text(), server_default="", nullable=False),
        sa.Column("tests_wanted", sa.Text(), server_default="", nullable=False),
        sa.Column("example", sa.Boolean(), server_default=sa.false(), nullable=False),
        sa.Column("version", sa.Integer(), server_default="1", nullable=False),
        sa.Column("registered_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("registered_by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["field_id"], ["field.id"], name=op.f("fk_sampling_field_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sampling")),
    )
    with op.batch_alter_table("sampling", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_sampling_field_id"), ["field_id"], unique=False)

    op.create_table(
        "report",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("laboratory_id", sa.Integer(), nullable=False),
        sa.Column("sampling_id", sa.Integer(), nullable=False),
        sa.Column("report_id", sa.Text(), nullable=False),
        sa.Column("issued_on", sa.Date(), nullable=False),
        sa.Column("issued_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("issued_by", sa.Text(), nullable=False),
        sa.Column("crop", sa.Text(), nullable=False),
        sa.Column("language", sa.Text(), nullable=False),
        sa.Column("units", sa.Text(), nullable=False),
        sa.Column("paper", sa.Text(), nullable=False),
        sa.Column("advice", sa.JSON(), nullable=False),
        sa.Column("card", sa.JSON(), nullable=False),
        sa.Column("tables_sha256", sa.Text(), nullable=False),
        sa.Column("document_sha256", sa.Text(), nullable=False),
        sa.Column("replaces", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["document_sha256"], ["document.sha256"], name=op.f("fk_report_document_sha256")
        ),
        sa.ForeignKeyConstraint(["laboratory_id"], ["laboratory.id"], name=op.f("fk_report_laboratory_id")),
        sa.ForeignKeyConstraint(["replaces"], ["report.id"], name=op.f("fk_report_replaces")),
        sa.ForeignKeyConstraint(["sampling_id"], ["sampling.id"], name=op.f("fk_report_sampling_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_report")),
        sa.UniqueConstraint("replaces", name=op.f("uq_report_replaces")),
        sa.UniqueConstraint("report_id", name=op.f("uq_report_report_id")),
    )
    with op.batch_alter_table("report", schema=None) as batch_op:
        batch_op.create_index("ix_report_laboratory_issued", ["laboratory_id", "id"], unique=False)
        batch_op.create_index(batch_op.f("ix_report_sampling_id"), ["sampling_id"], unique=False)

    op.create_table(
        "sample",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("laboratory_id", sa.Integer(), nullable=False),
        sa.Column("sampling_id", sa.Integer(), nullable=False),
        sa.Column("lab_number", sa.Text(), nullable=False),
        sa.Column("label", sa.Text(), server_default="", nullable=False),
        sa.Column("depth_from_cm", sa.Float(precision=53), nullable=False),
        sa.Column("depth_to_cm", sa.Float(precision=53), nullable=False),
        sa.Column("sampled_on", sa.Date(), nullable=False),
        sa.Column("received_on", sa.Date(), nullable=True),
        sa.Column("texture", sa.Text(), server_default="", nullable=False),
        sa.Column("soil_group", sa.Text(), server_default="", nullable=False),
        sa.Column("cores", sa.Float(precision=53), nullable=True),
        sa.Column("bulk_density_g_per_cm3", sa.Float(precision=53), nullable=True),
        sa.Column("lime_percent", sa.Float(precision=53), nullable=True),
        sa.Column("ph_water", sa.Float(precision=53), nullable=True),
        sa.Column("moisture_percent", sa.Float(precision=53), nullable=True),
        sa.Column("air_dry_moisture_percent", sa.Float(precision=53), nullable=True),
        sa.Column("soil_g", sa.Float(precision=53), nullable=True),
        sa.Column("extract_ml", sa.Float(precision=53), nullable=True),
        sa.Column("longitude", sa.Float(precision=53), nullable=True),
        sa.Column("latitude", sa.Float(precision=53), nullable=True),
        sa.ForeignKeyConstraint(["laboratory_id"], ["laboratory.id"], name=op.f("fk_sample_laboratory_id")),
        sa.ForeignKeyConstraint(["sampling_id"], ["sampling.id"], name=op.f("fk_sample_sampling_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sample")),
        sa.UniqueConstraint("laboratory_id", "lab_number", name=op.f("uq_sample_laboratory_id_lab_number")),
    )
    with op.batch_alter_table("sample", schema=None) as batch_op:
        batch_op.create_index("ix_sample_laboratory_id_id", ["laboratory_id", "id"], unique=False)
        batch_op.create_index(batch_op.f("ix_sample_sampling_id"), ["sampling_id"], unique=False)

    op.create_table(
        "link",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("token_sha256", sa.Text(), nullable=False),
        sa.Column("purpose", sa.Text(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("report_id", sa.Integer(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("used_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["account_id"], ["account.id"], name=op.f("fk_link_account_id")),
        sa.ForeignKeyConstraint(["report_id"], ["report.id"], name=op.f("fk_link_report_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_link")),
        sa.UniqueConstraint("token_sha256", name=op.f("uq_link_token_sha256")),
    )
    with op.batch_alter_table("link", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_link_report_id"), ["report_id"], unique=False)

    op.create_table(
        "soil_value",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("sample_id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=True),
        sa.Column("analyte", sa.Text(), nullable=False),
        sa.Column("form", sa.Text(), nullable=False),
        sa.Column("method", sa.Text(), nullable=False),
        sa.Column("value", sa.Float(precision=53), nullable=True),
        sa.Column("below", sa.Float(precision=53), nullable=True),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("basis", sa.Text(), nullable=False),
        sa.Column("standard_uncertainty", sa.Float(precision=53), nullable=True),
        sa.Column("origin", sa.Text(), nullable=False),
        sa.Column("released_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("released_by", sa.Text(), nullable=False),
        sa.Column("superseded_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("superseded_by", sa.Integer(), nullable=True),
        sa.CheckConstraint("(value IS NULL) != (below IS NULL)", name=op.f("ck_soil_value_number_or_limit")),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_soil_value_run_id")),
        sa.ForeignKeyConstraint(["sample_id"], ["sample.id"], name=op.f("fk_soil_value_sample_id")),
        sa.ForeignKeyConstraint(
            ["superseded_by"], ["soil_value.id"], name=op.f("fk_soil_value_superseded_by")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_soil_value")),
    )
    with op.batch_alter_table("soil_value", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_soil_value_run_id"), ["run_id"], unique=False)
        batch_op.create_index("ix_soil_value_sample", ["sample_id"], unique=False)
        batch_op.create_index(
            "uq_soil_value_standing",
            ["sample_id", "analyte", "method"],
            unique=True,
            sqlite_where=sa.text("superseded_at IS NULL"),
            postgresql_where=sa.text("superseded_at IS NULL"),
        )
