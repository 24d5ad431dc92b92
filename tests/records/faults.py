"""Programs killed at random moments while they import 2,000 measurements, round after round.

A round starts a program that files measurements one by one and says after each that it is filed;
the program is killed (SIGKILL) at a random moment, and the archive is looked at: every entry that
was acknowledged is there, none is there in part, and the program goes on where it was. On
PostgreSQL it is the server that is killed in every second round.

``python tests/records/faults.py --rounds 20`` runs the study and writes its page.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
ROOT = TESTS.parent
sys.path.insert(0, str(TESTS))

from evenfall.errors import EvenfallError  # noqa: E402  (after the path is set)
from evenfall.records import Filing, open_archive  # noqa: E402
from evenfall.records.verifying import verify  # noqa: E402
from records import servers  # noqa: E402

DURABLE = ("fsync=on", "synchronous_commit=on", "full_page_writes=on")
MEASUREMENTS = 2000
ACKNOWLEDGED = "filed"


PAGE = """\
# Study: killed while importing

<!-- written by `{command}`; do not edit -->

A program imports up to 2,000 measurements with their scans, one transaction each, and says after
each that it is filed. It is killed (SIGKILL) at a random moment within 1.5 s of having begun, then
goes on where it was. On PostgreSQL the server is killed instead in every second round. After each
kill the archive is verified: is every acknowledged record there, and is none there in part? The
measurements are invented.

{rows}

Seed {seed}. Again: `{command}`. Killing a process shows what the program and the database do; it
does not cut the power of the disk.
"""


@dataclass(frozen=True)
class Round:
    """What one round showed."""

    engine: str
    acknowledged: int
    lost: int
    half: int
    findings: int
    files_left_over: int


def import_measurements(address: str, dossier: str, count: int) -> None:
    """File measurements that are not there yet, one by one, and say so after each."""
    text = (TESTS / "records" / "files" / "tesquil.measurement@1.json").read_text(encoding="utf-8")
    values = json.loads(text)
    facts = {"schema": values["schema"], "specification": values["specification_hash"]}
    with open_archive(address) as archive:
        start = len(archive.entries(dossier)) - 1
        for number in range(start, count):
            filing = Filing(
                "measurement",
                {**facts, "content_hash": f"{number:064x}"},
                documents={"measurement.json": {**values, "humidity_percent": number / 100}},
                files={"scan.ply": number.to_bytes(4, "big") * 2000},
            )
            archive.file(dossier, [filing])
            print(ACKNOWLEDGED, number, flush=True)


def begin(address: str) -> str:
    """Make the archive and the dossier, and return its id."""
    with open_archive(address, make=True) as archive:
        opened = Filing("opened", {"subject": "instrument", "name": "Tesquil"})
        return archive.file(None, [opened])[0].dossier


def killed_after(
    address: str, dossier: str, seconds: float, count: int, server: servers.Server | None
) -> int:
    """Run the import, kill it (or the server) after a while, and return the last acknowledged."""
    command = [sys.executable, __file__, "--import", address, dossier, str(count)]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, text=True, stderr=subprocess.DEVNULL
    ) as p:
        assert p.stdout is not None
        first = p.stdout.readline()  # it has begun: the moment is one of filing, not of starting
        time.sleep(seconds)
        if server is not None:
            server.kill()
            p.wait(timeout=60)
        else:
            p.send_signal(signal.SIGKILL)
        said = first + p.stdout.read()
    lines = [line for line in said.splitlines() if line.startswith(ACKNOWLEDGED)]
    return int(lines[-1].split()[1]) if lines else -1


def looked_at(address: str, dossier: str, engine: str, acknowledged: int) -> Round:
    """Say what of an archive is lost or half there."""
    with open_archive(address) as archive:
        entries = archive.entries(dossier)[1:]
        half = 0
        for entry in entries:
            try:
                for one in entry.read().attached:
                    if one.store == "document":
                        archive.document(one.sha256)
                    else:
                        archive.files.read(one.sha256)
            except EvenfallError:
                half += 1
        seen = verify(archive)
        errors = sum(finding.severity == "error" for finding in seen.findings)
        left = len(archive.files.left_over())
        lost = max(0, acknowledged + 1 - len(entries))
    return Round(engine, acknowledged + 1, lost, half, errors, left)


def rounds(engine: str, count: int, seed: int, measurements: int = MEASUREMENTS) -> list[Round]:
    """Kill the import so often at random moments, going on where it was, and look each time."""
    chance = random.Random(f"{engine} {seed}")  # noqa: S311
    with tempfile.TemporaryDirectory(prefix="evenfall-faults-") as named:
        folder = Path(named)
        if engine == "sqlite":
            address = str(folder / "shop")
            return _rounds(engine, address, count=count, chance=chance, measurements=measurements)
        with servers.server(DURABLE, in_memory=False) as server:
            address = server.address(folder / "files")
            return _rounds(
                engine,
                address,
                count=count,
                chance=chance,
                measurements=measurements,
                server=server,
            )


def _rounds(
    engine: str,
    address: str,
    *,
    count: int,
    chance: random.Random,
    measurements: int,
    server: servers.Server | None = None,
) -> list[Round]:
    dossier = begin(address)
    made = []
    for number in range(count):
        killed = server if number % 2 else None
        seconds = chance.uniform(0.0, 1.5)
        last = killed_after(address, dossier, seconds, measurements, killed)
        if killed is not None:
            killed.start()
        made.append(looked_at(address, dossier, engine, last))
    return made


def page(made: list[Round], count: int, seed: int) -> str:
    """Return the page of the study."""
    rows = [
        "| Engine | rounds | acknowledged at the last kill | lost | half there | other findings |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for engine in ("sqlite", "postgresql"):
        of = [one for one in made if one.engine == engine]
        rows.append(
            f"| {engine} | {len(of)} | {max((o.acknowledged for o in of), default=0)} | "
            f"{sum(o.lost for o in of)} | {sum(o.half for o in of)} | "
            f"{sum(o.findings for o in of)} |"
        )
    command = f"python tests/records/faults.py --rounds {count}"
    return PAGE.format(command=command, rows="\n".join(rows), seed=seed)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--import", nargs=3, dest="imported")
    parser.add_argument("--rounds", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    if given.imported:
        address, dossier, count = given.imported
        import_measurements(address, dossier, int(count))
        return
    made = [
        one
        for engine in ("sqlite", "postgresql")
        for one in rounds(engine, given.rounds, given.seed)
    ]
    for one in made:
        print(one, flush=True)
    text = page(made, given.rounds, given.seed)
    (ROOT / "docs" / "studies" / "archive-faults.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    main()
