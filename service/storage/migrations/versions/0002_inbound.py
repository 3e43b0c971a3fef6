"""Words that people sent, and receipts and bounces"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

import service.storage.tables

revision = '0002'
down_revision = '0001'
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the change."""
    op.create_table('inbound',
    sa.Column('channel', sa.Text(), nullable=False),
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('sender', sa.Text(), nullable=False),
    sa.Column('text', sa.Text(), nullable=False),
    sa.Column('whole', sa.Text(), nullable=False),
    sa.Column('at', service.storage.tables.UtcDateTime(timezone=True), nullable=False),
    sa.Column('in_reply_to', sa.Text(), nullable=True),
    sa.Column('person_id', sa.String(length=32), nullable=True),
    sa.Column('message_id', sa.String(length=32), nullable=True),
    sa.Column('meaning', sa.Text(), nullable=False),
    sa.Column('settled', service.storage.tables.UtcDateTime(timezone=True), nullable=True),
    sa.Column('handled', service.storage.tables.UtcDateTime(timezone=True), nullable=True),
    sa.Column('handled_by', sa.Text(), nullable=True),
    sa.ForeignKeyConstraint(['message_id'], ['messages.id'], name=op.f('fk_inbound_message_id')),
    sa.ForeignKeyConstraint(['person_id'], ['people.id'], name=op.f('fk_inbound_person_id')),
    sa.PrimaryKeyConstraint('channel', 'id', name=op.f('pk_inbound'))
    )
    with op.batch_alter_table('inbound', schema=None) as batch_op:
        batch_op.create_index('ix_inbound_open', ['at'], unique=False, sqlite_where=sa.text('handled IS NULL'), postgresql_where=sa.text('handled IS NULL'))
        batch_op.create_index(batch_op.f('ix_inbound_person_id'), ['person_id'], unique=False)

    op.create_table('reports',
    sa.Column('id', sa.Integer(), autoincrement=True, nullable=False),
    sa.Column('channel', sa.Text(), nullable=False),
    sa.Column('key', sa.Text(), nullable=False),
    sa.Column('reference', sa.Text(), nullable=False),
    sa.Column('state', sa.Text(), nullable=False),
    sa.Column('at', service.storage.tables.UtcDateTime(timezone=True), nullable=False),
    sa.Column('detail', sa.Text(), nullable=False),
    sa.Column('contact_bad', sa.Boolean(), nullable=False),
    sa.Column('message_id', sa.String(length=32), nullable=True),
    sa.Column('came', service.storage.tables.UtcDateTime(timezone=True), nullable=False),
    sa.Column('applied', service.storage.tables.UtcDateTime(timezone=True), nullable=True),
    sa.ForeignKeyConstraint(['message_id'], ['messages.id'], name=op.f('fk_reports_message_id')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_reports')),
    sa.UniqueConstraint('channel', 'key', 'reference', 'state', name=op.f('uq_reports_channel_key_reference_state'))
    )
    with op.batch_alter_table('reports', schema=None) as batch_op:
        batch_op.create_index('ix_reports_kept', ['came'], unique=False, sqlite_where=sa.text('applied IS NULL'), postgresql_where=sa.text('applied IS NULL'))
        batch_op.create_index(batch_op.f('ix_reports_message_id'), ['message_id'], unique=False)

    with op.batch_alter_table('messages', schema=None) as batch_op:
        batch_op.create_index('ix_messages_reference', ['reference'], unique=False)


def downgrade() -> None:
    """Take it back."""
    with op.batch_alter_table('messages', schema=None) as batch_op:
        batch_op.drop_index('ix_messages_reference')

    with op.batch_alter_table('reports', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_reports_message_id'))
        batch_op.drop_index('ix_reports_kept', sqlite_where=sa.text('applied IS NULL'), postgresql_where=sa.text('applied IS NULL'))

    op.drop_table('reports')
    with op.batch_alter_table('inbound', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_inbound_person_id'))
        batch_op.drop_index('ix_inbound_open', sqlite_where=sa.text('handled IS NULL'), postgresql_where=sa.text('handled IS NULL'))

    op.drop_table('inbound')
