"""Recalls: who is to be asked back, when, and what came of it"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

import service.storage.tables

revision = '0005'
down_revision = '0004'
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the change. Recalls of plans that are in force are opened by the next daily round."""
    moment = service.storage.tables.UtcDateTime(timezone=True)
    op.create_table('recalls',
    sa.Column('id', sa.String(length=32), nullable=False),
    sa.Column('person_id', sa.String(length=32), nullable=False),
    sa.Column('plan_id', sa.String(length=32), nullable=False),
    sa.Column('ears', sa.Text(), nullable=False),
    sa.Column('earliest', sa.Date(), nullable=False),
    sa.Column('ideal', sa.Date(), nullable=False),
    sa.Column('latest', sa.Date(), nullable=False),
    sa.Column('weight', sa.Float(), nullable=False),
    sa.Column('template', sa.Text(), nullable=False),
    sa.Column('invite_on', sa.Date(), nullable=False),
    sa.Column('opened', moment, nullable=False),
    sa.Column('state', sa.Text(), nullable=False),
    sa.Column('week', sa.Date(), nullable=True),
    sa.Column('round', sa.Integer(), nullable=False),
    sa.Column('answer', sa.Text(), nullable=True),
    sa.Column('answered', moment, nullable=True),
    sa.Column('answered_by', sa.Text(), nullable=True),
    sa.Column('answered_to', sa.Integer(), nullable=True),
    sa.Column('missed', sa.Integer(), nullable=False),
    sa.Column('ended', sa.Text(), nullable=True),
    sa.Column('closed', moment, nullable=True),
    sa.ForeignKeyConstraint(['person_id'], ['people.id'], name=op.f('fk_recalls_person_id')),
    sa.ForeignKeyConstraint(['plan_id'], ['plans.id'], name=op.f('fk_recalls_plan_id')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_recalls'))
    )
    with op.batch_alter_table('recalls', schema=None) as batch_op:
        batch_op.create_index('ix_recalls_person_id', ['person_id'], unique=False)
        batch_op.create_index('ix_recalls_plan_id', ['plan_id'], unique=False)
        batch_op.create_index('ix_recalls_ideal', ['ideal'], unique=False)
        batch_op.create_index('uq_recalls_open', ['person_id'], unique=True, sqlite_where=sa.text('closed IS NULL'), postgresql_where=sa.text('closed IS NULL'))


def downgrade() -> None:
    """Take it back. What people answered to invitations is lost."""
    op.drop_table('recalls')
