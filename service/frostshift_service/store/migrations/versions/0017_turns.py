"""Which copy of the service works on a site, and the revision of the site that a plan was made from."""

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None

TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "site_turn",
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("due_utc", TIME, nullable=False),
        sa.Column("copy_name", sa.String(), nullable=False),
        sa.Column("held_until_utc", TIME, nullable=True),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_site_turn_site_id_site")),
        sa.PrimaryKeyConstraint("site_id", name=op.f("pk_site_turn")),
    )
    op.create_index(op.f("ix_site_turn_due_utc"), "site_turn", ["due_utc"], unique=False)
    # Every site is due at once.
    op.execute(
        "INSERT INTO site_turn (site_id, due_utc, copy_name, held_until_utc, number, revision) "
        "SELECT id, '2000-01-01 00:00:00+00:00', '', NULL, 0, 0 FROM site"
    )
    with op.batch_alter_table("plan") as batch_op:
        batch_op.add_column(sa.Column("site_revision", sa.Integer(), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("plan") as batch_op:
        batch_op.drop_column("site_revision")
    op.drop_table("site_turn")
