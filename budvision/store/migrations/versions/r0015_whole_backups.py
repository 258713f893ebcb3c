"""What a backup lacks, so that only a whole one counts as the last."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the numbers; of backups made before nothing is known, and they are taken as whole."""
    for name in ("n_missing", "n_files"):
        op.add_column("backup", sa.Column(name, sa.Integer()))


def downgrade() -> None:
    """Drop them; the backups stay known."""
    for name in ("n_files", "n_missing"):
        op.drop_column("backup", name)
