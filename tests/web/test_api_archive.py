"""Papers, gauges, charts, reports and lots for other programs; that nothing is left out unsaid."""

from __future__ import annotations

import inspect
import json
import re
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import click
import jsonschema
import pytest
from fastapi.testclient import TestClient

import evenfall as ef
from evenfall import workshop
from evenfall.cli import main
from evenfall.client import Connection
from evenfall.client.dossiers import ThereDossiers
from evenfall.codec.whole import packed
from evenfall.errors import ChangedError, RequestError
from evenfall.records import Filing
from evenfall.records.accounts import Accounts
from evenfall.web.answering import ROOT
from evenfall.web.api import ROUTERS
from evenfall.web.api_description import LEFT_OUT, description
from evenfall.web.application import application
from evenfall.workshop import gauges, kept_charts
from evenfall.workshop.calls import use_cases
from evenfall.workshop.daily_report import ReportRequest, daily_report
from evenfall.workshop.examples import SERIALS
from served import serving

PORT = 8417
HERE = f"http://127.0.0.1:{PORT}"
PASSWORD = "four words of a test"  # noqa: S105
FIRMS = ("Quandlemere", "Tessquin and Gorb")

COMMANDS: Mapping[str, str] = {
    "spec new": "POST /starter",
    "spec check": "POST /check-specification",
    "measure": "POST /measure",
    "diagnose": "POST /diagnose",
    "pitch": "POST /pitch",
    "neck": "POST /neck",
    "play": "POST /play",
    "plan": "POST /plan",
    "sheet": "POST /sheet",
    "prove": "POST /prove",
    "machine check": "POST /check-machine",
    "program": "POST /program",
    "program write": "POST /program",
    "program check": "POST /check-program",
    "archive add": "POST /dossiers",
    "archive backup": "POST /archive/backups",
    "archive export": "POST /archive/exports",
    "archive find": "GET /dossiers",
    "archive history": "GET /dossiers/{name}/history",
    "archive import": "POST /archive/imports",
    "archive note": "POST /dossiers/{name}/notes",
    "archive show": "GET /dossiers/{name}",
    "archive verify": "POST /archive/verifications",
    "quality capability": "POST /capability",
    "quality causes": "POST /causes",
    "quality chart": "POST /chart",
    "quality gauge": "POST /gauges/{name}/studies",
    "quality gauge-sheet": "POST /study-sheet",
    "quality lot": "POST /lot",
    "quality lot --archive": "POST /judged",
    "quality lot-measured": "POST /measured-lot",
    "quality lot-plan": "POST /plan-for-risks",
    "quality report": "GET /reports/{day}",
}
"""What a program calls for each command."""
VERBS: Mapping[str, str] = {
    **{"add": "POST /dossiers", "file": "POST /dossiers", "read": "POST /dossiers"},
    **{"note": "POST /dossiers/{name}/notes", "since": "GET /dossiers/{name}/entries"},
    **dict.fromkeys(("find", "listed", "newest", "lines"), "GET /dossiers"),
    **dict.fromkeys(("named", "show", "told"), "GET /dossiers/{name}"),
    "history": "GET /dossiers/{name}/history",
    **dict.fromkeys(
        ("latest", "document", "kept_file", "source_of"), "GET /dossiers/{name}/documents/{what}"
    ),
    **dict.fromkeys(("export", "extract", "results"), "POST /archive/exports"),
    **{"look": "POST /archive/looks", "import_": "POST /archive/imports"},
    **{"verify": "POST /archive/verifications", "backup": "POST /archive/backups"},
    **dict.fromkeys(("contents", "is_there"), "GET /archive"),
    **{"lots": "GET /judged", "next_sample": "POST /judged/samples", "judge": "POST /judged"},
}
"""What a program calls for each verb of an archive."""
BESIDE: Mapping[str, str] = {
    **{"papers": "GET /dossiers/{name}/papers", "paper": "GET /dossiers/{name}/papers/{paper}"},
    **{"gauges": "GET /gauges", "gauge": "GET /gauges/{name}"},
    **{"file_study": "POST /gauges/{name}/studies", "report": "GET /reports/{day}"},
    **{"charts": "GET /charts", "acts": "GET /charts/{chart}"},
    **{"act_on_chart": "POST /charts/acts", "take_back": "POST /charts/{chart}/acts/{entry}/back"},
    **{"shared": "GET /shared", "shared_lot": "GET /shared/{lot}"},
    **{"sent": "GET /shared/{lot}/sent.zip", "share": "POST /shared"},
    **{"withdraw": "POST /shared/{lot}/withdraw", "answer": "POST /lots/{lot}/answer"},
    **{"certificate": "GET /lots/{lot}/{dossier}/certificate.{kind}", "filed": "POST /chart"},
}
"""What the client calls for functions of the package that are no verbs of an archive."""
INSIDE = {"is_there", "read", "listed", "lines", "told", "kept_file", "source_of"}
"""Verbs that are parts of others, for doors of the same machine."""


def routes() -> set[str]:
    return {
        f"{method.upper()} {path.removeprefix(ROOT)}"
        for path, methods in description(ROUTERS)["paths"].items()
        for method in methods
    }


def commands(of: click.Command, before: str = "") -> Iterator[str]:
    """Yield every command of the command line that does something."""
    if not isinstance(of, click.Group):
        yield before
        return
    context = click.Context(of)
    for name in of.list_commands(context):
        found = of.get_command(context, name)
        assert found is not None
        yield from commands(found, f"{before} {name}".strip())


def test_each_use_case_command_and_verb_has_a_call_or_is_left_out_with_a_reason() -> None:
    there = routes()
    for name in use_cases():
        assert f"POST /{name.replace('_', '-')}" in there
    functions = {name for name in workshop.__all__ if inspect.isfunction(getattr(workshop, name))}
    assert functions - set(use_cases()) - set(LEFT_OUT) == {"archive"}
    every = set(commands(main))
    assert every - set(COMMANDS) - set(LEFT_OUT) == set()
    public = {
        name
        for name, thing in inspect.getmembers(ef.Dossiers)
        if not name.startswith("_") and inspect.isfunction(thing)
    }
    assert public - set(VERBS) - set(LEFT_OUT) == set()
    assert {*COMMANDS.values(), *VERBS.values()} <= there
    client = {name for name in vars(ThereDossiers) if not name.startswith("_")}
    assert client == set(VERBS) - INSIDE | set(BESIDE)
    assert set(BESIDE.values()) <= there
    for name, why in LEFT_OUT.items():
        assert name in functions | every | public
        assert why.endswith(".")


def as_described(answer: Any, path: str) -> dict[str, Any]:
    """Return the values of an answer, which are as the description has them."""
    said = description(ROUTERS)
    answers = said["paths"][f"{ROOT}/{path}"]["get"]["responses"]
    schema = answers["200"]["content"]["application/json"]["schema"]
    jsonschema.validate(answer.json(), {**schema, "components": said["components"]})
    values: dict[str, Any] = answer.json()
    return values


@pytest.mark.slow
def test_a_lot_is_judged_as_on_the_command_line(tmp_path: Path) -> None:
    """Sample, decision, state and report; by the client of the package too."""
    terms = {"supplier": "Ulqor Yard (invented)", "model": "Tesquil", "pieces": 500}
    with workshop.archive(str(tmp_path / "archive"), make=True) as dossiers:
        app = application(dossiers, port=PORT)
        with TestClient(app, base_url=f"{HERE}{ROOT}") as client:
            sample = client.post("judged/samples", json=terms)
            assert sample.status_code == 200, sample.text
            assert sample.json()["plan"]["stages"][0]["size_count"] == 50  # code letter H
            assert client.get("judged").json() == {"judged": []}
            asked = {**terms, "name": "L-1", "found": [1], "person": "Q. Ulbrenq"}
            key = {"Idempotency-Key": "lot-1"}
            made, again = (client.post("judged", json=asked, headers=key) for _ in range(2))
            assert (made.status_code, again.status_code) == (201, 201)
            assert made.json()["decision"] == "accepted" == again.json()["decision"]
            (of,) = as_described(client.get("judged"), "judged")["judged"]
            place = f"judged/{of['dossier']}"
            assert made.headers["location"] == f"{ROOT}/{place}"
            shown = client.get(place)
            assert as_described(shown, "judged/{dossier}")["lots"][0]["name"] == "L-1"
            paper = client.get(f"{place}/{of['lots'][0]['entry']}/report.pdf")
            assert paper.content.startswith(b"%PDF-")
            seen = {"If-Match": shown.headers["etag"]}
            there = ef.Dossiers.judge(dossiers, ef.JudgeRequest(**terms, name="L-2", found=(0,)))
            assert there.decision == "accepted"
            late = client.post("judged", json={**asked, "name": "L-3"}, headers=seen)
            assert late.status_code == 412, late.text
            for wrong in ({"pieces": 1}, {"found": [-1]}, {"level": "IV"}, {"method": "all"}):
                assert client.post("judged", json={**asked, **wrong}).status_code == 422, wrong
            for wrong, said in (
                ({"aql_percent": 4}, "The agreement of these lots says 1, not 4."),
                ({"method": "double"}, "says single, not double."),
                ({"quantity": "relief"}, "says none, not relief."),
                ({"sample": [20]}, "The sample that the lot needs is 50 pieces, and not 20"),
                ({"sample": [50], "found": [0, 0]}, "has 1 stage, but 2 numbers were given"),
            ):
                refused = client.post("judged", json={**asked, "name": "L-4", **wrong})
                assert refused.status_code == 422, wrong
                assert said in refused.text
            for absent in ("judged/none", f"{place}/none/report.pdf"):
                assert client.get(absent).status_code == 404, absent
            with Connection(HERE, http=TestClient(app, base_url=HERE)) as connection:
                far = connection.archive()
                kept = far.judge(ef.JudgeRequest(**terms, name="L-3", found=(9,)))
                assert kept.decision == "not accepted"
                assert kept.findings
                assert [lot.name for lot in far.lots()[0].lots] == ["L-1", "L-2", "L-3"]
                near = dossiers.next_sample(ef.JudgeRequest(**terms))
                assert far.next_sample(ef.JudgeRequest(**terms)).plan == near.plan
        app.state.shop.leave()


@pytest.mark.slow
def test_methods_are_compared_side_by_side(tmp_path: Path) -> None:
    asked = ef.Source.invented("tesquil-before.csv"), ef.Source.invented("tesquil.spec.toml")
    files = [{"name": one.name, "text": one.text()} for one in asked]
    with workshop.archive(str(tmp_path / "archive"), make=True) as dossiers:
        app = application(dossiers, port=PORT)
        with TestClient(app, base_url=f"{HERE}{ROOT}") as client:
            body = {"source": files[0], "specification": files[1]}
            made = [client.post("plan", json={**body, "compare": c}).json() for c in (False, True)]
        app.state.shop.leave()
    one, every = ({method["method"] for method in plan["methods"]} for plan in made)
    assert one < every
    assert {"adjust", "level", "refret"} <= every


@pytest.fixture(scope="module")
def years(
    tmp_path_factory: pytest.TempPathFactory, with_examples: Callable[[Path], Path]
) -> Iterator[tuple[TestClient, ef.Dossiers]]:
    """Return a client of an archive of invented instruments, those in work too."""
    folder = with_examples(tmp_path_factory.mktemp("years") / "archive")
    with workshop.archive(str(folder)) as dossiers:
        app = application(dossiers, port=PORT)
        with TestClient(app, base_url=f"{HERE}{ROOT}") as client:
            yield client, dossiers
        app.state.shop.leave()


BEGINS = {"pdf": b"%PDF-", "html": b"<!DOCTYPE html>", "svg": b"<svg"}
"""How each kind of paper begins."""


def paper_of(client: TestClient, serial: str, paper: str) -> dict[str, str]:
    """See that a paper comes as what it is, and return what asks whether it has changed."""
    answer = client.get(f"dossiers/{serial}/papers/{paper}")
    assert answer.status_code == 200, paper
    assert answer.content.startswith(BEGINS[paper.rpartition(".")[2]]), paper
    tag = {"if-none-match": answer.headers["etag"]}
    again = client.get(f"dossiers/{serial}/papers/{paper}", headers=tag)
    assert (again.status_code, again.content) == (304, b""), paper
    return tag


def test_a_paper_of_a_dossier_comes_as_what_it_is(years: tuple[TestClient, ef.Dossiers]) -> None:
    client, _ = years
    listed = as_described(client.get(f"dossiers/{SERIALS[0]}/papers"), "dossiers/{name}/papers")
    for paper in ("dossier.html", "label.svg"):
        assert paper in listed["papers"]
        paper_of(client, SERIALS[0], paper)
    assert client.get(f"dossiers/{SERIALS[0]}/papers/certificate.doc").status_code == 404


@pytest.mark.slow
def test_every_paper_that_is_listed_comes_as_what_it_is(
    years: tuple[TestClient, ef.Dossiers],
) -> None:
    client, dossiers = years
    kinds: set[str] = set()
    for serial in SERIALS:
        listed = client.get(f"dossiers/{serial}/papers").json()["papers"]
        assert {"dossier.pdf", "dossier.html", "label.svg"} <= set(listed)
        kinds |= {one.partition("-")[0] for one in listed}
        for paper in (one for one in listed if one not in kinds):
            kinds.add(paper)
            tag = paper_of(client, serial, paper)
            inch = client.get(f"dossiers/{serial}/papers/{paper}?unit=in", headers=tag)
            assert inch.status_code == 200, paper
        dossiers.note(ef.NoteRequest(serial, "Looked at."))
        changed = client.get(f"dossiers/{serial}/papers/dossier.html", headers=tag)
        assert changed.status_code == 200
    for said in ("certificate.pdf", "bench-sheet.pdf", "plan-removal.svg", "proof-verdict.svg"):
        assert said in kinds
    for wrong in ("certificate.doc", "ý\U00017fed", "plan", "%2e%2e%2fx", "certificate"):
        assert client.get(f"dossiers/{SERIALS[0]}/papers/{wrong}").status_code == 404, wrong


def connected(client: TestClient) -> ThereDossiers:
    """Return the dossiers as the client of the package sees them, of the server of another."""
    return Connection(HERE, http=TestClient(client.app, base_url=HERE)).archive()


@pytest.mark.slow
def test_gauges_are_listed_checked_and_studied(years: tuple[TestClient, ef.Dossiers]) -> None:
    client, dossiers = years
    client.post("dossiers", json={"subject": "gauge", "name": "dial 7"})
    fact = {"standard": "plate", "reference_mm": 1.0, "read_mm": 1.002}
    for _ in range(3):
        sent = client.post("dossiers/dial 7/notes", json={"words": "", "facts": fact})
        assert sent.status_code == 201, sent.text
    sheet = workshop.study_sheet(
        ef.StudySheetRequest(("a", "b", "c", "d", "e"), ("Q. Ulbrenq", "A. Dremquil"), 2, "relief")
    )
    head, *rows = sheet.splitlines()
    filled = [head]
    for number, row in enumerate(rows):
        part = row.split(",")
        value = (
            0.1
            + 0.05 * "abcde".index(next(one for one in part if one in "abcde"))
            + number % 3 / 1000
        )
        cells = dict(zip(head.split(","), part, strict=True))
        cells["value"] = f"{value:.3f}"
        filled.append(",".join(cells.values()))
    study = {"source": {"name": "study.csv", "text": "\n".join(filled) + "\n"}}
    made = client.post("gauges/dial 7/studies", json={"study": study, "person": "Q. Ulbrenq"})
    assert made.status_code == 201, made.text
    listed = as_described(client.get("gauges"), "gauges")["gauges"]
    assert "dial 7" in [one["name"] for one in listed]
    shown = as_described(client.get("gauges/dial 7"), "gauges/{name}")
    assert [one["read_mm"] for one in shown["checks"]] == [1.002] * 3
    far = connected(client)
    assert far.gauges() == gauges.gauges(dossiers)
    assert far.gauge("dial 7") == gauges.gauge(dossiers, "dial 7")
    kinds = [one["kind"] for one in client.get("dossiers/dial 7").json()["entries"]]
    assert kinds.count("study") == 1
    assert client.get(f"gauges/{SERIALS[0]}").status_code == 404
    assert client.post(f"gauges/{SERIALS[0]}/studies", json={"study": study}).status_code == 404


@pytest.mark.slow
def test_charts_are_acted_on_by_version(years: tuple[TestClient, ef.Dossiers]) -> None:
    client, dossiers = years
    for day in range(2, 14):
        of = {"content_hash": f"{day:064x}", "schema": "evenfall/proof@1", "specification": ""}
        read = {"relief_mm": 0.2 + day % 3 / 100.0, "done": f"2026-04-{day:02}T09:00Z"}
        opened = Filing("opened", {"subject": "instrument", "name": "Tesquil (invented)"})
        dossiers.archive.file(None, [opened, Filing("proof", {**of, **read})])
    asked = {
        "source": {"filed": {}},
        "quantity": "relief",
        "only": {
            "document": "proof",
        },
    }
    act = {"chart": asked, "act": "left out", "point": "3", "reason": "dropped", "person": "Q. U."}
    made = client.post("charts/acts", json=act)
    assert made.status_code == 201, made.text
    (kept,) = made.json()["charts"]
    shown = client.get(f"charts/{kept['dossier']}")
    as_described(client.get("charts"), "charts")
    assert [one["reason"] for one in as_described(shown, "charts/{chart}")["acts"]] == ["dropped"]
    seen = {"if-match": shown.headers["etag"]}
    assert client.post("charts/acts", json={**act, "point": "4"}, headers=seen).status_code == 201
    late = client.post("charts/acts", json={**act, "point": "5"}, headers=seen)
    assert late.status_code == 412
    assert late.json()["error"]["code"] == "changed"
    entry = shown.json()["acts"][0]["entry"]
    place = f"charts/{kept['dossier']}/acts/{entry}/back"
    assert client.post(place, json={"reason": "not dropped"}).status_code == 201
    assert client.post(place, json={"reason": "again"}).status_code == 404
    far = connected(client)
    assert [one.reason for one in far.acts(kept["dossier"])] == ["dropped"]
    known = ef.ChartRequest(far.filed(), quantity="relief", only={"document": "proof"})
    with pytest.raises(ChangedError):
        far.act_on_chart(known, "left out", "5", "late", since=shown.json()["version"])
    far.act_on_chart(known, "left out", "6", "chipped")
    (chart,) = far.charts()
    assert (chart,) == tuple(kept_charts.kept_charts(dossiers.archive))
    done = far.acts(chart.dossier)
    assert packed(done) == packed(kept_charts.acts_on(dossiers.archive, chart.name))
    far.take_back(chart.dossier, done[-1].entry, "not chipped")
    assert packed(far.acts(chart.dossier)) == packed(done[:-1])
    assert client.get("charts/none").status_code == 404
    for nowhere in ("0", "99", "99999999999", "9" * 5000, "a point", ""):
        answer = client.post("charts/acts", json={**act, "point": nowhere})
        assert answer.status_code == 422, nowhere
        assert answer.json()["error"]["at"] == {"field": "point"}
    sheet = {"source": {"name": "a.csv", "text": "value\n1\n2\n"}}
    assert client.post("charts/acts", json={**act, "chart": sheet}).status_code == 422


def test_a_day_is_reported_as_values_and_on_paper(years: tuple[TestClient, ef.Dossiers]) -> None:
    client, dossiers = years
    far, day = connected(client), ReportRequest("2026-04-07")
    assert far.report(day.day).as_dict() == daily_report(dossiers, day).as_dict()
    report = client.get("reports/2026-04-07")
    assert report.json()["parts"][0]["title"] == "What came through"
    assert client.get("reports/2026-04-07/report.pdf").content.startswith(b"%PDF-")
    assert "is not a day" in client.get("reports/tomorrow").json()["error"]["sentence"]


def test_charts_and_lots_are_not_filed_over_what_somebody_else_filed(tmp_path: Path) -> None:
    with workshop.archive(str(tmp_path / "a"), make=True) as dossiers:
        for day in range(2, 10):
            of = {"content_hash": f"{day:064x}", "schema": "evenfall/proof@1", "specification": ""}
            read = {"relief_mm": 0.2 + day % 3 / 100.0, "done": f"2026-04-{day:02}T09:00Z"}
            opened = Filing("opened", {"subject": "instrument", "name": "Tesquil (invented)"})
            dossiers.archive.file(None, [opened, Filing("proof", {**of, **read})])
        accounts = Accounts(dossiers.archive)
        owner = accounts.join(accounts.invite("Q. Ulbrenq", "manager"), PASSWORD)
        accounts.join(accounts.invite("U. Quenlo", "partner", partner=FIRMS[0]), PASSWORD)
        scopes = ("look", "plan", "release", "keep")
        _, secret = accounts.new_token(owner.id, "script", scopes, 1)
        app = application(dossiers, port=PORT)
        bearer = {"authorization": f"Bearer {secret}"}
        with TestClient(app, base_url=f"{HERE}{ROOT}", headers=bearer) as client:

            def twice_by_one_version(place: str, first: Any, later: Any, posted: str) -> None:
                """File, look, file again by what was seen, and once more by that."""
                made = client.post(posted, json=first)
                assert made.status_code == 201, made.text
                (shown,) = next(iter(client.get(place).json().values()))
                one = f"{place}/{shown['dossier']}" if "dossier" in shown else place
                seen = {"If-Match": client.get(one).headers["etag"]}
                statuses = [
                    client.post(posted, json=later(n), headers=seen).status_code for n in (2, 3)
                ]
                assert statuses == [201, 412], place

            chart = {"source": {"filed": {}}, "quantity": "relief", "only": {"document": "proof"}}
            act = {"chart": chart, "act": "left out", "point": "1", "reason": "dropped"}
            twice_by_one_version("charts", act, lambda n: {**act, "point": str(n)}, "charts/acts")
            lot = {"supplier": "Ulqor Yard (invented)", "model": "Tesquil", "pieces": 500}
            lot |= {"receiver": FIRMS[0], "name": "L-1", "found": [1]}
            twice_by_one_version("judged", lot, lambda n: {**lot, "name": f"L-{n}"}, "judged")
            (of,) = client.get("judged").json()["judged"]
            kept = [f"{of['dossier']}:{one['entry']}" for one in of["lots"]]
            share = {"partner": FIRMS[0], "lot": "", "names": [], "kept": kept[0]}
            twice_by_one_version("shared", share, lambda _n: share, "shared")


@pytest.mark.slow
def test_what_was_filed_since_a_version_is_told(years: tuple[TestClient, ef.Dossiers]) -> None:
    client, dossiers = years
    place = f"dossiers/{SERIALS[1]}/entries"
    version = client.get(place).json()["version"]
    assert client.get(place, params={"since": version}).json()["entries"] == []
    dossiers.note(ef.NoteRequest(SERIALS[1], "Strings changed.", person="A. Dremquil"))
    answer = client.get(place, params={"since": version})
    (told,) = as_described(answer, "dossiers/{name}/entries")["entries"]
    dossier = f"dossiers/{SERIALS[1]}"
    for path, real in {
        "dossiers": "dossiers",
        "dossiers/{name}": dossier,
        "dossiers/{name}/history": f"{dossier}/history",
        "dossiers/{name}/entries": place,
    }.items():
        for form in ("printed", "whole"):
            as_described(client.get(real, params={"form": form}), path)
    assert (told["person"], told["kind"]) == ("A. Dremquil", "note")


# ---- lots ----------------------------------------------------------------------------------------


@pytest.mark.slow
def test_lots_are_shared_seen_and_answered_by_tokens(
    tmp_path: Path, with_examples: Callable[[Path], Path]
) -> None:
    with workshop.archive(str(with_examples(tmp_path / "a"))) as dossiers:
        released = [
            name
            for name in SERIALS
            if any(one.kind == "proof" for one in dossiers.show(name).entries)
        ]
        accounts = Accounts(dossiers.archive)
        people = {"Q. Ulbrenq": ("manager", ""), "U. Quenlo": ("partner", FIRMS[0])}
        people["T. Gorb"] = ("partner", FIRMS[1])
        tokens = {}
        for person, (role, firm) in people.items():
            code = accounts.invite(person, role, partner=firm)  # type: ignore[arg-type]
            accounts.join(code, PASSWORD)
        app = application(dossiers, port=PORT)
        with TestClient(app, base_url=HERE) as client:
            for person, (role, _) in people.items():
                client.cookies.clear()
                client.post("/log-in", data={"name": person, "password": PASSWORD})
                (mark,) = re.findall(r'name="csrf" content="(\w+)"', client.get("/settings").text)
                scope = "lots" if role == "partner" else "keep"
                sent = {"name": "script", "scope": scope, "days": "30", "csrf": mark}
                shown = client.post("/tokens", data=sent).text
                (tokens[person],) = re.findall(r'class="secret"[^>]*>([^<]+)<', shown)
            client.cookies.clear()

            def call(person: str, method: str, place: str, body: Any = None, **how: Any) -> Any:
                headers = {"authorization": f"Bearer {tokens[person].strip()}", **how}
                return client.request(method, f"{ROOT}/{place}", json=body, headers=headers)

            lot = {"partner": FIRMS[0], "lot": "lot 7", "names": released}
            made = call("Q. Ulbrenq", "POST", "shared", lot)
            assert made.status_code == 201, made.text
            key = made.json()["key"]
            assert call("T. Gorb", "GET", "lots").json() == {"lots": []}
            nothing = call("T. Gorb", "GET", "lots/0123456789abcdef")
            assert nothing.status_code == 404
            for method, end, body in (
                *(("GET", "", None), ("GET", "/sent.zip", None)),
                ("GET", f"/{dossiers.named(released[0])}/certificate.pdf", None),
                ("POST", "/answer", {"says": "accepted"}),
            ):
                answer = call("T. Gorb", method, f"lots/{key}{end}", body)
                assert (answer.status_code, answer.json()) == (404, nothing.json())
                assert call("T. Gorb", method, f"shared/{key}{end}", body).status_code in (403, 404)
            seen = call("U. Quenlo", "GET", f"lots/{key}")
            assert [one["name"] for one in seen.json()["instruments"]]
            assert "Ulbrenq" not in json.dumps(seen.json())
            paper = f"lots/{key}/{dossiers.named(released[0])}/certificate.pdf"
            assert call("U. Quenlo", "GET", paper).content.startswith(b"%PDF-")
            assert call("U. Quenlo", "GET", f"lots/{key}/sent.zip").content.startswith(b"PK")
            tag = {"if-match": seen.headers["etag"]}
            again = call("U. Quenlo", "GET", f"lots/{key}", **{"if-none-match": tag["if-match"]})
            assert again.status_code == 304
            said = call("U. Quenlo", "POST", f"lots/{key}/answer", {"says": "accepted"}, **tag)
            assert said.json()["answer"] == "accepted", said.text
            other = {"says": "read again", "reason": "late"}
            assert call("U. Quenlo", "POST", f"lots/{key}/answer", other, **tag).status_code == 412
            assert call("U. Quenlo", "GET", "shared").status_code == 403
            assert call("U. Quenlo", "GET", "dossiers").status_code == 403
            as_described(seen, "lots/{lot}")
            told = as_described(call("Q. Ulbrenq", "GET", "shared"), "shared")["lots"]
            assert [one["answer"] for one in told] == ["accepted"]
            manager, partner = (
                Connection(HERE, tokens[one].strip(), http=TestClient(app, base_url=HERE)).archive()
                for one in ("Q. Ulbrenq", "U. Quenlo")
            )
            assert manager.shared() == told
            assert manager.shared_lot(key)["instruments"] == seen.json()["instruments"]
            (mine,) = partner.shared(own=True)
            with pytest.raises(ChangedError):
                partner.answer(key, "read again", reason="late", since="0" * 16)
            said = partner.answer(key, "read again", reason="late", since=mine["version"])
            assert said["answer"] == "read again"
            assert partner.sent(key, own=True)[:2] == manager.sent(key)[:2] == b"PK"
            assert partner.certificate(key, dossiers.named(released[0])).startswith(b"%PDF-")
            with pytest.raises(RequestError, match="may not"):
                partner.shared()
            manager.withdraw(key)
            assert manager.shared() == []
            assert manager.share(FIRMS[0], released, lot="lot 7")["key"] == key
            withdrawn = call("Q. Ulbrenq", "POST", f"shared/{key}/withdraw")
            assert withdrawn.json() == {"lots": []}
            assert call("U. Quenlo", "GET", f"lots/{key}").json() == nothing.json()
        app.state.shop.leave()


# ---- the client ----------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_program_elsewhere_takes_papers_tables_and_a_backup(
    tmp_path: Path, with_examples: Callable[[Path], Path]
) -> None:
    with serving(with_examples(tmp_path / "archive")) as place, ef.connect(place) as there:
        dossiers = there.archive()
        serial = next(line.serial for line in dossiers.newest(9) if line.subject == "instrument")
        assert dossiers.paper(serial, "dossier.pdf", unit="in").startswith(b"%PDF-")
        assert "label.svg" in dossiers.papers(serial)
        with pytest.raises(ef.EvenfallError, match="no such paper"):
            dossiers.paper(serial, "poster.pdf")
        version = dossiers.show(serial).version
        assert dossiers.since(serial, version) == ()
        dossiers.note(ef.NoteRequest(serial, "Strings changed."))
        assert [one.kind for one in dossiers.since(serial, version)] == ["note"]
        rows = dossiers.extract([serial], tmp_path / "tables", "csv")
        assert rows["dossiers"] == 1
        assert (tmp_path / "tables" / "csv-metadata.json").is_file()
        assert (tmp_path / "tables" / "dossiers.csv").is_file()
        with pytest.raises(ef.EvenfallError, match="files in this folder"):
            dossiers.extract([serial], tmp_path / "tables", "csv")
        steps: list[str] = []
        copied = dossiers.backup(
            str(tmp_path / "copy"), progress=lambda doing, _share: steps.append(doing)
        )
        assert copied["entries"] == dossiers.contents().entries
        with workshop.archive(str(tmp_path / "copy")) as copy:
            assert copy.show(serial).line.serial == serial
        with pytest.raises(ef.EvenfallError, match="from the root on"):
            dossiers.backup("copy")
