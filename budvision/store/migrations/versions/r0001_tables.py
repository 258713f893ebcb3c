"""The season's first form: every table, and the guard on the append-only ones."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from budvision.store.migrations import triggers

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

APPEND_ONLY = """
    photo assignment model promotion region proposal proposal_tissue call mark crop_record
"""

INDEXES = """
    block:site_id bookmark:person_id promotion:model_id promotion:person_id region:model_id
    region:person_id region:photo_id region:replaces_id crop_record:block_id crop_record:person_id
    proposal:model_id proposal:photo_id proposal:region_id sampling:block_id cane:sampling_id
    proposal_tissue:proposal_id bud:cane_id assignment:bud_id assignment:person_id
    assignment:photo_id assignment:replaces_id call:bud_id call:bud_id,tissue,id
    call:entered_by_id call:person_id call:proposal_id call:region_id call:replaces_id
    lease:bud_id lease:person_id mark:bud_id mark:person_id
"""
TABLES = """
    mark lease call assignment bud proposal_tissue cane sampling proposal crop_record region
    promotion bookmark block temperature site photo person model
"""


def _fk(table: str, column: str, target: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [f"{target}.id"], name=f"fk_{table}_{column}_{target}")


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "model",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("facts", sa.Text(), nullable=False),
        sa.Column("added_at", sa.String(length=32), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_model"),
        sa.UniqueConstraint("sha256", name="uq_model_sha256"),
    )
    op.create_table(
        "person",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("role", sa.String(length=20), nullable=False),
        sa.Column("password_hash", sa.String(length=255), nullable=True),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("added_at", sa.String(length=32), nullable=False),
        sa.CheckConstraint("role IN ('technician', 'reviewer', 'lead')", name="ck_person_role"),
        sa.PrimaryKeyConstraint("id", name="pk_person"),
        sa.UniqueConstraint("name", name="uq_person_name"),
    )
    op.create_table(
        "photo",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("file_name", sa.String(length=255), nullable=False),
        sa.Column("format", sa.String(length=12), nullable=False),
        sa.Column("n_bytes", sa.Integer(), nullable=False),
        sa.Column("width_px", sa.Integer(), nullable=False),
        sa.Column("height_px", sa.Integer(), nullable=False),
        sa.Column("taken_at", sa.String(length=32), nullable=True),
        sa.Column("camera", sa.String(length=120), nullable=False),
        sa.Column("added_at", sa.String(length=32), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_photo"),
        sa.UniqueConstraint("sha256", name="uq_photo_sha256"),
    )
    op.create_table(
        "site",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("added_at", sa.String(length=32), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_site"),
        sa.UniqueConstraint("name", name="uq_site_name"),
    )
    op.create_table(
        "temperature",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("station", sa.String(length=120), nullable=False),
        sa.Column("measured_at", sa.String(length=32), nullable=False),
        sa.Column("celsius", sa.Float(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_temperature"),
        sa.UniqueConstraint("station", "measured_at", name="uq_temperature_station_measured_at"),
    )
    op.create_table(
        "block",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("cultivar", sa.String(length=120), nullable=False),
        sa.Column("cultivar_class", sa.String(length=40), nullable=False),
        sa.Column("normal_nodes", sa.Float(), nullable=True),
        sa.Column("policy", sa.String(length=60), nullable=True),
        sa.Column("secondary_crop", sa.Float(), nullable=True),
        sa.Column("training_system", sa.String(length=60), nullable=False),
        sa.Column("row_spacing_m", sa.Float(), nullable=True),
        sa.Column("vine_spacing_m", sa.Float(), nullable=True),
        sa.Column("layout", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("added_at", sa.String(length=32), nullable=False),
        _fk("block", "site_id", "site"),
        sa.PrimaryKeyConstraint("id", name="pk_block"),
        sa.UniqueConstraint("name", name="uq_block_name"),
    )
    op.create_table(
        "bookmark",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("page", sa.String(length=40), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        _fk("bookmark", "person_id", "person"),
        sa.PrimaryKeyConstraint("id", name="pk_bookmark"),
        sa.UniqueConstraint("person_id", "page", name="uq_bookmark_person_id_page"),
    )
    op.create_table(
        "promotion",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("model_id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("added_at", sa.String(length=32), nullable=False),
        _fk("promotion", "model_id", "model"),
        _fk("promotion", "person_id", "person"),
        sa.PrimaryKeyConstraint("id", name="pk_promotion"),
    )
    op.create_table(
        "region",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("photo_id", sa.Integer(), nullable=False),
        sa.Column("model_id", sa.Integer(), nullable=True),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("labels_png", sa.LargeBinary(), nullable=False),
        sa.Column("box", sa.String(length=80), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("added_at", sa.String(length=32), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "model_id IS NOT NULL OR person_id IS NOT NULL", name="ck_region_made_by"
        ),
        _fk("region", "model_id", "model"),
        _fk("region", "person_id", "person"),
        _fk("region", "photo_id", "photo"),
        _fk("region", "replaces_id", "region"),
        sa.PrimaryKeyConstraint("id", name="pk_region"),
    )
    op.create_table(
        "crop_record",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("block_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("value", sa.Float(), nullable=False),
        sa.Column("spread", sa.Float(), nullable=True),
        sa.Column("unit", sa.String(length=20), nullable=False),
        sa.Column("measured_on", sa.String(length=10), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("added_at", sa.String(length=32), nullable=False),
        _fk("crop_record", "block_id", "block"),
        _fk("crop_record", "person_id", "person"),
        sa.PrimaryKeyConstraint("id", name="pk_crop_record"),
    )
    op.create_table(
        "proposal",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("photo_id", sa.Integer(), nullable=False),
        sa.Column("model_id", sa.Integer(), nullable=False),
        sa.Column("region_id", sa.Integer(), nullable=True),
        sa.Column("found", sa.Boolean(), nullable=False),
        sa.Column("reasons", sa.Text(), nullable=False),
        sa.Column("mm_per_px", sa.Float(), nullable=True),
        sa.Column("added_at", sa.String(length=32), nullable=False),
        _fk("proposal", "model_id", "model"),
        _fk("proposal", "photo_id", "photo"),
        _fk("proposal", "region_id", "region"),
        sa.PrimaryKeyConstraint("id", name="pk_proposal"),
    )
    op.create_table(
        "sampling",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("block_id", sa.Integer(), nullable=False),
        sa.Column("label", sa.String(length=120), nullable=False),
        sa.Column("collected_at", sa.String(length=32), nullable=True),
        sa.Column("in_water_at", sa.String(length=32), nullable=True),
        sa.Column("out_of_water_at", sa.String(length=32), nullable=True),
        sa.Column("room_temp_c", sa.Float(), nullable=True),
        sa.Column("plan", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("added_at", sa.String(length=32), nullable=False),
        _fk("sampling", "block_id", "block"),
        sa.PrimaryKeyConstraint("id", name="pk_sampling"),
        sa.UniqueConstraint("block_id", "label", name="uq_sampling_block_id_label"),
    )
    op.create_table(
        "cane",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("sampling_id", sa.Integer(), nullable=False),
        sa.Column("label", sa.String(length=60), nullable=False),
        sa.Column("vine", sa.String(length=60), nullable=False),
        sa.Column("vigor", sa.String(length=20), nullable=False),
        sa.Column("zone", sa.String(length=60), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("added_at", sa.String(length=32), nullable=False),
        _fk("cane", "sampling_id", "sampling"),
        sa.PrimaryKeyConstraint("id", name="pk_cane"),
        sa.UniqueConstraint("sampling_id", "label", "vine", name="uq_cane_sampling_id_label_vine"),
    )
    op.create_table(
        "proposal_tissue",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("proposal_id", sa.Integer(), nullable=False),
        sa.Column("tissue", sa.String(length=12), nullable=False),
        sa.Column("exposed", sa.Boolean(), nullable=False),
        sa.Column("verdict", sa.String(length=8), nullable=True),
        sa.Column("p_dead", sa.Float(), nullable=True),
        sa.Column("area_px", sa.Integer(), nullable=True),
        sa.Column("centre_row", sa.Float(), nullable=True),
        sa.Column("centre_col", sa.Float(), nullable=True),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("features", sa.Text(), nullable=False),
        sa.CheckConstraint(
            "tissue IN ('primary', 'secondary', 'tertiary')", name="ck_proposal_tissue_tissue"
        ),
        _fk("proposal_tissue", "proposal_id", "proposal"),
        sa.PrimaryKeyConstraint("id", name="pk_proposal_tissue"),
        sa.UniqueConstraint("proposal_id", "tissue", name="uq_proposal_tissue_proposal_id_tissue"),
    )
    op.create_table(
        "bud",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("cane_id", sa.Integer(), nullable=False),
        sa.Column("node", sa.Integer(), nullable=False),
        sa.Column("added_at", sa.String(length=32), nullable=False),
        sa.CheckConstraint("node >= 1 AND node <= 200", name="ck_bud_node_range"),
        _fk("bud", "cane_id", "cane"),
        sa.PrimaryKeyConstraint("id", name="pk_bud"),
        sa.UniqueConstraint("cane_id", "node", name="uq_bud_cane_id_node"),
    )
    op.create_table(
        "assignment",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("photo_id", sa.Integer(), nullable=False),
        sa.Column("bud_id", sa.Integer(), nullable=True),
        sa.Column("cut", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("source", sa.String(length=30), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("added_at", sa.String(length=32), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.CheckConstraint("cut >= 1 AND cut <= 50", name="ck_assignment_cut_range"),
        _fk("assignment", "bud_id", "bud"),
        _fk("assignment", "person_id", "person"),
        _fk("assignment", "photo_id", "photo"),
        _fk("assignment", "replaces_id", "assignment"),
        sa.PrimaryKeyConstraint("id", name="pk_assignment"),
    )
    op.create_table(
        "call",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("bud_id", sa.Integer(), nullable=False),
        sa.Column("tissue", sa.String(length=12), nullable=False),
        sa.Column("value", sa.String(length=12), nullable=False),
        sa.Column("cause", sa.String(length=20), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("round", sa.String(length=10), nullable=False),
        sa.Column("source", sa.String(length=10), nullable=False),
        sa.Column("blind", sa.Boolean(), nullable=False),
        sa.Column("proposal_id", sa.Integer(), nullable=True),
        sa.Column("region_id", sa.Integer(), nullable=True),
        sa.Column("batch", sa.String(length=36), nullable=False),
        sa.Column("added_at", sa.String(length=32), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("entered_by_id", sa.Integer(), nullable=True),
        sa.CheckConstraint("round IN ('first', 'second', 'settled')", name="ck_call_round"),
        sa.CheckConstraint("source IN ('page', 'import', 'archive')", name="ck_call_source"),
        sa.CheckConstraint("tissue IN ('primary', 'secondary', 'tertiary')", name="ck_call_tissue"),
        sa.CheckConstraint(
            "value IN ('live', 'dead', 'unsure', 'not_exposed', 'withdrawn')",
            name="ck_call_value",
        ),
        _fk("call", "bud_id", "bud"),
        _fk("call", "entered_by_id", "person"),
        _fk("call", "person_id", "person"),
        _fk("call", "proposal_id", "proposal"),
        _fk("call", "region_id", "region"),
        _fk("call", "replaces_id", "call"),
        sa.PrimaryKeyConstraint("id", name="pk_call"),
    )
    op.create_table(
        "lease",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("bud_id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("until", sa.String(length=32), nullable=False),
        _fk("lease", "bud_id", "bud"),
        _fk("lease", "person_id", "person"),
        sa.PrimaryKeyConstraint("id", name="pk_lease"),
        sa.UniqueConstraint("bud_id", name="uq_lease_bud_id"),
    )
    op.create_table(
        "mark",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("bud_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("value", sa.String(length=60), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("added_at", sa.String(length=32), nullable=False),
        _fk("mark", "bud_id", "bud"),
        _fk("mark", "person_id", "person"),
        sa.PrimaryKeyConstraint("id", name="pk_mark"),
    )
    for entry in INDEXES.split():
        table, _, columns = entry.partition(":")
        op.create_index(f"ix_{table}_{columns.replace(',', '_')}", table, columns.split(","))
    triggers.create(APPEND_ONLY.split())


def downgrade() -> None:
    """Drop the tables, which loses every row."""
    op.execute("DROP TABLE IF EXISTS trust_kept")  # put aside by form 0008
    op.execute("DROP TABLE IF EXISTS wood_cut_kept")  # put aside by form 0010
    triggers.drop(APPEND_ONLY.split())
    for table in TABLES.split():
        op.drop_table(table)
