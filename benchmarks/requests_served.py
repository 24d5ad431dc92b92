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
import subprocess
import sys
import tempfile
import time
from pathlib import Path

PAGES = ("", "/measure", "/plan", "/work", "/proof")
OTHERS = ("/instruments", "/instruments?words=wb", "/new", "/under-way", "/settings")
WANTED_MB, WANTED_MS = 250, 150


def resident_mb(process: int) -> float:
    """Return the memory that a process holds [MB]."""
    status = Path(f"/proc/{process}/status").read_text(encoding="utf-8")
    found = re.search(r"VmRSS:\s+(\d+) kB", status)
    assert found is not None
    return int(found[1]) / 1000.0


def processor_ms(process: int) -> float:
    """Return the processor time that a process has used [ms]."""
    fields = Path(f"/proc/{process}/stat").read_text(encoding="utf-8").rsplit(")", 1)[1].split()
    return 1000.0 * (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


class Browser:
    """Asks for pages over one connection."""

    def __init__(self, place: str) -> None:
        self._connection = http.client.HTTPConnection(place.split("//")[1].strip("/"))

    def get(self, path: str) -> bytes:
        """Return a page, redirects followed."""
        self._connection.request("GET", path, headers={"accept": "text/html"})
        answer = self._connection.getresponse()
        body = answer.read()
        if answer.status == 303:
            return self.get(answer.headers["location"])
        assert answer.status == 200, (path, answer.status)
        return body

    def look(self, name: str, attack_percent: float) -> None:
        """Ask what a plan comes to, as a slider does."""
        self._connection.request(
            "POST",
            f"/instruments/{name}/plan/look",
            json.dumps({"attack_percent": attack_percent}),
            {"content-type": "application/json"},
        )
        answer = self._connection.getresponse()
        answer.read()
        assert answer.status == 200


def measure(server: subprocess.Popen[str], place: str, count: int) -> None:
    """Send the requests and print what they took."""
    browser = Browser(place)
    listed = browser.get("/instruments").decode()
    names = sorted(set(re.findall(r'href="/instruments/([0-9a-f]{32})"', listed)))
    paths = [*OTHERS, *(f"/instruments/{name}{page}" for name in names for page in PAGES)]
    print(f"load before {os.getloadavg()[0]:.1f}; idle {resident_mb(server.pid):.0f} MB")
    took: dict[str, list[float]] = {}
    used: dict[str, float] = {}
    for number in range(count):
        path = paths[number % len(paths)]
        kind = re.sub(r"[0-9a-f]{32}", "NAME", path)
        before, begun = processor_ms(server.pid), time.perf_counter()
        if number % 3 == 0 and names and number > len(paths):
            kind = "/instruments/NAME/plan/look"
            browser.look(names[number % len(names)], 60 + number % 80)
        else:
            browser.get(path)
        if number >= len(paths):  # the first time of each is told by nobody twice
            took.setdefault(kind, []).append(1000.0 * (time.perf_counter() - begun))
            used[kind] = used.get(kind, 0.0) + processor_ms(server.pid) - before
        if count >= 10 and (number + 1) % (count // 10) == 0:
            print(f"{number + 1:6} requests: {resident_mb(server.pid):.0f} MB", flush=True)
    for kind, times in sorted(took.items()):
        late = sorted(times)[min(len(times) - 1, int(0.95 * len(times)))]
        print(
            f"{kind:32} p50 {statistics.median(times):4.0f} p95 {late:4.0f} ms (wanted {WANTED_MS})"
            f"; server {used[kind] / len(times):4.0f} ms"
        )
    time.sleep(5)
    print(
        f"load after {os.getloadavg()[0]:.1f}; idle {resident_mb(server.pid):.0f} MB "
        f"(wanted {WANTED_MB})"
    )


def main() -> None:
    """Start the server, measure, stop it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=2000, help="requests in all")
    count = parser.parse_args().count
    command = [sys.executable, "-m", "evenfall", "serve", "--port", "0", "--example"]
    with tempfile.TemporaryDirectory() as folder:
        server = subprocess.Popen(  # noqa: S603 (our own command line)
            [*command, "--archive", f"{folder}/archive"],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )
        try:
            assert server.stdout is not None
            measure(server, server.stdout.readline().removeprefix("The pages: ").strip(), count)
        finally:
            server.terminate()
            server.wait(30)


if __name__ == "__main__":
    main()
