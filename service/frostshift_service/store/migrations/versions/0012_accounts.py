"""Accounts, their roles at sites, sessions, one-time links, tokens of programs, and the log of changes to all that."""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

TIME = sa.DateTime(timezone=True)


def _of_account(table: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(["account_id"], ["account.id"], name=op.f(f"fk_{table}_account_id_account"))


def _of_site(table: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f(f"fk_{table}_site_id_site"))


def upgrade() -> None:
    op.create_table(
        "account",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("email", sa.String(), nullable=True),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("password_hash", sa.String(), nullable=True),
        sa.Column("owner", sa.Boolean(), nullable=False),
        sa.Column("proven", sa.Boolean(), nullable=False),
        sa.Column("units", sa.String(), nullable=True),
        sa.Column("made_utc", TIME, nullable=False),
        sa.Column("entered_utc", TIME, nullable=True),
        sa.Column("closed_utc", TIME, nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_account")),
        sa.UniqueConstraint("email", name=op.f("uq_account_email")),
    )
    op.create_table(
        "site_role",
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        _of_account("site_role"),
        _of_site("site_role"),
        sa.PrimaryKeyConstraint("site_id", "account_id", name=op.f("pk_site_role")),
    )
    op.create_index(op.f("ix_site_role_account_id"), "site_role", ["account_id"], unique=False)
    op.create_table(
        "session",
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("made_utc", TIME, nullable=False),
        sa.Column("seen_utc", TIME, nullable=False),
        sa.Column("browser", sa.String(), nullable=False),
        sa.Column("by_link", sa.Boolean(), nullable=False),
        _of_account("session"),
        sa.PrimaryKeyConstraint("digest", name=op.f("pk_session")),
    )
    op.create_index(op.f("ix_session_account_id"), "session", ["account_id"], unique=False)
    op.create_table(
        "entry_link",
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("made_utc", TIME, nullable=False),
        sa.Column("until_utc", TIME, nullable=False),
        sa.Column("email", sa.String(), nullable=True),
        sa.Column("proves", sa.Boolean(), nullable=False),
        _of_account("entry_link"),
        sa.PrimaryKeyConstraint("digest", name=op.f("pk_entry_link")),
    )
    op.create_index(op.f("ix_entry_link_account_id"), "entry_link", ["account_id"], unique=False)
    op.create_table(
        "entry_attempt",
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("last_utc", TIME, nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_entry_attempt")),
    )
    op.create_table(
        "machine_token",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("scopes", sa.JSON(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("made_utc", TIME, nullable=False),
        sa.Column("made_by", sa.String(), nullable=False),
        sa.Column("revoked_utc", TIME, nullable=True),
        sa.Column("last_used_utc", TIME, nullable=True),
        _of_site("machine_token"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_machine_token")),
        sa.UniqueConstraint("digest", name=op.f("uq_machine_token_digest")),
    )
    op.create_index(op.f("ix_machine_token_site_id"), "machine_token", ["site_id"], unique=False)
    op.create_table(
        "audit",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("at_utc", TIME, nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("what", sa.String(), nullable=False),
        sa.Column("detail", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit")),
    )
    op.create_index(op.f("ix_audit_site_id_id"), "audit", ["site_id", "id"], unique=False)


def downgrade() -> None:
    for table in ("audit", "machine_token", "entry_attempt", "entry_link", "session", "site_role", "account"):
        op.drop_table(table)
