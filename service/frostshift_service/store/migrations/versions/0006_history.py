"""What was forecast for an hour, and how long before."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "forecast_history",
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("feed", sa.String(), nullable=False),
        sa.Column("fetched_utc", sa.DateTime(timezone=True), nullable=False),
        sa.Column("latitude", sa.Float(), nullable=False),
        sa.Column("longitude", sa.Float(), nullable=False),
        sa.Column("first_hour_utc", sa.DateTime(timezone=True), nullable=False),
        sa.Column("last_hour_utc", sa.DateTime(timezone=True), nullable=False),
        sa.Column("series", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_forecast_history_site_id_site")),
        sa.PrimaryKeyConstraint("site_id", "feed", "fetched_utc", name=op.f("pk_forecast_history")),
    )


def downgrade() -> None:
    op.drop_table("forecast_history")
