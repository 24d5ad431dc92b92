"""The set-up of docs/team.md as it stands there: proxy, two processes on PostgreSQL, unit."""

from __future__ import annotations

import json
import re
import shutil
import signal
import ssl
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import httpx2
import pytest

import evenfall as ef
from evenfall.records.accounts import Accounts
from evenfall.web.certificates import own_certificate
from evenfall.web.transport import listen
from records.servers import Server
from served import ROOT, started

NAME = "bench.workshop.example"
PASSWORD = "four words of a test"  # noqa: S105
BEFORE, SPEC = ef.Source.invented("tesquil-before.csv"), ef.Source.invented("tesquil.spec.toml")
MOST_S = 60.0
INSTRUMENTS = 16


def block(first: str) -> str:
    """Return the indented block of the page that begins with a line."""
    text = (ROOT / "docs" / "team.md").read_text(encoding="utf-8")
    found = re.findall(r"(?:^    .*\n|^\n)+", text, re.MULTILINE)
    (one,) = (part for part in found if part.strip().startswith(first))
    return "\n".join(line[4:] for line in one.splitlines()).strip() + "\n"


def free_port() -> int:
    with listen(0) as listening:
        return int(listening.getsockname()[1])


@dataclass
class Behind:
    """Two processes, and the proxy before them."""

    address: str
    ports: tuple[int, int]
    processes: list[subprocess.Popen[str]]
    logs: tuple[Path, Path]
    proxy: httpx2.Client
    clients: list[httpx2.Client] = field(default_factory=list)

    def at(self, number: int) -> httpx2.Client:
        """Return a client that asks one process as the proxy does."""
        headers = {"host": NAME, "x-forwarded-proto": "https", "x-forwarded-for": "198.51.100.7"}
        client = httpx2.Client(
            base_url=f"http://127.0.0.1:{self.ports[number]}", headers=headers, timeout=MOST_S
        )
        key = self.proxy.cookies["__Host-evenfall"]
        client.headers["cookie"] = f"__Host-evenfall={key}"
        return client

    def asked_of(self, number: int) -> list[str]:
        """Return the paths that a process was asked for."""
        lines = map(json.loads, self.logs[number].read_text(encoding="utf-8").splitlines())
        return [line["path"] for line in lines if line["event"] == "request"]


@contextmanager
def proxied(folder: Path, ports: tuple[int, int]) -> Iterator[httpx2.Client]:
    """Run the proxy by the block of the page; yield a client that trusts its certificate alone."""
    program = shutil.which("nginx")
    if program is None:
        pytest.skip("nginx is not installed")
    certificate, key, _ = own_certificate(folder / "tls", [NAME])
    port = free_port()
    given = block("map $uri")
    for old, new in {
        "127.0.0.1:8417": f"127.0.0.1:{ports[0]}",
        "127.0.0.1:8418": f"127.0.0.1:{ports[1]}",
        "listen 443 ssl": f"listen 127.0.0.1:{port} ssl",
        "/etc/ssl/bench/cert.pem": str(certificate),
        "/etc/ssl/bench/key.pem": str(key),
    }.items():
        assert given.count(old) == 1
        given = given.replace(old, new)
    kinds = ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
    temporary = "".join(f"{kind}_temp_path {folder}/{kind};\n" for kind in kinds)
    told = folder / "nginx.conf"
    told.write_text(
        f"daemon off;\npid {folder}/pid;\nerror_log {folder}/error.log;\nevents {{}}\n"
        f"http {{\naccess_log off;\n{temporary}{given}}}\n",
        encoding="utf-8",
    )
    errors = ["-e", str(folder / "error.log")]
    process = subprocess.Popen([program, "-p", str(folder), *errors, "-c", str(told)])
    trusting = ssl.create_default_context(cafile=folder / "tls" / "authority.crt")
    try:
        with httpx2.Client(
            base_url=f"https://127.0.0.1:{port}",
            verify=trusting,
            headers={"host": NAME},
            timeout=MOST_S,
            transport=_Named(trusting),
        ) as client:
            yield client
    finally:
        process.terminate()
        process.wait(30)


class _Named(httpx2.HTTPTransport):
    """Calls the proxy by its name, which no name server here knows."""

    def __init__(self, trusting: ssl.SSLContext) -> None:
        super().__init__(verify=trusting, retries=5)

    def handle_request(self, request: httpx2.Request) -> httpx2.Response:
        request.extensions["sni_hostname"] = NAME
        return super().handle_request(request)


@pytest.fixture
def behind(tmp_path: Path, postgres: Server, monkeypatch: pytest.MonkeyPatch) -> Iterator[Behind]:
    monkeypatch.setenv("EVENFALL_SETTINGS", str(tmp_path / "settings"))
    address = postgres.address(tmp_path / "files")
    with ef.archive(address, make=True) as dossiers:
        accounts = Accounts(dossiers.archive)
        accounts.join(accounts.invite("Q. Ulbrenq", "manager"), PASSWORD)
    ports = free_port(), free_port()
    logs = tmp_path / "log0", tmp_path / "log1"
    more = ("--behind", "127.0.0.1", "--name", NAME)
    processes = []
    try:
        for port, log in zip(ports, logs, strict=True):
            with log.open("wb") as stream:
                processes.append(started(address, str(port), stream.fileno(), more)[0])
        with proxied(tmp_path, ports) as proxy:
            made = Behind(address, ports, processes, logs, proxy)
            yield made
            for client in made.clients:
                client.close()
    finally:
        for process in processes:
            process.send_signal(signal.SIGTERM)
            process.communicate(timeout=30)


def logged_in(behind: Behind) -> dict[str, str]:
    """Log in through the proxy; return the headers of a form of these pages."""
    form = {"name": "Q. Ulbrenq", "password": PASSWORD}
    headers = {"origin": f"https://{NAME}"}
    answer = behind.proxy.post("/log-in", data=form, headers=headers)
    assert answer.status_code == 303
    assert "secure" in answer.headers["set-cookie"].lower()
    page = behind.proxy.get("/settings")
    assert page.status_code == 200
    (mark,) = re.findall(r'name="csrf" content="(\w+)"', page.text)
    return {"x-csrf": mark, "origin": f"https://{NAME}"}


def told_by(client: httpx2.Client, path: str, act: object = None) -> list[dict[str, object]]:
    """Return what a page hears on a stream, until it ends; `act` is done once it is open."""
    heard = []
    with client.stream("GET", path) as stream:
        assert stream.status_code == 200
        for line in stream.iter_lines():
            if callable(act):
                act()
                act = None
            if line.startswith("data: "):
                heard.append(json.loads(line.removeprefix("data: ")))
    return heard


@pytest.mark.slow
def test_two_processes_on_one_archive_are_one_team_behind_the_proxy_of_the_page(
    behind: Behind,
) -> None:
    proxy, mark = behind.proxy, logged_in(behind)
    behind.clients += [behind.at(0), behind.at(1)]
    one, two = behind.clients
    # what is filed at one is there at the other, and made warm there too
    with ef.archive(behind.address) as dossiers:
        made = ef.measure(ef.MeasureRequest((BEFORE,), SPEC, serial="UY-0417")).measurement
        dossier = dossiers.file(made, files=(SPEC, BEFORE)).line.dossier
    at = f"/instruments/{dossier}"
    wish = {"attack_percent": 90.0}
    moved = [
        client.post(f"{at}/plan/look", json=wish, headers=mark).json() for client in (one, two)
    ]
    assert {**moved[0], "ms": 0} == {**moved[1], "ms": 0}
    # a page at one hears what another files at the other, through the proxy too
    (version,) = re.findall(r'data-since="(\w+)"', one.get(at).text)
    note = {"words": "Fret 7 seated."}

    def file_note() -> None:
        place = f"/api/v1/dossiers/{dossier}/notes"
        assert two.post(place, json=note, headers=mark).status_code in (200, 201)

    heard = told_by(proxy, f"{at}/changes?since={version}", file_note)
    assert "Fret 7 seated." in str(heard)
    # files that began at one go on at the other
    announced = {"files": [{"name": "tesquil.csv", "size": 6}]}
    task = one.post("/uploads", json=announced, headers=mark).json()["task"]
    piece = {**mark, "upload-offset": "0"}
    assert one.patch(f"/uploads/{task}/0", content=b"abc", headers=piece).json()["received"] == 3
    piece["upload-offset"] = "3"
    assert two.patch(f"/uploads/{task}/0", content=b"def", headers=piece).json()["received"] == 6
    # work begun at one is done by either, and both tell how it goes on
    assert one.get(f"{at}/plan/methods").status_code == 200
    listed = two.get("/api/v1/tasks").json()
    (work,) = [task["id"] for task in listed["tasks"] if task["kind"] == "methods"]
    assert told_by(two, f"/under-way/{work}/events")[-1]["state"] == "done"
    assert told_by(one, f"/under-way/{work}/events")[-1]["state"] == "done"
    # each instrument stays with one process
    with ef.archive(behind.address) as dossiers:
        ids = [
            dossiers.add(ef.AddRequest((SPEC,), new=True, serial=f"WT-{n} (invented)")).line.dossier
            for n in range(INSTRUMENTS)
        ]
    for name in ids * 2:
        assert proxy.get(f"/instruments/{name}/measure").status_code == 200
    paths = [f"/instruments/{name}/measure" for name in ids]
    shares = [[behind.asked_of(number).count(path) for path in paths] for number in (0, 1)]
    assert {tuple(share) for share in zip(*shares, strict=True)} == {(2, 0), (0, 2)}
    # one process goes: the other takes its place, and nobody has to log in again
    behind.processes[0].send_signal(signal.SIGTERM)
    behind.processes[0].wait(30)
    for name in ids:
        assert proxy.get(f"/instruments/{name}/measure").status_code == 200
    # whoever logs out at one is out everywhere
    assert two.post("/log-out", headers=mark).status_code == 303
    assert proxy.get("/settings").status_code == 401


def test_the_unit_of_the_page_is_one_that_systemd_takes(tmp_path: Path) -> None:
    program = shutil.which("systemd-analyze")
    if program is None:
        pytest.skip("systemd is not installed")
    given = block("[Unit]")
    assert given.count("/opt/evenfall/bin/evenfall") == 1
    unit = tmp_path / "evenfall@.service"
    unit.write_text(given.replace("/opt/evenfall/bin/evenfall", sys.executable), encoding="utf-8")
    command = [program, "verify", str(unit)]
    checked = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (checked.returncode, checked.stderr) == (0, "")
    unit.write_text(given, encoding="utf-8")  # no such program is here
    assert subprocess.run(command, capture_output=True, check=False).returncode != 0
