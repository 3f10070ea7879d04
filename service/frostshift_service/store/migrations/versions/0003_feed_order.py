"""Feeds that stand in for another, the feed in use, and a feed's own issue time."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("site") as batch_op:
        batch_op.add_column(sa.Column("instead", sa.JSON(), nullable=True))
    with op.batch_alter_table("feed_state") as batch_op:
        batch_op.add_column(sa.Column("issued_utc", sa.DateTime(timezone=True), nullable=True))
        batch_op.add_column(sa.Column("held_utc", sa.DateTime(timezone=True), nullable=True))
    op.create_table(
        "feed_in_use",
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("feed", sa.String(), nullable=False),
        sa.Column("since_utc", sa.DateTime(timezone=True), nullable=False),
        sa.Column("before", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_feed_in_use_site_id_site")),
        sa.PrimaryKeyConstraint("site_id", name=op.f("pk_feed_in_use")),
    )


def downgrade() -> None:
    op.drop_table("feed_in_use")
    with op.batch_alter_table("feed_state") as batch_op:
        batch_op.drop_column("held_utc")
        batch_op.drop_column("issued_utc")
    with op.batch_alter_table("site") as batch_op:
        batch_op.drop_column("instead")
