"""What Alembic runs: the migrations on the connection that the caller hands over."""

from __future__ import annotations

from alembic import context

from budvision.store.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    render_as_batch=True,
    compare_type=True,
    transaction_per_migration=False,
)
context.run_migrations()
