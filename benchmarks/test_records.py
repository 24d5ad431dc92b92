"""Speed of the archive on both engines: filing, finding, the story, exchange, verification.

Filing is compared with the rate at which this disk takes and flushes 4 kB, measured in the same
run. Where the store of a million instruments is kept stands in `million`.
"""

from __future__ import annotations

import json
import os
import random
import statistics
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))
sys.path.insert(0, str(Path(__file__).resolve().parent))

import million

import evenfall as ef
from evenfall.records import Filing, open_archive
from evenfall.records.verifying import verify
from evenfall.web.application import application
from evenfall.workshop.archives import Dossiers
from records import servers

FILES = Path(__file__).resolve().parents[1] / "tests" / "records" / "files"
DURABLE = ("fsync=on", "synchronous_commit=on", "full_page_writes=on", "shared_buffers=512MB")

PORT = 8424

Named = Callable[[str], str]


@pytest.fixture(scope="module")
def postgres(tmp_path_factory: pytest.TempPathFactory) -> Iterator[servers.Server]:
    with servers.server(DURABLE, in_memory=False) as started:
        yield started


@pytest.fixture(params=("sqlite", "postgresql"))
def named(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Named:
    monkeypatch.setenv("EVENFALL_SETTINGS", str(tmp_path / "settings"))

    def address(name: str) -> str:
        if request.param == "sqlite":
            return str(tmp_path / name)
        server: servers.Server = request.getfixturevalue("postgres")
        return server.address(tmp_path / f"{name}-files")

    return address


def shown(what: str, **figures: float) -> None:
    """Print figures and how busy the machine was, where whoever runs it sees them."""
    figures["load"] = os.getloadavg()[0]
    figures["processors"] = os.cpu_count() or 1
    told = ", ".join(f"{name} {value:,.2f}" for name, value in figures.items())
    print(f"\n{what}: {told}")


def flushes_per_s(folder: Path, count: int = 300) -> float:
    """Return how many times a second this disk takes 4 kB and flushes them."""
    content = b"x" * 4096
    with (folder / "flushed").open("wb") as stream:
        started = time.perf_counter()
        for _ in range(count):
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        return count / (time.perf_counter() - started)


def test_hand_measurements_filed_durably(named: Named, tmp_path: Path) -> None:
    """One transaction each, flushed: 0.3 of the disk's own rate, or 200 a second."""
    values = json.loads((FILES / "tesquil.measurement@1.json").read_text(encoding="utf-8"))
    facts = {"schema": values["schema"], "specification": values["specification_hash"]}
    with open_archive(named("filed"), make=True) as archive:
        opened = Filing("opened", {"subject": "instrument", "name": "Tesquil"})
        dossiers = [archive.file(None, [opened])[0].dossier for _ in range(50)]
        disk = [flushes_per_s(tmp_path)]
        count = 500
        started, before = time.perf_counter(), time.process_time()
        for number in range(count):
            named_so = {**facts, "content_hash": f"{number:064x}"}
            document = {"measurement.json": {**values, "humidity_percent": float(number)}}
            filing = Filing("measurement", named_so, documents=document)
            archive.file(dossiers[number % 50], [filing])
        rate = count / (time.perf_counter() - started)
        processor_ms = 1e3 * (time.process_time() - before) / count
        disk.append(flushes_per_s(tmp_path))
    share = rate / statistics.mean(disk)
    disk_per_s = statistics.mean(disk)
    shown(
        "filing",
        per_s=rate,
        disk_flushes_per_s=disk_per_s,
        share=share,
        processor_ms_each=processor_ms,
    )
    assert share >= 0.3 or rate >= 200.0


def test_find_as_you_type_in_a_million(request: pytest.FixtureRequest, named: Named) -> None:
    """95 % of the key strokes are answered within 50 ms, as the browser asks for them."""
    kept = million.kept("sqlite" if "sqlite" in request.node.name else "postgresql")
    chance = random.Random(7)  # noqa: S311
    with million.store(kept or named("store")) as (dossiers,):
        asking = {"base_url": f"http://127.0.0.1:{PORT}", "headers": {"accept": "text/html"}}
        client = TestClient(application(dossiers, port=PORT), **asking)  # type: ignore[arg-type]
        words = []
        for _ in range(60):
            number = chance.randrange(million.SIZE)
            model = million.MODELS[number % len(million.MODELS)]
            words += [million.serial_of(number), f"{number:07}", f"{model} {number}", model]
        times_s, processor_s = [], []
        for word in words:
            for end in range(1, len(word) + 1):
                started, before = time.perf_counter(), time.process_time()
                answer = client.get("/instruments", params={"words": word[:end], "part": True})
                times_s.append(time.perf_counter() - started)
                processor_s.append(time.process_time() - before)
            assert answer.status_code == 200
            assert "/instruments/" in answer.text
        times_s.sort()
        p95 = 1e3 * times_s[int(0.95 * len(times_s))]
        shown(
            "find",
            strokes=len(times_s),
            median_ms=1e3 * statistics.median(times_s),
            p95_ms=p95,
            longest_ms=1e3 * times_s[-1],
            processor_p95_ms=1e3 * sorted(processor_s)[int(0.95 * len(processor_s))],
        )
        assert p95 < 50.0


def test_verification(named: Named) -> None:
    """At least 5,000 entries a second."""
    with open_archive(named("verified"), make=True) as archive:
        million.load([archive], 20_000)
        started, before = time.perf_counter(), time.process_time()
        seen = verify(archive)
        rate = seen.entries / (time.perf_counter() - started)
        by_processor = seen.entries / (time.process_time() - before)
    assert seen.sound, seen.findings[:3]
    shown("verify", entries_per_s=rate, entries_per_processor_s=by_processor)
    assert rate >= 5000.0


def test_the_story_of_two_hundred_entries(named: Named) -> None:
    """The history of an instrument with 200 entries within 100 ms."""
    values = json.loads((FILES / "tesquil.measurement@1.json").read_text(encoding="utf-8"))
    with ef.archive(named("story"), make=True) as dossiers:
        opened = Filing("opened", {"subject": "instrument", "name": "Tesquil"})
        alias = Filing("alias", {"sort": "serial", "value": "UY-0417"})
        facts = {"schema": values["schema"], "specification": values["specification_hash"]}
        filings = [
            Filing(
                "measurement",
                {**facts, "content_hash": f"{n:064x}", "relief_mm": 0.1 + n / 1000},
                documents={"m": {**values, "humidity_percent": n / 10}},
            )
            for n in range(198)
        ]
        dossiers.archive.file(None, [opened, alias, *filings])
        times_s = []
        for _ in range(20):
            started = time.perf_counter()
            told = dossiers.history("UY-0417")
            times_s.append(time.perf_counter() - started)
        assert len(told.points) == 198
    shown("history", median_ms=1e3 * statistics.median(times_s), worst_ms=1e3 * max(times_s))
    assert statistics.median(times_s) < 0.1


def test_export_and_import_of_a_thousand_dossiers(named: Named, tmp_path: Path) -> None:
    """A thousand dossiers, each with specification, measurement and plan, within 60 s."""
    values = json.loads((FILES / "tesquil-settled.plan@1.json").read_text(encoding="utf-8"))
    plan = ef.Plan.from_dict(values)
    from evenfall.workshop.archive_filing import papers_of_document

    papers = papers_of_document(plan).filings
    with ef.archive(named("from"), make=True) as dossiers:
        for number in range(1000):
            opened = Filing("opened", {"subject": "instrument", "name": "Tesquil"})
            alias = Filing("alias", {"sort": "serial", "value": f"UY-{number:04}"})
            own = Filing("note", {"words": "x"}, documents={"own": {**values, "n": number}})
            dossiers.archive.file(None, [opened, alias, *papers, own])
        file = tmp_path / "lot.zip"
        started = time.perf_counter()
        count, _ = dossiers.export([], file)
        exported_s = time.perf_counter() - started
    with ef.archive(named("to"), make=True) as other:
        started = time.perf_counter()
        made = other.import_(ef.Source(str(file)))
        imported_s = time.perf_counter() - started
        assert made.absorbed is not None
        assert made.absorbed.new == count == 6000
        assert isinstance(other, Dossiers)
    shown("exchange", export_s=exported_s, import_s=imported_s, megabytes=file.stat().st_size / 1e6)
    assert exported_s + imported_s < 60.0
