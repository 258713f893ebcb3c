"""Indexes from which the newest calls, and the calls saved together, are read. No row changes.

The first stands for the two indexes on `bud_id` that it makes needless.
"""

from __future__ import annotations

from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Put the new index in the place of the two."""
    op.create_index(
        "ix_call_newest", "call", ["bud_id", "tissue", "round", "id", "value", "cause"]
    )
    op.create_index("ix_call_batch", "call", ["batch"])
    op.drop_index("ix_call_bud_id", "call")
    op.drop_index("ix_call_bud_id_tissue_id", "call")


def downgrade() -> None:
    """Put the two back."""
    op.create_index("ix_call_bud_id", "call", ["bud_id"])
    op.create_index("ix_call_bud_id_tissue_id", "call", ["bud_id", "tissue", "id"])
    op.drop_index("ix_call_batch", "call")
    op.drop_index("ix_call_newest", "call")
