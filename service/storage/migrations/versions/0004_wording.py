"""Revisions of wording in the place of bare approvals, and whose wording a member of staff may approve"""

from __future__ import annotations

import uuid

import sqlalchemy as sa
from alembic import op

import service.storage.tables

revision = '0004'
down_revision = '0003'
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the change. What was approved stays approved: its text is found again by its digest."""
    moment = service.storage.tables.UtcDateTime(timezone=True)
    revisions = op.create_table('wording_revisions',
    sa.Column('id', sa.String(length=32), nullable=False),
    sa.Column('language', sa.Text(), nullable=False),
    sa.Column('unit', sa.Text(), nullable=False),
    sa.Column('texts', sa.Text(), nullable=False),
    sa.Column('digest', sa.Text(), nullable=False),
    sa.Column('source_digest', sa.Text(), nullable=False),
    sa.Column('origin', sa.Text(), nullable=False),
    sa.Column('note', sa.Text(), nullable=False),
    sa.Column('written_by', sa.Text(), nullable=False),
    sa.Column('writer', sa.Text(), nullable=False),
    sa.Column('written_at', moment, nullable=False),
    sa.Column('approved_by', sa.Text(), nullable=True),
    sa.Column('approver', sa.Text(), nullable=False),
    sa.Column('approved_at', moment, nullable=True),
    sa.Column('effective', moment, nullable=True),
    sa.Column('reason', sa.Text(), nullable=False),
    sa.Column('own_words', sa.Boolean(), nullable=False),
    sa.Column('withdrawn_by', sa.Text(), nullable=True),
    sa.Column('withdrawn_at', moment, nullable=True),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_wording_revisions'))
    )
    with op.batch_alter_table('wording_revisions', schema=None) as batch_op:
        batch_op.create_index('ix_wording_revisions_unit', ['unit', 'language'], unique=False)
    approvals = sa.table('approvals', sa.column('language'), sa.column('unit'), sa.column('digest'), sa.column('by'), sa.column('at', moment))
    for row in op.get_bind().execute(sa.select(approvals)).all():
        op.get_bind().execute(revisions.insert().values(
            id=uuid.uuid4().hex, language=row.language, unit=row.unit, texts='', digest=row.digest, source_digest='',
            origin='shipped', note='', written_by='the shipped content', writer='', written_at=row.at,
            approved_by=row.by, approver='', approved_at=row.at, effective=row.at, reason='', own_words=False))
    op.drop_table('approvals')

    with op.batch_alter_table('visits', schema=None) as batch_op:
        batch_op.create_index('ix_visits_created', ['created'], unique=False)
    with op.batch_alter_table('inbound', schema=None) as batch_op:
        batch_op.create_index('ix_inbound_sender', ['sender'], unique=False)
    op.add_column('staff', sa.Column('approves', sa.Text(), nullable=False, server_default=''))
    with op.batch_alter_table('staff', schema=None) as batch_op:
        batch_op.alter_column('approves', server_default=None)
    staff = sa.table('staff', sa.column('roles'), sa.column('approves'))
    op.execute(staff.update().where(staff.c.roles.like('%lead%')).values(approves='*'))


def downgrade() -> None:
    """Take it back. The clinic's own texts are lost; what is approved stays so only if it is a shipped text."""
    moment = service.storage.tables.UtcDateTime(timezone=True)
    approvals = op.create_table('approvals',
    sa.Column('language', sa.Text(), nullable=False),
    sa.Column('unit', sa.Text(), nullable=False),
    sa.Column('digest', sa.Text(), nullable=False),
    sa.Column('by', sa.Text(), nullable=False),
    sa.Column('at', moment, nullable=False),
    sa.PrimaryKeyConstraint('language', 'unit', 'digest', name=op.f('pk_approvals'))
    )
    revisions = sa.table('wording_revisions', *(sa.column(name) for name in ('language', 'unit', 'digest', 'approved_by', 'withdrawn_at')), sa.column('approved_at', moment))
    kept = sa.select(revisions).where(revisions.c.approved_by.is_not(None), revisions.c.withdrawn_at.is_(None))
    known = set()
    for row in op.get_bind().execute(kept.order_by(revisions.c.approved_at)).all():
        key = (row.language, row.unit, row.digest)
        if key not in known:
            known.add(key)
            op.get_bind().execute(approvals.insert().values(language=row.language, unit=row.unit, digest=row.digest, by=row.approved_by, at=row.approved_at))
    with op.batch_alter_table('visits', schema=None) as batch_op:
        batch_op.drop_index('ix_visits_created')
    with op.batch_alter_table('inbound', schema=None) as batch_op:
        batch_op.drop_index('ix_inbound_sender')
    with op.batch_alter_table('wording_revisions', schema=None) as batch_op:
        batch_op.drop_index('ix_wording_revisions_unit')
    op.drop_table('wording_revisions')
    with op.batch_alter_table('staff', schema=None) as batch_op:
        batch_op.drop_column('approves')
