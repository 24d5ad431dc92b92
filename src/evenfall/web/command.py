"""`evenfall serve`: the pages, in the browser of this machine or of a team's."""

from __future__ import annotations

import gc
import json
import logging
import os
import re
import sys
import tempfile
import threading
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from importlib import import_module
from ipaddress import ip_address
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any

import click

from evenfall.errors import At, Cancelled, RequestError
from evenfall.web.transport import (
    HOST,
    context,
    is_own,
    kept_fresh,
    listen,
    own_names,
)

if TYPE_CHECKING:
    from ssl import SSLContext

    from evenfall.web.access import Door
    from evenfall.web.place import Place
    from evenfall.web.shop import Shop

PORT = 8417
_TURN_S = 0.001
"""How long one thread computes while others wait: a page is put together in many small steps, and
with 5 ms, which Python takes by itself, each of them waits for every drag under way."""
_LEAVE_S = 5
_AHEAD = ("scipy.stats", "evenfall.levelling", "evenfall.pictures.neck")
"""What the first page that needs it would take a second to load, and all others with it."""


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
    help="Port to listen at; 0 for any that is free.",
)
@click.option(
    "--host",
    default=HOST,
    show_default=True,
    metavar="ADDRESS",
    help="Address of this machine to listen at; 0.0.0.0 for all. Any but this machine's own needs "
    "TLS and accounts.",
)
@click.option(
    "--name",
    "names",
    multiple=True,
    metavar="NAME",
    help="Name by which a browser calls this machine; may be repeated (default: the address, or "
    "this machine's name and address). Behind a proxy: the proxy's, with its port unless 443.",
)
@click.option(
    "--tls",
    "tls",
    nargs=2,
    type=click.Path(path_type=Path),
    default=None,
    metavar="CERT KEY",
    help="Serve over TLS with a certificate (with those that vouch for it) and its key, PEM files.",
)
@click.option(
    "--own-certificate",
    "own",
    is_flag=True,
    help="Serve over TLS with a certificate made here; the page /trust shows how a tablet comes to "
    "trust it.",
)
@click.option(
    "--behind",
    default="",
    metavar="PROXY",
    help="Serve behind a reverse proxy at this address, which speaks TLS with the browser and "
    "sends Host, X-Forwarded-For and X-Forwarded-Proto.",
)
@click.option(
    "--owner-code",
    is_flag=True,
    help="Print a code for one more manager's account, for whoever forgot their password.",
)
@click.option("--example", is_flag=True, help="File invented instruments into an empty archive.")
@click.option("--open", "opened", is_flag=True, help="Open the pages in the browser.")
def command(
    *,
    address: str,
    port: int,
    host: str,
    names: tuple[str, ...],
    tls: tuple[Path, Path] | None,
    own: bool,
    behind: str,
    owner_code: bool,
    example: bool,
    opened: bool,
) -> None:
    """Show the pages in the browser, until stopped by Ctrl+C.

    They can be reached from this machine alone, and a single bench needs no accounts. For a team,
    --host lets other machines in, over TLS and with accounts. What is measured, planned and proved
    is kept in the archive, which is made where there is none.
    """
    import uvicorn

    from evenfall import workshop
    from evenfall.web.application import application
    from evenfall.web.certificates import ends, ends_soon
    from evenfall.workshop.showing import show

    place, speaking = placed(host, names, tls=tls, own=own, behind=behind)
    listening = listen(port, host)
    port = listening.getsockname()[1]
    place = replace(place, hosts=_with_port(place, port, proxied=bool(behind)))
    log_as_json()
    sys.setswitchinterval(_TURN_S)
    with workshop.archive(address or own_archive(), make=True) as dossiers:
        dossiers.archive  # noqa: B018 (what cannot be opened is said at once)
        app = application(dossiers, port=port, place=place)
        app.state.shop.begin()
        if example:
            app.state.shop.file_examples()
        first = place.base(place.hosts[0] if place.hosts else f"{HOST}:{port}") + "/"
        click.echo(f"The pages: {first}")
        click.echo(f"The archive: {address or own_archive()}")
        if place.authority:
            click.echo(f"On a tablet, once: {first}trust")
            click.echo(f"Its figures there: {place.fingerprint}")
        threading.Thread(target=_load_ahead, daemon=True).start()
        if tls and ends_soon(tls[0]):
            told = "Put the new one in its place: it is taken into use without a restart."
            click.echo(f"The certificate ends on {ends(tls[0])}. {told}")
        show_owner_code(app.state.door, first, wanted=owner_code)
        click.echo("Stop with Ctrl+C.")
        if opened and not show(first) and (picture := first_picture(app.state.shop)):
            click.echo(f"No browser is here. What the first page shows: {picture}")
        settings = uvicorn.Config(
            app,
            log_config=None,
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=_LEAVE_S,
            lifespan="off",
            proxy_headers=bool(behind),
            forwarded_allow_ips=behind or None,
            ssl_context_factory=speaking,
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


def _load_ahead() -> None:
    """Load what the pages need before the first of them asks for it."""
    for name in _AHEAD:
        import_module(name)
    # what is loaded stays: looked through for what can go, it would stop every page for a while
    gc.collect()
    gc.freeze()


def placed(
    host: str,
    names: tuple[str, ...] = (),
    *,
    tls: tuple[Path, Path] | None = None,
    own: bool = False,
    behind: str = "",
) -> tuple[Place, Any]:
    """Return where the pages stand, and what speaks TLS there; `RequestError` where nothing may."""
    from evenfall.records.signing import settings_folder
    from evenfall.web.certificates import own_certificate
    from evenfall.web.place import Place

    alone = is_own(host)
    if tls and own:
        raise RequestError("Give a certificate, or have one made here; not both.")
    if not alone and not (tls or own):
        raise RequestError(
            "Beyond this machine the pages are served over TLS only: give a certificate and its "
            "key, or have one made here. Behind a reverse proxy listen at this machine's own "
            "address.",
            at=At(field="host"),
        )
    if behind and not names:
        raise RequestError("Say how a browser calls the proxy.", at=At(field="name"))
    called = tuple(_as_called(name) for name in names)
    called = called or (() if alone and not own else _names_here(host))
    authority, renew = b"", None
    if own:
        renew = partial(own_certificate, settings_folder() / "tls", called)
        *pair, authority = renew()
        tls = (Path(str(pair[0])), Path(str(pair[1])))
    accounts = bool(behind) or not alone
    place = Place(called, bool(tls or behind), accounts, authority)
    if tls is None:
        return place, None
    made, files = context(*tls), tls

    def speaking(_config: object, _default: object) -> SSLContext:
        fresh = partial(kept_fresh, made, files, renew)
        threading.Thread(target=fresh, name="certificate", daemon=True).start()
        return made

    return place, speaking


def _names_here(host: str) -> tuple[str, ...]:
    """Return the names of this machine that a browser can call."""
    found = own_names(host)
    made = []
    for name in found:
        with suppress(RequestError):
            made.append(_as_called(name))
    return tuple(made) or (_as_called(found[0]),)


def _as_called(name: str) -> str:
    """Return a name of the server as a browser sends it."""
    called = name.lower()
    with suppress(ValueError):
        return str(ip_address(called))
    if re.fullmatch(r"[a-z0-9]([a-z0-9.-]*[a-z0-9])?(:[0-9]{1,5})?", called) is None:
        raise RequestError(
            "{name:quoted} is not a name that a browser can call; give letters a to z, digits, "
            "hyphens and dots, or a numeric address.",
            at=At(field="name"),
            name=name,
        )
    return called


def _with_port(place: Place, port: int, *, proxied: bool) -> tuple[str, ...]:
    """Return the names as a browser sends them: with the port, unless it is that of https."""
    shown = (f"[{name}]" if name.count(":") > 1 else name for name in place.hosts)
    if proxied or port == 443:
        return tuple(shown)
    return tuple(f"{name}:{port}" for name in shown)


def show_owner_code(door: Door, first: str, *, wanted: bool) -> None:
    """Print the code of a manager's account, where nobody could come in without it."""
    from evenfall.records import audit

    if wanted or (door.always and not door.accounts.exist()):
        code = door.accounts.invite("", "manager")
        audit.note(door.archive, "code made", about="manager")
        click.echo(f"A manager's account, by one use of this: {first}join?code={code}")


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
