"""Alarms that are held back: shelved, suppressed by design, out of service."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "alarm_hold",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("condition", sa.String(), nullable=True),
        sa.Column("place", sa.String(), nullable=True),
        sa.Column("enclosure_id", sa.Integer(), nullable=True),
        sa.Column("room_id", sa.Integer(), nullable=True),
        sa.Column("from_at", sa.BigInteger(), nullable=False),
        sa.Column("until_at", sa.BigInteger(), nullable=True),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("note", sa.String(), nullable=True),
        sa.Column("ended_at", sa.BigInteger(), nullable=True),
        sa.Column("ended_by", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["enclosure_id"], ["enclosure.id"]),
        sa.ForeignKeyConstraint(["room_id"], ["room.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_alarm_hold_enclosure_id", "alarm_hold", ["enclosure_id"])
    op.create_table(
        "room_watch_state",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("memory", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )


def downgrade() -> None:
    op.drop_table("room_watch_state")
    op.drop_table("alarm_hold")
