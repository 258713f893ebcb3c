"""Backups that any station made. A season moved elsewhere takes them along, an archive does not."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table, empty; what each folder noted of its own backups is still read."""
    op.create_table(
        "backup",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("folder", sa.Text(), nullable=False),
        sa.Column("generation", sa.Text(), nullable=False),
        sa.Column("made_at", sa.String(length=32), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_backup"),
    )


def downgrade() -> None:
    """Drop it; each folder keeps the note of its own last backup."""
    op.drop_table("backup")
