"""The stock ledger of gas cylinders."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "stock_entry",
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("entry_key", sa.String(), nullable=False),
        sa.Column("entered_utc", sa.DateTime(timezone=True), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("movement", sa.String(), nullable=False),
        sa.Column("at_utc", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("cylinders", sa.Integer(), nullable=True),
        sa.Column("full_change", sa.Integer(), nullable=True),
        sa.Column("in_use_change", sa.Integer(), nullable=True),
        sa.Column("empty_change", sa.Integer(), nullable=True),
        sa.Column("order_no", sa.String(), nullable=False),
        sa.Column("left_kg", sa.Float(), nullable=True),
        sa.Column("used_kg", sa.Float(), nullable=True),
        sa.Column("residual_kg", sa.Float(), nullable=True),
        sa.Column("corrects", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_stock_entry_site_id_site")),
        sa.ForeignKeyConstraint(
            ["site_id", "corrects"],
            ["stock_entry.site_id", "stock_entry.number"],
            name=op.f("fk_stock_entry_site_id_corrects_stock_entry"),
        ),
        sa.PrimaryKeyConstraint("site_id", "number", name=op.f("pk_stock_entry")),
        sa.UniqueConstraint("site_id", "entry_key", name=op.f("uq_stock_entry_site_id_entry_key")),
    )


def downgrade() -> None:
    op.drop_table("stock_entry")
