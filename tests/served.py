"""The pages, served as a browser meets them."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import uvicorn

from evenfall import workshop
from evenfall.web.application import application
from evenfall.web.place import Place
from evenfall.web.transport import listen

ROOT = Path(__file__).resolve().parents[1]


@contextmanager
def serving(
    folder: Path | str,
    do: Any = None,
    place: Place | None = None,
    speaking: Any = None,
    beat_s: float = 0.25,
) -> Iterator[str]:
    """Serve the pages of an archive and yield their address; `do` does the tasks.

    `speaking` speaks TLS with a browser that calls the pages at a `place`.
    """
    with listen(0) as listening, workshop.archive(str(folder), make=True) as dossiers:
        port = listening.getsockname()[1]
        app = application(dossiers, port=port, place=place)
        if do is not None:
            app.state.shop.begin(beat_s=beat_s, do=do)
        settings = uvicorn.Config(
            app,
            log_config=None,
            access_log=False,
            lifespan="off",
            ssl_context_factory=speaking,
        )
        server = uvicorn.Server(settings)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        while not server.started and thread.is_alive():
            time.sleep(0.01)
        try:
            yield f"http{'s' if speaking else ''}://127.0.0.1:{port}"
        finally:
            app.state.shop.leaving()
            server.should_exit = True
            thread.join(20)
            app.state.shop.leave()
        assert not thread.is_alive()


def started(
    archive: str, port: str = "0", log: int = subprocess.DEVNULL, more: Sequence[str] = ()
) -> tuple[subprocess.Popen[str], str]:
    """Start the pages as a person does; return the process and their address."""
    command = [sys.executable, "-m", "evenfall", "serve", "--port", port, "--archive", archive]
    command += more
    process = subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=log,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    assert process.stdout is not None
    return process, process.stdout.readline().removeprefix("The pages: ").strip()
