"""`evenfall serve`: the pages, in the browser of this machine."""

from __future__ import annotations

import json
import logging
import os
import socket
import sys
import tempfile
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

import click

from evenfall.errors import At, Cancelled, RequestError

if TYPE_CHECKING:
    from evenfall.web.shop import Shop

HOST = "127.0.0.1"
PORT = 8417
_LEAVE_S = 5


@click.command(name="serve")
@click.option(
    "--archive",
    "address",
    envvar="EVENFALL_ARCHIVE",
    default="",
    metavar="ADDRESS",
    help="The archive: a folder, or postgresql://user@host/database?files=FOLDER (default: what "
    "the environment variable EVENFALL_ARCHIVE names, else a folder of your own).",
)
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=PORT,
    show_default=True,
    help="Port on this machine; 0 for any that is free.",
)
@click.option("--example", is_flag=True, help="File invented instruments into an empty archive.")
@click.option("--open", "opened", is_flag=True, help="Open the pages in the browser.")
def command(*, address: str, port: int, example: bool, opened: bool) -> None:
    """Show the pages in the browser of this machine, until stopped by Ctrl+C.

    They can be reached from this machine alone. What is measured, planned and proved there is kept
    in the archive, which is made where there is none.
    """
    import uvicorn

    from evenfall import workshop
    from evenfall.web.application import application
    from evenfall.workshop.showing import show

    listening = listen(port)
    port = listening.getsockname()[1]
    log_as_json()
    with workshop.archive(address or own_archive(), make=True) as dossiers:
        dossiers.archive  # noqa: B018 (what cannot be opened is said at once)
        app = application(dossiers, port=port)
        app.state.shop.begin()
        if example:
            app.state.shop.file_examples()
        place = f"http://{HOST}:{port}/"
        click.echo(f"The pages: {place}")
        click.echo(f"The archive: {address or own_archive()}")
        click.echo("Stop with Ctrl+C.")
        if opened and not show(place) and (picture := first_picture(app.state.shop)):
            click.echo(f"No browser is here. What the first page shows: {picture}")
        settings = uvicorn.Config(
            app,
            log_config=None,
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=_LEAVE_S,
            lifespan="off",
        )

        class Server(uvicorn.Server):
            """Lets go of what is under way before it waits for the pages that watch it."""

            def handle_exit(self, sig: int, frame: FrameType | None) -> None:
                app.state.shop.leaving()
                super().handle_exit(sig, frame)

        try:
            with suppress(KeyboardInterrupt, Cancelled):  # raised again when all is in order
                Server(settings).run(sockets=[listening])
        finally:
            app.state.shop.leave()
    click.echo("Stopped; what was filed is in the archive.")


def listen(port: int) -> socket.socket:
    """Return a socket that this machine alone can reach."""
    # named as TCP, so that asyncio sends small answers at once
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    if os.name == "posix":
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        made.bind((HOST, port))
        made.listen(128)  # so that who reads the address may call at once
    except OSError:
        made.close()
        raise RequestError(
            "Port {port} is in use or not allowed; choose another, or 0 for any that is free.",
            at=At(field="port"),
            port=port,
        ) from None
    return made


def first_picture(shop: Shop) -> Path | None:
    """Write the neck of the instrument filed last as a picture; None where none was read."""
    from evenfall.workshop.outputs import picture_files

    for line in shop.dossiers.newest(1):
        told = shop.story(line.dossier)
        if told.measurement is not None:
            folder = Path(tempfile.mkdtemp(prefix="evenfall-"))
            drawn = shop.diagnosis(told).pictures()
            files = picture_files({"instrument": next(iter(drawn.values()))}, folder)
            for path, content in files.items():
                path.write_bytes(content)
            return folder / "instrument.png"
    return None


def own_archive() -> str:
    """Return the folder of the archive of whoever names none."""
    base = os.environ.get("XDG_DATA_HOME") or os.environ.get("LOCALAPPDATA")
    return str((Path(base) if base else Path.home() / ".local" / "share") / "evenfall" / "archive")


class _Lines(logging.Formatter):
    """Writes each event as one JSON object on a line."""

    def format(self, record: logging.LogRecord) -> str:
        """Return a record as a line."""
        told = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "event": record.getMessage(),
            **getattr(record, "told", {}),
        }
        if record.exc_info:
            told["trace"] = self.formatException(record.exc_info)
        return json.dumps(told)


def log_as_json() -> None:
    """Write what happens to standard error, line by line."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(_Lines())
    for name in ("evenfall.web", "uvicorn"):
        logger = logging.getLogger(name)
        logger.handlers, logger.propagate = [handler], False
        logger.setLevel(logging.INFO)
