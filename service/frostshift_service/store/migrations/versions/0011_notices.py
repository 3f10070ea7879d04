"""Notices: who hears what, what was told, what is on its way, and the log of it."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None

TIME = sa.DateTime(timezone=True)


def _of_site(table: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f(f"fk_{table}_site_id_site"))


def _of_notice(table: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(["number"], ["notice.number"], name=op.f(f"fk_{table}_number_notice"))


def upgrade() -> None:
    op.create_table(
        "notice_setup",
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("setup", sa.JSON(), nullable=False),
        _of_site("notice_setup"),
        sa.PrimaryKeyConstraint("site_id", name=op.f("pk_notice_setup")),
    )
    op.create_table(
        "notice_told",
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("told", sa.LargeBinary(), nullable=False),
        sa.Column("plan_made_utc", TIME, nullable=True),
        _of_site("notice_told"),
        sa.PrimaryKeyConstraint("site_id", name=op.f("pk_notice_told")),
    )
    op.create_table(
        "notice",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("rank", sa.Integer(), nullable=False),
        sa.Column("decided_utc", TIME, nullable=False),
        sa.Column("until_utc", TIME, nullable=True),
        sa.Column("plan_id", sa.Integer(), nullable=True),
        sa.Column("notice", sa.LargeBinary(), nullable=False),
        sa.Column("answered_utc", TIME, nullable=True),
        sa.Column("answered_by", sa.String(), nullable=False),
        _of_site("notice"),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_notice")),
        sa.UniqueConstraint("site_id", "key", name=op.f("uq_notice_site_id_key")),
    )
    op.create_index(op.f("ix_notice_site_id_decided_utc"), "notice", ["site_id", "decided_utc"], unique=False)
    op.create_table(
        "notice_recipient",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.String(), nullable=False),
        sa.Column("turn", sa.Integer(), nullable=False),
        sa.Column("due_utc", TIME, nullable=False),
        _of_notice("notice_recipient"),
        sa.PrimaryKeyConstraint("number", "person_id", "turn", name=op.f("pk_notice_recipient")),
    )
    op.create_table(
        "notice_delivery",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("person_id", sa.String(), nullable=False),
        sa.Column("address_key", sa.String(), nullable=False),
        sa.Column("turn", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("first_due_utc", TIME, nullable=False),
        sa.Column("due_utc", TIME, nullable=False),
        sa.Column("claimed_utc", TIME, nullable=True),
        sa.Column("sent_utc", TIME, nullable=True),
        sa.Column("last_error", sa.String(), nullable=False),
        _of_notice("notice_delivery"),
        _of_site("notice_delivery"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_notice_delivery")),
        sa.UniqueConstraint(
            "number",
            "person_id",
            "address_key",
            "turn",
            name=op.f("uq_notice_delivery_number_person_id_address_key_turn"),
        ),
    )
    op.create_index(op.f("ix_notice_delivery_state_due_utc"), "notice_delivery", ["state", "due_utc"], unique=False)
    op.create_index(
        op.f("ix_notice_delivery_site_id_address_key"), "notice_delivery", ["site_id", "address_key"], unique=False
    )
    op.create_table(
        "answer_link",
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("delivery_id", sa.Integer(), nullable=False),
        sa.Column("made_utc", TIME, nullable=False),
        sa.ForeignKeyConstraint(
            ["delivery_id"], ["notice_delivery.id"], name=op.f("fk_answer_link_delivery_id_notice_delivery")
        ),
        sa.PrimaryKeyConstraint("digest", name=op.f("pk_answer_link")),
    )
    op.create_index(op.f("ix_answer_link_delivery_id"), "answer_link", ["delivery_id"], unique=False)
    op.create_table(
        "notice_log",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("at_utc", TIME, nullable=False),
        sa.Column("what", sa.String(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=True),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("detail", sa.String(), nullable=False),
        _of_notice("notice_log"),
        _of_site("notice_log"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_notice_log")),
    )
    op.create_index(op.f("ix_notice_log_number"), "notice_log", ["number"], unique=False)
    op.create_index(op.f("ix_notice_log_site_id_at_utc"), "notice_log", ["site_id", "at_utc"], unique=False)
    op.create_table(
        "address_off",
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("address_key", sa.String(), nullable=False),
        sa.Column("person_id", sa.String(), nullable=False),
        sa.Column("since_utc", TIME, nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        _of_site("address_off"),
        sa.PrimaryKeyConstraint("site_id", "address_key", name=op.f("pk_address_off")),
    )
    op.create_table(
        "calendar_link",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("crew", sa.String(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("made_utc", TIME, nullable=False),
        sa.Column("revoked_utc", TIME, nullable=True),
        _of_site("calendar_link"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calendar_link")),
        sa.UniqueConstraint("digest", name=op.f("uq_calendar_link_digest")),
    )
    op.create_index(op.f("ix_calendar_link_site_id"), "calendar_link", ["site_id"], unique=False)


def downgrade() -> None:
    op.drop_table("calendar_link")
    op.drop_table("address_off")
    op.drop_table("notice_log")
    op.drop_table("answer_link")
    op.drop_table("notice_delivery")
    op.drop_table("notice_recipient")
    op.drop_table("notice")
    op.drop_table("notice_told")
    op.drop_table("notice_setup")
