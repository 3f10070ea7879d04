"""Which weather service the payload of a file is of."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

_CREDITS = (("nws", "%US National Weather Service%"), ("met_norway", "%MET Norway%"), ("open_meteo", "%Open-Meteo%"))


def upgrade() -> None:
    with op.batch_alter_table("forecast") as batch_op:
        batch_op.add_column(sa.Column("service", sa.String(), nullable=True))
    # The credit line of those that are there names it.
    forecast = sa.table("forecast", *(sa.column(name) for name in ("feed", "service", "attribution")))
    for service, credit in _CREDITS:
        of_files = (forecast.c.feed == "file") & forecast.c.attribution.like(credit)
        op.execute(forecast.update().where(of_files).values(service=service))


def downgrade() -> None:
    with op.batch_alter_table("forecast") as batch_op:
        batch_op.drop_column("service")
