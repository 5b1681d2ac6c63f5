"""What each process says of itself."""

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "process_report",
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("reported_at", sa.BigInteger(), nullable=False),
        sa.Column("parts", sa.JSON(), nullable=False),
        sa.Column("figures", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("name"),
    )


def downgrade() -> None:
    op.drop_table("process_report")
