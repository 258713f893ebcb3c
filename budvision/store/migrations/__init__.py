"""Changes of the database's form, run from the package: no configuration file is needed.

To add one: write `versions/r000N_<subject>.py` with its `upgrade` and `downgrade`, put its number
at the end of `REVISIONS`, change `tables.py` alike (a test compares them), and say in the module
what happens to rows that exist. A batch change of an append-only table on SQLite copies the table
and loses its triggers: call `triggers.drop` before and `triggers.create` after.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, inspect, text

from budvision.errors import SeasonError
from budvision.store import counts, seal

__all__ = ["HEAD", "REVISIONS", "bring_up_to_date", "current", "downgrade", "make", "upgrade"]

REVISIONS: tuple[str, ...] = (
    "0001", "0002", "0003", "0004", "0005", "0006", "0007", "0008", "0009", "0010",
    "0011", "0012", "0013", "0014", "0015",
)
"""Every revision, oldest first."""

HEAD = REVISIONS[-1]


def current(conn: Connection) -> str | None:
    """Return the database's revision, None where it holds no season."""
    if not inspect(conn).has_table("alembic_version"):
        return None
    row = conn.execute(text("SELECT version_num FROM alembic_version")).first()
    return None if row is None else str(row[0])


def upgrade(conn: Connection, revision: str = "head") -> None:
    """Bring the database up to a revision, inside the caller's transaction."""
    from alembic import command

    command.upgrade(_config(conn), revision)


def downgrade(conn: Connection, revision: str) -> None:
    """Take the database back to an earlier revision, inside the caller's transaction."""
    from alembic import command

    command.downgrade(_config(conn), revision)
    conn.info.pop(seal.KNOWN_THERE, None)


def make(engine: Engine, folder: Path) -> None:
    """Make a season's tables in an empty database; bring one that has them up to date.

    Raises
    ------
    SeasonError
        When a newer budvision made the database.
    """
    with engine.connect() as conn:
        conn = conn.execution_options(budvision_write=True)
        with conn.begin():
            if current(conn) is None:
                upgrade(conn)
    bring_up_to_date(engine, folder)


def bring_up_to_date(engine: Engine, folder: Path, *, read_only: bool = False) -> Path | None:
    """Upgrade an older database after copying it; refuse a newer one.

    Parameters
    ----------
    engine : sqlalchemy.Engine
        The season's database.
    folder : Path
        The season's folder, where the copy is put.
    read_only : bool
        The folder may not be written: an older form is refused too.

    Returns
    -------
    Path or None
        The backup copy, None where nothing had to be done or the database is not a file.

    Raises
    ------
    SeasonError
        When the database is empty or was made by a newer budvision.
    """
    with engine.connect() as conn:
        revision = current(conn)
    if revision == HEAD:
        return None
    if revision is None:
        raise SeasonError(
            "the database holds no season", where=str(folder),
            do="Put budvision.db back from a backup, or make a season in another folder.",
        )
    if revision not in REVISIONS:
        raise SeasonError(
            f"the database has form {revision}, this budvision knows forms up to {HEAD}",
            where=str(folder), code="season_newer",
            expected="a database of this version or an older one",
            do="Install the newer budvision that made it; nothing was changed.",
        )
    if read_only:
        raise SeasonError(
            f"the database has form {revision}, which this budvision would bring to {HEAD}",
            where=str(folder), code="season_older", expected="a folder that may be written",
            do="Copy the season to a disk that may be written and open it there.",
        )
    backup = _copy(engine, folder, revision)
    with engine.connect() as conn:
        conn = conn.execution_options(budvision_write=True)
        with conn.begin():
            if current(conn) != HEAD:  # another process may have been quicker
                sound = not seal.verify(conn)
                upgrade(conn)
                counts.rebuild(conn)
                if sound:  # else `budvision check` goes on telling of it
                    seal.renew(conn)
    return backup


def _copy(engine: Engine, folder: Path, revision: str) -> Path | None:
    """Copy an SQLite database whole, under a name that says from which form it comes."""
    if engine.dialect.name != "sqlite" or engine.url.database is None:
        return None
    number = 1
    while (target := folder / f"budvision.db.before-{HEAD}-from-{revision}-{number}").exists():
        number += 1
    with (
        closing(sqlite3.connect(engine.url.database)) as source,
        closing(sqlite3.connect(target)) as copy,
    ):
        source.backup(copy)
    return target


def _config(conn: Connection) -> Any:
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = conn
    return config
