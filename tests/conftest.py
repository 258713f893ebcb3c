"""Guards round every test, and what tests need from outside the repository.

Every test runs with: no network but loopback, the global random generators untouched, nothing
written outside its own temporary folder, warnings as errors (pyproject.toml).

A test marked `browser`, `postgres`, `shared` or `torch` is skipped with the reason where its need
is missing, and *fails* where the environment variable BUDVISION_REQUIRE (a comma list) names it.
"""

from __future__ import annotations

import atexit
import importlib.util
import io
import os
import random
import shutil
import sys
import tempfile
import uuid
from collections.abc import Callable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import pytest_socket
import rich.style  # noqa: F401  (draws one global random number when first imported)
from hypothesis import HealthCheck, settings
from hypothesis.configuration import set_hypothesis_home_dir
from PIL import Image

from budvision.language import speak
from budvision.store import migrations
from budvision.store.engine import open_engine
from budvision.store.session import Season

ROOT = Path(__file__).resolve().parent.parent
SHARED = ROOT.parent / "shared" / "real"
CHROMIUMS = ("chromium", "chromium-browser", "google-chrome")

settings.register_profile(
    "budvision", database=None, deadline=None, derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
settings.load_profile("budvision")
_NOTES = tempfile.mkdtemp(prefix="budvision-hypothesis-")  # where Hypothesis keeps its own notes
set_hypothesis_home_dir(_NOTES)
atexit.register(shutil.rmtree, _NOTES, ignore_errors=True)

# ---- tests side by side ------------------------------------------------------------------------


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_setupnodes() -> None:
    """Give each process of several one thread: more would wait for each other, 6 times as long."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "OPENCV_FOR_THREADS_NUM"):
        os.environ.setdefault(name, "1")


# ---- what tests need from outside ------------------------------------------------------------


@lru_cache
def _missing(need: str) -> str:
    """Return why a need is not met, empty where it is."""
    if need == "shared":
        return "" if SHARED.is_dir() else f"the real photographs are not at {SHARED}"
    if need == "torch":
        found = importlib.util.find_spec("torch") is not None
        return "" if found else "torch is not installed (pip install budvision[train])"
    if need == "browser":
        if importlib.util.find_spec("playwright") is None:
            return "playwright is not installed (pip install budvision[test])"
        return "" if find_chromium() else "Chromium is not installed (apt-get install chromium)"
    if need == "postgres":
        return "" if postgres_server() else (
            "no PostgreSQL server answers (set BUDVISION_TEST_POSTGRES=postgresql://user@host/db)"
        )
    raise ValueError(need)


def find_chromium() -> str | None:
    """Return the path of Chromium, None where there is none."""
    named = os.environ.get("BUDVISION_CHROMIUM")
    return named or next((path for name in CHROMIUMS if (path := shutil.which(name))), None)


@lru_cache
def postgres_server() -> str | None:
    """Return the address of a PostgreSQL server that lets us make databases, else None."""
    if importlib.util.find_spec("psycopg") is None:
        return None
    import psycopg

    named = os.environ.get("BUDVISION_TEST_POSTGRES")
    address = named or "postgresql://postgres@127.0.0.1:5432/postgres"
    address = address.replace("postgresql+psycopg://", "postgresql://")
    try:
        psycopg.connect(address, connect_timeout=3).close()
    except psycopg.OperationalError:
        return None
    return address


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Close the network, speak English, and skip or fail a test whose need is missing."""
    speak("en")  # a page asked for in another language leaves it spoken in this thread
    pytest_socket.socket_allow_hosts(["127.0.0.1", "::1", "localhost"], allow_unix_socket=True)
    required = {need.strip() for need in os.environ.get("BUDVISION_REQUIRE", "").split(",")}
    for need in ("browser", "postgres", "shared", "torch"):
        if item.get_closest_marker(need) is None or not (reason := _missing(need)):
            continue
        if need in required:
            pytest.fail(f"BUDVISION_REQUIRE names {need}, but {reason}", pytrace=False)
        pytest.skip(reason)


@pytest.fixture
def shared_photos() -> Path:
    """Return the folder of real photographs; the test is marked `shared`."""
    return SHARED


@pytest.fixture
def chromium() -> str:
    """Return the path of Chromium; the test is marked `browser`."""
    path = find_chromium()
    assert path is not None
    return path


@pytest.fixture
def postgres_url() -> Iterator[str]:
    """Make an empty PostgreSQL database for one test, and drop it after."""
    import psycopg
    from psycopg import sql

    server = postgres_server()
    assert server is not None
    name = f"budvision_test_{uuid.uuid4().hex[:12]}"
    with psycopg.connect(server, autocommit=True) as conn:
        conn.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(name)))
    yield server.rsplit("/", maxsplit=1)[0] + f"/{name}"
    with psycopg.connect(server, autocommit=True) as conn:
        conn.execute(sql.SQL("DROP DATABASE {} WITH (FORCE)").format(sql.Identifier(name)))


# ---- seasons and photographs ------------------------------------------------------------------

_make = migrations.make


@lru_cache
def _empty_database() -> Path:
    """Return the file of an empty season, made once a process."""
    folder = Path(_NOTES) / "empty"
    folder.mkdir()
    engine = open_engine(folder, None)
    try:
        _make(engine, folder)
    finally:
        engine.dispose()
    return next(folder.glob("*.db"))


def _make_as_copy(engine: Any, folder: Path) -> None:
    """Begin an SQLite season as a copy: the migrations take longer than most tests.

    They themselves are run by tests/store/test_migrations.py and by every season on PostgreSQL.
    """
    if engine.dialect.name == "sqlite" and not Path(engine.url.database).exists():
        shutil.copyfile(_empty_database(), engine.url.database)
    _make(engine, folder)


migrations.make = _make_as_copy


@pytest.fixture
def season(tmp_path: Path) -> Iterator[Season]:
    """Make an empty season with an SQLite database."""
    with Season.create(tmp_path / "season") as made:
        yield made


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def any_season(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Season]:
    """Make an empty season, once on SQLite and once on PostgreSQL."""
    url = request.getfixturevalue("postgres_url") if request.param == "postgres" else None
    with Season.create(tmp_path / "season", database_url=url) as made:
        yield made


@pytest.fixture
def jpeg() -> Callable[..., bytes]:
    """Return a maker of small JPEG photographs; another number, another photograph."""

    def make(number: int = 0, *, size: tuple[int, int] = (720, 640)) -> bytes:
        grid = np.indices((size[1], size[0])).sum(axis=0)
        pixels = np.stack([(grid * (number % 7 + 1) + shift + number) % 256
                           for shift in (0, 60, 120)], axis=-1).astype(np.uint8)
        out = io.BytesIO()
        exif = Image.Exif()
        exif[271], exif[272] = "Lens Works", "Field 3"
        Image.fromarray(pixels).save(out, "JPEG", quality=80, exif=exif)
        return out.getvalue()

    return make


# ---- guards ----------------------------------------------------------------------------------

_FOLDERS: list[str] = []  # where the running test may write; empty between tests
_STRAYS: list[str] = []
_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
_FREE = ("/dev/", "/proc/self/", _NOTES)


def _may_write(path: Any) -> bool:
    if isinstance(path, int) or not path:
        return True
    text = os.path.abspath(os.fsdecode(path))  # noqa: PTH100  (links are not followed)
    return (
        text.startswith((*_FOLDERS, *_FREE)) or "__pycache__" in text or text.endswith(".pyc")
    )


def _watch(event: str, args: tuple[Any, ...]) -> None:
    """Note every file that the running test opens for writing, makes, moves or removes."""
    if not _FOLDERS:
        return
    if event == "open":
        path, mode, flags = args
        writes = any(c in mode for c in "wax+") if isinstance(mode, str) else flags & _WRITING
        touched = [path] if writes else []
    elif event == "sqlite3.connect":
        name = os.fsdecode(args[0])
        touched = [] if name in ("", ":memory:") or name.startswith("file:") else [name]
    elif event in ("os.mkdir", "os.remove", "os.rmdir"):
        path, folder = args[0], args[-1]  # a name inside an open folder, as shutil.rmtree has it
        touched = [Path(f"/proc/self/fd/{folder}").resolve() / path if folder >= 0 else path]
    elif event in ("os.truncate", "os.chmod"):
        touched = [args[0]]
    elif event in ("os.rename", "os.link", "os.symlink"):
        touched = [args[1]]
    else:
        return
    for path in touched:
        if not _may_write(path):
            _STRAYS.append(f"{event} {path!r}")


sys.addaudithook(_watch)


@pytest.fixture(autouse=True)
def _keep_inside(
    tmp_path: Path, tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> Iterator[None]:
    """Fail a test that writes outside its temporary folder."""
    base = tmp_path_factory.getbasetemp()
    scratch = tmp_path_factory.mktemp("scratch")
    monkeypatch.setattr(tempfile, "tempdir", str(scratch))
    for name in ("TMPDIR", "MPLCONFIGDIR", "XDG_CACHE_HOME", "JOBLIB_TEMP_FOLDER"):
        monkeypatch.setenv(name, str(scratch))
    _STRAYS.clear()
    _FOLDERS[:] = [str(base), str(base.resolve())]
    yield
    _FOLDERS.clear()
    assert not _STRAYS, f"written outside tmp_path: {_STRAYS[:5]}"


@pytest.fixture(autouse=True)
def _no_global_randomness() -> Iterator[None]:
    """Fail a test that draws from, or seeds, the global random generators."""
    plain, legacy = random.getstate(), np.random.get_state(legacy=False)  # noqa: NPY002
    yield
    now = np.random.get_state(legacy=False)  # noqa: NPY002
    assert random.getstate() == plain, "the global generator of `random` was used"
    assert isinstance(now, dict)
    assert isinstance(legacy, dict)
    assert now["state"]["pos"] == legacy["state"]["pos"], "numpy's global generator was used"
    assert np.array_equal(now["state"]["key"], legacy["state"]["key"]), "numpy's global generator"
