"""Chains and digests of hashes, by which a changed row is told. No row changes.

The rows that exist are sealed when the season is next opened (`migrations.bring_up_to_date`).
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from budvision.store.migrations import triggers

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

CHAINED = """
    photo assignment model promotion region proposal proposal_tissue call mark crop_record
"""
SUMMED = "site block sampling cane bud person temperature"


def upgrade() -> None:
    """Make the tables, with one empty seal a table."""
    op.create_table(
        "chain",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("table_name", sa.String(length=40), nullable=False),
        sa.Column("kind", sa.String(length=10), nullable=False),
        sa.Column("last_id", sa.Integer(), nullable=False),
        sa.Column("n_rows", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("added_at", sa.String(length=32), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_chain"),
    )
    op.create_index("ix_chain_table_name_kind", "chain", ["table_name", "kind", "id"])
    seal = op.create_table(
        "seal",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("table_name", sa.String(length=40), nullable=False),
        sa.Column("last_id", sa.Integer(), nullable=False),
        sa.Column("n_rows", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("changed", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_seal"),
        sa.UniqueConstraint("table_name", name="uq_seal_table_name"),
    )
    op.bulk_insert(seal, [
        {"table_name": name, "last_id": 0, "n_rows": 0, "sha256": "0" * 64, "changed": False}
        for name in [*CHAINED.split(), *SUMMED.split(), "(writes)"]])
    triggers.create(["chain"])
    triggers.create_change_notes(SUMMED.split())


def downgrade() -> None:
    """Drop them; the rows that they speak of stay."""
    triggers.drop_change_notes(SUMMED.split())
    triggers.drop(["chain"])
    op.drop_table("seal")
    op.drop_index("ix_chain_table_name_kind", "chain")
    op.drop_table("chain")
