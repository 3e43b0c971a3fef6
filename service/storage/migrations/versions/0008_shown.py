"""The audit record: whom a line about a list names, so that a person's looks are found"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the change. Lines of earlier versions name one person each, as their subject, and stay as they are; those
    that name many are there only where this version ran before."""
    op.create_table(
        "audit_shown",
        sa.Column("person_id", sa.String(length=32), nullable=False),
        sa.Column("audit_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["audit_id"], ["audit.id"], name=op.f("fk_audit_shown_audit_id")),
        sa.PrimaryKeyConstraint("person_id", "audit_id", name=op.f("pk_audit_shown")),
        sqlite_with_rowid=False,
    )
    audit = sa.table("audit", sa.column("id"), sa.column("subject"), sa.column("action"), sa.column("detail", sa.JSON))
    shown = sa.table("audit_shown", sa.column("person_id"), sa.column("audit_id"))
    among = sa.or_(audit.c.subject.like("list:%"), audit.c.action.in_(("letter-batch-opened", "letter-list-opened")))
    for number, detail in op.get_bind().execute(sa.select(audit.c.id, audit.c.detail).where(among)).all():
        rows = [{"person_id": each, "audit_id": number} for each in detail.get("people", ())]
        if rows:
            op.bulk_insert(shown, rows)


def downgrade() -> None:
    """Take it back. Nothing is lost: each line still names whom it showed, and the way up reads it from there."""
    op.drop_table("audit_shown")
