"""Crews of a site and the weights of its order of work."""

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # The default is for the rows that are there, and goes again: new rows say what they hold.
    with op.batch_alter_table("site") as batch_op:
        batch_op.add_column(sa.Column("work", sa.JSON(), nullable=False, server_default=sa.text("'{}'")))
    with op.batch_alter_table("site") as batch_op:
        batch_op.alter_column("work", existing_type=sa.JSON(), existing_nullable=False, server_default=None)


def downgrade() -> None:
    with op.batch_alter_table("site") as batch_op:
        batch_op.drop_column("work")
