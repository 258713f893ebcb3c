"""What an administrator sees of a server: a line a request, figures to draw, whether it is well.

Neither log nor figures hold anything that a person typed: routes stand there by their pattern
(``/review/bud/<int:bud_id>``), statements without their values, a mistake of the program by its
kind and place. Figures are in the open exposition format (OpenMetrics).
"""

from __future__ import annotations

import hmac
import json
import logging
import os
import sys
import time
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from logging.handlers import RotatingFileHandler
from pathlib import Path
from typing import TYPE_CHECKING, TextIO
from uuid import uuid4

from flask import Blueprint, Flask, current_app, g, has_request_context, request
from flask.typing import ResponseReturnValue
from flask.wrappers import Response
from prometheus_client import CollectorRegistry, Counter, Histogram
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.exposition import choose_encoder
from prometheus_client.registry import Collector

from budvision.errors import BudvisionError, StorageError
from budvision.store.engine import watch_queries
from budvision.store.session import now
from budvision.web.current import current_season
from budvision.workflow.season.health import season_figures

if TYPE_CHECKING:
    from prometheus_client import Metric

    from budvision.store.session import Season

__all__ = ["SLOW_QUERY_MS", "RouteTime", "blueprint", "install", "logging_to", "may_scrape",
           "note_mistake", "request_number", "rotating_log", "route_times"]

SLOW_QUERY_MS = 500.0
"""Milliseconds from which a query of the database is written to the log."""
TOKEN = "BUDVISION_METRICS_TOKEN"  # nosec B105  (the variable's name, not a token)
"""Variable of the environment: who sends it as a bearer token may read the figures."""
_LEAST_TOKEN = 16
_LOG_BYTES, _LOG_FILES = 10_000_000, 5
_METHODS = frozenset(("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"))
_MOST_OF_STATEMENT = 600
_SECONDS = (0.01, 0.025, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.75, 1, 2, 5, 10, 30)
_KEY = "budvision.figures"
_PACKAGE = Path(__file__).resolve().parents[1]
_log = logging.getLogger("budvision.requests")
_log.propagate = False

blueprint = Blueprint("observed", __name__)


class _Figures:
    """Counters and times of one application, beside what its season holds."""

    def __init__(self, season: Season) -> None:
        self.registry = CollectorRegistry()
        self.requests = Counter(
            "budvision_requests", "Requests answered.", ("method", "route", "status"),
            registry=self.registry)
        self.seconds = Histogram(
            "budvision_request_seconds", "Time of answering a request.", ("route",),
            buckets=_SECONDS, registry=self.registry)
        self.slow = Counter("budvision_slow_queries", "Queries that took long.",
                            registry=self.registry)
        self.registry.register(_OfSeason(season))


class _OfSeason(Collector):
    """What a season holds, read when the figures are asked for."""

    def __init__(self, season: Season) -> None:
        self._season = season

    def describe(self) -> Iterator[Metric]:
        """Name nothing beforehand: a name stands here once."""
        return iter(())

    def collect(self) -> Iterator[Metric]:
        """Yield a figure for each count, and one by state for the jobs."""
        try:
            held = season_figures(self._season)
        except BudvisionError:
            yield GaugeMetricFamily("budvision_database_up", "Whether the database answers.", 0)
            return
        yield GaugeMetricFamily("budvision_database_up", "Whether the database answers.", 1)
        for name, (meaning, value) in held.counts.items():
            yield GaugeMetricFamily(f"budvision_{name}", meaning, value)
        jobs = GaugeMetricFamily("budvision_jobs", "Long work that is open.", labels=("state",))
        for state, n in held.jobs.items():
            jobs.add_metric((state,), n)
        yield jobs


def install(app: Flask, season: Season, *, slow_query_ms: float = SLOW_QUERY_MS) -> None:
    """Note every request and every slow query of an application; to be called first of all.

    Parameters
    ----------
    app : flask.Flask
        The application.
    season : Season
        Its season.
    slow_query_ms : float
        Milliseconds from which a query is written down.
    """
    figures = app.extensions[_KEY] = _Figures(season)
    app.before_request(_begin)
    app.after_request(_end)
    app.register_blueprint(blueprint)

    def queried(statement: str, seconds: float) -> None:
        asked = has_request_context()
        if asked:
            so_far = g._get_current_object()
            so_far.n_queries = so_far.get("n_queries", 0) + 1
            so_far.query_s = so_far.get("query_s", 0.0) + seconds
        if seconds * 1000 >= slow_query_ms:
            fields = {"request": request_number()} if asked else {}
            figures.slow.inc()
            _write("slow query", fields | {"ms": round(seconds * 1000, 1), "statement": " ".join(
                statement.split())[:_MOST_OF_STATEMENT]})

    watch_queries(season.engine, queried)


def request_number() -> str:
    """Return the number of the request that is being answered, in log, header and error page."""
    number = g.get("request_number")
    if number is None:
        number = g.request_number = uuid4().hex[:8]
    return str(number)


def note_mistake(error: Exception) -> None:
    """Keep the kind and place of a mistake of the program for the request's line."""
    steps = traceback.extract_tb(error.__traceback__)
    ours = [step for step in steps if Path(step.filename).is_relative_to(_PACKAGE)]
    where = [f"{Path(step.filename).name}:{step.lineno} {step.name}" for step in ours or steps]
    g.mistake = {"error": type(error).__name__, "at": where[-1]}


def _begin() -> None:
    g.begun = time.perf_counter()


def _end(response: Response) -> Response:
    method = request.method if request.method in _METHODS else "other"
    route = request.url_rule.rule if request.url_rule is not None else "none"
    taken_s = time.perf_counter() - g.get("begun", time.perf_counter())
    figures = current_app.extensions[_KEY]
    assert isinstance(figures, _Figures)
    figures.requests.labels(method, route, str(response.status_code)).inc()
    figures.seconds.labels(route).observe(taken_s)
    response.headers["X-Request-Id"] = request_number()
    _write("request", {
        "request": request_number(), "method": method, "route": route,
        "status": response.status_code, "ms": round(taken_s * 1000, 1),
        "queries": g.get("n_queries", 0), "query_ms": round(g.get("query_s", 0.0) * 1000, 1),
        **g.get("mistake", {})})
    return response


def _write(kind: str, fields: dict[str, object]) -> None:
    if _log.isEnabledFor(logging.INFO) and _log.handlers:
        _log.info(json.dumps({"time": now(), "kind": kind, **fields}, ensure_ascii=False))


@contextmanager
def logging_to(place: TextIO | RotatingFileHandler | None) -> Iterator[None]:
    """Write the log to an open text or a handler until the block ends; None for no log."""
    if place is None:
        yield
        return
    handler = place if isinstance(place, logging.Handler) else logging.StreamHandler(place)
    _log.setLevel(logging.INFO)
    _log.addHandler(handler)
    try:
        yield
    finally:
        _log.removeHandler(handler)
        if handler is place:
            handler.close()


def rotating_log(name: str) -> TextIO | RotatingFileHandler | None:
    """Return where a log goes that was named: ``-`` standard error, '' nowhere, else a file.

    A file of 10 MB is put aside as ``NAME.1`` and so on; five of them are kept.

    Raises
    ------
    StorageError
        When it cannot be written.
    """
    if not name:
        return None
    if name == "-":
        return sys.stderr
    try:
        return RotatingFileHandler(name, maxBytes=_LOG_BYTES, backupCount=_LOG_FILES,
                                   encoding="utf-8")
    except OSError as error:
        raise StorageError(f"the log cannot be written ({error.strerror})", where=name,
                           do="Name a file in a folder that may be written.") from error


@dataclass(frozen=True, slots=True)
class RouteTime:
    """How often a route was asked for since the server began, and how long its answers took.

    Attributes
    ----------
    route : str
        Its pattern.
    n : int
    p95_ms : float
        Milliseconds that 95 of 100 answers stayed under: the upper edge of a step of the figures;
        infinite above the last.
    """

    route: str
    n: int
    p95_ms: float


def route_times() -> tuple[RouteTime, ...]:
    """Return the time of each route that was asked for, the slowest first."""
    steps: dict[str, list[tuple[float, float]]] = {}
    figures = current_app.extensions[_KEY]
    assert isinstance(figures, _Figures)
    for family in figures.seconds.collect():
        for sample in family.samples:
            if sample.name.endswith("_bucket"):
                steps.setdefault(sample.labels["route"], []).append(
                    (float(sample.labels["le"]), sample.value))
    found = [RouteTime(route, int(each[-1][1]), 1000 * next(
        edge for edge, below in each if below >= 0.95 * each[-1][1]))
        for route, each in steps.items()]
    return tuple(sorted(found, key=lambda one: (-one.p95_ms, -one.n, one.route)))


def may_scrape() -> bool:
    """Say whether a request for the figures brings the token of the environment."""
    token = os.environ.get(TOKEN, "")
    given = request.headers.get("Authorization", "").removeprefix("Bearer ")
    return (request.endpoint == "observed.metrics" and len(token) >= _LEAST_TOKEN
            and hmac.compare_digest(given.encode(), token.encode()))


@blueprint.get("/metrics")
def metrics() -> ResponseReturnValue:
    """Give the figures as text, in the form that the asker reads."""
    figures = current_app.extensions[_KEY]
    assert isinstance(figures, _Figures)
    encode, kind = choose_encoder(request.headers.get("Accept", ""))
    return encode(figures.registry), 200, {"Content-Type": kind}


@blueprint.get("/health")
def health() -> ResponseReturnValue:
    """Say to anybody, a watchdog or a proxy, whether requests can be answered."""
    try:
        season_figures(current_season())
    except BudvisionError:
        return {"ok": False}, 503
    return {"ok": True}
