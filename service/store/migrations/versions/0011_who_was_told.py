"""What has to be told of alarms, to whom, and what became of it."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "telling",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("transition_id", sa.Integer(), nullable=False),
        sa.Column("step", sa.Integer(), nullable=False),
        sa.Column("look_at", sa.BigInteger(), nullable=False),
        sa.Column("touched_at", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["transition_id"], ["alarm_transition.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("transition_id", "step"),
    )
    op.create_index("ix_telling_look_at", "telling", ["look_at"])
    op.create_table(
        "delivery",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("contact_id", sa.Integer(), nullable=False),
        sa.Column("room_id", sa.Integer(), nullable=True),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("urgent", sa.Boolean(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("made_at", sa.BigInteger(), nullable=False),
        sa.Column("due_at", sa.BigInteger(), nullable=False),
        sa.Column("touched_at", sa.BigInteger(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("failing_since", sa.BigInteger(), nullable=True),
        sa.Column("said", sa.String(), nullable=True),
        sa.Column("worker", sa.String(), nullable=True),
        sa.Column("lease_until", sa.BigInteger(), nullable=True),
        sa.Column("sent_at", sa.BigInteger(), nullable=True),
        sa.Column("title", sa.String(), nullable=True),
        sa.Column("body", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["contact_id"], ["contact.id"]),
        sa.ForeignKeyConstraint(["room_id"], ["room.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_delivery_contact_id", "delivery", ["contact_id"])
    op.create_index("ix_delivery_state_due_at", "delivery", ["state", "due_at"])
    op.create_table(
        "delivery_item",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("delivery_id", sa.Integer(), nullable=False),
        sa.Column("contact_id", sa.Integer(), nullable=False),
        sa.Column("alarm_id", sa.Integer(), nullable=False),
        sa.Column("transition_id", sa.Integer(), nullable=False),
        sa.Column("step", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["delivery_id"], ["delivery.id"]),
        sa.ForeignKeyConstraint(["contact_id"], ["contact.id"]),
        sa.ForeignKeyConstraint(["alarm_id"], ["alarm.id"]),
        sa.ForeignKeyConstraint(["transition_id"], ["alarm_transition.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("contact_id", "transition_id", "step"),
    )
    op.create_index("ix_delivery_item_delivery_id", "delivery_item", ["delivery_id"])
    op.create_index("ix_delivery_item_alarm_id", "delivery_item", ["alarm_id"])
    op.create_table(
        "route_state",
        sa.Column("contact_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("failing_since", sa.BigInteger(), nullable=True),
        sa.Column("said", sa.String(), nullable=True),
        sa.Column("tried_at", sa.BigInteger(), nullable=True),
        sa.Column("sent_at", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["contact_id"], ["contact.id"]),
        sa.PrimaryKeyConstraint("contact_id"),
    )


def downgrade() -> None:
    op.drop_table("route_state")
    op.drop_table("delivery_item")
    op.drop_table("delivery")
    op.drop_table("telling")
