"""Doubt about a flanker's name, beside the doubt about its life. Older proposals say nothing of it.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the two columns, empty in every older row."""
    op.add_column("proposal_tissue", sa.Column("p_name", sa.Float()))
    op.add_column("proposal_tissue", sa.Column("other_name", sa.String(12)))


def downgrade() -> None:
    """Take them away; what they said is lost, the proposals stay."""
    op.drop_column("proposal_tissue", "other_name")
    op.drop_column("proposal_tissue", "p_name")
