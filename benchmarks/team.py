"""A team at work: fifty benches over one server: `python benchmarks/team.py --seconds 60`.

The server runs as a person starts it, on a folder or, with `--postgresql`, on a server of this run
that flushes what it is given; with `--processes 2` it runs twice, and an instrument always goes to
the same process, as behind the proxy of docs/team.md. The benches are this process. Each sends one
request in 3 s on average: 60 % pages, 25 % readings (checked as they are typed), 10 % drags of a
slider (10 moves, 20 a second), 5 % uploads of 2 MB. Instruments are opened before the clock starts,
at most 5 a second.
Said are: the 95th percentile of each, how many failed, the processor time of the server, and the
load of the machine: a busy one tells little of the wall clock.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import random
import re
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import AsyncExitStack, ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import httpx2
from server import percentile, processor_ms, started

import evenfall as ef

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

DURABLE = ("fsync=on", "synchronous_commit=on", "full_page_writes=on")
BENCHES, BETWEEN_S = 50, 3.0
MOVES, MOVE_S = 10, 0.05
UPLOAD = bytes(2_000_000)
PAGES = ("", "/plan", "/work", "/measure", "/proof", "/specification")
OTHERS = ("/instruments", "/instruments?words=uy", "/under-way", "/gauges")
WANTED_MS = {"page": 150, "preview": 100}
SHARES = {"page": 60, "readings": 25, "drag": 10, "upload": 5}
TYPED = {"values": {f"crown_top:1:{fret}": "1.20" for fret in range(1, 13)}, "unit": "mm"}


@dataclass
class Seen:
    """What the benches saw."""

    took_ms: dict[str, list[float]] = field(default_factory=dict)
    failed: list[str] = field(default_factory=list)

    async def ask(self, kind: str, client: httpx2.AsyncClient, *how: str, **more: object) -> bytes:
        """Send one request and take note of it."""
        begun = time.perf_counter()
        try:
            answer = await client.request(*how, **more)  # type: ignore[arg-type]
        except httpx2.TransportError as error:
            self.failed.append(f"{how[1]}: {error!r}")
            return b""
        self.took_ms.setdefault(kind, []).append(1000.0 * (time.perf_counter() - begun))
        if answer.status_code >= 400:
            self.failed.append(f"{how[1]}: {answer.status_code}")
        return answer.content


def file_instruments(place: str, count: int) -> None:
    """File instruments with readings, each with a serial number of its own."""
    before = ef.Source.invented("tesquil-before.csv")
    spec = ef.Source.invented("tesquil.spec.toml")
    with ef.connect(place) as there, there.archive() as dossiers:
        for number in range(count):
            request = ef.MeasureRequest((before,), spec, serial=f"UY-{number:04}")
            made = ef.measure(request).measurement
            dossiers.file(made, files=(spec, before))


async def bench(
    number: int, names: list[str], own: dict[str, httpx2.AsyncClient], seen: Seen, until: float
) -> None:
    """Work at one bench until the time is over; what it does is the same in every run."""
    draws = random.Random(number)  # noqa: S311 (benches, no secrets)
    name = draws.choice(names)
    client = own[name]
    await asyncio.sleep(draws.uniform(0.0, BETWEEN_S))
    while time.perf_counter() < until:
        [kind] = draws.choices(list(SHARES), list(SHARES.values()))
        if kind == "page":
            path = draws.choice([f"/instruments/{name}{page}" for page in PAGES] + list(OTHERS))
            await seen.ask("page", client, "GET", path)
        elif kind == "readings":
            place = f"/instruments/{name}/measure/check"
            await seen.ask("readings", client, "POST", place, json=TYPED)
        elif kind == "drag":
            await drag(client, seen, name)
        else:
            await upload(client, seen)
        await asyncio.sleep(draws.expovariate(1.0 / BETWEEN_S))


async def drag(client: httpx2.AsyncClient, seen: Seen, name: str) -> None:
    """Move a slider as the page does: when an answer is there, the newest place is asked for."""
    begun, move = time.perf_counter(), 0
    while move < MOVES:
        moved = begun + move * MOVE_S
        await asyncio.sleep(moved - time.perf_counter())
        asked = {"attack_percent": 80.0 + 4.0 * move}
        await seen.ask("preview", client, "POST", f"/instruments/{name}/plan/look", json=asked)
        now = time.perf_counter()
        seen.took_ms.setdefault("move", []).append(1000.0 * (now - moved))
        move = max(move + 1, min(int((now - begun) / MOVE_S), MOVES - 1))


async def upload(client: httpx2.AsyncClient, seen: Seen) -> None:
    """Send a file of 2 MB piece by piece."""
    announced = {"files": [{"name": "scan.ply", "size": len(UPLOAD)}]}
    content = await seen.ask("upload", client, "POST", "/uploads", json=announced)
    if content:
        place = f"/uploads/{json.loads(content)['task']}/0"
        how = {"content": UPLOAD, "headers": {"upload-offset": "0"}}
        await seen.ask("upload", client, "PATCH", place, **how)


async def work(places: list[str], seconds: float, count: int) -> Seen:
    """Open every instrument, then let the benches work."""
    limits = httpx2.Limits(max_connections=BENCHES, max_keepalive_connections=BENCHES)
    headers = {"accept": "text/html,application/json", "user-agent": "benches"}
    async with AsyncExitStack() as open_ones:
        clients = [
            await open_ones.enter_async_context(
                httpx2.AsyncClient(
                    base_url=place,
                    limits=limits,
                    timeout=60.0,
                    headers=headers,
                    follow_redirects=True,
                )
            )
            for place in places
        ]
        listed = (await clients[0].get("/instruments", params={"words": "uy"})).text
        names = sorted(set(re.findall(r'href="/instruments/([0-9a-f]{32})"', listed)))[:count]
        own = {name: clients[at % len(clients)] for at, name in enumerate(names)}
        for name, client in own.items():
            for page in PAGES:
                await client.get(f"/instruments/{name}{page}")
            await client.post(f"/instruments/{name}/plan/look", json={"attack_percent": 100.0})
            await asyncio.sleep(0.2)
        seen = Seen()
        until = time.perf_counter() + seconds
        await asyncio.gather(*(bench(n, names, own, seen, until) for n in range(BENCHES)))
    return seen


@contextmanager
def archive(*, postgresql: bool) -> Iterator[str]:
    """Yield the address of an archive: a folder, or a PostgreSQL server of its own."""
    with tempfile.TemporaryDirectory() as folder:
        if not postgresql:
            yield f"{folder}/archive"
            return
        from records import servers

        with servers.server(DURABLE, in_memory=False) as one:
            yield one.address(Path(folder))


def main() -> None:
    """Start the server, let the benches work, print what they saw."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0, help="how long they work")
    parser.add_argument("--instruments", type=int, default=20, help="how many they work on")
    parser.add_argument("--postgresql", action="store_true", help="on a server of this run")
    parser.add_argument("--processes", type=int, default=1, help="how often the server runs")
    asked = parser.parse_args()
    with archive(postgresql=asked.postgresql) as address, ExitStack() as running:
        servers, places = zip(
            *(running.enter_context(started(address)) for _ in range(asked.processes)), strict=True
        )
        file_instruments(places[0], asked.instruments)
        print(f"load before {os.getloadavg()[0]:.1f}", flush=True)
        before, begun = sum(map(processor_ms, servers)), time.perf_counter()
        seen = asyncio.run(work(list(places), asked.seconds, asked.instruments))
        used = sum(map(processor_ms, servers)) - before
        used /= (time.perf_counter() - begun) * 10.0
    for kind, times in sorted(seen.took_ms.items()):
        wanted = f" (wanted {WANTED_MS[kind]})" if kind in WANTED_MS else ""
        print(
            f"{kind:9} {len(times):5} requests, p50 {statistics.median(times):5.0f}, p95 "
            f"{percentile(times, 0.95):5.0f} ms{wanted}"
        )
    print(f"{len(seen.failed)} failed {seen.failed[:5]}; servers {used:.0f} % of one processor")
    print(f"load after {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
