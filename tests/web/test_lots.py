"""A lot that is judged, shared, seen by both sides alike, sent and answered.

The instruments are invented, and so are the workshops and their partners.
"""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from evenfall import workshop
from evenfall.records import Filing
from evenfall.records.accounts import Accounts, Role
from evenfall.records.exchange import check
from evenfall.records.shared_lots import SharedLots
from evenfall.web.api import _rights_of
from evenfall.web.application import application
from evenfall.web.judging import Asked
from evenfall.workshop.archives import Dossiers
from evenfall.workshop.examples import SERIALS
from evenfall.workshop.kept_lots import lots_of
from evenfall.workshop.lot_keeping import agreement, keep_lot, proposed
from evenfall.workshop.lot_reports import ANSWERS
from evenfall.workshop.partner_lots import share_lot
from kept_lots import lot_to_keep

PORT = 8419
HERE = f"http://127.0.0.1:{PORT}"
PASSWORD = "four words of a test"  # noqa: S105
PARTNER, OTHER, OURS = "Quandlemere", "Tessquin and Gorb", "Ulqor Yard (invented)"
PERSONS = ("Q. Ulbrenq", "U. Quenlo", "T. Gorbel")


def lots(dossiers: Dossiers, partner: str, found: tuple[int, ...]) -> str:
    """Keep lots for a partner, and return what names the last."""
    kept = proposed(agreement(OURS, "Tesquil", receiver=partner, aql_percent=4.0), None)
    for n, count in enumerate(found):
        lot = lot_to_keep(f"{partner[:1]}-{n}", 90, (count,), person=PERSONS[0])
        kept = keep_lot(dossiers, kept, lot)
    return f"{kept.dossier}:{kept.lots[-1].entry}"


@pytest.fixture
def team(
    tmp_path: Path, with_examples: Callable[[Path], Path]
) -> Iterator[tuple[Dossiers, dict[Role | str, TestClient]]]:
    """Return an archive with lots of two partners, and browsers of a manager and both partners."""
    with workshop.archive(str(with_examples(tmp_path / "a"))) as dossiers:
        accounts = Accounts(dossiers.archive)
        who: tuple[tuple[str, Role, str], ...] = (
            (PERSONS[0], "manager", ""),
            (PERSONS[1], "partner", PARTNER),
            (PERSONS[2], "partner", OTHER),
        )
        for name, role, firm in who:
            accounts.join(accounts.invite(name, role, partner=firm), PASSWORD)
        app = application(dossiers, port=PORT)
        browsers: dict[Role | str, TestClient] = {}
        for name, role, firm in who:
            client = TestClient(app, base_url=HERE, raise_server_exceptions=False)
            client.post("/log-in", data={"name": name, "password": PASSWORD})
            browsers[firm or role] = client
        yield dossiers, browsers
        app.state.shop.leave()


def post(client: TestClient, path: str, **form: str) -> tuple[int, str]:
    (mark,) = re.findall(r'name="csrf" content="(\w+)"', client.get("/settings").text)
    answer = client.post(path, data={**form, "csrf": mark}, follow_redirects=False)
    return answer.status_code, answer.text


@pytest.mark.slow
def test_both_sides_see_the_same_state_and_the_file_holds_it(
    team: tuple[Dossiers, dict[str, TestClient]], tmp_path: Path
) -> None:
    dossiers, browsers = team
    kept = lots(dossiers, PARTNER, (0, 3, 3, 0))
    manager, partner, other = browsers["manager"], browsers[PARTNER], browsers[OTHER]
    assert kept in manager.get("/shared").text
    wrong = post(manager, "/shared", kept=kept, partner=OTHER)
    assert wrong[0] == 422
    assert "share it with one of them" in wrong[1]
    assert post(manager, "/shared", kept=kept, partner=PARTNER, names=SERIALS[2])[0] == 303
    (key,) = (lot.key for lot in SharedLots(dossiers.archive).of(PARTNER))
    state = "Since it began: 1 accepted in a row, 5 end it; 0 not accepted"
    for client, place in ((manager, "/shared"), (partner, "/lots")):
        for path in (place, f"{place}/{key}"):
            shown = client.get(path)
            assert shown.status_code == 200, path
            assert state in shown.text, path
            assert "<svg" in shown.text
            assert "invented example" in shown.text
    seen = partner.get(f"/lots/{key}").text
    assert "Lot Q-3 is accepted: 0 nonconforming of 20 looked at." in seen
    assert "checked just now and is valid" in seen
    assert not any(name in seen for name in (PERSONS[0], PERSONS[2], OTHER))
    assert partner.get(f"/lots/{key}/report.pdf").content.startswith(b"%PDF")
    assert manager.get(f"/shared/{key}/report.html").status_code == 200

    sent = partner.get(f"/lots/{key}/sent.zip")
    assert sent.status_code == 200
    assert check(io.BytesIO(sent.content)).shown == "certificates"
    path = tmp_path / "sent.zip"
    path.write_bytes(sent.content)
    with workshop.archive(str(tmp_path / "theirs"), make=True) as theirs:
        theirs.import_(workshop.Source(str(path)))
        there = lots_of(theirs.archive, OURS, "Tesquil", PARTNER)
        here = lots_of(dossiers.archive, OURS, "Tesquil", PARTNER)
        assert there is not None
        assert here is not None
        assert there.values() == here.values()
        assert there.lots[-1].signed_by == here.lots[-1].signed_by

    for path in ("", "/report.pdf", "/sent.zip"):
        assert other.get(f"/lots/{key}{path}").status_code == 422
        assert other.get(f"/shared/{key}{path}").status_code == 403
    assert state not in other.get("/lots").text


@pytest.mark.slow
def test_asking_for_another_reading_needs_a_reason_and_stands_in_the_story(
    team: tuple[Dossiers, dict[str, TestClient]],
) -> None:
    dossiers, browsers = team
    kept = lots(dossiers, PARTNER, (0,))
    shared = share_lot(dossiers, "", PARTNER, [SERIALS[2]], kept=kept)
    partner, place = browsers[PARTNER], f"/lots/{shared.key}/answer"
    seen = shared.version
    status, text = post(partner, place, says="read again")
    assert status == 422
    assert "Say why the lot is to be read again" in text
    assert post(partner, place, says="read again", reason="fret 7", seen=seen)[0] == 303
    accept = {"accept": "text/html"}
    sent = {"says": "read again", "reason": "fret 8", "seen": seen}
    status, text = post(partner, place, **sent)
    assert status == 412  # answered meanwhile
    mark = re.findall(r'name="csrf" content="(\w+)"', partner.get("/settings").text)[0]
    both = partner.post(place, data={**sent, "csrf": mark}, headers=accept)
    assert both.status_code == 412
    for said in ("Yours, not filed: answer to a lot", "fret 8", f"<b>{PARTNER}</b>"):
        assert said in both.text
    assert "to be read again" in both.text
    here = lots_of(dossiers.archive, OURS, "Tesquil", PARTNER)
    assert here is not None
    (answer,) = here.lots[0].answers
    assert (answer.party, answer.answer, answer.reason) == (PARTNER, "read again", "fret 7")
    told = [str(one.said) for one in dossiers.show(SERIALS[2]).entries]
    assert f"{PARTNER} asks to read again, lot Q-0: fret 7" in told
    for client, path in ((partner, "/lots"), (browsers["manager"], "/shared")):
        assert "to be read again" in client.get(path).text
        shown = client.get(f"{path}/{shared.key}").text
        assert "to be read again. fret 7" in shown
    assert dossiers.verify().sound


@pytest.mark.slow
def test_a_certificate_stays_that_of_the_verdict_that_was_released(
    team: tuple[Dossiers, dict[str, TestClient]],
) -> None:
    """It was worked out again by whatever plan was the newest, which nobody had released."""
    dossiers, browsers = team
    shared = share_lot(dossiers, "lot 7", PARTNER, [SERIALS[2]])
    dossier, partner = dossiers.named(SERIALS[2]), browsers[PARTNER]
    place = f"/lots/{shared.key}/{dossier}/certificate.html"
    released = partner.get(place).text
    assert "Conforms" in released
    form = {"method": "spot", "attack_percent": "300"}
    assert post(browsers["manager"], f"/instruments/{dossier}/plan/take", **form)[0] == 303
    assert [one.kind for one in dossiers.show(dossier).entries][-1] == "plan"
    assert partner.get(place).text == released
    inside = browsers["manager"].get(f"/instruments/{dossier}/certificate.html").text
    assert inside == released
    unproved = f"/instruments/{dossiers.named(SERIALS[1])}"
    assert "Verdict: " in browsers["manager"].get(f"{unproved}/proof").text
    early = browsers["manager"].get(f"{unproved}/certificate.html")  # no verdict was released
    assert early.status_code == 422
    assert "No verdict on the newest readings is filed yet" in early.text


@pytest.mark.slow
def test_a_lot_is_not_accepted_by_a_verdict_that_no_longer_stands(
    team: tuple[Dossiers, dict[str, TestClient]],
) -> None:
    dossiers, browsers = team
    shared = share_lot(dossiers, "lot 7", PARTNER, [SERIALS[2]])
    partner, place = browsers[PARTNER], f"/lots/{shared.key}"
    (seen,) = set(re.findall(r'name="seen" (?:value|content)="([^"]+)"', partner.get(place).text))
    dossier = dossiers.named(SERIALS[2])
    proof = next(one for one in dossiers.archive.entries(dossier) if one.kind == "proof")
    assert proof.facts is not None
    facts = {**json.loads(proof.facts), "status": "does not conform", "content_hash": "0" * 64}
    dossiers.archive.file(dossier, [Filing("proof", facts, corrects=proof.hash)])
    mark = re.findall(r'name="csrf" content="(\w+)"', partner.get("/settings").text)[0]
    form = {"says": "accepted", "seen": seen, "csrf": mark}
    late = partner.post(f"{place}/answer", data=form, headers={"accept": "text/html"})
    assert late.status_code == 412
    assert "UY-0417 (invented): does not conform" in late.text
    (now,) = set(re.findall(r'name="seen" (?:value|content)="([^"]+)"', late.text))
    for version, status in ((seen, 412), (now, 303)):
        reason = "a \u202e b"
        again = post(partner, f"{place}/answer", says="read again", reason=reason, seen=version)
        assert again[0] == status
    assert str(dossiers.show(SERIALS[2]).entries[-1].said).endswith("lot 7: a b")


@pytest.mark.slow
def test_what_somebody_shared_meanwhile_is_not_replaced(
    team: tuple[Dossiers, dict[str, TestClient]],
) -> None:
    dossiers, browsers = team
    manager = browsers["manager"]
    (seen,) = re.findall(r'name="seen" content="(\w+)"', manager.get("/shared").text)
    long = share_lot(dossiers, f" {'lot 7 ' * 40}", PARTNER, [SERIALS[2]])
    assert long in SharedLots(dossiers.archive).of(PARTNER)
    SharedLots(dossiers.archive).withdraw(long.key)
    shared = share_lot(dossiers, "lot 7", PARTNER, [SERIALS[2]])
    form = {"lot": "lot 7", "partner": PARTNER, "names": SERIALS[1], "seen": seen}
    assert post(manager, "/shared", **form)[0] == 412
    assert post(manager, f"/shared/{shared.key}/withdraw", seen="0" * 16)[0] == 412
    assert post(manager, f"/shared/{shared.key}/withdraw", seen=shared.version)[0] == 303
    assert not SharedLots(dossiers.archive).of()


def test_to_take_back_a_lot_needs_the_right_to_judge_one(
    team: tuple[Dossiers, dict[str, TestClient]],
) -> None:
    dossiers, browsers = team
    dossier, _, entry = lots(dossiers, PARTNER, (0, 3)).partition(":")
    shop = browsers["manager"].app.state.shop  # type: ignore[attr-defined]
    asked = workshop.NoteRequest(dossier, "Typed wrongly.", corrects=entry)
    assert _rights_of(shop, asked, []) == {"release"}
    dossiers.note(asked)
    here = lots_of(dossiers.archive, OURS, "Tesquil", PARTNER)
    assert here is not None
    assert [lot.name for lot in here.lots] == ["Q-0"]
    again = keep_lot(dossiers, here, lot_to_keep("Q-1", 90, (0,)))
    assert again.lots[-1].decision == "accepted"


@pytest.mark.slow
def test_a_lot_is_not_judged_by_the_sample_of_another_state(
    team: tuple[Dossiers, dict[str, TestClient]],
) -> None:
    dossiers, browsers = team
    manager = browsers["manager"]
    lots(dossiers, PARTNER, (3,))
    ask = {"supplier": OURS, "model": "Tesquil", "receiver": PARTNER, "pieces": "90"}
    page = manager.get("/judged", params=ask).text
    (sample,) = re.findall(r'name="sample" value="([\d ]+)"', page)
    there = lots_of(dossiers.archive, OURS, "Tesquil", PARTNER)
    assert there is not None
    keep_lot(dossiers, there, lot_to_keep("Q-1", 90, (3,)))  # meanwhile: tightened
    form = ask | {"name": "Q-9", "found": "0"}
    status, text = post(manager, "/judged", **form, sample=sample)
    assert status == 422
    assert "Ask for the sample again" in text
    here = lots_of(dossiers.archive, OURS, "Tesquil", PARTNER)
    assert here is not None
    assert [lot.name for lot in here.lots] == ["Q-0", "Q-1"]
    page = manager.get("/judged", params=ask).text
    (sample,) = re.findall(r'name="sample" value="([\d ]+)"', page)
    assert post(manager, "/judged", **form, sample=sample)[0] == 303


@pytest.mark.slow
def test_limits_keep_the_unit_that_they_were_typed_in(
    team: tuple[Dossiers, dict[str, TestClient]],
) -> None:
    _, browsers = team
    manager = browsers["manager"]
    ask = {"supplier": OURS, "model": "Tesquil", "pieces": "90", "unit": "in"}
    ask |= {"quantity": "relief", "lower": "0.004", "upper": "0,012"}
    asked = manager.get("/judged", params=ask).text  # by a page that shows mm
    assert asked.count('type="hidden" name="unit" value="in"') == 2
    assert "Lower limit, in<" in asked
    agreed = Asked.read(ask, "mm").request()
    assert (agreed.lower_mm, agreed.upper_mm) == pytest.approx((0.1016, 0.3048))
    margin = Asked.read({**ask, "quantity": "margin", "lower": "5", "upper": ""}, "mm")
    assert margin.request().lower_mm == pytest.approx(5.0)
    assert Asked.read({"unit": "yard"}, "in").unit == "in"


def test_who_received_a_lot_says_what_became_of_it(
    team: tuple[Dossiers, dict[str, TestClient]],
) -> None:
    dossiers, browsers = team
    manager = browsers["manager"]
    dossier, _, entry = lots(dossiers, "", (3,)).partition(":")
    theirs = lots(dossiers, PARTNER, (3,)).replace(":", "/")  # for its receiver to say
    place = f"/judged/{dossier}/{entry}/answer"
    page = manager.get("/judged").text
    assert page.count("What became of it?") == 1
    assert f'action="{place}"' in page
    (seen,) = re.findall(rf'action="{place}">.*?name="seen" value="(\w+)"', page)
    assert post(browsers[PARTNER], place, says="sent back", reason="Buzzes.")[0] == 403
    for where, form, status in (
        (f"/judged/{theirs}/answer", {"says": "sent back", "reason": "Buzzes."}, 422),
        (place, {"says": "sent back"}, 422),  # why?
        (place, {"says": "sent back", "reason": "Buzzes.", "seen": "older"}, 412),
        (place, {"says": "sent back", "reason": "Buzzes.", "seen": seen}, 303),
        (place, {"says": "accepted", "seen": seen}, 422),  # it is settled
    ):
        assert post(manager, where, **form)[0] == status, form
    here = lots_of(dossiers.archive, OURS, "Tesquil", "")
    assert here is not None
    assert here.refused is None
    assert [(one.answer, one.reason) for one in here.lots[0].answers] == [("sent back", "Buzzes.")]
    assert "sent back: Buzzes." in manager.get("/judged").text


def test_a_supplier_sees_that_a_shared_lot_was_sent_back(
    team: tuple[Dossiers, dict[str, TestClient]],
) -> None:
    """What its receiver filed of it stood in the kept lot alone."""
    dossiers, browsers = team
    manager, supplier = browsers["manager"], browsers[PARTNER]
    kept = proposed(agreement(PARTNER, "Tesquil", aql_percent=4.0), None)
    kept = keep_lot(dossiers, kept, lot_to_keep("Q-0", 90, (3,), person=PERSONS[0]))
    kept = keep_lot(dossiers, kept, lot_to_keep("Q-1", 90, (3,), person=PERSONS[0]))
    entries = [f"{kept.dossier}:{lot.entry}" for lot in kept.lots]
    before = {share_lot(dossiers, "", PARTNER, (), kept=one).lot: one for one in entries}
    shared = {one.lot: one for one in SharedLots(dossiers.archive).of(PARTNER)}
    assert before.keys() == shared.keys() == {"Q-0", "Q-1"}
    place = f"/judged/{entries[1].replace(':', '/')}/answer"
    assert post(manager, place, says="sent back", reason="Buzzes.")[0] == 303
    after = {one.lot: one for one in SharedLots(dossiers.archive).of(PARTNER)}
    assert after["Q-0"] == shared["Q-0"]
    assert after["Q-1"].version != shared["Q-1"].version
    for client, path in ((manager, "/shared"), (supplier, "/lots")):
        assert ANSWERS["sent back"] in client.get(path).text
        assert ANSWERS["sent back"] in client.get(f"{path}/{shared['Q-1'].key}").text
        assert "not answered yet" in client.get(f"{path}/{shared['Q-0'].key}").text


def test_a_manager_judges_lots_on_a_page_and_sees_whose_they_are(
    team: tuple[Dossiers, dict[str, TestClient]],
) -> None:
    dossiers, browsers = team
    manager, partner = browsers["manager"], browsers[PARTNER]
    assert partner.get("/judged").status_code == 403
    ask = {"supplier": OURS, "model": "Tesquil", "receiver": PARTNER, "pieces": "90", "aql": "4"}
    asked = manager.get("/judged", params=ask).text
    assert "Inspect 20 pieces" not in asked  # letter E: 13
    assert "Inspect 13 pieces: accept at 1 nonconforming or fewer" in asked
    assert lots_of(dossiers.archive, OURS, "Tesquil", PARTNER) is None
    (seen,) = re.findall(r'name="seen" content="(\w+)"', asked)
    assert post(manager, "/judged", **ask, name="L-1", found="3", seen=seen)[0] == 303
    assert post(manager, "/judged", **ask, name="L-2", found="0", seen=seen)[0] == 412
    shown = manager.get("/judged").text
    assert "not accepted" in shown
    assert "this workplace" in shown
    again = post(manager, "/judged", **ask, name="L-1", found="0")
    assert again[0] == 422
    assert "was judged already" in again[1]
    assert post(manager, "/judged", **ask, name="L-2", found="0", seen="x")[0] == 412
    assert post(manager, "/judged", **ask, name="L-2", found="none")[0] == 422
    many = post(manager, "/judged", **ask, name="L-2", found="0 0 0", sample="13")
    assert "The plan has 1 stage, but 3 numbers were given." in many[1]
    for terms, said in (
        ({"aql": "10"}, "The agreement of these lots says 4, not 10."),
        ({"quantity": "relief"}, "says none, not relief."),
        ({"sigma": "0.02"}, "says none, not 0.02."),
    ):
        assert said in manager.get("/judged", params={**ask, **terms}).text
        refused = post(manager, "/judged", **{**ask, **terms}, name="L-2", found="0")
        assert refused[0] == 422
        assert said in refused[1]
    wrong = manager.get("/judged", params={**ask, "model": "New", "aql": "0.7"})
    assert wrong.status_code == 422
    assert "There is no table for an acceptance quality limit of 0.7 %" in wrong.text
    here = lots_of(dossiers.archive, OURS, "Tesquil", PARTNER)
    assert here is not None
    (lot,) = here.lots
    assert lot.person == PERSONS[0]
    report = manager.get(f"/judged/{here.dossier}/{lot.entry}.pdf")
    assert report.content.startswith(b"%PDF")
    assert manager.get(f"/judged/{here.dossier}/{'0' * 64}.pdf").status_code == 422
