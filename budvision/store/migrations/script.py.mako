"""${message}."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = ${repr(up_revision)}
down_revision = ${repr(down_revision)}
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the database up to this form."""
    ${upgrades if upgrades else "pass"}


def downgrade() -> None:
    """Take the database back to the form before."""
    ${downgrades if downgrades else "pass"}
