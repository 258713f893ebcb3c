"""A sampling can top up another of its block: both are then one answer."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the label of the sampling that is topped up, empty for none."""
    op.add_column("sampling", sa.Column("tops_up", sa.String(120), nullable=False,
                                        server_default=""))


def downgrade() -> None:
    """Drop it: the samplings stand by themselves again."""
    op.drop_column("sampling", "tops_up")
