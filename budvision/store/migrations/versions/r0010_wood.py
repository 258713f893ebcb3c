"""Cuts into canes, cordons and trunks: a table of what people called, append-only and sealed.

An older form has no such table; going back to one keeps the rows aside, and coming up again finds
them.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from budvision.store.migrations import triggers

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

ASIDE = "wood_cut_kept"


def upgrade() -> None:
    """Make the table, or bring back the one that was put aside."""
    if sa.inspect(op.get_bind()).has_table(ASIDE):
        op.rename_table(ASIDE, "wood_cut")
    else:
        op.create_table(
            "wood_cut",
            sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
            sa.Column("block_id", sa.Integer(), nullable=False),
            sa.Column("part", sa.String(length=10), nullable=False),
            sa.Column("vine", sa.String(length=60), nullable=False),
            sa.Column("position", sa.String(length=60), nullable=False),
            sa.Column("phloem", sa.String(length=12), nullable=False),
            sa.Column("cambium", sa.String(length=12), nullable=False),
            sa.Column("cut_on", sa.String(length=10), nullable=False),
            sa.Column("person_id", sa.Integer(), nullable=False),
            sa.Column("note", sa.Text(), nullable=False),
            sa.Column("added_at", sa.String(length=32), nullable=False),
            sa.CheckConstraint("part IN ('cane', 'cordon', 'trunk')", name="ck_wood_cut_part"),
            sa.CheckConstraint("phloem IN ('', 'live', 'dead', 'unsure') AND "
                               "cambium IN ('', 'live', 'dead', 'unsure')",
                               name="ck_wood_cut_value"),
            sa.ForeignKeyConstraint(["block_id"], ["block.id"], name="fk_wood_cut_block_id_block"),
            sa.ForeignKeyConstraint(
                ["person_id"], ["person.id"], name="fk_wood_cut_person_id_person"),
            sa.PrimaryKeyConstraint("id", name="pk_wood_cut"),
        )
        op.create_index("ix_wood_cut_block_id", "wood_cut", ["block_id"])
        op.create_index("ix_wood_cut_person_id", "wood_cut", ["person_id"])
        triggers.create(["wood_cut"])
    op.bulk_insert(
        sa.table("seal", sa.column("table_name", sa.String), sa.column("last_id", sa.Integer),
                 sa.column("n_rows", sa.Integer), sa.column("sha256", sa.String),
                 sa.column("changed", sa.Boolean)),
        [{"table_name": "wood_cut", "last_id": 0, "n_rows": 0, "sha256": "0" * 64,
          "changed": False}])


def downgrade() -> None:
    """Put the table aside with its rows and guards; the older form does not know it."""
    op.rename_table("wood_cut", ASIDE)
    op.execute("DELETE FROM seal WHERE table_name = 'wood_cut'")
