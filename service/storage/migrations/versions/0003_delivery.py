"""Bundles, repeats, transports' health, letters, requests"""

from __future__ import annotations

import json

import sqlalchemy as sa
from alembic import op

import service.storage.tables

revision = '0003'
down_revision = '0002'
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the change."""
    op.create_table('callbacks',
    sa.Column('mark', sa.Text(), nullable=False),
    sa.Column('at', service.storage.tables.UtcDateTime(timezone=True), nullable=False),
    sa.PrimaryKeyConstraint('mark', name=op.f('pk_callbacks'))
    )
    with op.batch_alter_table('callbacks', schema=None) as batch_op:
        batch_op.create_index(batch_op.f('ix_callbacks_at'), ['at'], unique=False)

    op.create_table('letter_batches',
    sa.Column('id', sa.String(length=32), nullable=False),
    sa.Column('made', service.storage.tables.UtcDateTime(timezone=True), nullable=False),
    sa.Column('by', sa.Text(), nullable=False),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_letter_batches'))
    )
    op.create_table('requests',
    sa.Column('key', sa.Text(), nullable=False),
    sa.Column('digest', sa.Text(), nullable=False),
    sa.Column('answer', sa.Text(), nullable=False),
    sa.Column('at', service.storage.tables.UtcDateTime(timezone=True), nullable=False),
    sa.PrimaryKeyConstraint('key', name=op.f('pk_requests'))
    )
    op.create_table('transport_states',
    sa.Column('channel', sa.Text(), nullable=False),
    sa.Column('failures', sa.Integer(), nullable=False),
    sa.Column('pauses', sa.Integer(), nullable=False),
    sa.Column('paused_until', service.storage.tables.UtcDateTime(timezone=True), nullable=True),
    sa.Column('trial_until', service.storage.tables.UtcDateTime(timezone=True), nullable=True),
    sa.Column('detail', sa.Text(), nullable=False),
    sa.Column('next_free', service.storage.tables.UtcDateTime(timezone=True), nullable=True),
    sa.Column('off_since', service.storage.tables.UtcDateTime(timezone=True), nullable=True),
    sa.Column('off_by', sa.Text(), nullable=True),
    sa.PrimaryKeyConstraint('channel', name=op.f('pk_transport_states'))
    )
    op.create_table('letters',
    sa.Column('message_id', sa.String(length=32), nullable=False),
    sa.Column('made', service.storage.tables.UtcDateTime(timezone=True), nullable=False),
    sa.Column('batch_id', sa.String(length=32), nullable=True),
    sa.Column('posted', service.storage.tables.UtcDateTime(timezone=True), nullable=True),
    sa.Column('posted_by', sa.Text(), nullable=True),
    sa.ForeignKeyConstraint(['batch_id'], ['letter_batches.id'], name=op.f('fk_letters_batch_id')),
    sa.ForeignKeyConstraint(['message_id'], ['messages.id'], name=op.f('fk_letters_message_id')),
    sa.PrimaryKeyConstraint('message_id', name=op.f('pk_letters'))
    )
    with op.batch_alter_table('letters', schema=None) as batch_op:
        batch_op.create_index(batch_op.f('ix_letters_batch_id'), ['batch_id'], unique=False)

    with op.batch_alter_table('attention', schema=None) as batch_op:
        batch_op.create_index('ix_attention_open', ['at'], unique=False, sqlite_where=sa.text('done IS NULL'), postgresql_where=sa.text('done IS NULL'))

    with op.batch_alter_table('attempts', schema=None) as batch_op:
        batch_op.add_column(sa.Column('channel', sa.Text(), nullable=True))
        batch_op.add_column(sa.Column('key', sa.Text(), nullable=True))
        batch_op.add_column(sa.Column('body_hash', sa.Text(), nullable=True))

    with op.batch_alter_table('messages', schema=None) as batch_op:
        batch_op.add_column(sa.Column('handed', service.storage.tables.UtcDateTime(timezone=True), nullable=True))
        batch_op.add_column(sa.Column('carrier', sa.String(length=32), nullable=True))
        batch_op.add_column(sa.Column('rendering', sa.Integer(), server_default='0', nullable=False))
        batch_op.add_column(sa.Column('key_since', service.storage.tables.UtcDateTime(timezone=True), nullable=True))
        batch_op.add_column(sa.Column('tried', sa.Text(), server_default='', nullable=False))
        batch_op.add_column(sa.Column('repeat_at', service.storage.tables.UtcDateTime(timezone=True), nullable=True))
        batch_op.add_column(sa.Column('repeats', sa.Integer(), server_default='0', nullable=False))
        batch_op.create_index('ix_messages_carrier', ['carrier'], unique=False, sqlite_where=sa.text('carrier IS NOT NULL'), postgresql_where=sa.text('carrier IS NOT NULL'))
        batch_op.create_index('ix_messages_finished', ['finished'], unique=False)
        batch_op.create_index('ix_messages_handed', ['person_id', 'handed'], unique=False, sqlite_where=sa.text('handed IS NOT NULL'), postgresql_where=sa.text('handed IS NOT NULL'))
        batch_op.create_index('ix_messages_repeat', ['repeat_at'], unique=False, sqlite_where=sa.text('repeat_at IS NOT NULL'), postgresql_where=sa.text('repeat_at IS NOT NULL'))

    with op.batch_alter_table('people', schema=None) as batch_op:
        batch_op.add_column(sa.Column('phone', sa.Text(), nullable=True))
        batch_op.add_column(sa.Column('email', sa.Text(), nullable=True))
        batch_op.add_column(sa.Column('joins', sa.Boolean(), server_default=sa.false(), nullable=False))
        batch_op.create_index(batch_op.f('ix_people_email'), ['email'], unique=False)
        batch_op.create_index(batch_op.f('ix_people_phone'), ['phone'], unique=False)

    _take_out_addresses()



def _take_out_addresses() -> None:
    """Fill the new columns of the people who are there already, from their contacts."""
    people = sa.table('people', sa.column('id'), sa.column('contact'), sa.column('phone'), sa.column('email'))
    connection = op.get_bind()
    for person_id, document in connection.execute(sa.select(people.c.id, people.c.contact)).all():
        contact = json.loads(document)
        digits = ''.join(filter(str.isdigit, contact.get('phone') or ''))
        email = ''.join((contact.get('email') or '').split()).lower()
        connection.execute(
            sa.update(people)
            .where(people.c.id == person_id)
            .values(phone=f'+{digits}' if digits else None, email=email or None)
        )


def downgrade() -> None:
    """Take it back."""
    with op.batch_alter_table('people', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_people_phone'))
        batch_op.drop_index(batch_op.f('ix_people_email'))
        batch_op.drop_column('joins')
        batch_op.drop_column('email')
        batch_op.drop_column('phone')

    with op.batch_alter_table('messages', schema=None) as batch_op:
        batch_op.drop_index('ix_messages_repeat', sqlite_where=sa.text('repeat_at IS NOT NULL'), postgresql_where=sa.text('repeat_at IS NOT NULL'))
        batch_op.drop_index('ix_messages_handed', sqlite_where=sa.text('handed IS NOT NULL'), postgresql_where=sa.text('handed IS NOT NULL'))
        batch_op.drop_index('ix_messages_finished')
        batch_op.drop_index('ix_messages_carrier', sqlite_where=sa.text('carrier IS NOT NULL'), postgresql_where=sa.text('carrier IS NOT NULL'))
        batch_op.drop_column('repeats')
        batch_op.drop_column('repeat_at')
        batch_op.drop_column('tried')
        batch_op.drop_column('key_since')
        batch_op.drop_column('rendering')
        batch_op.drop_column('carrier')
        batch_op.drop_column('handed')

    with op.batch_alter_table('attention', schema=None) as batch_op:
        batch_op.drop_index('ix_attention_open', sqlite_where=sa.text('done IS NULL'), postgresql_where=sa.text('done IS NULL'))

    with op.batch_alter_table('attempts', schema=None) as batch_op:
        batch_op.drop_column('body_hash')
        batch_op.drop_column('key')
        batch_op.drop_column('channel')

    with op.batch_alter_table('letters', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_letters_batch_id'))

    op.drop_table('letters')
    op.drop_table('transport_states')
    op.drop_table('requests')
    op.drop_table('letter_batches')
    with op.batch_alter_table('callbacks', schema=None) as batch_op:
        batch_op.drop_index(batch_op.f('ix_callbacks_at'))

    op.drop_table('callbacks')
