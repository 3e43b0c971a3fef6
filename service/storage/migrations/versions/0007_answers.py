"""Recalls: which invitation an answer followed is read from the messages, and kept no more"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the change."""
    with op.batch_alter_table("recalls", schema=None) as batch_op:
        batch_op.drop_column("answered_to")


def downgrade() -> None:
    """Take it back. The column is empty then."""
    with op.batch_alter_table("recalls", schema=None) as batch_op:
        batch_op.add_column(sa.Column("answered_to", sa.Integer(), nullable=True))
