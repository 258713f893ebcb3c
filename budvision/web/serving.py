"""Serve a season with waitress, to this machine or to a network."""

from __future__ import annotations

import _thread
import contextlib
import logging
import os
import signal
import socket
import sys
import threading
import time
import webbrowser
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from logging.handlers import RotatingFileHandler
from pathlib import Path
from typing import Any, TextIO

from flask import Flask
from waitress.server import create_server

from budvision.errors import BudvisionError, SeasonError, UsageError
from budvision.photo import workers
from budvision.store.counts import versions
from budvision.web import create_app
from budvision.web.certificate import certificate_folder, own_certificate
from budvision.web.current import SEASON_KEY
from budvision.web.guard import is_loopback_address
from budvision.web.observed import SLOW_QUERY_MS, logging_to, rotating_log
from budvision.web.season.begin import Doorway, begin_app, may_begin
from budvision.workflow.answers.answers import season_answers
from budvision.workflow.bench.model import get_ready
from budvision.workflow.learning.anew import count_out_of_step
from budvision.workflow.learning.models import watch_model

__all__ = ["serve_season"]

MOST_DRAIN_S = 25.0
"""Longest wait, in seconds, for requests that are being answered when the server is to end."""
_TURN_S = 0.0005  # a request that has its rows waits no longer than this for one that computes
LARGE = 100
"""Samplings from which on the pages over all of them are worked out before anybody asks."""
_log = logging.getLogger("budvision.web")


def serve_season(
    season_folder: Path | str,
    *,
    host: str = "127.0.0.1",
    port: int = 8765,
    hosts: Sequence[str] = (),
    https: bool = False,
    own: bool = False,
    open_browser: bool = False,
    log: str = "",
    slow_query_ms: float = SLOW_QUERY_MS,
    ready: Callable[[str], None] | None = None,
) -> None:
    """Serve until interrupted; a request to end (SIGTERM) lets open requests be answered.

    Parameters
    ----------
    season_folder : path
        The season; a folder without one opens the page that makes it, on this machine only.
    host : str
        Address to listen on. Anything but loopback asks people to log in.
    port : int
        Port; 0 takes a free one. A busy port of the default kind is refused with the reason.
    hosts : sequence of str
        Names by which browsers reach this machine, needed when `host` is not loopback.
    https : bool
        Whether a proxy in front speaks HTTPS.
    own : bool
        Speak HTTPS itself, with a certificate made for `hosts` (`certificate`).
    open_browser : bool
        Open the first page in the browser.
    log : str
        File for a line of JSON a request, ``-`` for standard error, '' for none.
    slow_query_ms : float
        Milliseconds from which a query of the database is a line of its own.
    ready : callable, optional
        Called with the address once requests are answered: the one by which browsers come, behind
        a proxy its.

    Raises
    ------
    UsageError
        When the port is taken, a network is to be served without names, or a certificate of its
        own is asked for where a proxy speaks HTTPS or this machine alone is served.
    SeasonError
        When the folder is not a season.
    StorageError
        When the log cannot be written.
    """
    loopback = is_loopback_address(host) and not hosts
    if own and (loopback or https):
        raise UsageError(
            "a certificate of its own is for a network without a proxy", where="serve",
            expected="a name by which other devices reach this computer",
            do="Add --host 0.0.0.0 and --name NAME, and leave --https out.")
    kept = rotating_log(log)
    if loopback and not https and may_begin(Path(season_folder)):
        served = Doorway(begin_app(Path(season_folder)))
    else:
        served = Doorway(create_app(season_folder, loopback=loopback, hosts=hosts, https=https,
                                     slow_query_ms=slow_query_ms, own_certificate=own))
    try:
        server = (_secure_server(served, host, port, hosts) if own
                  else _plain_server(served, host, port, https))
    except OSError as error:
        served.close()
        raise UsageError(
            f"{host} port {port} cannot be listened on ({error.strerror or error})",
            expected="a free port of this machine", where="serve",
            do="Choose another with --port, or --port 0 for any free one.",
        ) from error
    shown = f"[{host}]" if ":" in host else host
    address = f"{'https' if own else 'http'}://{shown if loopback else hosts[0]}:{server.port}/"
    if https and hosts:  # what browsers come by is the proxy's port, not this one
        address = f"https://{hosts[0]}/"
    if ready:
        ready(address)
    if open_browser and loopback:
        _show(address)
    _run_to_the_end(server, served, kept)


def _get_ready(app: Flask) -> None:
    """Have ready what the first photograph needs, while the first page is looked at already.

    Then what the first pages of a large season show; who asks meanwhile waits for the same work.
    """
    season = app.extensions.get(SEASON_KEY)
    if season is None:
        return
    get_ready(season)
    with contextlib.suppress(BudvisionError):  # what fails is told of when somebody asks
        with season.read() as conn:
            large = len(versions(conn)) >= LARGE
        if large:
            count_out_of_step(season)
            watch_model(season)
            season_answers(season)
            season.keep_remembered()


def _show(address: str) -> None:
    try:
        webbrowser.open(address)
    except webbrowser.Error as error:
        raise BudvisionError(
            f"no browser could be opened ({error})", do=f"Open {address} yourself."
        ) from error


@dataclass(frozen=True, slots=True)
class _Server:
    """A server that is bound to its port, whichever library it is of."""

    port: int
    run: Callable[[], None]
    close: Callable[[], None]
    busy: Callable[[], bool]


def _run_to_the_end(
    server: _Server, served: Doorway, kept: TextIO | RotatingFileHandler | None
) -> None:
    """Answer requests and do long work until interrupted, then put both away in order."""
    sys.setswitchinterval(_TURN_S)
    served.wake()
    threading.Thread(target=_get_ready, args=(served.app,), name="ready", daemon=True).start()
    before = _stop_in_order(server.busy)
    try:
        with logging_to(kept):
            server.run()
    except KeyboardInterrupt:
        pass
    finally:
        if before is not None:  # it is asked to end once more while it ends
            signal.signal(signal.SIGTERM, signal.SIG_IGN)
        server.close()
        left = served.close()
        workers.close()
        if before is not None:
            signal.signal(signal.SIGTERM, before)
    for job in left:
        _log.warning("not done yet: job %d (%s) goes on when the season is served again, or with "
                     "`budvision jobs run`", job.id, job.kind)


def _plain_server(served: Doorway, host: str, port: int, https: bool) -> _Server:
    door = _listen(host, port)
    server = create_server(
        served, sockets=[door], threads=16, ident=None, clear_untrusted_proxy_headers=not https,
        max_request_body_size=int(served.app.config["MAX_CONTENT_LENGTH"]),
    )
    at_work = server.task_dispatcher
    return _Server(door.getsockname()[1], server.run, server.close,
                   lambda: bool(at_work.active_count or at_work.queue))


def _secure_server(served: Doorway, host: str, port: int, hosts: Sequence[str]) -> _Server:
    """Bind a server that speaks HTTPS; waitress does not."""
    from cheroot.ssl.builtin import BuiltinSSLAdapter
    from cheroot.wsgi import Server

    try:
        kept = own_certificate(certificate_folder(served.app), hosts)
    except OSError as error:
        raise SeasonError(
            f"its certificate cannot be kept ({error.strerror or error})", where="serve",
            expected="a season whose folder may be written",
            do="Serve it from a disk that may be written.") from error
    class Quiet(Server):
        def error_log(self, msg: str = "", level: int = 20, traceback: bool = False) -> None:
            _log.debug("%s", msg, exc_info=traceback)  # a browser that does not trust it, and such

    server = Quiet((host.strip("[]"), port), served, numthreads=16, server_name=hosts[0])
    server.max_request_body_size = int(served.app.config["MAX_CONTENT_LENGTH"])
    server.ssl_adapter = BuiltinSSLAdapter(str(kept.chain), str(kept.key))
    server.prepare()
    pool = server.requests
    return _Server(server.bind_addr[1], server.serve, server.stop,
                   lambda: pool.qsize > 0 or pool.idle < server.numthreads)


def _stop_in_order(busy: Callable[[], bool]) -> Any:
    """Let a request to end (SIGTERM) wait for what is being answered; a second one ends at once."""
    if threading.current_thread() is not threading.main_thread():
        return None

    def drain() -> None:
        until = time.monotonic() + MOST_DRAIN_S
        while busy() and time.monotonic() < until:
            time.sleep(0.05)
        _thread.interrupt_main(signal.SIGTERM)

    def ended(*_: object) -> None:
        # SIGINT may be ignored, as it is in what a script starts in the background
        signal.signal(signal.SIGTERM, signal.default_int_handler)
        threading.Thread(target=drain, name="stop", daemon=True).start()

    return signal.signal(signal.SIGTERM, ended)


def _listen(host: str, port: int) -> socket.socket:
    """Bind a socket; waitress then listens on it. A refused one is closed at once."""
    family, kind, protocol, _, address = socket.getaddrinfo(
        host.strip("[]"), port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
    )[0]
    door = socket.socket(family, kind, protocol)
    try:
        if os.name == "posix":  # elsewhere it would let two servers share the port
            door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        door.bind(address)
    except OSError:
        door.close()
        raise
    return door
