"""Weather alerts of a site, and what stations near it measured."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "alerts",
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("latitude", sa.Float(), nullable=False),
        sa.Column("longitude", sa.Float(), nullable=False),
        sa.Column("fetched_utc", sa.DateTime(timezone=True), nullable=True),
        sa.Column("next_try_utc", sa.DateTime(timezone=True), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("last_error", sa.String(), nullable=False),
        sa.Column("state", sa.JSON(), nullable=False),
        sa.Column("alerts", sa.JSON(), nullable=False),
        sa.Column("warnings", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_alerts_site_id_site")),
        sa.PrimaryKeyConstraint("site_id", name=op.f("pk_alerts")),
    )
    op.create_table(
        "observed_hours",
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("station", sa.String(), nullable=False),
        sa.Column("latitude", sa.Float(), nullable=False),
        sa.Column("longitude", sa.Float(), nullable=False),
        sa.Column("title", sa.String(), nullable=False),
        sa.Column("distance_km", sa.Float(), nullable=False),
        sa.Column("height_m", sa.Float(), nullable=False),
        sa.Column("fetched_utc", sa.DateTime(timezone=True), nullable=False),
        sa.Column("hours", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_observed_hours_site_id_site")),
        sa.PrimaryKeyConstraint("site_id", "station", name=op.f("pk_observed_hours")),
    )


def downgrade() -> None:
    op.drop_table("observed_hours")
    op.drop_table("alerts")
