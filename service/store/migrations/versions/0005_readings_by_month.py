"""On PostgreSQL, readings lie in partitions by month; SQLite has one clustered table and needs nothing.

The partitions at both ends take what lies outside the months that are made one by one, so that there is no default
partition: one would have to be locked and searched for each new month.
"""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

_FIRST_MS, _END_MS = 946_684_800_000, 4_102_444_800_000  # 2000-01-01 and 2100-01-01, UTC
_MONTH = "date_trunc('month', to_timestamp(at_ms / 1000.0) AT TIME ZONE 'UTC')"
_COLUMNS = (
    ("channel_id", sa.Integer()),
    ("at_ms", sa.BigInteger()),
    ("value", sa.Float(precision=53)),
    ("flags", sa.SmallInteger()),
)
_EACH_MONTH = f"""
DO $$
DECLARE month timestamp;
BEGIN
  FOR month IN SELECT DISTINCT {_MONTH} FROM unparted WHERE at_ms >= {_FIRST_MS} AND at_ms < {_END_MS} LOOP
    EXECUTE format(
      'CREATE TABLE %I PARTITION OF reading FOR VALUES FROM (%s) TO (%s)',
      to_char(month, '"reading_"YYYY_MM'),
      (extract(epoch FROM month) * 1000)::bigint,
      (extract(epoch FROM month + interval '1 month') * 1000)::bigint);
  END LOOP;
END $$
"""  # noqa: S608 - the bounds are ours


def upgrade() -> None:
    if op.get_bind().dialect.name != "postgresql":
        return
    _set_aside()
    _make("RANGE (at_ms)")
    op.execute(f"CREATE TABLE reading_before PARTITION OF reading FOR VALUES FROM (MINVALUE) TO ({_FIRST_MS})")
    op.execute(f"CREATE TABLE reading_after PARTITION OF reading FOR VALUES FROM ({_END_MS}) TO (MAXVALUE)")
    op.execute(_EACH_MONTH)
    _take_back()


def downgrade() -> None:
    if op.get_bind().dialect.name != "postgresql":
        return
    _set_aside()
    _make()
    _take_back()


def _set_aside() -> None:
    op.rename_table("reading", "unparted")
    op.execute("ALTER TABLE unparted RENAME CONSTRAINT reading_pkey TO unparted_pkey")


def _make(partition_by: str | None = None) -> None:
    columns = [sa.Column(name, kind, autoincrement=False, nullable=False) for name, kind in _COLUMNS]
    key = sa.PrimaryKeyConstraint("channel_id", "at_ms")
    op.create_table("reading", *columns, key, postgresql_partition_by=partition_by)


def _take_back() -> None:
    op.execute("INSERT INTO reading SELECT channel_id, at_ms, value, flags FROM unparted")
    op.drop_table("unparted")
