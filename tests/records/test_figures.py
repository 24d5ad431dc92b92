"""Figures follow from entries: filed, corrected, named later, withheld, made again."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event, select, update

from evenfall.records import Archive, Filing, open_archive
from evenfall.records.copying import labels_again
from evenfall.records.figures import (
    STEP_TIME,
    Figures,
    factor_values,
    figures_differ,
    kinds_of_figures,
    newest_figures,
)
from evenfall.records.tables import FIGURE
from evenfall.records.verifying import verify

OPENED = Filing("opened", {"subject": "instrument", "name": "Tesquil"})
SERIAL = Filing("alias", {"sort": "serial", "value": "UY-0417"})


def proof(relief_mm: float, **more: Any) -> Filing:
    facts = {"content_hash": "ab" * 32, "schema": "evenfall/proof@1", "specification": ""}
    return Filing("proof", {**facts, "relief_mm": relief_mm, **more})


@pytest.fixture
def archive(new_address: Callable[[str], str]) -> Any:
    with open_archive(new_address("figures"), make=True) as made:
        yield made


def rows(archive: Archive, quantity: str = "relief", **asked: Any) -> list[Any]:
    with archive.reading() as connection:
        assert not figures_differ(connection)
        return newest_figures(connection, Figures(quantity, **asked), 100)


def test_a_figure_has_what_was_true_when_it_was_filed(archive: Archive) -> None:
    work = {"work": "Levelled.", "started": "2026-03-02T09:00", "ended": "2026-03-02T09:24"}
    dossier = archive.file(None, [OPENED, SERIAL, proof(0.18)])[0].dossier
    archive.file(dossier, [Filing("step", {**work, "station": "bench 2"}), proof(0.21)])
    first, second = rows(archive, document="proof")
    assert (first.value, first.station, first.serial, first.model) == (
        0.18, "", "UY-0417", "Tesquil",
    )  # fmt: skip
    assert (second.value, second.station) == (0.21, "bench 2")
    (step,) = rows(archive, STEP_TIME)
    assert (step.value, step.unit, step.station) == (24.0, "min", "bench 2")
    assert [one.value for one in rows(archive, only={"station": "bench 2"})] == [0.21]
    with archive.reading() as connection:
        assert kinds_of_figures(connection) == {"relief": ["proof"], STEP_TIME: ["step"]}
        assert factor_values(connection, "relief", "proof", "station", 9) == ["bench 2"]


def test_a_figure_has_the_air_and_the_cutter_that_were_noted_before_it(archive: Archive) -> None:
    work = {"work": "Levelled.", "station": "bench 2"}
    head = {"content_hash": "cd" * 32, "schema": "evenfall/measurement@1", "specification": ""}
    air = Filing("measurement", {**head, "humidity_percent": 45.5, "temperature_celsius": 21.0})
    dry = Filing("measurement", {**head, "content_hash": "ef" * 32})
    plan = {**head, "content_hash": "01" * 32, "schema": "evenfall/plan@1", "metal_mm": 0.4}
    of_plan = Filing("plan", {**plan, "crown_spread_mm": 0.12, "margin_percent": 104.0})
    dossier = archive.file(None, [OPENED, SERIAL, proof(0.18)])[0].dossier
    archive.file(dossier, [air, of_plan])
    archive.file(dossier, [Filing("step", {**work, "cutter": "file 3", "cutter_uses": 14})])
    archive.file(dossier, [proof(0.2)])
    archive.file(dossier, [Filing("step", {**work, "cutter": "file 4"}), dry, proof(0.3)])
    found = [(r.cutter, r.cutter_uses, r.humidity, r.temperature) for r in rows(archive)]
    assert found == [("", "", "", ""), ("file 3", "14", "45.5", "21"), ("file 4", "", "", "")]
    assert [one.value for one in rows(archive, only={"cutter": "file 3"})] == [0.2]
    assert [one.value for one in rows(archive, only={"serial": "uy-0417"})] == []
    assert [one.value for one in rows(archive, only={"serial": "UY-0417"})] == [0.18, 0.2, 0.3]
    assert [one.value for one in rows(archive, only={"cutter": ""})] == [0.18]
    assert rows(archive, only={"person": "Nobody"}) == []
    metal, spread, margin = (
        rows(archive, one)[0] for one in ("metal removed", "crown spread before work", "margin")
    )
    assert (metal.value, metal.unit, metal.humidity) == (0.4, "mm", "45.5")
    assert (spread.value, spread.unit) == (0.12, "mm")
    assert (margin.value, margin.unit) == (104.0, "%")


def test_readings_of_a_rare_factor_are_found_by_an_index(tmp_path: Path) -> None:
    """Where no index names the factor, every reading of the quantity would be looked at."""
    wanted = {"batch": "W-12", "cutter": "file 3", "person": "Q. Ulbrenq", "serial": "UY-0417"}
    work = {"work": "Levelled.", "station": "bench 2", "cutter": "file 3"}
    fitted = {"part": "ab" * 16, "name": "W-12", "words": "frets 1 to 20"}
    proved = Filing("proof", proof(0.18).facts, "Q. Ulbrenq")
    asked: list[tuple[str, Any]] = []
    with open_archive(str(tmp_path / "archive"), make=True) as archive:
        archive.file(None, [OPENED, SERIAL, Filing("step", work), Filing("fitted", fitted), proved])
        with archive.reading() as connection:
            event.listen(connection, "before_cursor_execute", lambda *told: asked.append(told[2:4]))
            for name, value in wanted.items():
                (found,) = newest_figures(
                    connection, Figures("relief", "proof", only={name: value}), 9
                )
                assert found.value == 0.18
                assert not newest_figures(
                    connection, Figures("relief", "proof", only={name: "none"}), 9
                )
            for name in ("batch", "cutter"):
                assert factor_values(connection, "relief", "proof", name, 9) == [wanted[name]]
            for text, values in asked[:]:
                if "FROM figure" in text:
                    assert text.count(" > ") <= 1, text  # else it begins at either of two bounds
                    plan = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {text}", values).all()
                    assert "ix_figure_quantity" not in str(plan), text
                    assert "SCAN figure" not in str(plan), text


def test_a_corrected_figure_is_gone_and_a_later_number_stands(archive: Archive) -> None:
    dossier = archive.file(None, [OPENED, proof(0.18)])[0].dossier
    wrong = archive.entries(dossier)[1].hash
    right = proof(0.19)
    archive.file(dossier, [Filing("proof", right.facts, corrects=wrong)])
    assert [one.value for one in rows(archive)] == [0.19]
    archive.file(dossier, [SERIAL])
    assert [one.serial for one in rows(archive)] == ["UY-0417"]


def test_a_day_named_for_the_work_orders_figures(archive: Archive) -> None:
    filings = [OPENED, proof(0.3), proof(0.1, done="2025-01-02"), proof(0.2, done="2025-06-02")]
    archive.file(None, filings)
    assert [one.value for one in rows(archive)] == [0.1, 0.2, 0.3]
    assert [one.value for one in rows(archive, since="2025-02", until="2026")] == [0.2]


def test_figures_that_were_changed_are_found_and_made_again(archive: Archive) -> None:
    archive.file(None, [OPENED, proof(0.18)])
    with archive.writing() as connection:
        connection.execute(update(FIGURE).values(value=0.05))
    assert any("figures" in one.sentence for one in verify(archive).findings)
    labels_again(archive)
    assert [one.value for one in rows(archive)] == [0.18]
    with archive.reading() as connection:
        assert connection.execute(select(FIGURE.c.number)).scalars().all() == [2]
