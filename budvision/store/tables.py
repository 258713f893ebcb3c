"""The tables of a season. Every constraint has a name, so that migrations can speak of it.

Photographs, assignments, proposals, regions, calls, marks and promotions are *append-only*: a
trigger refuses UPDATE and DELETE (see `APPEND_ONLY`). A change of mind is a new row that names
the one it replaces. Times are UTC, ISO 8601 text ending in ``Z``, made by `store.session.now`.
"""

from __future__ import annotations

from sqlalchemy import (
    Boolean,
    CheckConstraint,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

from budvision.store.names import name_key

__all__ = ["APPEND_ONLY", "metadata"]

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _id() -> Column[int]:
    return Column("id", Integer, primary_key=True, autoincrement=True)


def _ref(name: str, target: str, *, null: bool = False, index: bool = True) -> Column[int]:
    return Column(name, Integer, ForeignKey(f"{target}.id"), nullable=null, index=index)


def _key() -> Column[str]:
    """Make the column by which names are found: `store.names.name_key` of the name beside it."""
    return Column(
        "name_key", Text, nullable=False, index=True, info={"derived": True},
        default=lambda context: name_key(context.get_current_parameters()["name"]),
    )


_TISSUE = "tissue IN ('primary', 'secondary', 'tertiary')"

site = Table(
    "site", metadata, _id(),
    Column("name", String(120), nullable=False, unique=True),
    Column("note", Text, nullable=False, default=""),
    Column("added_at", String(32), nullable=False),
)

block = Table(
    "block", metadata, _id(), _ref("site_id", "site"),
    Column("name", String(120), nullable=False, unique=True), _key(),
    Column("cultivar", String(120), nullable=False, default=""),
    Column("cultivar_class", String(40), nullable=False, default=""),
    Column("normal_nodes", Float),          # nodes per vine in a normal year; None: the setting
    Column("policy", String(60)),           # None: the setting
    Column("secondary_crop", Float),        # share of a primary's crop; None: the setting
    Column("training_system", String(60), nullable=False, default=""),
    Column("row_spacing_m", Float),
    Column("vine_spacing_m", Float),
    Column("layout", Text, nullable=False, default="{}"),  # JSON: rows, vines a row, zones, classes
    Column("note", Text, nullable=False, default=""),
    Column("added_at", String(32), nullable=False),
)

sampling = Table(
    "sampling", metadata, _id(), _ref("block_id", "block"),
    Column("label", String(120), nullable=False),
    Column("collected_at", String(32)),
    Column("in_water_at", String(32)),
    Column("out_of_water_at", String(32)),
    Column("room_temp_c", Float),
    Column("plan", Text, nullable=False, default="{}"),    # JSON of the sample plan
    Column("tops_up", String(120), nullable=False, default=""),  # label of the block's sampling
    Column("note", Text, nullable=False, default=""),
    Column("added_at", String(32), nullable=False),
    UniqueConstraint("block_id", "label"),
)

cane = Table(
    "cane", metadata, _id(), _ref("sampling_id", "sampling"),
    Column("label", String(60), nullable=False),
    Column("vine", String(60), nullable=False, default=""),
    Column("vigor", String(20), nullable=False, default=""),   # small, medium, large
    Column("zone", String(60), nullable=False, default=""),
    Column("position", Integer, nullable=False, default=0),    # order in the walk, from 1
    Column("added_at", String(32), nullable=False),
    UniqueConstraint("sampling_id", "label", "vine"),          # cane 1 of vine 12, cane 1 of 13
)

bud = Table(
    "bud", metadata, _id(), _ref("cane_id", "cane"),
    Column("node", Integer, nullable=False),                   # 1 is the basal count node
    Column("added_at", String(32), nullable=False),
    UniqueConstraint("cane_id", "node"),
    CheckConstraint("node >= 1 AND node <= 200", name="node_range"),
)

person = Table(
    "person", metadata, _id(),
    Column("name", String(120), nullable=False, unique=True), _key(),
    Column("role", String(20), nullable=False),
    Column("password_hash", String(255)),
    Column("active", Boolean, nullable=False, default=True),
    Column("added_at", String(32), nullable=False),
    CheckConstraint("role IN ('technician', 'reviewer', 'lead')", name="role"),
)

photo = Table(
    "photo", metadata, _id(),
    Column("sha256", String(64), nullable=False, unique=True),
    Column("file_name", String(255), nullable=False),          # as it came, never used as a path
    Column("format", String(12), nullable=False),
    Column("n_bytes", Integer, nullable=False),
    Column("width_px", Integer, nullable=False),               # upright
    Column("height_px", Integer, nullable=False),
    Column("taken_at", String(32)),
    Column("camera", String(120), nullable=False, default=""),
    Column("added_at", String(32), nullable=False),
)

# Which bud and cut a photograph shows. The newest row of a photograph counts; `bud_id` None takes
# the photograph out again.
assignment = Table(
    "assignment", metadata, _id(), _ref("photo_id", "photo"), _ref("bud_id", "bud", null=True),
    Column("cut", Integer, nullable=False),
    _ref("person_id", "person", null=True),
    Column("source", String(30), nullable=False),  # manifest, file_name, bench, tag, page
    Column("note", Text, nullable=False, default=""),
    Column("added_at", String(32), nullable=False),
    _ref("replaces_id", "assignment", null=True),
    CheckConstraint("cut >= 1 AND cut <= 50", name="cut_range"),
)

model = Table(
    "model", metadata, _id(),
    Column("name", String(80), nullable=False),                # name-version, as in the registry
    Column("sha256", String(64), nullable=False, unique=True),
    Column("path", Text, nullable=False),                      # relative to the season, or shipped
    Column("facts", Text, nullable=False, default="{}"),       # JSON: metrics, training data's hash
    Column("added_at", String(32), nullable=False),
)

# Which model proposes: the newest row counts.
promotion = Table(
    "promotion", metadata, _id(), _ref("model_id", "model"), _ref("person_id", "person", null=True),
    Column("reason", Text, nullable=False),
    Column("added_at", String(32), nullable=False),
)

# What lets readers see proposals: a lead's decision for the season, a cultivar, a camera, or the
# light of a sampling; or the program's note that the light has changed. The newest row of a
# subject counts; without one, proposals stay hidden.
trust = Table(
    "trust", metadata, _id(),
    Column("subject", String(10), nullable=False),
    Column("name", String(120), nullable=False, default=""),   # of the cultivar or camera
    _ref("sampling_id", "sampling", null=True),                # of the light
    Column("value", String(8), nullable=False),
    _ref("person_id", "person", null=True),                    # None: the program
    Column("reason", Text, nullable=False, default=""),
    Column("facts", Text, nullable=False, default="{}"),       # JSON: what was known of the model
    Column("added_at", String(32), nullable=False),
    CheckConstraint("subject IN ('season', 'cultivar', 'camera', 'light')", name="subject"),
    CheckConstraint("value IN ('shown', 'hidden', 'again')", name="value"),
)

# Labels of one photograph: by a model (person_id None) or redrawn by a person. The newest row of
# a photograph made by a person counts, else the newest made by a model.
region = Table(
    "region", metadata, _id(), _ref("photo_id", "photo"), _ref("model_id", "model", null=True),
    _ref("person_id", "person", null=True),
    # PNG of labels 0..4, one byte a pixel, of the square `box` of the upright full-size photo
    # (row0, col0, row1, col1 as JSON; may reach outside the photo).
    Column("labels_png", LargeBinary, nullable=False),
    Column("box", String(80), nullable=False),
    Column("note", Text, nullable=False, default=""),
    Column("added_at", String(32), nullable=False),
    _ref("replaces_id", "region", null=True),
    CheckConstraint("model_id IS NOT NULL OR person_id IS NOT NULL", name="made_by"),
)

proposal = Table(
    "proposal", metadata, _id(), _ref("photo_id", "photo"), _ref("model_id", "model"),
    _ref("region_id", "region", null=True),
    Column("found", Boolean, nullable=False),
    Column("reasons", Text, nullable=False, default="[]"),     # JSON list, as Reason.as_dict
    Column("mm_per_px", Float),
    Column("added_at", String(32), nullable=False),
)

proposal_tissue = Table(
    "proposal_tissue", metadata, _id(), _ref("proposal_id", "proposal"),
    Column("tissue", String(12), nullable=False),
    Column("exposed", Boolean, nullable=False),
    Column("verdict", String(8)),
    Column("p_dead", Float),
    Column("area_px", Integer),
    Column("centre_row", Float),
    Column("centre_col", Float),
    Column("why", Text, nullable=False, default=""),
    Column("features", Text, nullable=False, default="{}"),    # JSON
    Column("p_name", Float),                                   # that it is not the other flanker
    Column("other_name", String(12)),                          # where the name is to be asked for
    UniqueConstraint("proposal_id", "tissue"),
    CheckConstraint(_TISSUE, name="tissue"),
)

# What a named person says of one tissue of one bud. `value` withdrawn takes the call it replaces
# back. The current call of a tissue is the newest settled row, else the newest row of round
# `first`; withdrawn counts as no call (a withdrawn settled row leaves the first one standing).
# Rows of round `second` never count by themselves.
call = Table(
    "call", metadata, _id(), _ref("bud_id", "bud", index=False),
    Column("tissue", String(12), nullable=False),
    Column("value", String(12), nullable=False),
    Column("cause", String(20), nullable=False, default=""),
    Column("note", Text, nullable=False, default=""),
    _ref("person_id", "person"),
    Column("round", String(10), nullable=False, default="first"),
    Column("source", String(10), nullable=False),              # page, import, archive
    Column("blind", Boolean, nullable=False, default=False),   # called without seeing the proposal
    _ref("proposal_id", "proposal", null=True, index=False),   # the proposal shown or hidden
    _ref("region_id", "region", null=True, index=False),
    Column("batch", String(36), nullable=False, default=""),   # rows saved together; undo takes one
    Column("added_at", String(32), nullable=False),
    _ref("replaces_id", "call", null=True, index=False),
    # Who wrote the row where it is not the person whose call it is: an undo that brings back
    # somebody's earlier call carries that person's name, and the one who pressed undo here.
    _ref("entered_by_id", "person", null=True, index=False),
    CheckConstraint(_TISSUE, name="tissue"),
    CheckConstraint(
        "value IN ('live', 'dead', 'unsure', 'not_exposed', 'withdrawn')", name="value"),
    CheckConstraint("round IN ('first', 'second', 'settled')", name="round"),
    CheckConstraint("source IN ('page', 'import', 'archive')", name="source"),
)
# The newest call of a tissue is the last entry of its run: no sorting, no look at the table.
Index("ix_call_newest", call.c.bud_id, call.c.tissue, call.c.round, call.c.id, call.c.value,
      call.c.cause)
Index("ix_call_batch", call.c.batch)
for _column in (call.c.proposal_id, call.c.region_id, call.c.replaces_id, call.c.entered_by_id):
    # Most rows have none, and cost nothing there. On PostgreSQL the migrations say the same;
    # said here, it would load that database's whole dialect wherever a season is opened.
    Index(f"ix_call_{_column.name}", _column, sqlite_where=_column.is_not(None))

# A mark on a bud that is not a call: missing or blind node, skipped in review, cause seen at the
# bench. The newest row of a (bud, kind) counts; value '' takes it back.
mark = Table(
    "mark", metadata, _id(), _ref("bud_id", "bud"),
    Column("kind", String(20), nullable=False),                # node, skipped, cause
    Column("value", String(60), nullable=False),
    _ref("person_id", "person", null=True),
    Column("note", Text, nullable=False, default=""),
    Column("added_at", String(32), nullable=False),
)

# Mutable: who has a bud open, and where each person stopped.
lease = Table(
    "lease", metadata, _id(), _ref("bud_id", "bud"), _ref("person_id", "person"),
    Column("until", String(32), nullable=False),
    UniqueConstraint("bud_id"),
)
bookmark = Table(
    "bookmark", metadata, _id(), _ref("person_id", "person"),
    Column("page", String(40), nullable=False),
    Column("value", Text, nullable=False),                     # JSON
    UniqueConstraint("person_id", "page"),
)

# The season after and the weather.
crop_record = Table(
    "crop_record", metadata, _id(), _ref("block_id", "block"),
    Column("kind", String(40), nullable=False),                # shoots_per_m, clusters_per_vine ...
    Column("value", Float, nullable=False),
    Column("spread", Float),                                   # standard error, in the same unit
    Column("n_counted", Integer),          # counts behind the mean; none in records before form 14
    Column("unit", String(20), nullable=False),
    Column("measured_on", String(10), nullable=False),
    _ref("person_id", "person", null=True),
    Column("note", Text, nullable=False, default=""),
    Column("added_at", String(32), nullable=False),
)
# What a named person says of the bark at one cut into a cane, cordon or trunk; '' where nobody
# looked. The newest row of a block's part, vine and position counts; two '' take it back.
_BARK = "IN ('', 'live', 'dead', 'unsure')"
wood_cut = Table(
    "wood_cut", metadata, _id(), _ref("block_id", "block"),
    Column("part", String(10), nullable=False),
    Column("vine", String(60), nullable=False),
    Column("position", String(60), nullable=False, default=""),
    Column("phloem", String(12), nullable=False, default=""),
    Column("cambium", String(12), nullable=False, default=""),
    Column("cut_on", String(10), nullable=False),
    _ref("person_id", "person"),
    Column("note", Text, nullable=False, default=""),
    Column("added_at", String(32), nullable=False),
    CheckConstraint("part IN ('cane', 'cordon', 'trunk')", name="part"),
    CheckConstraint(f"phloem {_BARK} AND cambium {_BARK}", name="value"),
)
temperature = Table(
    "temperature", metadata, _id(),
    Column("station", String(120), nullable=False),
    Column("measured_at", String(32), nullable=False),
    Column("celsius", Float, nullable=False),
    UniqueConstraint("station", "measured_at"),
)

# What was saved, as hashes (see `store.seal`). The points of the chains are append-only; of `seal`
# there is one row a table, and one for the number of writes.
chain = Table(
    "chain", metadata, _id(),
    Column("table_name", String(40), nullable=False),
    Column("kind", String(10), nullable=False),                # rows; renewed: begun anew
    Column("last_id", Integer, nullable=False),
    Column("n_rows", Integer, nullable=False),
    Column("sha256", String(64), nullable=False),
    Column("added_at", String(32), nullable=False),
    Index("ix_chain_table_name_kind", "table_name", "kind", "id"),
)
seal = Table(
    "seal", metadata, _id(),
    Column("table_name", String(40), nullable=False, unique=True),
    Column("last_id", Integer, nullable=False),
    Column("n_rows", Integer, nullable=False),
    Column("sha256", String(64), nullable=False),
    Column("changed", Boolean, nullable=False),                # set by a trigger
)

# Counts of each sampling, made anew with every write that touches it (see `store.counts`).
sampling_count = Table(
    "sampling_count", metadata, _id(), _ref("sampling_id", "sampling", index=False),
    Column("version", Integer, nullable=False),                # grows with every such write
    Column("n_canes", Integer, nullable=False),
    Column("n_buds", Integer, nullable=False),
    Column("last_node", Integer, nullable=False),              # 0 where there is no bud
    Column("n_photos", Integer, nullable=False),               # that show a bud of it
    Column("n_unseen", Integer, nullable=False),               # of these, without a proposal
    Column("n_called", Integer, nullable=False),               # all tissues called, not missing
    Column("n_called_missing", Integer, nullable=False),       # all called, and marked missing
    Column("n_missing", Integer, nullable=False),              # marked missing or blind
    Column("n_waiting", Integer, nullable=False),              # photographed, not all called
    Column("n_skipped", Integer, nullable=False),              # of these, put aside
    Column("n_no_photo", Integer, nullable=False),             # not all called, no photograph
    Column("n_tissues_waiting", Integer, nullable=False),      # of the buds that wait
    Column("n_twice", Integer, nullable=False),                # with a row of a second reading
    UniqueConstraint("sampling_id"),
)

# Long work that was asked for (see `queries.jobs`): of the moment, so these rows do change.
job = Table(
    "job", metadata, _id(),
    Column("kind", String(40), nullable=False),
    Column("asked", Text, nullable=False),                     # JSON: what the deed wants to know
    Column("asked_by", String(120), nullable=False),
    Column("station", Text, nullable=False),                   # which does it
    Column("state", String(12), nullable=False),
    Column("what", Text, nullable=False),
    Column("n_done", Integer, nullable=False),
    Column("n_total", Integer, nullable=False),
    Column("text", Text, nullable=False),                      # what came of it
    Column("model", String(80), nullable=False),
    Column("added_at", String(32), nullable=False),
    Column("changed_at", String(32), nullable=False),
    Column("seen_at", String(32), nullable=False),             # last sign of who is at it
    CheckConstraint(
        "state IN ('waiting', 'running', 'stopping', 'done', 'failed', 'cancelled')",
        name="state"),
)

# Backups that were made and verified, by any station (see `queries.backups`).
backup = Table(
    "backup", metadata, _id(),
    Column("station", Text, nullable=False),                   # which made it
    Column("folder", Text, nullable=False), Column("generation", Text, nullable=False),
    Column("made_at", String(32), nullable=False),
    Column("n_missing", Integer),                              # photographs that it lacks
    Column("n_files", Integer),                                # models, keys, policies likewise
)

APPEND_ONLY: tuple[str, ...] = (
    "photo", "assignment", "model", "promotion", "region", "proposal", "proposal_tissue", "call",
    "mark", "crop_record", "trust", "wood_cut", "chain",
)
"""Tables whose rows a trigger keeps from being updated or deleted."""
