"""Schedule files that wait to be saved, what was changed of joints at once, and joints that no schedule has held."""

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None

TIME = sa.DateTime(timezone=True)


def _of_site(table: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f(f"fk_{table}_site_id_site"))


def upgrade() -> None:
    op.create_table(
        "schedule_draft",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("at_utc", TIME, nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("file_name", sa.String(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        _of_site("schedule_draft"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_schedule_draft")),
    )
    op.create_index(op.f("ix_schedule_draft_site_id"), "schedule_draft", ["site_id"], unique=False)
    op.create_table(
        "schedule_act",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("at_utc", TIME, nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("text", sa.String(), nullable=False),
        sa.Column("joints", sa.Integer(), nullable=False),
        sa.Column("changes", sa.LargeBinary(), nullable=False),
        sa.Column("undone_utc", TIME, nullable=True),
        _of_site("schedule_act"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_schedule_act")),
    )
    op.create_index(op.f("ix_schedule_act_site_id"), "schedule_act", ["site_id"], unique=False)
    with op.batch_alter_table("joint") as batch_op:
        batch_op.alter_column("import_id", existing_type=sa.Integer(), nullable=True)


def downgrade() -> None:
    # A joint that no schedule has held goes to the site's last one; where there was none, one is made up for it.
    none = "CAST('[]' AS JSON)" if op.get_bind().dialect.name == "postgresql" else "'[]'"
    op.execute(
        'INSERT INTO schedule_import (site_id, at_utc, file_name, "by", joints, added, changed, vanished, returned, '
        f"moves_undone) SELECT id, CURRENT_TIMESTAMP, '', '', 0, {none}, {none}, {none}, {none}, {none} FROM site "
        "WHERE id IN (SELECT site_id FROM joint WHERE import_id IS NULL) "
        "AND id NOT IN (SELECT site_id FROM schedule_import)"
    )
    op.execute(
        "UPDATE joint SET import_id = (SELECT MAX(id) FROM schedule_import WHERE schedule_import.site_id = "
        "joint.site_id) WHERE import_id IS NULL"
    )
    with op.batch_alter_table("joint") as batch_op:
        batch_op.alter_column("import_id", existing_type=sa.Integer(), nullable=False)
    op.drop_table("schedule_act")
    op.drop_table("schedule_draft")
