"""What was worked out of rows, so that a program that starts need not do it again.

Nothing is filled in: the table follows from the other rows as the season is used.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table, empty."""
    op.create_table(
        "remembered",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("thing", sa.Integer(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_remembered"),
        sa.UniqueConstraint("kind", "thing", name="uq_remembered_kind_thing"),
    )


def downgrade() -> None:
    """Drop it; nothing is lost."""
    op.drop_table("remembered")
