"""What other programs may ask: use cases, the archive, tasks; how a call is refused or repeated."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from fastapi.testclient import TestClient

import evenfall as ef
from evenfall import workshop
from evenfall.codec import with_words
from evenfall.errors import RequestError
from evenfall.records.queue import Queue
from evenfall.web import api
from evenfall.web.answering import ROOT
from evenfall.web.api import ROUTERS
from evenfall.web.api_description import CHANGES, VERSION, description
from evenfall.web.application import application
from evenfall.web.rights import NEEDS
from evenfall.workshop.archives import Dossiers
from evenfall.workshop.calls import LONG, use_cases

PORT = 8417
BEFORE, SPEC = ef.Source.invented("tesquil-before.csv"), ef.Source.invented("tesquil.spec.toml")


def file(source: ef.Source) -> dict[str, str]:
    return {"name": source.name, "text": source.text()}


READINGS = {"source": file(BEFORE), "specification": file(SPEC)}
FILED = {"files": [file(SPEC)], "serial": "UY-0417", "new": True, "person": "Q. Ulbrenq"}


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with workshop.archive(str(tmp_path / "archive"), make=True) as dossiers:
        app = application(dossiers, port=PORT)
        with TestClient(app, base_url=f"http://127.0.0.1:{PORT}{ROOT}") as made:
            yield made
        app.state.shop.leave()


def refused(answer: Any, status: int) -> dict[str, Any]:
    """Return an error, which has the shape that the command line prints."""
    assert answer.status_code == status, answer.text
    error: dict[str, Any] = answer.json()["error"]
    assert set(error) == {"code", "at", "text", "values", "sentence", "findings"}
    assert error["sentence"].endswith(".")
    return error


# ---- use cases -----------------------------------------------------------------------------------


def test_a_plan_is_the_one_that_the_library_makes(client: TestClient) -> None:
    answer = client.post("plan", json=READINGS)
    made = ef.plan(ef.PlanRequest(BEFORE, SPEC))
    assert answer.json() == json.loads(json.dumps(made.as_dict()))
    assert ef.Plan.from_dict(answer.json()) == made.plan


@pytest.mark.slow
def test_a_proof_goes_by_the_plans_worked_before(client: TestClient) -> None:
    """What the first plan filed is no wear to the proof of the next, which names it."""
    after = ef.Source.invented("tesquil-after.csv")
    first = {
        "name": "first.plan.json",
        "text": json.dumps(client.post("plan", json=READINGS).json()),
    }
    asked = {"source": file(after), "specification": file(SPEC), "worked": [first]}
    then = {"name": "then.plan.json", "text": json.dumps(client.post("plan", json=asked).json())}
    body = {"plan": then, "readings": file(after)}
    proved = client.post("prove", json={**body, "worked": [first]})
    assert proved.status_code == 200, proved.text
    made = ef.Proof.from_dict(proved.json())
    assert made.worked_hashes == (json.loads(first["text"])["content_hash"],)
    files = [ef.Source(one["name"], one["text"].encode()) for one in (then, first)]
    assert made == ef.prove(ef.ProveRequest(files[0], after, worked=(files[1],))).proof
    # named twice, or the judged plan among them, it counts once
    more = client.post("prove", json={**body, "worked": [first, then, first]})
    assert ef.Proof.from_dict(more.json()) == made
    assert ef.Proof.from_dict(client.post("prove", json=body).json()).worked_hashes == ()
    assert refused(client.post("prove", json={**body, "worked": [file(after)]}), 422)["at"]["file"]


@pytest.mark.slow
def test_an_answer_is_what_its_schema_says(client: TestClient) -> None:
    said = client.get("openapi.json").json()
    for name, body in {
        "plan": READINGS,
        "measure": {"files": [file(BEFORE)], "specification": file(SPEC)},
        "check_specification": {"specification": file(SPEC)},
    }.items():
        operation = said["paths"][f"{ROOT}/{name.replace('_', '-')}"]["post"]
        schema = operation["responses"]["200"]["content"]["application/json"]["schema"]
        whole = {**schema, "components": said["components"]}
        for form in ("printed", "whole"):
            answer = client.post(name.replace("_", "-"), json=body, params={"form": form})
            jsonschema.validate(answer.json(), whole)


def test_every_use_case_has_an_address_and_a_described_request() -> None:
    said = description(ROUTERS)
    assert said["info"]["version"] == VERSION
    assert max(CHANGES) in said["info"]["description"]
    for name, (_, of) in use_cases().items():
        body = said["paths"][f"{ROOT}/{name.replace('_', '-')}"]["post"]["requestBody"]
        schema = body["content"]["application/json"]["schema"]
        assert schema == {"$ref": f"#/components/schemas/{of.__name__}"}
    jsonschema.Draft202012Validator.check_schema(said["components"]["schemas"]["PlanRequest"])
    assert said["components"]["securitySchemes"]["token"]["scheme"] == "bearer"
    for path, methods in said["paths"].items():
        for method, told in methods.items():
            assert told["security"] == [{"token": [NEEDS[f"{method.upper()} {path}"]]}]


@pytest.mark.slow
def test_pictures_and_inches_are_given_where_they_are_asked_for(client: TestClient) -> None:
    answer = client.post("diagnose", json=READINGS, params={"pictures": True, "unit": "in"}).json()
    assert answer["pictures"]["neck"].startswith("<svg")
    assert any(" in " in one["sentence"] for one in answer["findings"])


NO_REQUESTS: list[tuple[dict[str, Any], str, str]] = [
    ({}, "source", "missing"),
    ({"source": "a.csv"}, "source", "a file must stand here"),
    ({"source": {"filed": {}}}, "source", "a file must stand here"),
    ({"source": {"filed": 7}}, "source", "a file must stand here"),
    ({"source": {"path": "/etc/passwd"}}, "source", "a file is its name"),
    ({"source": {"name": "/etc/passwd"}}, "source", "a file is its name"),
    ({"source": {"name": "a", "base64": "%"}}, "source.base64", "not in base64"),
    ({**READINGS, "attack_n": "strong"}, "attack_n", "a number must stand here"),
    ({**READINGS, "settled": 1}, "settled", "true or false"),
    ({**READINGS, "keep": "nut"}, "keep", "a list"),
    ({**READINGS, "keep": ["nut\x00"]}, "keep[0]", "control characters"),
    ({**READINGS, "neck": {"turns_count": 1e13}}, "neck.turns_count", "too large"),
    ({**READINGS, "colour": "red"}, "", "colour"),
]


def test_what_no_request_can_be_is_named(client: TestClient) -> None:
    for body, field, said in NO_REQUESTS:
        error = refused(client.post("plan", json=body), 422)
        assert error["at"].get("field", "") == field, body
        assert said in error["sentence"]


def test_what_is_wrong_is_named_as_it_was_sent(client: TestClient) -> None:
    """A command calls it `--by`."""
    named = {**FILED, "person": "Q. Ulbrenq\nA. Dremquil"}
    assert refused(client.post("dossiers", json=named), 422)["at"] == {"field": "person"}


def test_what_is_no_json_is_refused(client: TestClient) -> None:
    json_only = {"content-type": "application/json"}
    assert refused(client.post("plan", content=b"{", headers=json_only), 422)["at"]
    assert (
        "JSON" in refused(client.post("plan", content=b"[1]", headers=json_only), 422)["sentence"]
    )
    assert "Content-Type" in refused(client.post("plan", content=b"{}"), 415)["sentence"]
    assert "method" in refused(client.get("plan"), 405)["sentence"]
    assert client.put("dossiers").headers["allow"] == "GET, POST"
    assert "openapi" in refused(client.get("nothing"), 404)["sentence"]
    assert refused(client.get("dossiers", params={"limit": "many"}), 422)["at"]["field"] == "limit"


def test_what_is_wrong_with_readings_is_told_as_on_the_command_line(client: TestClient) -> None:
    wrong = {"name": "a.csv", "text": BEFORE.text().replace("fret", "frat", 1)}
    error = refused(client.post("plan", json={**READINGS, "source": wrong}), 422)
    with pytest.raises(ef.EvenfallError) as raised:
        ef.plan(ef.PlanRequest(ef.Source("a.csv", wrong["text"].encode()), SPEC))
    assert error == json.loads(json.dumps(raised.value.as_dict()))


# ---- the archive ---------------------------------------------------------------------------------


def test_a_call_that_is_sent_twice_is_done_once(client: TestClient) -> None:
    key = {"Idempotency-Key": "filing-1"}
    first = client.post("dossiers", json=FILED, headers=key)
    second = client.post("dossiers", json=FILED, headers=key)
    assert (first.status_code, second.status_code) == (201, 201)
    assert first.json() == second.json()
    assert first.headers["location"] == second.headers["location"]
    assert len(client.get("dossiers").json()["dossiers"]) == 1
    other = client.post("dossiers", json={**FILED, "serial": "UY-0418"}, headers=key)
    assert refused(other, 422)["at"] == {"field": "Idempotency-Key"}
    assert client.post("dossiers", json=FILED).json()["line"] != first.json()["line"]


def test_a_call_with_files_that_came_before_it_is_begun_once(client: TestClient) -> None:
    content = BEFORE.text().encode()
    announced = {"files": [{"name": BEFORE.name, "size": len(content)}]}
    task = client.post("uploads", json=announced).json()["task"]
    client.patch(f"uploads/{task}/0", content=content, headers={"upload-offset": "0"})
    body = {"files": [{"upload": f"{task}/0"}], "specification": file(SPEC)}
    key = {"Idempotency-Key": "measuring-1"}
    first, second = (client.post("measure", json=body, headers=key) for _ in range(2))
    assert (first.status_code, second.status_code) == (202, 202)
    assert first.json() == second.json()
    assert first.json()["id"] == task
    assert first.headers["location"] == second.headers["location"]
    assert "came already" in refused(client.post("measure", json=body), 422)["sentence"]


@pytest.mark.slow
def test_files_that_are_filed_are_kept_by_the_archive_alone(client: TestClient) -> None:
    content = BEFORE.text().encode()
    announced = {"files": [{"name": BEFORE.name, "size": len(content)}]}
    task = client.post("uploads", json=announced).json()["task"]
    client.patch(f"uploads/{task}/0", content=content, headers={"upload-offset": "0"})
    body = {**FILED, "files": [*FILED["files"], {"upload": f"{task}/0"}]}
    key = {"Idempotency-Key": "filing-2"}
    first, second = (client.post("dossiers", json=body, headers=key) for _ in range(2))
    assert (first.status_code, second.status_code) == (201, 201)
    assert first.json() == second.json()
    assert task not in {one["id"] for one in client.get("tasks").json()["tasks"]}
    assert refused(client.get(f"uploads/{task}"), 404)


@pytest.mark.slow
def test_a_call_that_came_to_nothing_may_be_corrected(client: TestClient) -> None:
    key = {"Idempotency-Key": "note-1"}
    client.post("dossiers", json=FILED)
    place = "dossiers/UY-0417/notes"
    refused(client.post(place, json={"words": " "}, headers=key), 422)
    assert client.post(place, json={"words": "Nut worn."}, headers=key).status_code == 201


def test_what_was_filed_is_not_filed_again_because_its_answer_failed(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    client.post("dossiers", json=FILED)
    note = {"words": "Fret 7 seated."}

    def fails(*_given: object, **_more: object) -> None:
        raise RequestError("The disk is full.")

    def filed(key: str) -> tuple[int, str]:
        """Send a note twice by a key; return the first status, and what is said at last."""
        first = client.post("dossiers/UY-0417/notes", json=note, headers={"Idempotency-Key": key})
        monkeypatch.undo()
        again = client.post("dossiers/UY-0417/notes", json=note, headers={"Idempotency-Key": key})
        return first.status_code, str(again.json().get("error", {}).get("sentence", "filed"))

    monkeypatch.setattr(api, "answered", fails)  # done, and not shown
    status, said = filed("note-1")
    assert (status, said.partition(";")[2]) == (422, SENT_TWICE)
    monkeypatch.setattr(Queue, "done_at_once", fails)  # done and shown, and the answer not kept
    status, said = filed("note-2")
    assert (status, said.partition(";")[2]) == (201, SENT_TWICE)
    monkeypatch.setattr(Dossiers, "told", fails)  # done, and not read again
    status, said = filed("note-3")
    assert (status, said.partition(";")[2]) == (422, SENT_TWICE)
    monkeypatch.setattr(Dossiers, "note", fails)  # not done
    assert filed("note-4") == (422, "filed")
    monkeypatch.setattr(Queue, "forget", fails)  # done, and its upload not let go of
    assert filed("note-5") == (201, "filed")
    entries = client.get("dossiers/UY-0417").json()["entries"]
    assert [one["kind"] for one in entries].count("note") == 5


SENT_TWICE = " look whether it was done before you send it with a new key."


@pytest.mark.slow
def test_keys_are_no_work_under_way(client: TestClient) -> None:
    client.post("dossiers", json=FILED, headers={"Idempotency-Key": "a"})
    assert client.get("tasks").json() == {"tasks": []}


@pytest.mark.slow
def test_what_is_known_already_is_not_sent_again(client: TestClient) -> None:
    client.post("dossiers", json=FILED)
    for place in (
        *("dossiers", "dossiers/UY-0417", "dossiers/UY-0417/history", "dossiers/UY-0417/story"),
        *("dossiers/UY-0417/documents/specification", "archive", "tasks", "openapi.json"),
    ):
        answer = client.get(place)
        assert answer.status_code == 200, place
        again = client.get(place, headers={"if-none-match": answer.headers["etag"]})
        assert (again.status_code, again.content) == (304, b""), place
    client.post("dossiers/UY-0417/notes", json={"words": "Nut worn."})
    tag = {"if-none-match": answer.headers["etag"]}
    assert client.get("dossiers/UY-0417", headers=tag).status_code == 200


def test_nobody_files_over_what_somebody_else_filed(client: TestClient) -> None:
    client.post("dossiers", json=FILED)
    place = "dossiers/UY-0417"
    seen = {"If-Match": client.get(place).headers["etag"]}
    note = {"words": "Fret 7 seated.", "person": "A. Dremquil"}
    assert client.post(f"{place}/notes", json=note, headers=seen).status_code == 201
    late = client.post(f"{place}/notes", json={"words": "Fret 7 is loose."}, headers=seen)
    error = refused(late, 412)
    assert error["code"] == "changed"
    assert "note" in error["sentence"]
    assert "A. Dremquil" in error["sentence"]
    entries = client.get(place).json()["entries"]
    assert [one["said"]["sentence"] for one in entries].count("Fret 7 is loose.") == 0
    filed = client.post("dossiers", json={**FILED, "new": False, "job": "J-1"}, headers=seen)
    refused(filed, 412)
    fresh = {"If-Match": client.get(place).headers["etag"]}
    assert client.post(f"{place}/notes", json=note, headers=fresh).status_code == 201
    for damaged in ('"', '""', "W/", '"-"', "-1"):
        refused(client.post(f"{place}/notes", json=note, headers={"If-Match": damaged}), 412)


@pytest.mark.slow
def test_a_list_comes_part_by_part_each_dossier_once(client: TestClient) -> None:
    serials = [f"UY-{number:04}" for number in range(7)]
    for serial in serials:
        client.post("dossiers", json={**FILED, "serial": serial})
    client.post("dossiers/UY-0002/notes", json={"words": "Back again."})
    for words in ("", "UY"):
        found: list[str] = []
        cursor = ""
        while True:
            asked = {"words": words, "limit": 3, "cursor": cursor}
            part = client.get("dossiers", params=asked).json()
            found += [line["serial"] for line in part["dossiers"]]
            cursor = part["next"]
            if not cursor:
                break
        assert sorted(found) == serials
    newest = client.get("dossiers", params={"limit": 1}).json()["dossiers"]
    assert newest[0]["serial"] == "UY-0002"
    wrong = client.get("dossiers", params={"cursor": "x"})
    assert refused(wrong, 422)["at"] == {"field": "cursor"}


@pytest.mark.slow
def test_a_document_of_the_archive_stands_for_a_file(client: TestClient) -> None:
    filed = {**FILED, "files": [file(SPEC)]}
    client.post("dossiers", json=filed)
    of_it = {"dossier": "UY-0417", "document": "specification"}
    answer = client.post("plan", json={"source": file(BEFORE), "specification": of_it})
    assert answer.json() == client.post("plan", json=READINGS).json()
    content = client.get("dossiers/UY-0417/documents/specification")
    assert content.content == SPEC.content
    refused(client.get("dossiers/UY-0417/documents/plan"), 404)
    refused(client.get("dossiers/UY-9999"), 404)


# ---- tasks ---------------------------------------------------------------------------------------


def test_long_use_cases_become_tasks(client: TestClient) -> None:
    assert set(LONG) < set(use_cases())
    answer = client.post("diagnose", json=READINGS, headers={"prefer": "respond-async"})
    assert answer.status_code == 202
    place = answer.headers["location"].removeprefix(f"{ROOT}/")
    task = client.get(place).json()
    assert task["state"] in ("waiting", "running", "done")
    refused(client.get("tasks/none"), 404)
    refused(client.get(f"{place}/files/nothing"), 404)


def test_readings_of_the_archive_stand_for_a_sheet(client: TestClient) -> None:
    error = refused(client.post("chart", json={"source": {"filed": {}}, "quantity": "relief"}), 422)
    assert "filed" not in error["at"].get("field", "")
    wrong = {"filed": {"archive": "elsewhere"}}
    assert refused(client.post("chart", json={"source": wrong}), 422)["at"]["field"] == "source"
    wrong = {"filed": {"most": "all"}}
    error = refused(client.post("chart", json={"source": wrong}), 422)
    assert error["at"]["field"] == "source.filed.most"


@pytest.mark.slow
def test_what_is_printed_reads_again(client: TestClient) -> None:
    measured = client.post("measure", json={"files": [file(BEFORE)], "specification": file(SPEC)})
    made = ef.measure(ef.MeasureRequest((BEFORE,), SPEC))
    assert measured.json() == with_words(json.loads(json.dumps(made.as_dict())))
