"""The page of a gauge study: the sheet in random order, typed readings, the verdict in words."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import unescape
from pathlib import Path

import numpy as np
import pytest
from fastapi.testclient import TestClient

from evenfall import workshop
from evenfall.web.application import application
from evenfall.workshop import AddRequest, NoteRequest, Source
from evenfall.workshop.archives import Dossiers

PORT = 8421
ASKED = "quantity=relief&parts=8&persons=Ilva,Quen&trials=2&unit=mm&seed=417"


@pytest.fixture
def dossiers(tmp_path: Path) -> Iterator[Dossiers]:
    with workshop.archive(str(tmp_path), make=True) as made:
        made.add(AddRequest(subject="gauge", name="feeler 2 (invented)"))
        made.add(AddRequest((Source.invented("tesquil.spec.toml"),)))
        yield made


@pytest.fixture
def client(dossiers: Dossiers) -> Iterator[TestClient]:
    base = f"http://127.0.0.1:{PORT}"
    app = application(dossiers, port=PORT)
    headers = {"accept": "text/html", "origin": base}
    with TestClient(app, base_url=base, headers=headers) as made:
        yield made


def place(dossiers: Dossiers) -> str:
    (dossier,) = dossiers.archive.named("feeler 2 (invented)")
    return f"/gauges/{dossier}/study"


def sheet(text: str) -> list[tuple[str, str]]:
    """Return person and part of each row, as the page asks for them."""
    found = re.findall(r'aria-label="Reading \d+, part ([^,]+), by ([^"]+)"', unescape(text))
    return [(person, part) for part, person in found]


def judged(client: TestClient, at: str, scatter_mm: float, *, limits: bool = True) -> str:
    chance = np.random.default_rng(3)
    rows = sheet(client.get(f"{at}?{ASKED}").text)
    values = [f"{0.1 + 0.025 * int(part) + scatter_mm * chance.normal():.4f}" for _, part in rows]
    spec = ""
    if limits:
        spec = re.findall(r'<option value="([0-9a-f]{32})"', client.get(f"{at}?{ASKED}").text)[0]
    answer = client.post(at, data={"asked": ASKED, "value": values, "spec": spec, "by": "Ilva"})
    assert answer.status_code == 200, answer.text[:1500]
    return unescape(re.sub(r"<svg.*?</svg>", "", answer.text, flags=re.DOTALL))


def test_each_person_reads_each_part_in_an_order_by_chance(
    dossiers: Dossiers, client: TestClient
) -> None:
    rows = sheet(client.get(f"{place(dossiers)}?{ASKED}").text)
    assert len(rows) == 32
    assert all(
        rows.count((who, str(part))) == 2 for who in ("Ilva", "Quen") for part in range(1, 9)
    )
    assert [part for _, part in rows[:8]] != [str(n) for n in range(1, 9)]
    assert rows == sheet(client.get(f"{place(dossiers)}?{ASKED}").text)
    turns = client.get(f"{place(dossiers)}?{ASKED}").text.split('<tbody class="turn">')[1:]
    assert [sheet(turn) for turn in turns] == [rows[n : n + 8] for n in range(0, 32, 8)]


def test_a_fine_gauge_can_tell_and_a_coarse_one_cannot(
    dossiers: Dossiers, client: TestClient
) -> None:
    at = place(dossiers)
    assert "No calibration is filed; its readings agree well" in judged(client, at, 0.002)
    dossiers.note(NoteRequest("feeler 2 (invented)", "good", facts={"date": "2026-03-01"}))
    fine = judged(client, at, 0.002)
    assert "This gauge can judge its limits" in fine
    assert re.search(r'relief</th>.*?can judge">yes', fine, re.DOTALL)
    coarse = judged(client, at, 0.03)
    names = "relief, action and the first-fret gap"
    assert f"Do not use this gauge for {names}: it cannot judge them" in coarse
    assert "only near a limit" not in coarse
    assert re.search(r'relief</th>.*?<strong class="risky">no', coarse, re.DOTALL)
    entries = dossiers.archive.entries(at.split("/")[2])
    assert [one.kind for one in entries].count("study") == 3
    assert f"not for {names} of Tesquil (invented)" in unescape(client.get("/gauges").text)


def test_without_a_calibration_it_is_said_too_what_the_readings_are_good_for(
    dossiers: Dossiers, client: TestClient
) -> None:
    at, said = place(dossiers), "No calibration is filed; its readings agree"
    assert f"{said} well enough, with care near a limit<" in judged(client, at, 0.006)
    unasked = judged(client, at, 0.006, limits=False)
    assert f"{said}, but no limits were chosen that it is to judge<" in unasked


HOSTILE = [
    ("parts=1&persons=Ilva", "two parts or more"),
    ("parts=a,a&persons=Ilva", "once"),
    ("parts=5&persons=", "Name the persons of the study"),
    ("parts=3000&persons=Ilva", "more than 2000 readings"),
    ("parts=5&persons=Ilva&trials=99", "2 to 5 times"),
]


def test_a_study_that_cannot_be_is_one_sentence(dossiers: Dossiers, client: TestClient) -> None:
    for asked, said in HOSTILE:
        answer = client.get(f"{place(dossiers)}?{asked}")
        assert answer.status_code == 422
        assert said in unescape(answer.text)


def test_a_version_that_a_form_names_is_text_on_the_page(
    dossiers: Dossiers, client: TestClient
) -> None:
    sent = {"asked": ASKED, "value": ["x"] * 32, "seen": '"><b>mine</b>\\1'}
    answer = client.post(place(dossiers), data=sent)
    assert answer.status_code == 422
    assert "<b>mine" not in answer.text
    assert sent["seen"] in unescape(answer.text)


def test_what_was_typed_stands_when_something_is_missing(
    dossiers: Dossiers, client: TestClient
) -> None:
    at = place(dossiers)
    values = ["0.2"] * 31 + [""]
    answer = client.post(at, data={"asked": ASKED, "value": values})
    assert answer.status_code == 422
    assert "Not read yet: 32." in unescape(answer.text)
    assert answer.text.count('value="0.2"') == 31
    answer = client.post(at, data={"asked": ASKED, "value": ["0.2"] * 31 + ["wide"]})
    assert answer.status_code == 422
    assert "is not a number" in unescape(answer.text)
    assert [e.kind for e in dossiers.archive.entries(at.split("/")[2])] == ["opened"]
