"""What nobody has claimed is kept to be claimed; gateways name their probes; a keeper's own figures of an element."""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None

_NAMES = ("each_pointer", "called", "called_at")
_COUNTER = sa.table("counter", sa.column("name", sa.String), sa.column("value", sa.BigInteger))


def upgrade() -> None:
    for name in _NAMES:
        op.add_column("probe", sa.Column(name, sa.String(), nullable=True))
    op.add_column("channel", sa.Column("figures", sa.JSON(), nullable=True))
    op.create_table(
        "unclaimed_source",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("topic", sa.String(), nullable=False),
        sa.Column("called", sa.String(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("count", sa.BigInteger(), nullable=False),
        sa.Column("first_at", sa.BigInteger(), nullable=False),
        sa.Column("last_at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("topic", "called"),
    )
    op.create_table(
        "unclaimed_message",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("topic", sa.String(), nullable=False),
        sa.Column("received_at", sa.BigInteger(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.Column("retained", sa.Boolean(), nullable=False),
        sa.Column("resumed_at", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_unclaimed_message_topic", "unclaimed_message", ["topic"])
    op.bulk_insert(_COUNTER, [{"name": "unclaimed", "value": 0}])


def downgrade() -> None:
    op.execute(_COUNTER.delete().where(_COUNTER.c.name == "unclaimed"))
    op.drop_table("unclaimed_message")
    op.drop_table("unclaimed_source")
    with op.batch_alter_table("channel") as batch_op:
        batch_op.drop_column("figures")
    with op.batch_alter_table("probe") as batch_op:
        for name in reversed(_NAMES):
            batch_op.drop_column(name)
