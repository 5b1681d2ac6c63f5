"""Past days of a channel are sealed into one row each, and spans can be pinned."""

import sqlalchemy as sa
from alembic import op

from service.store.blocks import decode_day

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "reading_block",
        sa.Column("channel_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("day", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("readings", sa.Integer(), nullable=False),
        sa.Column("fit", sa.Integer(), nullable=False),
        sa.Column("flags", sa.SmallInteger(), nullable=False),
        sa.Column("common_flags", sa.SmallInteger(), nullable=False),
        sa.Column("first_ms", sa.BigInteger(), nullable=False),
        sa.Column("last_ms", sa.BigInteger(), nullable=False),
        sa.Column("spacing_ms", sa.Integer(), nullable=False),
        sa.Column("longest_ms", sa.Integer(), nullable=False),
        sa.Column("low_ms", sa.BigInteger(), nullable=True),
        sa.Column("high_ms", sa.BigInteger(), nullable=True),
        sa.Column("first_value", sa.Float(precision=53), nullable=True),
        sa.Column("last_value", sa.Float(precision=53), nullable=True),
        sa.Column("low", sa.Float(precision=53), nullable=True),
        sa.Column("high", sa.Float(precision=53), nullable=True),
        sa.Column("mean", sa.Float(precision=53), nullable=True),
        sa.Column("summary_checksum", sa.BigInteger(), nullable=False),
        sa.Column("checksum", sa.LargeBinary(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=True),
        sa.PrimaryKeyConstraint("channel_id", "day"),
    )
    if op.get_bind().dialect.name == "postgresql":
        # The bytes are compressed already.
        op.execute("ALTER TABLE reading_block ALTER COLUMN body SET STORAGE EXTERNAL")
    op.create_table(
        "pinned_span",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("channel_id", sa.Integer(), nullable=True),
        sa.Column("enclosure_id", sa.Integer(), nullable=True),
        sa.Column("from_at", sa.BigInteger(), nullable=False),
        sa.Column("until_at", sa.BigInteger(), nullable=True),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("entered_by", sa.String(), nullable=False),
        sa.Column("entered_at", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["channel_id"], ["channel.id"]),
        sa.ForeignKeyConstraint(["enclosure_id"], ["enclosure.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_pinned_span_channel_id", "pinned_span", ["channel_id"])
    op.create_index("ix_pinned_span_enclosure_id", "pinned_span", ["enclosure_id"])
    counters = sa.table("counter", sa.column("name", sa.String), sa.column("value", sa.BigInteger))
    op.bulk_insert(counters, [{"name": "sealed", "value": -1}])


def downgrade() -> None:
    _unpack()
    counters = sa.table("counter", sa.column("name", sa.String))
    op.execute(sa.delete(counters).where(counters.c.name == "sealed"))
    op.drop_table("pinned_span")
    op.drop_table("reading_block")


def _unpack() -> None:
    """Make rows of the sealed readings again; a day that is damaged stops the way back."""
    connection = op.get_bind()
    names = ("channel_id", "day", "readings", "body")
    block = sa.table("reading_block", *(sa.column(name) for name in names))
    reading = sa.table("reading", *(sa.column(name) for name in ("channel_id", "at_ms", "value", "flags")))
    keys = sa.select(block.c.channel_id, block.c.day).where(block.c.body.is_not(None))
    for channel_id, day in connection.execute(keys).all():
        held = sa.select(block.c.readings, block.c.body).where(block.c.channel_id == channel_id, block.c.day == day)
        count, body = connection.execute(held).one()
        columns = [array.tolist() for array in decode_day(bytes(body), day, count)]
        rows = [
            {"channel_id": channel_id, "at_ms": at, "value": value, "flags": flags}
            for at, value, flags in zip(*columns, strict=True)
        ]
        connection.execute(sa.insert(reading), rows)
