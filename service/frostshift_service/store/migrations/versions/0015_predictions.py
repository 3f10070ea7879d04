"""What was predicted of a joint stays with its readings: plans are thinned, and later ones no longer hold it."""

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("reading") as batch_op:
        batch_op.add_column(sa.Column("predicted", sa.LargeBinary(), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("reading") as batch_op:
        batch_op.drop_column("predicted")
