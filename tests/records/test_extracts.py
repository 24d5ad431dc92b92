"""An archive as tables: CSV and Parquet say the same, and the dictionary describes both."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pyarrow import parquet

import evenfall as ef
from evenfall.errors import Cancelled, RequestError
from evenfall.records.extracts import DICTIONARY, TABLES
from evenfall.scans.formats import read_scan
from evenfall.workshop.archives import Dossiers

STORED = Path(__file__).parent / "files"
PLAN = STORED / "tesquil-settled.plan@1.json"
PROOF = STORED / "tesquil.proof@1.json"


@pytest.fixture
def shop(new_address: Callable[[str], str]) -> Any:
    with ef.archive(new_address("shop"), make=True) as dossiers:
        files = (ef.Source(str(PLAN)), ef.Source(str(PROOF)))
        add = ef.AddRequest(files, serial="UY-0417", person="M. Tessquin", done="2026-03-31")
        dossiers.add(add)
        dossiers.note(ef.NoteRequest("UY-0417", "Secret words."))
        dossiers.add(ef.AddRequest(subject="gauge", name="dial 3, red"))
        facts = {"standard": "5 mm block", "reference_mm": 5.0, "read_mm": 5.001}
        dossiers.note(ef.NoteRequest("dial 3, red", "", facts=facts))
        yield dossiers


def read(folder: Path, name: str) -> list[dict[str, str]]:
    with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_the_tables_say_what_the_documents_say(shop: Dossiers, tmp_path: Path) -> None:
    out = tmp_path / "out"
    counts = shop.extract([], out, "csv")
    assert {name: len(read(out, name)) for name in TABLES} == counts
    assert sorted(row["name"] for row in read(out, "dossiers")) == [
        "Tesquil (invented)",
        "dial 3, red",
    ]
    measured = json.loads(PLAN.read_text(encoding="utf-8"))["measurement"]
    tops = {
        (int(r["string"]), int(r["fret"])): float(r["value_mm"])
        for r in read(out, "heights")
        if r["quantity"] == "crown_top"
    }
    heights = ef.Measurement.from_dict(measured)
    for (string, fret), value in tops.items():
        assert value == heights.crown_top_mm[string - 1, fret - 1]
    assert len(tops) == heights.crown_top_mm.size
    proof = json.loads(PROOF.read_text(encoding="utf-8"))
    items = read(out, "items")
    assert [r["verdict"] for r in items] == [i["verdict"] for i in proof["items"]]
    assert [float(r["value_mm"]) for r in items] == [i["value"] for i in proof["items"]]
    assert items[-1]["upper_mm"] == ""  # no limit on that side is no number
    (check,) = read(out, "checks")
    assert (check["reference_mm"], check["read_mm"]) == ("5.0", "5.001")
    assert {row["done"] for row in read(out, "entries") if row["kind"] == "proof"} == {"2026-03-31"}


def test_names_and_notes_stay_inside(shop: Dossiers, tmp_path: Path) -> None:
    shop.extract([], tmp_path / "out", "csv")
    told = "".join(path.read_text(encoding="utf-8") for path in (tmp_path / "out").iterdir())
    assert "Tessquin" not in told
    assert "Secret" not in told


@pytest.mark.slow
def test_parquet_holds_the_same_and_says_what_each_column_means(
    shop: Dossiers, tmp_path: Path
) -> None:
    counts = shop.extract([], tmp_path / "csv", "csv")
    assert shop.extract([], tmp_path / "parquet", "parquet") == counts
    for name, columns in TABLES.items():
        table = parquet.read_table(tmp_path / "parquet" / f"{name}.parquet")
        rows = read(tmp_path / "csv", name)
        assert table.num_rows == len(rows)
        for column in columns:
            field = table.schema.field(column.name)
            assert field.metadata[b"meaning"].decode() == column.meaning
            for here, there in zip(table[column.name].to_pylist(), rows, strict=True):
                told = there[column.name]
                if here is None:
                    assert told == ""
                elif column.kind == "number":
                    assert float(told) == here
                elif column.kind == "time":
                    assert told.rstrip("Z") == here.isoformat().removesuffix("+00:00")
                else:
                    assert told.lower() == str(here).lower()


@pytest.mark.slow
def test_the_points_of_a_scan_stand_beside_the_tables(shop: Dossiers, tmp_path: Path) -> None:
    """In the precision of the scanner, with its unit, smaller than the text it wrote."""
    spots = np.round(np.random.default_rng(7).uniform(0.0, 400.0, (20_000, 3)), 4)
    text = "x_mm,y_mm,z_mm\n" + "".join(f"{x:.4f},{y:.4f},{z:.4f}\n" for x, y, z in spots)
    files = (ef.Source("neck.xyz", text.encode()), ef.Source("torn.ply", b"ply\nformat"))
    shop.add(ef.AddRequest(files, instrument="UY-0417"))
    grid = io.BytesIO()
    np.save(grid, np.full((40, 60), 1.5, np.float32))
    shop.add(ef.AddRequest((ef.Source("again.npy", grid.getvalue()),), instrument="UY-0417"))
    out = tmp_path / "out"
    assert shop.extract([], out, "parquet")["scans"] == 3
    rows = {
        row["unread"] is None: row for row in parquet.read_table(out / "scans.parquet").to_pylist()
    }
    told = rows[True]
    points = parquet.read_table(out / told["file"])
    assert np.array_equal(np.column_stack([points[axis] for axis in "xyz"]), spots)
    assert (told["points"], told["unit"]) == (20_000, "mm")
    assert points.schema.metadata[b"unit"] == b"mm"
    assert (out / told["file"]).stat().st_size < told["bytes_count"] == len(text)
    assert read_scan(out / told["file"]).unit == "mm"
    assert rows[False]["file"] is None
    assert shop.extract([], tmp_path / "csv", "csv")["scans"] == 3


@pytest.mark.quick(1)
@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_the_dictionary_describes_every_column_and_every_link(
    shop: Dossiers, tmp_path: Path, form: Any
) -> None:
    shop.extract([], tmp_path / "out", form)
    told = json.loads((tmp_path / "out" / DICTIONARY).read_text(encoding="utf-8"))
    assert told["@context"][0] == "http://www.w3.org/ns/csvw"
    names = {path.name for path in (tmp_path / "out").iterdir()} - {DICTIONARY}
    assert {table["url"] for table in told["tables"]} == names
    if form == "parquet":
        return
    tables = {table["url"]: table["tableSchema"] for table in told["tables"]}
    rows = {url: read(tmp_path / "out", url.removesuffix(".csv")) for url in tables}
    for url, schema in tables.items():
        wanted = {column["name"] for column in schema["columns"] if column["required"]}
        for row in rows[url]:
            assert list(row) == [column["name"] for column in schema["columns"]]
            assert all(row[name] for name in wanted), (url, row)
        for column in schema["columns"]:
            assert len(column["dc:description"]) > 8
            if column["datatype"] in ("double", "integer"):
                cells = [row[column["name"]] for row in rows[url] if row[column["name"]]]
                assert all(math.isfinite(float(cell)) for cell in cells)
                assert column["datatype"] == "double" or all(c.isdigit() for c in cells)
        if key := schema.get("primaryKey"):
            keys = [tuple(row[name] for name in key) for row in rows[url]]
            assert len(keys) == len(set(keys))
        for link in schema["foreignKeys"]:
            there = {
                r[link["reference"]["columnReference"]] for r in rows[link["reference"]["resource"]]
            }
            assert {row[link["columnReference"]] for row in rows[url]} <= there


@pytest.mark.slow
def test_a_general_library_reads_the_tables_by_their_dictionary(
    shop: Dossiers, tmp_path: Path
) -> None:
    """The library `csvw` of PyPI: every cell fits its column, every link leads somewhere."""
    csvw = import_module("csvw")
    shop.extract([], tmp_path / "out", "csv")
    told = str(tmp_path / "out" / DICTIONARY)
    group = csvw.TableGroup.from_file(told)
    for table in group.tables:
        rows = list(table.iterdicts(strict=True))
        assert len(rows) == len(read(tmp_path / "out", table.url.string.removesuffix(".csv")))
    assert group.check_referential_integrity()
    assert csvw.CSVW(told, validate=True).is_valid
    items = tmp_path / "out" / "items.csv"
    content = items.read_text(encoding="utf-8")
    items.write_text(content.replace(",1.35,", ",wide,", 1), encoding="utf-8")
    assert ",1.35," in content
    (judged,) = (table for table in group.tables if table.url.string == "items.csv")
    with pytest.raises(ValueError, match="wide"):
        list(judged.iterdicts(strict=True))


@pytest.mark.slow
def test_a_folder_in_use_is_left_alone_and_nothing_is_half_there(
    shop: Dossiers, tmp_path: Path
) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "x").write_text("kept", encoding="utf-8")
    with pytest.raises(RequestError, match="files in this folder already"):
        shop.extract([], tmp_path / "mine", "csv")
    for folder in (".", "..", "/"):
        with pytest.raises(RequestError, match="there already; name a new one"):
            shop.extract([], Path(folder), "csv")

    def stop(_what: str, _share: float) -> None:
        raise Cancelled

    with pytest.raises(Cancelled):
        shop.extract([], tmp_path / "new", "csv", progress=stop)
    assert [path.name for path in tmp_path.glob("*new*")] == []
    with pytest.raises(RequestError, match="No proof is filed here yet"):
        shop.results(["dial 3, red"])


@pytest.mark.slow
def test_the_newest_proof_of_each_goes_out_as_results(shop: Dossiers) -> None:
    made = shop.results([])
    assert made.count(b"<MeasurementResults id=") == 1
    assert b"<SerialNumber>UY-0417</SerialNumber>" in made
    assert b"<ReportPreparationDate>2026-03-31T00:00:00" in made
