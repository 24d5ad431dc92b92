"""A receiver of notices: a webhook that keeps what is posted to it."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from typing import Any


@contextmanager
def receiving(*statuses: int) -> Iterator[tuple[str, list[dict[str, Any]]]]:
    """Receive posts, answered by these statuses in turn; the last one from then on."""
    got: list[dict[str, Any]] = []

    class Receiver(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            got.append(json.loads(self.rfile.read(int(self.headers["content-length"]))))
            self.send_response(statuses[min(len(got), len(statuses)) - 1])
            self.end_headers()

        def log_message(self, *_args: object) -> None:
            """Say nothing."""

    with HTTPServer(("127.0.0.1", 0), Receiver) as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.05,))
        thread.start()
        try:
            yield f"http://127.0.0.1:{server.server_port}/hook", got
        finally:
            server.shutdown()
            thread.join()
