"""Indexes of calls on what most calls do not have: entries where it is there. No row changes."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None

COLUMNS = ("proposal_id", "region_id", "replaces_id", "entered_by_id")


def upgrade() -> None:
    """Leave out the entries of calls without a value."""
    for name in COLUMNS:
        there = sa.column(name).is_not(None)
        op.drop_index(f"ix_call_{name}", "call")
        op.create_index(f"ix_call_{name}", "call", [name],
                        sqlite_where=there, postgresql_where=there)


def downgrade() -> None:
    """Put an entry for every call back."""
    for name in COLUMNS:
        op.drop_index(f"ix_call_{name}", "call")
        op.create_index(f"ix_call_{name}", "call", [name])
