"""Orders of work that were asked for."""

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"
branch_labels = None
depends_on = None

TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "order_run",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("asked_utc", TIME, nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("shifts", sa.Integer(), nullable=False),
        sa.Column("site_revision", sa.Integer(), nullable=False),
        sa.Column("forecast_id", sa.Integer(), nullable=True),
        sa.Column("schedule_version", sa.String(), nullable=False),
        sa.Column("copy_name", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("step", sa.String(), nullable=False),
        sa.Column("cost", sa.Float(), nullable=True),
        sa.Column("bound", sa.Float(), nullable=True),
        sa.Column("gap", sa.Float(), nullable=True),
        sa.Column("beat_utc", TIME, nullable=False),
        sa.Column("ended_utc", TIME, nullable=True),
        sa.Column("cancelled_by", sa.String(), nullable=False),
        sa.Column("problem", sa.String(), nullable=False),
        sa.Column("advice", sa.LargeBinary(), nullable=True),
        sa.Column("taken", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_order_run_site_id_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_order_run")),
    )
    op.create_index(op.f("ix_order_run_site_id_id"), "order_run", ["site_id", "id"], unique=False)


def downgrade() -> None:
    op.drop_index(op.f("ix_order_run_site_id_id"), table_name="order_run")
    op.drop_table("order_run")
