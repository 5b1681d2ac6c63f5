"""The newest reading of a channel is noted in place: no index on the number of its write, and room in its page."""

from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # Every batch changes it for each of its channels; who asks for what is new looks at a few hundred rows.
    op.drop_index("ix_channel_state_write", table_name="channel_state")
    if op.get_bind().dialect.name == "postgresql":
        op.execute("ALTER TABLE channel_state SET (fillfactor = 40)")


def downgrade() -> None:
    if op.get_bind().dialect.name == "postgresql":
        op.execute("ALTER TABLE channel_state RESET (fillfactor)")
    op.create_index("ix_channel_state_write", "channel_state", ["write"])
