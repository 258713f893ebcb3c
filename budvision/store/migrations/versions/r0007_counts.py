"""Counts of each sampling, kept with every write. They follow from the other rows.

They are filled when the season is next opened (`migrations.bring_up_to_date`).
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

COUNTS = """
    version n_canes n_buds last_node n_photos n_unseen n_called n_called_missing n_missing
    n_waiting n_skipped n_no_photo n_tissues_waiting n_twice
"""


def upgrade() -> None:
    """Make the table, empty."""
    op.create_table(
        "sampling_count",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("sampling_id", sa.Integer(), nullable=False),
        *(sa.Column(name, sa.Integer(), nullable=False) for name in COUNTS.split()),
        sa.ForeignKeyConstraint(["sampling_id"], ["sampling.id"],
                                name="fk_sampling_count_sampling_id_sampling"),
        sa.PrimaryKeyConstraint("id", name="pk_sampling_count"),
        sa.UniqueConstraint("sampling_id", name="uq_sampling_count_sampling_id"),
    )


def downgrade() -> None:
    """Drop it; nothing is lost."""
    op.drop_table("sampling_count")
