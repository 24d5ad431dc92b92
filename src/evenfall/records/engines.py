"""Addresses of archives, and the two engines behind them."""

from __future__ import annotations

import os
import re
import select
import sqlite3
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit, urlunsplit

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import ArgumentError, DBAPIError, DisconnectionError, OperationalError
from sqlalchemy.pool import NullPool, QueuePool

from evenfall.errors import At, BrokenFileError, EvenfallError, RequestError, UnsupportedError

DATABASE = "archive.db"
FILES = "files"
_RESTED_S = 60.0
"""A line to a server that rested so long is asked first: a network may have forgotten it."""
PATIENCE_S = 20
"""How long a writer waits for another one."""
_HERE = threading.local()

_NETWORK = re.compile(r"nfs\d?|cifs|smb(\d|fs)?|afpfs|9p|davfs|ncpfs|fuse\.(sshfs|davfs.*|rclone)")


@dataclass(frozen=True, slots=True)
class Address:
    """Where an archive is: a folder with SQLite in it, or a PostgreSQL database.

    The address of a PostgreSQL archive is `postgresql://user@host/database?files=FOLDER`, where the
    folder holds scans, pages and photos.
    """

    text: str
    folder: Path | None  # folder of an SQLite archive; None for PostgreSQL
    files: Path | None
    """Folder of what is too large for the database; None where a PostgreSQL address names none."""

    @classmethod
    def read(cls, text: str) -> Address:
        """Return the address that a text gives."""
        if not text.strip():
            raise RequestError("The address of the archive is empty; name a folder.")
        if re.match(r"postgres(ql)?://", text):
            try:
                files = parse_qs(urlsplit(text).query).get("files", [""])[0]
            except ValueError:
                raise _no_server(cls(text, None, None)) from None
            return cls(text, None, Path(files) if files else None)
        if "://" in text:
            raise RequestError(
                "{given:quoted} is not an address of an archive; name a folder, or a database as "
                "postgresql://user@host/database.",
                given=text,
            )
        return cls(text, Path(text), Path(text) / FILES)

    def __str__(self) -> str:
        shown = re.sub(r"(://[^/@:]*):[^?]*@", r"\1@", self.text)
        return re.sub(r"([?&]password=)[^&]*", r"\1…", shown)

    @property
    def at(self) -> At:
        """The address as the place of an error, its password left out."""
        return At(file=str(self))

    def exists(self) -> bool:
        """Say whether something of an archive stands in the folder; a database is asked later."""
        return self.folder is None or os.path.exists(self.folder / DATABASE)  # of any length


def engine_of(address: Address) -> Engine:
    """Return the engine of an address; `RequestError` where it cannot be used."""
    if address.folder is not None:
        _refuse_network_share(address.folder)
        return _sqlite(address.folder / DATABASE)
    parts = urlsplit(address.text)
    rest = {name: given for name, given in parse_qs(parts.query).items() if name != "files"}
    url = urlunsplit(("postgresql+psycopg", parts.netloc, parts.path, urlencode(rest, True), ""))
    try:
        import psycopg  # noqa: F401
    except ImportError:
        raise RequestError(
            "This archive is in PostgreSQL, whose driver is not installed; install this program "
            "with its extra postgresql.",
            at=address.at,
        ) from None
    try:
        engine = create_engine(
            url,
            isolation_level="REPEATABLE READ",
            connect_args={"options": f"-c lock_timeout={PATIENCE_S}s", "connect_timeout": 10},
        )
    except (ValueError, ArgumentError):
        raise _no_server(address) from None

    @event.listens_for(engine, "checkout")
    def _still_there(connection: Any, record: Any, _proxy: object) -> None:
        # to ask costs a way to the server and back: a server that is gone has closed the line
        rested_s = time.monotonic() - record.info.get("rested", time.monotonic())
        if rested_s < _RESTED_S and not _speaks(connection.fileno()):
            return
        try:
            engine.dialect.do_ping(connection)
        except engine.dialect.loaded_dbapi.Error as error:
            raise DisconnectionError from error

    @event.listens_for(engine, "checkin")
    def _rests(_connection: object, record: Any) -> None:
        record.info["rested"] = time.monotonic()

    return engine


def _speaks(line: int) -> bool:
    """Say whether the other end of a line has sent something, or closed it."""
    try:
        poll = select.poll()
    except AttributeError:  # Windows
        return True
    poll.register(line, select.POLLIN)
    return bool(poll.poll(0))


def _sqlite(path: Path) -> Engine:
    read_only = path.exists() and not (_writable(path) and _writable(path.parent))

    def connect() -> sqlite3.Connection:
        # without a log of changes nobody writes just now; with one, what it holds is read as well
        mode = "ro" if _log(path).exists() else "ro&immutable=1"
        where = f"{path.absolute().as_uri()}?mode={mode}" if read_only else str(path)
        return sqlite3.connect(
            where, timeout=PATIENCE_S, check_same_thread=False, isolation_level=None, uri=read_only
        )

    pool = NullPool if read_only else QueuePool
    engine = create_engine("sqlite://", creator=connect, poolclass=pool)

    @event.listens_for(engine, "connect")
    def _prepare(connection: sqlite3.Connection, _record: object) -> None:
        settings = ("synchronous=FULL", "foreign_keys=ON", "cache_size=-65536")
        for setting in settings if read_only else ("journal_mode=WAL", *settings):
            connection.execute(f"PRAGMA {setting}")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        # a writer takes its turn now: later it would meet the write of another one
        writes = connection.get_execution_options().get("writes")
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def _log(path: Path) -> Path:
    """Return where SQLite keeps what was written and is not in the database yet."""
    return path.with_name(f"{path.name}-wal")


def _writable(path: Path) -> bool:
    effective = os.access in os.supports_effective_ids
    return os.access(path, os.W_OK, effective_ids=effective)


@contextmanager
def reading(engine: Engine, address: Address) -> Iterator[Connection]:
    """Yield a connection that sees one state of the archive, whatever others write."""
    with _explained(address), engine.connect() as connection, connection.begin():
        yield connection


@contextmanager
def glancing(engine: Engine, address: Address) -> Iterator[Connection]:
    """Yield a connection for one statement, which sees one state by itself.

    PostgreSQL is asked once for it, instead of three times for a transaction.
    """
    if address.folder is not None:
        with reading(engine, address) as connection:
            yield connection
        return
    with _explained(address), engine.connect() as opened:
        yield opened.execution_options(isolation_level="AUTOCOMMIT")


@contextmanager
def writing(engine: Engine, address: Address) -> Iterator[Connection]:
    """Yield the connection of the one writer at a time; on any error nothing was written."""
    with _explained(address), engine.connect() as opened:
        connection = opened.execution_options(writes=True)
        if connection.dialect.name == "postgresql":
            connection = connection.execution_options(isolation_level="READ COMMITTED")
        with connection.begin():
            yield connection
            _HERE.writes = writes_here() + 1  # before the commit: one that fails may be there


def writes_here() -> int:
    """Return how often this thread wrote: where that is as before, nothing was written since."""
    return getattr(_HERE, "writes", 0)


@contextmanager
def _explained(address: Address) -> Iterator[None]:
    """Turn what an engine says into a sentence."""
    try:
        yield
    except DBAPIError as error:
        raise _explanation(address, error) from error
    except UnicodeError:
        raise _no_server(address) from None


def _no_server(address: Address) -> RequestError:
    return RequestError(
        "This is not an address of a server; write it as postgresql://user@host/database.",
        at=address.at,
    )


def _explanation(address: Address, error: DBAPIError) -> EvenfallError:
    said = str(error.orig).strip().splitlines()[0] if str(error.orig).strip() else "no reason given"
    low = said.lower()
    if any(sign in low for sign in ("malformed", "not a database", "invalid page", "corrupt")):
        return BrokenFileError(
            "The database is damaged or cut short ({reason}). To file what can be saved of it into "
            "a new archive, use {door_archive_save}.",
            at=address.at,
            reason=said,
        )
    if any(sign in low for sign in ("locked", "lock timeout", "busy")):
        return RequestError(
            "Another program has been writing to the archive for {seconds} s; try again when it is "
            "done.",
            at=address.at,
            seconds=PATIENCE_S,
        )
    if any(sign in low for sign in ("full", "no space left", "disk i/o")):
        return RequestError(
            "The disk takes no more ({reason}); nothing was filed. Make room and file it again.",
            at=address.at,
            reason=said,
        )
    if any(sign in low for sign in ("readonly", "read-only", "permission denied")):
        return RequestError("The archive may only be read; ask who owns it.", at=address.at)
    if isinstance(error, OperationalError):
        return RequestError(
            "The archive cannot be opened ({reason}); check its address.",
            at=address.at,
            reason=said,
        )
    return BrokenFileError(
        "The database does not answer as an archive does ({reason}). To file what can be saved of "
        "it into a new archive, use {door_archive_save}.",
        at=address.at,
        reason=said,
    )


# ---- network shares ------------------------------------------------------------------------------


def network_kind(folder: str, mounts: str) -> str:
    """Return which kind of network share a folder lies on, by the mounts of Linux; "" if on none.

    `mounts` is the text of `/proc/self/mountinfo`.
    """
    found, depth = "", -1
    for line in mounts.splitlines():
        words = line.split()
        if "-" not in words or len(words) < 7:
            continue
        place = re.sub(r"\\(\d{3})", lambda code: chr(int(code[1], 8)), words[4])
        inside = folder == place or folder.startswith(place.rstrip("/") + "/")
        if inside and len(place) >= depth:
            found, depth = words[words.index("-") + 1], len(place)
    return found if _NETWORK.fullmatch(found) else ""


def _refuse_network_share(folder: Path) -> None:
    """Refuse a folder whose locks and shared memory another computer does not see."""
    if kind := _share_under(folder):
        raise UnsupportedError(
            "This folder lies on a network share ({kind}). SQLite keeps its pages in memory that "
            "only the programs of one computer share, so two computers would damage the archive. "
            "Use a folder of this computer, or PostgreSQL for several computers.",
            at=At(file=str(folder)),
            kind=kind,
        )


def _share_under(folder: Path) -> str:
    place = os.path.realpath(folder)
    if sys.platform == "win32":
        return _windows_share(place)
    try:
        mounts = Path("/proc/self/mountinfo").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""  # another system, which has no such list
    return network_kind(place, mounts)


def _windows_share(place: str) -> str:
    import ctypes

    if place.startswith("\\\\"):
        return "a server's folder"
    library: Any = ctypes
    remote = library.windll.kernel32.GetDriveTypeW(os.path.splitdrive(place)[0] + "\\") == 4
    return "a network drive" if remote else ""
