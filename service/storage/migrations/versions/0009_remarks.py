"""Wording: what a translator wrote beside the texts of a draft"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the change."""
    with op.batch_alter_table("wording_revisions", schema=None) as batch_op:
        batch_op.add_column(sa.Column("remarks", sa.Text(), nullable=True))


def downgrade() -> None:
    """Take it back. The remarks are lost."""
    with op.batch_alter_table("wording_revisions", schema=None) as batch_op:
        batch_op.drop_column("remarks")
