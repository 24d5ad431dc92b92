"""The pages of gauges: what is due, what a check standard shows, what each gauge can judge."""

from __future__ import annotations

import math
from collections.abc import Iterator
from html import unescape
from pathlib import Path

import numpy as np
import pytest
from fastapi.testclient import TestClient

from evenfall import workshop
from evenfall.instrument import read_specification
from evenfall.proof.decision import decide
from evenfall.records import Filing
from evenfall.web.application import application
from evenfall.workshop import AddRequest, NoteRequest, Source
from evenfall.workshop.archives import Dossiers
from evenfall.workshop.gauges import gauge, gauges
from evenfall.workshop.specifying import models

SPECIFICATION = Source.invented("tesquil.spec.toml")
PORT = 8418


@pytest.fixture
def dossiers(tmp_path: Path) -> Iterator[Dossiers]:
    with workshop.archive(str(tmp_path), make=True) as made:
        made.add(AddRequest(subject="gauge", name="dial 3 (invented)"))
        yield made


@pytest.fixture
def client(dossiers: Dossiers) -> Iterator[TestClient]:
    app = application(dossiers, port=PORT)
    base = f"http://127.0.0.1:{PORT}"
    with TestClient(app, base_url=base, headers={"accept": "text/html"}) as made:
        yield made


def check(dossiers: Dossiers, read_mm: float, day: str, stated_mm: float = 5.0) -> None:
    facts = {"standard": "block 5", "reference_mm": stated_mm, "read_mm": read_mm, "done": day}
    dossiers.note(NoteRequest("dial 3 (invented)", "", facts=facts))


def calibrate(dossiers: Dossiers, day: str, until: str) -> None:
    facts = {"date": day, "valid_until": until}
    dossiers.note(NoteRequest("dial 3 (invented)", "good", facts=facts))


def test_a_calibration_is_valid_due_soon_or_over(dossiers: Dossiers) -> None:
    assert gauge(dossiers, "dial 3 (invented)").due("2026-05-01") == "unknown"
    calibrate(dossiers, "2025-06-01", "2026-06-01")
    found = gauge(dossiers, "dial 3 (invented)")
    assert [found.due(day) for day in ("2026-05-01", "2026-05-02", "2026-06-01", "2026-06-02")] == [
        *("valid", "soon", "soon", "over")
    ]
    calibrate(dossiers, "2026-06-05", "2027-06-05")
    (found,) = gauges(dossiers)
    assert found.due("2026-06-05T10:00:00Z") == "valid"


def test_list_and_page_tell_one_thing_of_a_calibration(
    client: TestClient, dossiers: Dossiers
) -> None:
    """A calibration without an end was none in the list, and the page had no caution for none."""
    page = f"/gauges/{dossiers.named('dial 3 (invented)')}"
    for filed in ("no calibration", "no end"):
        told = [client.get(place).text for place in ("/gauges", page)]
        assert all((f"{filed} " in text.lower()) for text in told)
        assert ["Without a calibration nothing says" in text for text in told] == [
            filed == "no calibration"
        ] * 2
        dossiers.note(NoteRequest("dial 3 (invented)", "good", facts={"date": "2026-03-01"}))


@pytest.mark.slow
def test_no_gauge_and_no_model_is_left_out_however_many_there_are(dossiers: Dossiers) -> None:
    for n in range(201):
        for subject in ("gauge", "model"):
            opened = {"subject": subject, "name": f"{n} (invented)"}
            dossiers.archive.file(None, [Filing("opened", opened)])
    assert len(gauges(dossiers)) == 202
    assert len(models(dossiers)) == 201


def test_the_uncertainty_is_scatter_and_mean_error_since_the_calibration(
    dossiers: Dossiers,
) -> None:
    check(dossiers, 5.4, "2026-01-01")  # before: counts no more
    check(dossiers, 5.6, "2026-01-02")
    calibrate(dossiers, "2026-02-01", "2027-02-01")
    assert math.isnan(gauge(dossiers, "dial 3 (invented)").u_mm)
    for day, read_mm in enumerate((5.001, 5.003, 5.005), 1):
        check(dossiers, read_mm, f"2026-03-0{day}")
    found = gauge(dossiers, "dial 3 (invented)")
    # by hand: mean error 0.003, standard deviation 0.002
    assert found.u_mm == pytest.approx(math.sqrt(0.003**2 + 0.002**2))
    chart = found.chart("block 5")
    assert chart is not None
    assert [phase.first for phase in chart.phases] == [1, 3]


def test_what_is_said_to_be_accepted_is_accepted_by_the_rule_of_verdicts(
    dossiers: Dossiers,
) -> None:
    for day, read_mm in enumerate((5.02, 4.98, 5.02, 4.98, 5.0), 1):
        check(dossiers, read_mm, f"2026-03-0{day}")
    found = gauge(dossiers, "dial 3 (invented)")
    spec, _ = read_specification(SPECIFICATION.text())
    told = found.judges(spec)
    assert len(told) == 3
    for one in told:
        limits = {"lower_mm": one.lower_mm, "upper_mm": one.upper_mm}
        edge_mm = one.lower_mm + one.band_mm
        for inside_mm, verdict in ((1e-4, "conforms"), (-1e-4, "undecided")):
            assert decide(edge_mm + inside_mm, found.u_mm, **limits).verdict == verdict
    relief = told[-1]
    assert 0.0 < relief.left_share < 1.0
    coarse = np.array([5.2, 4.8, 5.2, 4.8])
    for day, read_mm in enumerate(coarse, 6):
        check(dossiers, float(read_mm), f"2026-03-{day:02d}")
    assert gauge(dossiers, "dial 3 (invented)").judges(spec)[-1].left_share == 0.0


def test_a_gauge_is_opened_checked_and_judged_in_the_pages(
    client: TestClient, dossiers: Dossiers
) -> None:
    dossiers.add(AddRequest((SPECIFICATION,)))
    page = client.post("/gauges", data={"name": "height gauge 9 (invented)"})
    assert page.url.path.startswith("/gauges/")
    here = page.url.path
    assert "No check reading yet" in page.text
    twice = client.post("/gauges", data={"name": "Height gauge 9 (invented)"})
    assert twice.status_code == 422
    for number, read in enumerate(("5,001", "5.002", "0.19685 in", "5.000"), start=1):
        form = {"standard": "block 5", "stated": "5", "read": read, "unit": "mm"}
        page = client.post(f"{here}/check", data=form)
        assert page.status_code == 200
        few = "Limits from {} readings tell little yet" if number > 1 else "No limits can be drawn"
        assert few.format(number) in page.text
    assert "4 check readings" in page.text
    assert "<svg" in page.text
    assert "relief" in page.text
    assert "too coarse" not in page.text
    for form, said in (
        ({"standard": "block 5", "stated": "5", "read": "much"}, "is not a length"),
        ({"standard": "", "stated": "5", "read": "5"}, "Which standard"),
        ({"standard": "b", "stated": "", "read": "5"}, "stated length"),
    ):
        refused = client.post(f"{here}/check", data=form)
        assert refused.status_code == 422
        assert said in unescape(refused.text)
    for form, said in (
        ({"date": ""}, "On which day"),
        ({"date": "2026-02-30"}, "not a day"),
        ({"date": "2026-05-01", "until": "2025-05-01"}, "is before"),
    ):
        refused = client.post(f"{here}/calibrated", data=form)
        assert refused.status_code == 422
        assert said in unescape(refused.text)
    client.post(f"{here}/calibrated", data={"date": "2020-05-01", "until": "2021-05-01"})
    assert "overdue" in client.get("/gauges").text
    assert client.get(f"/gauges/{dossiers.named('model Tesquil (invented)')}").status_code == 422
    client.cookies.set("unit", "in")
    assert "0.1969 in" in client.get(here).text
