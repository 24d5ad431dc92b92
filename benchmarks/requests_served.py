"""Memory over many requests, and the time of every page: `python benchmarks/requests_served.py`.

The server runs as a person starts it, with the invented examples. Said are: memory when idle and
after each tenth of the requests, and for each page the median and the 95th percentile of the time
and the processor time of the server for one request; and the load of the machine.
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import re
import statistics
import time
from pathlib import Path
from typing import Any

from server import percentile, processor_ms, started

PAGES = ("", "/measure", "/plan", "/work", "/proof", "/specification", "/label", "/program")
OTHERS = (
    *("/instruments", "/instruments?words=wb", "/new", "/under-way", "/settings"),
    *("/archive", "/gauges", "/specifications", "/charts", "/charts/report"),
)
WANTED_MB, WANTED_MS = 250, 150


def resident_mb(process: int) -> float:
    """Return the memory that a process holds [MB]."""
    status = Path(f"/proc/{process}/status").read_text(encoding="utf-8")
    found = re.search(r"VmRSS:\s+(\d+) kB", status)
    assert found is not None
    return int(found[1]) / 1000.0


class Browser:
    """Asks for pages over one connection."""

    def __init__(self, place: str) -> None:
        self._connection = http.client.HTTPConnection(place.split("//")[1].strip("/"))

    def _ask(self, *asked: Any) -> http.client.HTTPResponse:
        """Return the answer; on a busy machine the server may have closed the connection."""
        try:
            self._connection.request(*asked)
            return self._connection.getresponse()
        except (ConnectionError, http.client.BadStatusLine):
            self._connection.close()
            self._connection.request(*asked)
            return self._connection.getresponse()

    def get(self, path: str) -> bytes:
        """Return a page, redirects followed."""
        answer = self._ask("GET", path, None, {"accept": "text/html"})
        body = answer.read()
        if answer.status == 303:
            return self.get(answer.headers["location"])
        assert answer.status == 200, (path, answer.status)
        return body

    def look(self, name: str, attack_percent: float) -> None:
        """Ask what a plan comes to, as a slider does."""
        answer = self._ask(
            "POST",
            f"/instruments/{name}/plan/look",
            json.dumps({"attack_percent": attack_percent}),
            {"content-type": "application/json"},
        )
        answer.read()
        assert answer.status == 200


def measure(server: int, place: str, count: int) -> None:
    """Send the requests and print what they took."""
    browser = Browser(place)
    listed = browser.get("/instruments").decode()
    names = sorted(set(re.findall(r'href="/instruments/([0-9a-f]{32})"', listed)))
    paths = [*OTHERS, *(f"/instruments/{name}{page}" for name in names for page in PAGES)]
    print(f"load before {os.getloadavg()[0]:.1f}; idle {resident_mb(server):.0f} MB")
    took: dict[str, list[float]] = {}
    used: dict[str, float] = {}
    for number in range(count):
        path = paths[number % len(paths)]
        kind = re.sub(r"[0-9a-f]{32}", "NAME", path)
        before, begun = processor_ms(server), time.perf_counter()
        if number % 3 == 0 and names and number > len(paths):
            kind = "/instruments/NAME/plan/look"
            browser.look(names[number % len(names)], 60 + number % 80)
        else:
            browser.get(path)
        if number >= len(paths):  # the first time of each is told by nobody twice
            took.setdefault(kind, []).append(1000.0 * (time.perf_counter() - begun))
            used[kind] = used.get(kind, 0.0) + processor_ms(server) - before
        if count >= 10 and (number + 1) % (count // 10) == 0:
            print(f"{number + 1:6} requests: {resident_mb(server):.0f} MB", flush=True)
    for kind, times in sorted(took.items()):
        print(
            f"{kind:32} p50 {statistics.median(times):4.0f} p95 {percentile(times, 0.95):4.0f} ms "
            f"(wanted {WANTED_MS}); server {used[kind] / len(times):4.0f} ms"
        )
    time.sleep(5)
    print(
        f"load after {os.getloadavg()[0]:.1f}; idle {resident_mb(server):.0f} MB "
        f"(wanted {WANTED_MB})"
    )


def main() -> None:
    """Start the server, measure, stop it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=2000, help="requests in all")
    count = parser.parse_args().count
    with started() as (server, place):
        measure(server, place, count)


if __name__ == "__main__":
    main()
