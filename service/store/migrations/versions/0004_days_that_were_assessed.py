"""Assessed days are kept, and a day that was written to late knows by which write."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "channel_day",
        sa.Column("channel_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("day", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("write", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("channel_id", "day"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "assessment_day",
        sa.Column("enclosure_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("fingerprint", sa.LargeBinary(), nullable=False),
        sa.Column("inputs", sa.LargeBinary(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["enclosure_id"], ["enclosure.id"]),
        sa.PrimaryKeyConstraint("enclosure_id", "day"),
        sqlite_with_rowid=False,
    )


def downgrade() -> None:
    op.drop_table("assessment_day")
    op.drop_table("channel_day")
