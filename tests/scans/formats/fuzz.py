"""Feed readers of scans with damaged files: nothing but the three foreseen errors may come out.

    python tests/scans/formats/fuzz.py READER [FOLDER...] [-max_total_time=600 or other options]

READER is a name in `READERS`. With `atheris` installed the search is guided by coverage and a
FOLDER collects what it finds; without it, random damage is done to the corpus for the time given.
What is worth keeping is put into `corpus/`, which `test_damaged_files.py` reads in every run.
"""

from __future__ import annotations

import contextlib
import io
import os
import random
import sys
import tempfile
import time
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np

from evenfall.errors import BrokenFileError, FormatMismatchError, UnsupportedError

CORPUS = Path(__file__).parent / "corpus"

FORESEEN = (BrokenFileError, FormatMismatchError, UnsupportedError)
"""What a reader may answer to a file that it cannot use."""

#: Which files of the corpus, and of `samples`, each reader is fed with.
READERS: dict[str, tuple[str, ...]] = {
    "text": ("text", "text-spaces", "text-commas", "text-matrix"),
    "parquet": ("parquet",),
    "npy": ("npy", "npz"),
    "tiff": ("tiff", "tiff-packed"),
    "ply": ("ply", "ply-ascii", "ply-big"),
    "stl": ("stl", "stl-ascii"),
    "obj": ("obj",),
    "x3p": ("x3p",),
    "e57": ("e57",),
}


def feed(data: bytes, folder: Path) -> str:
    """Read `data` as a scan, once bare and once with steps; return what came of it."""
    from evenfall.scans.formats import Scan, ScanOptions, is_scan, read_scan

    path = folder / "scan"
    path.write_bytes(data)
    outcome = ""
    for options in (None, ScanOptions("mm", (0.1, 0.2))):
        try:
            scan = read_scan(path, options)
        except FORESEEN as error:
            told, outcome = (error.sentence, error.where), type(error).__name__
        else:
            assert isinstance(scan, Scan)
            assert scan.point_count > 0
            told, outcome = (str(scan.summary()), scan.file), "scan"
        assert told[0].endswith("."), told
        assert told[1], told
    with contextlib.suppress(*FORESEEN):
        is_scan(path)
    return outcome


def damaged(data: bytes, chance: random.Random) -> bytes:
    """Return `data` with a few bytes changed, cut, repeated, or numbers made huge."""
    content = bytearray(data)
    for _ in range(chance.randint(1, 6)):
        if not content:
            break
        at = chance.randrange(len(content))
        size = min(len(content) - at, chance.choice((1, 1, 2, 4, 8, 32, 256)))
        match chance.randrange(7):
            case 0:
                content[at] ^= 1 << chance.randrange(8)
            case 1:
                content[at : at + size] = chance.randbytes(size)
            case 2:
                del content[at : at + size]
            case 3:
                content[at:at] = content[at : at + size] * chance.randint(1, 4)
            case 4:
                content[at : at + size] = b"\xff" * size
            case 5:
                content[at : at + size] = b"9" * size
            case _:
                del content[at:]
    return bytes(content)


def damaged_inside(data: bytes, chance: random.Random) -> bytes:
    """Return `data` damaged under its own checksums, which would else end the search early."""
    if data.startswith(b"PK"):
        try:
            with zipfile.ZipFile(io.BytesIO(data)) as archive:
                files = {entry.filename: archive.read(entry) for entry in archive.infolist()}
        except Exception:  # noqa: BLE001, RUF100 (damaged before: anything can be wrong with it)
            files = {}
        if not files:
            return damaged(data, chance)
        chosen = chance.choice(list(files))
        files[chosen] = damaged(files[chosen], chance)
        stream = io.BytesIO()
        with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, content in files.items():
                if "md5" not in name:
                    archive.writestr(name, content)
        return stream.getvalue()
    if data.startswith(b"ASTM-E57"):
        content = bytearray(damaged(data, chance))
        for page in range(0, len(content) - 1023, 1024):
            content[page + 1020 : page + 1024] = crc32c(content[page : page + 1020]).to_bytes(4)
        return bytes(content)
    return damaged(data, chance)


def crc32c(data: bytes | bytearray) -> int:
    """Return the checksum of a page (CRC-32C, RFC 3720 appendix B.4)."""
    value = 0xFFFFFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ (0x82F63B78 if value & 1 else 0)
    return value ^ 0xFFFFFFFF


def seeds(reader: str) -> list[bytes]:
    """Return the sound files and the corpus of a reader."""
    from scans.formats.samples import SOUND

    kept = [path.read_bytes() for path in sorted((CORPUS / reader).glob("*"))]
    return [SOUND[name]() for name in READERS[reader]] + kept


def at_random(reader: str, seconds: float, seed: int) -> int:
    """Damage files at random for a time; return how many were fed."""
    chance = random.Random(seed)  # noqa: S311 (no secret depends on it)
    files = seeds(reader)
    count, end = 0, time.monotonic() + seconds
    with tempfile.TemporaryDirectory() as folder:
        while time.monotonic() < end:
            hurt = chance.choice((damaged, damaged_inside))
            data = hurt(chance.choice(files), chance)
            start = sum(os.times()[:4])
            try:
                feed(data, Path(folder))
            except BaseException:
                Path(f"crash-{reader}-{seed}-{count}").write_bytes(data)
                raise
            if sum(os.times()[:4]) - start > 10.0:  # of processor, other processes' too
                Path(f"slow-{reader}-{seed}-{count}").write_bytes(data)
                raise TimeoutError(f"{reader}: one file took more than 10 s of processor")
            count += 1
    return count


def guided(reader: str, arguments: list[str], setup: Callable[..., object]) -> None:
    """Search by coverage with atheris."""
    import atheris

    with atheris.instrument_imports(include=["evenfall.scans.formats", "tifffile", "x3pio"]):
        from evenfall.scans.formats import read_scan  # noqa: F401 (loaded here to be watched)

    folder = Path(tempfile.mkdtemp())
    if reader == "e57":
        # what the other process does to itself is no crash of ours; it is fed at random instead
        from evenfall.scans.formats import e57

        e57._answers = lambda *_: iter(())  # type: ignore[assignment]
    starts = Path(tempfile.mkdtemp())
    for number, data in enumerate(seeds(reader)):
        (starts / f"seed-{number}").write_bytes(data)

    def once(data: bytes) -> None:
        with np.errstate(all="ignore"):
            feed(data, folder)

    setup([sys.argv[0], *arguments, str(starts)], once)
    atheris.Fuzz()


if __name__ == "__main__":
    name, *rest = sys.argv[1:]
    sys.path.insert(0, str(Path(__file__).parents[2]))
    if "--random" in rest:
        seconds = next((float(a.split("=")[1]) for a in rest if a.startswith("-max_total")), 60.0)
        print(name, at_random(name, seconds, seed=int(time.time())), "files, none crashed")
    else:
        import atheris

        guided(name, rest, atheris.Setup)
