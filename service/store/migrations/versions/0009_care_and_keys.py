"""What has to be done again and again, what was done, keys that let in, and who reads which degrees."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "care_task",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("enclosure_id", sa.Integer(), nullable=True),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("every_days", sa.Float(), nullable=False),
        sa.Column("first_due", sa.BigInteger(), nullable=False),
        sa.Column("made_at", sa.BigInteger(), nullable=False),
        sa.Column("made_by", sa.String(), nullable=False),
        sa.Column("retired_at", sa.BigInteger(), nullable=True),
        sa.Column("retired_by", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["enclosure_id"], ["enclosure.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_care_task_enclosure_id", "care_task", ["enclosure_id"])
    _create_done()
    op.create_table(
        "api_token",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("scopes", sa.String(), nullable=False),
        sa.Column("token", sa.String(), nullable=False),
        sa.Column("made_at", sa.BigInteger(), nullable=False),
        sa.Column("made_by", sa.String(), nullable=False),
        sa.Column("expires_at", sa.BigInteger(), nullable=True),
        sa.Column("seen_at", sa.BigInteger(), nullable=True),
        sa.Column("revoked_at", sa.BigInteger(), nullable=True),
        sa.Column("revoked_by", sa.String(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("token"),
    )
    # Not as a batch: that would drop the table, which sessions refer to.
    op.add_column("person", sa.Column("degrees", sa.String(), nullable=True))


def _create_done() -> None:
    op.create_table(
        "care_done",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("task_id", sa.Integer(), nullable=True),
        sa.Column("enclosure_id", sa.Integer(), nullable=True),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("entered_at", sa.BigInteger(), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("value", sa.Float(), nullable=True),
        sa.Column("zone", sa.String(), nullable=True),
        sa.Column("note", sa.String(), nullable=True),
        sa.Column("sent_key", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["task_id"], ["care_task.id"]),
        sa.ForeignKeyConstraint(["enclosure_id"], ["enclosure.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("sent_key"),
    )
    for column in ("task_id", "enclosure_id", "at"):
        op.create_index(f"ix_care_done_{column}", "care_done", [column])


def downgrade() -> None:
    op.drop_column("person", "degrees")
    for table in ("api_token", "care_done", "care_task"):
        op.drop_table(table)
