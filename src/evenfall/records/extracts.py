"""An archive as tables for analysts: CSV or Parquet, with a data dictionary.

The dictionary follows the W3C recommendation "Metadata Vocabulary for Tabular Data" (2015): it
names each table, each column with its meaning, kind and unit, and which columns lead from one table
to another. People stand in it by number; their names, notes and photos are left out. With Parquet
the points of each scan are a table of their own, so that any program reads them without the
scanner's.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from importlib import import_module
from pathlib import Path
from typing import Any, Literal, get_args

import numpy as np

from evenfall.errors import Cancelled, EvenfallError, Progress, RequestError, silent
from evenfall.measurement import Measurement
from evenfall.proof import Proof
from evenfall.records.archive import Archive
from evenfall.records.entries import Entry, standing
from evenfall.scans.formats import Scan, read_scan
from evenfall.scans.surface import Cloud, HeightMap, Mesh, pieces
from evenfall.wording import say

Form = Literal["csv", "parquet"]
Row = Mapping[str, Any]

DICTIONARY = "csv-metadata.json"
"""Name of the data dictionary, as the recommendation has it for a folder of tables."""
_BATCH = 5000


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table."""

    name: str
    kind: Literal["string", "integer", "number", "time", "boolean"]
    meaning: str
    required: bool = False


_ENTRY = Column("entry", "string", "SHA-256 that names the entry", True)
_DOSSIER = Column("dossier", "string", "id of the dossier", True)
_STRING = Column("string", "integer", "string number, 1 = treble")
_FRET = Column("fret", "integer", "fret number from the nut, which is 0")

TABLES: Mapping[str, tuple[Column, ...]] = {
    "dossiers": (
        _DOSSIER,
        Column("subject", "string", "instrument, model, gauge, machine, wire batch or part"),
        Column("name", "string", "model of an instrument, name of anything else"),
        Column("maker", "string", "who made it"),
        Column("serial", "string", "serial number that stands; joined by | where sites disagree"),
        Column("job", "string", "job number that stands"),
    ),
    "entries": (
        _ENTRY,
        _DOSSIER,
        Column("kind", "string", "what was filed", True),
        Column("at", "time", "when it was filed, UTC", True),
        Column("done", "string", "when it was done, where that was said, ISO 8601"),
        Column("site", "string", "site that filed it", True),
        Column("person", "string", "number of the person who did it"),
        Column("software", "string", "program and version that filed it", True),
        Column("corrects", "string", "entry that it corrects"),
        Column("corrected", "boolean", "whether a later entry corrects it", True),
        Column("withheld", "boolean", "whether the site it is from withheld its facts", True),
    ),
    "documents": (
        _ENTRY,
        _DOSSIER,
        Column("kind", "string", "measurement, plan or proof", True),
        Column("content_hash", "string", "content hash of the document", True),
        Column("specification", "string", "content hash of the specification it was made by", True),
        Column("status", "string", "status of a plan, verdict of a proof"),
        Column("relief_mm", "number", "relief [mm]"),
        Column("action_bass_mm", "number", "action of the lowest string [mm]"),
        Column("action_treble_mm", "number", "action of string 1 [mm]"),
        Column("lowest_crown_mm", "number", "lowest crown over the board [mm]"),
        Column("fret_life_mm", "number", "lowest crown over the least crown height [mm]"),
        Column("metal_mm", "number", "of a plan: removal, summed over all crossings [mm]"),
        Column("crown_spread_mm", "number", "of a plan: lowest to highest crown as found [mm]"),
        Column("margin_percent", "number", "of a plan: lowest buzz force over the attack [%]"),
        Column("humidity_percent", "number", "relative humidity of the air [%]"),
        Column("temperature_celsius", "number", "temperature of the air [°C]"),
    ),
    "heights": (
        _ENTRY,
        Column("quantity", "string", "nut, crown_top, saddle or crown_height", True),
        _STRING,
        _FRET,
        Column("value_mm", "number", "height [mm]; of a crown height over the board, else of the "
               "readings' own datum", True),
        Column("standard_uncertainty_mm", "number", "standard uncertainty [mm]"),
    ),
    "items": (
        _ENTRY,
        Column("quantity", "string", "what was judged", True),
        _STRING,
        Column("stopped_fret", "integer", "where the finger is, 0 = open string"),
        _FRET,
        Column("value_mm", "number", "result [mm]; empty where it was not read"),
        Column("standard_uncertainty_mm", "number", "standard uncertainty [mm]"),
        Column("expanded_uncertainty_mm", "number", "expanded uncertainty [mm]"),
        Column("lower_mm", "number", "lower limit [mm]"),
        Column("upper_mm", "number", "upper limit [mm]"),
        Column("probability", "number", "probability of conformity"),
        Column("verdict", "string", "conforms, does not conform or undecided", True),
        Column("basis", "string", "how the value was come by", True),
    ),
    "scans": (
        _ENTRY,
        _DOSSIER,
        Column("sha256", "string", "SHA-256 of the file as the scanner wrote it", True),
        Column("bytes_count", "integer", "its size in bytes", True),
        Column("file", "string", "its points as a table x, y, z, beside these tables (Parquet)"),
        Column("points", "integer", "how many points that table holds"),
        Column("unit", "string", "unit of the coordinates; empty where the file does not say it"),
        Column("unread", "string", "why its points are not beside these tables"),
    ),
    "checks": (
        _ENTRY,
        _DOSSIER,
        Column("at", "time", "when it was filed, UTC", True),
        Column("standard", "string", "name of the check standard", True),
        Column("reference_mm", "number", "its stated length [mm]", True),
        Column("read_mm", "number", "what was read [mm]", True),
    ),
}  # fmt: skip
"""Every table with its columns."""

_KEYS: Mapping[str, tuple[str, ...]] = {
    "dossiers": ("dossier",),
    "entries": ("entry",),
    "documents": ("entry",),
    "checks": ("entry",),
}
_LEADS = {"dossier": "dossiers", "entry": "entries"}
_CSVW = {"time": "dateTimeStamp", "number": "double"}


def write_extract(
    archive: Archive,
    dossiers: Sequence[str],
    folder: Path,
    form: Form,
    progress: Progress = silent,
) -> dict[str, int]:
    """Write the tables of dossiers and their dictionary into a folder; return their lengths."""
    writers = {"csv": _csv_writer, "parquet": _parquet_writer}
    assert set(writers) == set(get_args(Form))  # noqa: S101 (one for each)
    counts = dict.fromkeys(TABLES, 0)
    waiting: dict[str, list[Row]] = {name: [] for name in TABLES}
    with ExitStack() as stack:
        write = {name: writers[form](folder, name, stack) for name in TABLES}
        for number, dossier in enumerate(dossiers):
            progress("Writing tables", number / len(dossiers))
            points = _points_writer(archive, folder, progress) if form == "parquet" else None
            for name, row in _rows(archive, archive.entries(dossier), points):
                waiting[name].append(row)
                counts[name] += 1
                if len(waiting[name]) >= _BATCH:
                    write[name](waiting[name])
                    waiting[name] = []
        for name, rows in waiting.items():
            write[name](rows)
    text = json.dumps(dictionary(form), indent=1, ensure_ascii=False) + "\n"
    (folder / DICTIONARY).write_text(text, encoding="utf-8")
    return counts


def dictionary(form: Form) -> dict[str, Any]:
    """Return the data dictionary as plain values."""
    return {
        "@context": ["http://www.w3.org/ns/csvw", {"@language": "en"}],
        "dc:title": "Extract of an archive of instruments",
        "dc:description": "Lengths are in mm. An empty cell is a value that is not known.",
        "tables": [
            {
                "url": f"{name}.{form}",
                "dc:title": name,
                "tableSchema": {
                    "columns": [_described(column) for column in columns],
                    **({"primaryKey": list(_KEYS[name])} if name in _KEYS else {}),
                    "foreignKeys": [
                        {
                            "columnReference": column.name,
                            "reference": {
                                "resource": f"{_LEADS[column.name]}.{form}",
                                "columnReference": column.name,
                            },
                        }
                        for column in columns
                        if column.name in _LEADS and _LEADS[column.name] != name
                    ],
                },
            }
            for name, columns in TABLES.items()
        ],
    }


def _described(column: Column) -> dict[str, Any]:
    return {
        "name": column.name,
        "titles": column.name,
        "dc:description": column.meaning,
        "datatype": _CSVW.get(column.kind, column.kind),
        "required": column.required,
    }


# ---- rows ----------------------------------------------------------------------------------------


def _rows(
    archive: Archive, entries: Sequence[Entry], points: Callable[[str], Row] | None
) -> Iterator[tuple[str, Row]]:
    """Yield every row that a dossier gives, with the table that it belongs to.

    `points` writes those of a scan beside the tables, and says what there is to say of them.
    """
    corrected = {entry.corrects for entry in entries if entry.corrects}
    yield "dossiers", _dossier(entries)
    for entry in entries:
        name = entry.hash
        facts = entry.values
        yield (
            "entries",
            {
                **entry.head(),
                "entry": name,
                "done": facts.get("done", ""),
                "corrected": name in corrected,
                "withheld": entry.facts is None,
            },
        )
        row = {**facts, "entry": name, "dossier": entry.dossier, "at": entry.at}
        if entry.kind == "check" and facts:
            yield "checks", row
        if entry.kind == "scan":
            for one in entry.attached:
                yield "scans", {**row, **one, **(points(one["sha256"]) if points else {})}
        if entry.kind in ("measurement", "plan", "proof") and facts:
            yield "documents", {**row, "kind": entry.kind}
            if entry.kind != "plan":
                for table, figures in _figures(archive, entry):
                    yield table, {"entry": name, **figures}


def _dossier(entries: Sequence[Entry]) -> Row:
    shown = [entry for entry in entries if entry.facts is not None]
    numbers: dict[str, list[str]] = {"serial": [], "job": []}
    for entry in standing(shown, "alias"):
        if entry.values["value"]:
            numbers[entry.values["sort"]].append(entry.values["value"])
    opened = next((entry.values for entry in shown if entry.kind == "opened"), {})
    joined = {sort: "|".join(values) for sort, values in numbers.items()}
    return {**opened, **joined, "dossier": entries[0].dossier}


def _figures(archive: Archive, entry: Entry) -> Iterator[tuple[str, Row]]:
    """Yield the heights of a measurement, or the items of a proof."""
    values = archive.json_document(entry.document)
    if entry.kind == "measurement":
        for row in _heights(Measurement.rehashed(values)):
            yield "heights", row
        return
    judged = [column.name for column in TABLES["items"] if column is not _ENTRY]
    for item in Proof.rehashed(values).items:
        yield "items", {name: getattr(item, name.removesuffix("_mm")) for name in judged}


def _heights(made: Measurement) -> Iterator[Row]:
    """Yield what is known of a measurement; what was not read has no row."""
    heights = made.heights
    for quantity, values_mm, u_mm in (
        ("nut", made.nut_mm[:, None], heights.nut_u_mm[:, None]),
        ("crown_top", made.crown_top_mm, heights.crown_top_u_mm),
        ("saddle", made.saddle_mm[:, None], heights.saddle_u_mm[:, None]),
        ("crown_height", made.crown_height_mm, made.crown_height_u_mm),
    ):
        for (k, f), value_mm in np.ndenumerate(values_mm):
            if math.isfinite(value_mm):
                yield {
                    "quantity": quantity,
                    "string": k + 1,
                    "fret": {"nut": 0, "saddle": None}.get(quantity, f + 1),
                    "value_mm": float(value_mm),
                    "standard_uncertainty_mm": float(u_mm[k, f]),
                }


# ---- files ---------------------------------------------------------------------------------------


def _known(value: Any) -> Any:
    """Return a value, None for what is not known."""
    if value is None or value == "" or (isinstance(value, float) and not math.isfinite(value)):
        return None
    return value


def _points_writer(archive: Archive, folder: Path, progress: Progress) -> Callable[[str], Row]:
    """Return what writes the points of a kept scan as Parquet, each scan once."""
    written: dict[str, Row] = {}

    def write(digest: str) -> Row:
        if digest not in written:
            try:
                if fault := archive.files.fault(digest):
                    raise fault
                scan = read_scan(archive.files.path(digest), progress=progress)
                written[digest] = _write_points(scan, folder, f"scan-{digest[:12]}.parquet")
            except Cancelled:
                raise
            except EvenfallError as error:
                written[digest] = {"unread": say(error.said)}
        return written[digest]

    return write


def _write_points(scan: Scan, folder: Path, name: str) -> Row:
    """Write the points of a scan, or the corners of its triangles, in their own precision."""
    arrow, parquet = _arrow()
    content = scan.content
    if isinstance(content, Mesh):
        content = np.unique(content.triangles.reshape(-1, 3), axis=0)
    surface = content if isinstance(content, HeightMap) else Cloud(content)
    told = {b"unit": (scan.unit or "").encode()}
    kind = arrow.float32() if getattr(content, "dtype", None) == np.float32 else arrow.float64()
    schema = arrow.schema([arrow.field(axis, kind) for axis in "xyz"], metadata=told)
    count = 0
    with parquet.ParquetWriter(folder / name, schema, compression="zstd") as writer:
        for axes in pieces(surface, 0, surface.count):
            there = axes[:, np.isfinite(axes).all(axis=0)]
            columns = [arrow.array(values.astype(kind.to_pandas_dtype())) for values in there]
            writer.write_table(arrow.Table.from_arrays(columns, schema=schema))
            count += there.shape[1]
    return {"file": name, "points": count, "unit": scan.unit or ""}


def _csv_writer(folder: Path, name: str, stack: ExitStack) -> Callable[[Sequence[Row]], None]:
    path = folder / f"{name}.csv"
    stream = stack.enter_context(path.open("w", encoding="utf-8", newline=""))
    writer = csv.writer(stream)
    columns = TABLES[name]
    writer.writerow([column.name for column in columns])

    def cell(value: Any) -> Any:
        known = _known(value)
        return str(known).lower() if isinstance(known, bool) else known

    def write(rows: Sequence[Row]) -> None:
        writer.writerows([cell(row.get(c.name)) for c in columns] for row in rows)

    return write


def _arrow() -> tuple[Any, Any]:
    """Return the library that writes Parquet, and its part that does."""
    try:
        return import_module("pyarrow"), import_module("pyarrow.parquet")
    except ImportError:
        raise RequestError(
            "Writing Parquet needs the library pyarrow, which is not installed; install this "
            "program with its extra scans, or write CSV."
        ) from None


def _parquet_writer(folder: Path, name: str, stack: ExitStack) -> Callable[[Sequence[Row]], None]:
    arrow, parquet = _arrow()
    kinds = {
        "string": arrow.string(),
        "integer": arrow.int64(),
        "number": arrow.float64(),
        "time": arrow.timestamp("us", "UTC"),
        "boolean": arrow.bool_(),
    }
    schema = arrow.schema(
        [arrow.field(c.name, kinds[c.kind], metadata={"meaning": c.meaning}) for c in TABLES[name]]
    )
    writer = stack.enter_context(parquet.ParquetWriter(folder / f"{name}.parquet", schema))

    def column(rows: Sequence[Row], of: Column) -> list[Any]:
        values = [_known(row.get(of.name)) for row in rows]
        if of.kind == "time":
            return [datetime.fromisoformat(str(value)) for value in values]
        return values

    def write(rows: Sequence[Row]) -> None:
        made = [arrow.array(column(rows, c), kinds[c.kind]) for c in TABLES[name]]
        writer.write_table(arrow.Table.from_arrays(made, schema=schema))

    return write
