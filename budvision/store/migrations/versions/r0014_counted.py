"""How many counts or weighings a record of the season after is the mean of.

Records that were kept before say nothing of it and stay without a number: ranges from them are as
wide as those of the fewest counts there can have been.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from budvision.store.migrations import triggers

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None

ASIDE = "crop_record_counted"
"""Where the numbers wait while the database has an older form."""


def upgrade() -> None:
    """Add the column, empty or with the numbers that were put aside."""
    op.add_column("crop_record", sa.Column("n_counted", sa.Integer(), nullable=True))
    if sa.inspect(op.get_bind()).has_table(ASIDE):
        triggers.drop(["crop_record"])
        op.execute(f"UPDATE crop_record SET n_counted = (SELECT n FROM {ASIDE} "  # nosec B608
                   f"WHERE {ASIDE}.id = crop_record.id)")
        triggers.create(["crop_record"])
        op.drop_table(ASIDE)


def downgrade() -> None:
    """Put the numbers aside and drop the column."""
    op.execute(f"CREATE TABLE {ASIDE} AS SELECT id, n_counted AS n "  # nosec B608
               "FROM crop_record WHERE n_counted IS NOT NULL")
    op.drop_column("crop_record", "n_counted")
