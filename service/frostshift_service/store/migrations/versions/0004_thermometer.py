"""The site's thermometer: air readings, and the tokens with which devices post them."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "device_token",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("made_utc", sa.DateTime(timezone=True), nullable=False),
        sa.Column("revoked_utc", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_used_utc", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_device_token_site_id_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_device_token")),
        sa.UniqueConstraint("digest", name=op.f("uq_device_token_digest")),
    )
    op.create_index(op.f("ix_device_token_site_id"), "device_token", ["site_id"], unique=False)
    op.create_table(
        "air_reading",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("token_id", sa.Integer(), nullable=True),
        sa.Column("air_c", sa.Float(), nullable=False),
        sa.Column("at_utc", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("source", sa.String(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_air_reading_site_id_site")),
        sa.ForeignKeyConstraint(["token_id"], ["device_token.id"], name=op.f("fk_air_reading_token_id_device_token")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_air_reading")),
        sa.UniqueConstraint("site_id", "token_id", "at_utc", name=op.f("uq_air_reading_site_id_token_id_at_utc")),
    )
    op.create_index(op.f("ix_air_reading_site_id_at_utc"), "air_reading", ["site_id", "at_utc"], unique=False)


def downgrade() -> None:
    op.drop_index(op.f("ix_air_reading_site_id_at_utc"), table_name="air_reading")
    op.drop_table("air_reading")
    op.drop_index(op.f("ix_device_token_site_id"), table_name="device_token")
    op.drop_table("device_token")
