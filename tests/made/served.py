"""Pages served to a browser as people are served them: by waitress, from a thread."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

from flask import Flask
from waitress import wasyncore
from waitress.server import create_server


@contextmanager
def served(app: Flask) -> Iterator[str]:
    """Serve an app on a free port of loopback, then close its season; gives the address.

    Werkzeug's own server leaves a file open where the browser goes on before it has come whole:
    a warning, and so the failure of whichever test runs just then.
    """
    server = create_server(app, host="127.0.0.1", port=0, threads=8)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.effective_port}"
    finally:
        # closed by the thread that waits on its sockets: closed by another, its wait may fail
        server.trigger.pull_trigger(lambda: wasyncore.close_all(server._map))
        thread.join(60)
        assert not thread.is_alive()
        server.task_dispatcher.shutdown(timeout=60)
        app.extensions["budvision.season"].close()
