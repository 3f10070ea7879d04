"""One table for the secret links of crews: to their page and to their calendar."""

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None

TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    with op.batch_alter_table("crew_link") as batch_op:
        batch_op.add_column(sa.Column("opens", sa.String(), nullable=True))
    op.execute("UPDATE crew_link SET opens = 'page'")
    with op.batch_alter_table("crew_link") as batch_op:
        batch_op.alter_column("opens", existing_type=sa.String(), nullable=False)
    # Who made and ended a link to a calendar was not kept beside it; the log of changes has it.
    op.execute(
        "INSERT INTO crew_link (site_id, opens, crew, digest, made_utc, made_by, revoked_utc, revoked_by) "
        "SELECT site_id, 'calendar', crew, digest, made_utc, '', revoked_utc, '' FROM calendar_link ORDER BY id"
    )
    op.drop_table("calendar_link")


def downgrade() -> None:
    op.create_table(
        "calendar_link",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("crew", sa.String(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("made_utc", TIME, nullable=False),
        sa.Column("revoked_utc", TIME, nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_calendar_link_site_id_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calendar_link")),
        sa.UniqueConstraint("digest", name=op.f("uq_calendar_link_digest")),
    )
    op.create_index(op.f("ix_calendar_link_site_id"), "calendar_link", ["site_id"], unique=False)
    op.execute(
        "INSERT INTO calendar_link (site_id, crew, digest, made_utc, revoked_utc) "
        "SELECT site_id, crew, digest, made_utc, revoked_utc FROM crew_link WHERE opens = 'calendar' ORDER BY id"
    )
    # What stays would open the crew's page.
    op.execute("DELETE FROM crew_link WHERE opens = 'calendar'")
    with op.batch_alter_table("crew_link") as batch_op:
        batch_op.drop_column("opens")
