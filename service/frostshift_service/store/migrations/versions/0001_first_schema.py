"""First schema."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "site",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("latitude", sa.Float(), nullable=False),
        sa.Column("longitude", sa.Float(), nullable=False),
        sa.Column("altitude_m", sa.Float(), nullable=True),
        sa.Column("zone", sa.String(), nullable=False),
        sa.Column("table_id", sa.String(), nullable=False),
        sa.Column("code_units", sa.String(), nullable=False),
        sa.Column("shifts", sa.JSON(), nullable=False),
        sa.Column("heat_sources", sa.JSON(), nullable=False),
        sa.Column("choices", sa.JSON(), nullable=False),
        sa.Column("last_nights_low_c", sa.Float(), nullable=True),
        sa.Column("terrain", sa.String(), nullable=False),
        sa.Column("show_units", sa.String(), nullable=False),
        sa.Column("feed", sa.String(), nullable=True),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_site")),
    )
    op.create_table(
        "acceptance",
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("table_id", sa.String(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("accepted_by", sa.String(), nullable=False),
        sa.Column("accepted_on", sa.Date(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_acceptance_site_id_site")),
        sa.PrimaryKeyConstraint("site_id", "table_id", name=op.f("pk_acceptance")),
    )
    op.create_table(
        "feed_state",
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("feed", sa.String(), nullable=False),
        sa.Column("next_try_utc", sa.DateTime(timezone=True), nullable=False),
        sa.Column("last_answer_utc", sa.DateTime(timezone=True), nullable=True),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("last_error", sa.String(), nullable=False),
        sa.Column("state", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_feed_state_site_id_site")),
        sa.PrimaryKeyConstraint("site_id", "feed", name=op.f("pk_feed_state")),
    )
    op.create_table(
        "forecast",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("latitude", sa.Float(), nullable=False),
        sa.Column("longitude", sa.Float(), nullable=False),
        sa.Column("feed", sa.String(), nullable=False),
        sa.Column("issued_utc", sa.DateTime(timezone=True), nullable=True),
        sa.Column("fetched_utc", sa.DateTime(timezone=True), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.Column("first_hour_utc", sa.DateTime(timezone=True), nullable=False),
        sa.Column("last_hour_utc", sa.DateTime(timezone=True), nullable=False),
        sa.Column("hours", sa.LargeBinary(), nullable=False),
        sa.Column("attribution", sa.String(), nullable=False),
        sa.Column("warnings", sa.JSON(), nullable=False),
        sa.Column("quality", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_forecast_site_id_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_forecast")),
    )
    with op.batch_alter_table("forecast", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_forecast_site_id_fetched_utc"), ["site_id", "fetched_utc"], unique=False)

    op.create_table(
        "procedure",
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("minimum_c", sa.Float(), nullable=True),
        sa.Column("maximum_c", sa.Float(), nullable=True),
        sa.Column("qualified_by_test", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_procedure_site_id_site")),
        sa.PrimaryKeyConstraint("site_id", "name", name=op.f("pk_procedure")),
    )
    op.create_table(
        "schedule_import",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("at_utc", sa.DateTime(timezone=True), nullable=False),
        sa.Column("file_name", sa.String(), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("joints", sa.Integer(), nullable=False),
        sa.Column("added", sa.JSON(), nullable=False),
        sa.Column("changed", sa.JSON(), nullable=False),
        sa.Column("vanished", sa.JSON(), nullable=False),
        sa.Column("returned", sa.JSON(), nullable=False),
        sa.Column("moves_undone", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_schedule_import_site_id_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_schedule_import")),
    )
    with op.batch_alter_table("schedule_import", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_schedule_import_site_id"), ["site_id"], unique=False)

    op.create_table(
        "joint",
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("mark", sa.String(), nullable=False),
        sa.Column("place", sa.String(), nullable=False),
        sa.Column("crew", sa.String(), nullable=False),
        sa.Column("start_utc", sa.DateTime(timezone=True), nullable=False),
        sa.Column("schedule_start_utc", sa.DateTime(timezone=True), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("present", sa.Boolean(), nullable=False),
        sa.Column("rest", sa.JSON(), nullable=False),
        sa.Column("row_no", sa.Integer(), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=False),
        sa.Column("defaults", sa.JSON(), nullable=False),
        sa.Column("problems", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["import_id"], ["schedule_import.id"], name=op.f("fk_joint_import_id_schedule_import")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_joint_site_id_site")),
        sa.PrimaryKeyConstraint("site_id", "mark", name=op.f("pk_joint")),
    )
    op.create_table(
        "plan",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("made_utc", sa.DateTime(timezone=True), nullable=False),
        sa.Column("forecast_id", sa.Integer(), nullable=True),
        sa.Column("kept_because", sa.String(), nullable=False),
        sa.Column("inputs", sa.LargeBinary(), nullable=False),
        sa.Column("hours", sa.LargeBinary(), nullable=True),
        sa.Column("result", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["forecast_id"], ["forecast.id"], name=op.f("fk_plan_forecast_id_forecast")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_plan_site_id_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_plan")),
    )
    with op.batch_alter_table("plan", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_plan_forecast_id"), ["forecast_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_plan_site_id_made_utc"), ["site_id", "made_utc"], unique=False)

    op.create_table(
        "joint_change",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("mark", sa.String(), nullable=False),
        sa.Column("at_utc", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("field", sa.String(), nullable=False),
        sa.Column("was", sa.String(), nullable=False),
        sa.Column("became", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["site_id", "mark"], ["joint.site_id", "joint.mark"], name=op.f("fk_joint_change_site_id_mark_joint")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_joint_change")),
    )
    with op.batch_alter_table("joint_change", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_joint_change_site_id_mark"), ["site_id", "mark"], unique=False)

    op.create_table(
        "reading",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("mark", sa.String(), nullable=False),
        sa.Column("steel_c", sa.Float(), nullable=False),
        sa.Column("at_utc", sa.DateTime(timezone=True), nullable=False),
        sa.Column("instrument", sa.String(), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["site_id", "mark"], ["joint.site_id", "joint.mark"], name=op.f("fk_reading_site_id_mark_joint")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reading")),
    )
    with op.batch_alter_table("reading", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_reading_site_id_at_utc"), ["site_id", "at_utc"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("reading", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_reading_site_id_at_utc"))

    op.drop_table("reading")
    with op.batch_alter_table("joint_change", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_joint_change_site_id_mark"))

    op.drop_table("joint_change")
    with op.batch_alter_table("plan", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_plan_site_id_made_utc"))
        batch_op.drop_index(batch_op.f("ix_plan_forecast_id"))

    op.drop_table("plan")
    op.drop_table("joint")
    with op.batch_alter_table("schedule_import", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_schedule_import_site_id"))

    op.drop_table("schedule_import")
    op.drop_table("procedure")
    with op.batch_alter_table("forecast", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_forecast_site_id_fetched_utc"))

    op.drop_table("forecast")
    op.drop_table("feed_state")
    op.drop_table("acceptance")
    op.drop_table("site")
