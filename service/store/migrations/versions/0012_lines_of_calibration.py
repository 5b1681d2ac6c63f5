"""A reference check may have several points, hold from before it was made, and names who made it."""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

_NEW = (("points", sa.JSON()), ("checked_at", sa.BigInteger()), ("done_by", sa.String()), ("note", sa.String()))


def upgrade() -> None:
    for name, kind in _NEW:
        op.add_column("calibration", sa.Column(name, kind, nullable=True))


def downgrade() -> None:
    """Go back to offsets: of a line, its first point is left."""
    with op.batch_alter_table("calibration") as batch_op:
        for name, _ in reversed(_NEW):
            batch_op.drop_column(name)
