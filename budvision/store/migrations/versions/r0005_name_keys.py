"""People and blocks are found by a key of their name: every script's letters folded alike.

Every row gets the key of its name. Two that only case told apart keep their rows and names.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from budvision.store.names import name_key

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

TABLES = ("person", "block")


def upgrade() -> None:
    """Add the key beside each name."""
    conn = op.get_bind()
    for table in TABLES:
        op.add_column(table, sa.Column("name_key", sa.Text(), nullable=False, server_default=""))
        rows = conn.execute(
            sa.text(f'SELECT id, name FROM "{table}"')).all()  # nosec B608  (our own tables)
        if rows:
            conn.execute(
                sa.text(f'UPDATE "{table}" SET name_key = :key WHERE id = :id'),  # nosec B608
                [{"key": name_key(row.name), "id": row.id} for row in rows],
            )
        op.create_index(f"ix_{table}_name_key", table, ["name_key"])


def downgrade() -> None:
    """Drop the key; it follows from the name."""
    for table in TABLES:
        op.drop_index(f"ix_{table}_name_key", table)
        op.drop_column(table, "name_key")
