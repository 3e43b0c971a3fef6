"""Appointments: found by their day, and what became of the softening drops before them"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the change. Drops of earlier plans stand as they were given until their appointment changes."""
    with op.batch_alter_table("plans", schema=None) as batch_op:
        batch_op.add_column(sa.Column("softening", sa.Text(), nullable=True))
        batch_op.create_index(
            "ix_plans_appointment_on",
            ["appointment_on"],
            unique=False,
            sqlite_where=sa.text("appointment_on IS NOT NULL"),
            postgresql_where=sa.text("appointment_on IS NOT NULL"),
        )


def downgrade() -> None:
    """Take it back. What drops were moved to is lost: they stand as they were given."""
    with op.batch_alter_table("plans", schema=None) as batch_op:
        batch_op.drop_index("ix_plans_appointment_on")
        batch_op.drop_column("softening")
