"""Who decided that readers see proposals, with what was known of the model. No row changes.

Seasons that were begun before have no decision: proposals stay hidden until a lead decides, and the
buds called without sight of them so far count.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from budvision.store.migrations import triggers

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


KEPT = "trust_kept"
"""Where the decisions wait while the database has an older form, which knows nothing of them."""


def upgrade() -> None:
    """Make the table, append-only and with an empty seal, or bring the one put aside back."""
    if sa.inspect(op.get_bind()).has_table(KEPT):
        op.rename_table(KEPT, "trust")
    else:
        _make()
    triggers.create(["trust"])
    op.execute("INSERT INTO seal (table_name, last_id, n_rows, sha256, changed) "  # nosec B608
               f"VALUES ('trust', 0, 0, '{'0' * 64}', false)")


def _make() -> None:
    op.create_table(
        "trust",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("subject", sa.String(length=10), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("sampling_id", sa.Integer(), nullable=True),
        sa.Column("value", sa.String(length=8), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("facts", sa.Text(), nullable=False),
        sa.Column("added_at", sa.String(length=32), nullable=False),
        sa.CheckConstraint("subject IN ('season', 'cultivar', 'camera', 'light')",
                           name="ck_trust_subject"),
        sa.CheckConstraint("value IN ('shown', 'hidden', 'again')", name="ck_trust_value"),
        sa.ForeignKeyConstraint(["sampling_id"], ["sampling.id"],
                                name="fk_trust_sampling_id_sampling"),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name="fk_trust_person_id_person"),
        sa.PrimaryKeyConstraint("id", name="pk_trust"),
    )
    op.create_index("ix_trust_sampling_id", "trust", ["sampling_id"])
    op.create_index("ix_trust_person_id", "trust", ["person_id"])


def downgrade() -> None:
    """Put it aside with its rows."""
    triggers.drop(["trust"])
    op.execute("DELETE FROM seal WHERE table_name = 'trust'")
    op.rename_table("trust", KEPT)
