"""A private PostgreSQL server for tests: on a socket, as a user without rights, gone afterwards."""

from __future__ import annotations

import os
import pwd
import secrets
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

USER = "postgres"
MEMORY = Path("/dev/shm")  # noqa: S108 (a folder in memory, where the system has one)
FAST = ("fsync=off", "synchronous_commit=off", "full_page_writes=off")
"""Nothing has to outlive a test."""


def _memory() -> Path | None:
    """Return a folder in memory with room for many databases; None where there is none."""
    large = MEMORY.is_dir() and shutil.disk_usage(MEMORY).free > 4_000_000_000
    return MEMORY if large else None


def programs() -> Path | None:
    """Return the folder with the newest server's programs; None if none is installed."""
    found = sorted(
        Path("/usr/lib/postgresql").glob("*/bin/initdb"),
        key=lambda path: float(path.parent.parent.name),
    )
    if found:
        return found[-1].parent
    named = shutil.which("initdb")
    return Path(named).parent if named else None


class Server:
    """A server that runs; `address` makes a fresh database in it."""

    def __init__(self, folder: Path, command: list[str | Path], more: dict[str, Any]) -> None:
        self.folder = folder
        self.user = USER
        self._command, self._more = command, more
        self._process: subprocess.Popen[bytes] | None = None

    def sql(self, statement: str) -> None:
        """Run one statement in the maintenance database."""
        import psycopg

        with psycopg.connect(
            host=str(self.folder), user=self.user, dbname="postgres", autocommit=True
        ) as connection:
            connection.execute(statement)  # type: ignore[arg-type]

    def address(self, files: Path, *, make: bool = True) -> str:
        """Return the address of an archive in a new, empty database."""
        name = f"a{secrets.token_hex(6)}"
        if make:
            self.sql(f"CREATE DATABASE {name}")
        return f"postgresql://{self.user}@/{name}?host={self.folder}&files={files}"

    def start(self) -> None:
        """Start the server, after a kill too, and wait until it answers."""
        for _ in range(100):  # what a killed server started may take a while to go
            self._process = subprocess.Popen(self._command, **self._more)
            for _ in range(200):
                try:
                    self.sql("SELECT 1")
                    return
                except Exception:
                    if self._process.poll() is not None:
                        break
                    time.sleep(0.05)
            time.sleep(0.1)
        raise RuntimeError("the server does not start")

    def kill(self) -> None:
        """Kill the server and what it started, as a failing machine would."""
        assert self._process is not None
        children = Path(f"/proc/{self._process.pid}/task/{self._process.pid}/children")
        started = children.read_text(encoding="utf-8").split() if children.exists() else []
        self._process.kill()
        for child in started:
            with suppress(ProcessLookupError):
                os.kill(int(child), signal.SIGKILL)
        self._process.wait(timeout=30)

    def stop(self) -> None:
        """Stop the server at once: nothing is kept."""
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(signal.SIGQUIT)
            self._process.wait(timeout=30)


@contextmanager
def server(settings: tuple[str, ...] = FAST, *, in_memory: bool = True) -> Iterator[Server]:
    """Start a server in a folder of its own, and stop and remove it at the end."""
    bin_folder = programs()
    assert bin_folder is not None
    account = None
    if os.geteuid() == 0:  # the server refuses to run as root
        names = {entry.pw_name for entry in pwd.getpwall()}
        account = pwd.getpwnam("postgres" if "postgres" in names else "nobody")
    folder = Path(tempfile.mkdtemp(prefix="evenfall-pg-", dir=_memory() if in_memory else None))
    data = folder / "data"
    quiet = subprocess.DEVNULL
    more: dict[str, Any] = {"stdout": quiet, "stderr": quiet, "cwd": folder}
    if account is not None:
        os.chown(folder, account.pw_uid, account.pw_gid)
        more |= {"user": account.pw_uid, "group": account.pw_gid, "extra_groups": []}
    initdb = [bin_folder / "initdb", "-N", "-A", "trust", "-U", USER, "-E", "UTF8", data]
    setting = [word for one in settings for word in ("-c", one)]
    start = [bin_folder / "postgres", "-D", data, "-k", folder, "-c", "listen_addresses="]
    started = Server(folder, [*start, *setting], more)
    try:
        subprocess.run([*initdb, "--locale=C"], check=True, **more)
        started.start()
        yield started
    finally:
        started.stop()
        shutil.rmtree(folder, ignore_errors=True)
