"""A database server that goes away: pages say so, and go on when it is back."""

from __future__ import annotations

from pathlib import Path

import psycopg
import pytest
from psycopg import sql

from budvision.errors import StorageError
from budvision.store.session import Season
from budvision.web import create_app
from budvision.web.current import SEASON_KEY

pytestmark = pytest.mark.postgres


def _allow(url: str, allowed: bool) -> None:
    """Shut a database to everybody, ending who is there, or open it again."""
    server, _, name = url.rpartition("/")
    with psycopg.connect(f"{server}/postgres", autocommit=True) as conn:
        conn.execute(sql.SQL("ALTER DATABASE {} ALLOW_CONNECTIONS {}").format(
            sql.Identifier(name), sql.SQL(str(allowed).lower())))
        conn.execute("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = %s",
                     (name,))


def test_pages_say_that_the_server_is_gone_and_go_on_when_it_is_back(
    postgres_url: str, tmp_path: Path
) -> None:
    Season.create(tmp_path / "s", database_url=postgres_url).close()
    app = create_app(tmp_path / "s")
    client = app.test_client()
    try:
        assert client.get("/results/").status_code == 200
        _allow(postgres_url, False)
        gone = client.get("/results/")
        assert gone.status_code == 507
        assert "the database refused the work" in gone.text
        assert "Check the disk and the database server, then try again" in gone.text
        with pytest.raises(StorageError), app.extensions[SEASON_KEY].write():
            pass
        _allow(postgres_url, True)
        assert client.get("/results/").status_code == 200  # nothing was restarted
    finally:
        app.extensions[SEASON_KEY].close()
