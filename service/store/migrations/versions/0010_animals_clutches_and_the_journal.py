"""Groups, clutches, the journal, how far to look back, and verdicts that changed."""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # SQLite would make the table anew to change it otherwise, and housings refer to its rows.
    op.add_column("animal", sa.Column("members", sa.Integer(), nullable=False, server_default="1"))
    op.create_table(
        "clutch",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("species", sa.String(), nullable=False),
        sa.Column("mother_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["mother_id"], ["animal.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_clutch_name", "clutch", ["name"], unique=True)
    op.create_index("ix_clutch_mother_id", "clutch", ["mother_id"])
    _dated(
        "clutch_record",
        {"clutch_id": "clutch"},
        sa.Column("eggs", sa.Integer(), nullable=False),
        sa.Column("base", sa.Float(), nullable=True),
        sa.Column("needed_low", sa.Float(), nullable=True),
        sa.Column("needed_high", sa.Float(), nullable=True),
        sa.Column("basis", sa.String(), nullable=False),
        sa.Column("outcome", sa.String(), nullable=True),
        sa.Column("hatched", sa.Integer(), nullable=True),
    )
    _dated(
        "clutch_place",
        {"clutch_id": "clutch", "enclosure_id": "enclosure"},
        sa.Column("zone", sa.String(), nullable=False),
    )
    _dated(
        "journal_entry",
        {"animal_id": "animal", "clutch_id": "clutch", "enclosure_id": "enclosure"},
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("value", sa.Float(), nullable=True),
        sa.Column("note", sa.String(), nullable=False),
        optional=True,
    )
    op.create_index("ix_journal_entry_from_at", "journal_entry", ["from_at"])
    _undated()


def _dated(table: str, owners: dict[str, str], *columns: sa.Column[Any], optional: bool = False) -> None:
    """Make a table of dated facts about what `owners` name, by column."""
    op.create_table(
        table,
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("from_at", sa.BigInteger(), nullable=False),
        sa.Column("until_at", sa.BigInteger(), nullable=True),
        sa.Column("entered_by", sa.String(), nullable=False),
        sa.Column("entered_at", sa.BigInteger(), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("withdrawn", sa.Boolean(), nullable=False),
        *(sa.Column(column, sa.Integer(), nullable=optional) for column in owners),
        *columns,
        *(sa.ForeignKeyConstraint([column], [f"{owner}.id"]) for column, owner in owners.items()),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index(f"ix_{table}_replaces_id", table, ["replaces_id"], unique=True)
    for column in owners:
        op.create_index(f"ix_{table}_{column}", table, [column])


def _undated() -> None:
    op.create_table(
        "lag_window",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("species", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("days", sa.Integer(), nullable=False),
        sa.Column("entered_by", sa.String(), nullable=False),
        sa.Column("entered_at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("species", "kind"),
    )
    op.create_table(
        "verdict_change",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("enclosure_id", sa.Integer(), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("check", sa.String(), nullable=False),
        sa.Column("before", sa.String(), nullable=True),
        sa.Column("after", sa.String(), nullable=True),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("noted_at", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["enclosure_id"], ["enclosure.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_verdict_change_enclosure_id_day", "verdict_change", ["enclosure_id", "day"])


def downgrade() -> None:
    for table in ("verdict_change", "lag_window", "journal_entry", "clutch_place", "clutch_record", "clutch"):
        op.drop_table(table)
    op.drop_column("animal", "members")
