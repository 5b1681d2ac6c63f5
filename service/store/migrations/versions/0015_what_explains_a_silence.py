"""A hold may be about several places, and says which alarm explains it; holds that begin or end are counted."""

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None

_COUNTER = sa.table("counter", sa.column("name", sa.String), sa.column("value", sa.BigInteger))


def upgrade() -> None:
    with op.batch_alter_table("alarm_hold") as table:
        table.add_column(sa.Column("places", sa.JSON(), nullable=True))
        table.add_column(sa.Column("because", sa.String(), nullable=True))
    op.bulk_insert(_COUNTER, [{"name": "holds", "value": 0}])
    # A blackout that stands now lets its silences go by this.
    op.execute(
        "UPDATE alarm_hold SET because = (SELECT 'room/' || room.key FROM room WHERE room.id = alarm_hold.room_id) "
        "WHERE ended_at IS NULL AND kind = 'suppressed by design' AND room_id IS NOT NULL"
    )


def downgrade() -> None:
    op.execute(sa.delete(_COUNTER).where(_COUNTER.c.name == "holds"))
    with op.batch_alter_table("alarm_hold") as table:
        table.drop_column("because")
        table.drop_column("places")
