"""Readings between passes, by crayon and from phones without a network; the secret links of crews' pages."""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None

TIME = sa.DateTime(timezone=True)
_TOLD = ("entered_by", "sense", "stage", "point")


def upgrade() -> None:
    with op.batch_alter_table("reading") as batch_op:
        batch_op.add_column(sa.Column("entered_utc", TIME, nullable=True))
        for name in _TOLD:
            batch_op.add_column(sa.Column(name, sa.String(), nullable=True))
        batch_op.add_column(sa.Column("pass_no", sa.Integer(), nullable=True))
        batch_op.add_column(sa.Column("entry_key", sa.String(), nullable=True))
        batch_op.add_column(sa.Column("asked", sa.JSON(), nullable=True))
    # Until now every reading was a figure, taken before any heat and written down at once.
    reading = sa.table("reading", *(sa.column(name) for name in (*_TOLD, "entered_utc", "at_utc")))
    op.execute(
        reading.update().values(
            entered_utc=reading.c.at_utc, entered_by="", sense="measured", stage="before_heat", point=""
        )
    )
    with op.batch_alter_table("reading") as batch_op:
        for name in _TOLD:
            batch_op.alter_column(name, existing_type=sa.String(), nullable=False)
        batch_op.alter_column("entered_utc", existing_type=TIME, nullable=False)
        batch_op.create_unique_constraint(op.f("uq_reading_site_id_entry_key"), ["site_id", "entry_key"])
    op.create_table(
        "crew_link",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("crew", sa.String(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("made_utc", TIME, nullable=False),
        sa.Column("made_by", sa.String(), nullable=False),
        sa.Column("revoked_utc", TIME, nullable=True),
        sa.Column("revoked_by", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_crew_link_site_id_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_crew_link")),
        sa.UniqueConstraint("digest", name=op.f("uq_crew_link_digest")),
    )
    op.create_index(op.f("ix_crew_link_site_id"), "crew_link", ["site_id"], unique=False)


def downgrade() -> None:
    op.drop_table("crew_link")
    # What was measured with the heat in must not be taken for cold steel by whoever goes back.
    reading = sa.table("reading", sa.column("stage"), sa.column("sense"))
    op.execute(reading.delete().where((reading.c.stage != "before_heat") | (reading.c.sense != "measured")))
    with op.batch_alter_table("reading") as batch_op:
        batch_op.drop_constraint(op.f("uq_reading_site_id_entry_key"), type_="unique")
        for name in ("asked", "entry_key", "pass_no", "entered_utc", *reversed(_TOLD)):
            batch_op.drop_column(name)
