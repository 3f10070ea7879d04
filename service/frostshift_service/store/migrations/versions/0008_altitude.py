"""The height of the place that a forecast, its history and what a station measured were asked for."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

_TABLES = ("forecast", "forecast_history", "observed_hours")


def upgrade() -> None:
    for table in _TABLES:
        with op.batch_alter_table(table) as batch_op:
            batch_op.add_column(sa.Column("altitude_m", sa.Float(), nullable=True))
        # Nobody wrote down the height that was asked for: the site's present one is taken.
        op.execute(f"UPDATE {table} SET altitude_m = (SELECT altitude_m FROM site WHERE site.id = {table}.site_id)")


def downgrade() -> None:
    for table in reversed(_TABLES):
        with op.batch_alter_table(table) as batch_op:
            batch_op.drop_column("altitude_m")
