"""Where the watch stands with each enclosure as a whole."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "enclosure_watch_state",
        sa.Column("enclosure_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("memory", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["enclosure_id"], ["enclosure.id"]),
        sa.PrimaryKeyConstraint("enclosure_id"),
    )


def downgrade() -> None:
    op.drop_table("enclosure_watch_state")
