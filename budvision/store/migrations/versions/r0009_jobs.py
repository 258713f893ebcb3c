"""The queue of long work. It is of the moment: no archive and no move takes it along."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table, empty."""
    op.create_table(
        "job",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("asked", sa.Text(), nullable=False),
        sa.Column("asked_by", sa.String(length=120), nullable=False),
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("n_done", sa.Integer(), nullable=False),
        sa.Column("n_total", sa.Integer(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("model", sa.String(length=80), nullable=False),
        sa.Column("added_at", sa.String(length=32), nullable=False),
        sa.Column("changed_at", sa.String(length=32), nullable=False),
        sa.Column("seen_at", sa.String(length=32), nullable=False),
        sa.CheckConstraint(
            "state IN ('waiting', 'running', 'stopping', 'done', 'failed', 'cancelled')",
            name="ck_job_state"),
        sa.PrimaryKeyConstraint("id", name="pk_job"),
    )


def downgrade() -> None:
    """Drop it; what waited is asked for again."""
    op.drop_table("job")
