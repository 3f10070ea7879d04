"""A site's own rule tables and which text of one was accepted; what a welding procedure covers."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # The default is for the rows that are there, and goes again: new rows say what they hold.
    with op.batch_alter_table("site") as batch_op:
        batch_op.add_column(sa.Column("own_tables", sa.JSON(), nullable=False, server_default=sa.text("'[]'")))
    with op.batch_alter_table("site") as batch_op:
        batch_op.alter_column("own_tables", existing_type=sa.JSON(), existing_nullable=False, server_default=None)
    with op.batch_alter_table("acceptance") as batch_op:
        batch_op.add_column(sa.Column("fingerprint", sa.String(), nullable=False, server_default=""))
    with op.batch_alter_table("acceptance") as batch_op:
        batch_op.alter_column("fingerprint", existing_type=sa.String(), existing_nullable=False, server_default=None)
    with op.batch_alter_table("procedure") as batch_op:
        batch_op.add_column(sa.Column("steels", sa.JSON(), nullable=False, server_default=sa.text("'[]'")))
        batch_op.add_column(sa.Column("from_mm", sa.Float(), nullable=True))
        batch_op.add_column(sa.Column("to_mm", sa.Float(), nullable=True))
        batch_op.add_column(sa.Column("process", sa.String(), nullable=True))
    with op.batch_alter_table("procedure") as batch_op:
        batch_op.alter_column("steels", existing_type=sa.JSON(), existing_nullable=False, server_default=None)


def downgrade() -> None:
    with op.batch_alter_table("procedure") as batch_op:
        for name in ("process", "to_mm", "from_mm", "steels"):
            batch_op.drop_column(name)
    with op.batch_alter_table("acceptance") as batch_op:
        batch_op.drop_column("fingerprint")
    with op.batch_alter_table("site") as batch_op:
        batch_op.drop_column("own_tables")
