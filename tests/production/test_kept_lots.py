"""Lots kept in an archive: the state follows from them, here and at the other side."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from evenfall import workshop
from evenfall.cli import main
from evenfall.errors import ChangedError, EvenfallError, RequestError
from evenfall.production.aql_tables import plan_of
from evenfall.production.skip_lots import Qualification
from evenfall.records import Filing
from evenfall.workshop import Source
from evenfall.workshop.archives import Dossiers
from evenfall.workshop.kept_lots import KeptLots, all_lots, lots_of
from evenfall.workshop.lot_judging import JudgeRequest
from evenfall.workshop.lot_keeping import agreement, answer_lot, keep_lot, proposed
from evenfall.workshop.lot_reports import lot_report, next_said, shown_lots
from evenfall.workshop.lots import LotRecord
from kept_lots import lot_to_keep
from pictures.drawing import faults

SUPPLIER, MODEL, RECEIVER = "Tessque Row", "Tesquil", "Ulqor Yard"
DAY = "2026-03-{:02d}"


@pytest.fixture
def dossiers(tmp_path: Path) -> Iterator[Dossiers]:
    """Return an empty archive."""
    with workshop.archive(str(tmp_path / "archive"), make=True) as made:
        yield made


def instrument(
    dossiers: Dossiers, serial: str, *, relief_mm: float = 0.2, good: bool = True
) -> str:
    """File an instrument with a proof, and return its number."""
    facts = {
        "content_hash": serial.encode().hex().rjust(64, "0")[:64],
        "schema": "evenfall/proof@1",
        "specification": "",
        "status": "conforms" if good else "does not conform",
        "relief_mm": relief_mm,
    }
    dossiers.archive.file(
        None,
        [
            Filing("opened", {"subject": "instrument", "name": MODEL}),
            Filing("alias", {"sort": "serial", "value": serial}),
            Filing("proof", facts),
        ],
    )
    return serial


def begun(**terms: object) -> KeptLots:
    return proposed(agreement(SUPPLIER, MODEL, receiver=RECEIVER, **terms), None)  # type: ignore[arg-type]


def kept(dossiers: Dossiers, lots: KeptLots, numbers: list[int], **more: object) -> KeptLots:
    """Keep lots of 500, each with so many found, one a day."""
    for found in numbers:
        n = len(lots.every) + 1
        lot = lot_to_keep(f"L-{n}", 500, (found,), done=DAY.format(n), **more)  # type: ignore[arg-type]
        lots = keep_lot(dossiers, lots, lot)
    return lots


def refused(dossiers: Dossiers, lots: KeptLots, lot: JudgeRequest) -> str:
    before = dossiers.archive.newest(500)
    with pytest.raises(RequestError) as error:
        keep_lot(dossiers, lots, lot)
    assert dossiers.archive.newest(500) == before
    return error.value.sentence


@pytest.mark.parametrize("name", ["supplier", "model", "receiver"])
def test_a_name_without_end_is_called_so(name: str) -> None:
    asked = {"supplier": SUPPLIER, "model": MODEL, "receiver": RECEIVER}
    with pytest.raises(RequestError, match="one line of at most 200 printable char") as error:
        agreement(**{**asked, name: "x" * 100_000})
    assert error.value.at.field == name


def test_a_lot_s_name_and_reason_without_end_are_called_so(dossiers: Dossiers) -> None:
    lots = begun()
    assert "at most 100 printable" in refused(dossiers, lots, lot_to_keep("x" * 101, 500, (0,)))
    endless = "x" * 2001
    lot = lot_to_keep("L-1", 500, (0,), reason=endless)
    assert "Words are at most 2000 characters" in refused(dossiers, lots, lot)
    with pytest.raises(RequestError, match="Words are at most 2000 characters"):
        begun(reason=endless)


def test_the_state_follows_from_the_lots_in_their_order(dossiers: Dossiers) -> None:
    lots = kept(dossiers, begun(), [3, 0, 2])
    assert lots.switching.state == "tightened"
    assert [lot.after.state for lot in lots.lots] == ["normal", "normal", "tightened"]
    lots = kept(dossiers, lots, [0] * 5)
    assert lots.switching.state == "normal"
    assert lots.lots[-1].state == "tightened"
    again = lots_of(dossiers.archive, SUPPLIER, MODEL, RECEIVER)
    assert again is not None
    assert again.values() == lots.values()
    assert lots_of(dossiers.archive, SUPPLIER, MODEL) is None
    assert all(lot.signed_by and lot.follows for lot in lots.lots)


def test_a_report_names_the_agreement_that_the_lot_was_judged_by(dossiers: Dossiers) -> None:
    lots = kept(dossiers, begun(aql_percent=1.5), [0])
    made = agreement(SUPPLIER, MODEL, receiver=RECEIVER, aql_percent=4.0, reason="other wire")
    lots = kept(dossiers, proposed(made, lots), [0])
    pages = [lot_report(lots, lot, "html", unit="mm").decode() for lot in lots.every]
    pages = [re.sub(r"<[^>]*>|\s|&nbsp;", "", page) for page in pages]
    assert ["Qualitylimit1.5%" in page for page in pages] == [True, False]
    assert ["Qualitylimit4%" in page for page in pages] == [False, True]


def test_without_a_key_no_lot_is_filed(
    dossiers: Dossiers, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "settings").mkdir()
    (tmp_path / "settings" / "signing-key").write_text("no key")
    monkeypatch.setattr("evenfall.records.signing.settings_folder", lambda: tmp_path / "settings")
    (tmp_path / "settings" / "signing-key").chmod(0o600)
    with pytest.raises(EvenfallError):
        kept(dossiers, begun(), [0])
    assert not dossiers.archive.newest()


def test_a_lot_of_a_day_to_come_is_refused(dossiers: Dossiers) -> None:
    lots = kept(dossiers, begun(), [0])
    said = refused(dossiers, lots, lot_to_keep("L-2", 500, (0,), done="2199-01-01"))
    assert "2199-01-01, which is still to come" in said


def test_terms_other_than_the_agreement_are_one_sentence(tmp_path: Path) -> None:
    at = ("lot", "--archive", tmp_path / "a", "--supplier", SUPPLIER, "--model", MODEL)
    first = run(*at, "--pieces", 500, "--found", 0, "--name", "L-1", "--aql", 1.5)
    assert first.exit_code == 0, first.output
    for terms, said in (
        (("--aql", 1), "The agreement of these lots says 1.5, not 1"),
        (("--level", "III"), "says II, not III"),
        (("--sort", "double"), "says single, not double"),
        (("--one-in", 3), "says 1, not 3"),
        (("--sample", 20), "is 50 pieces, and not 20"),
    ):
        done = run(*at, "--pieces", 500, "--found", 0, "--name", "L-2", *terms)
        assert done.exit_code == 2, done.output
        assert said in " ".join(done.output.split())
    done = run(*at, "--pieces", 500, "--found", 0, "--name", "L-2", "--aql", 1.5, "--level", "II")
    assert done.exit_code == 0, done.output
    record = tmp_path / "record.json"
    assert run("lot", "--pieces", 500, "--record", record, "--found", 0).exit_code == 0
    done = run("lot", "--pieces", 500, "--record", record, "--found", 0, "--aql", 4)
    assert done.exit_code == 2
    assert "says 1, not 4" in " ".join(done.output.split())


def test_lots_are_found_however_the_supplier_is_written(dossiers: Dossiers) -> None:
    lots = kept(dossiers, begun(), [3, 3])
    there = lots_of(dossiers.archive, SUPPLIER.upper(), f" {MODEL}", RECEIVER.lower())
    assert there is not None
    assert there.dossier == lots.dossier
    assert [one.dossier for one in all_lots(dossiers.archive)] == [lots.dossier]


def test_a_lot_comes_once_in_its_order_and_whole(dossiers: Dossiers) -> None:
    lots = kept(dossiers, begun(), [0, 0])
    again = refused(dossiers, lots, lot_to_keep("l-1", 500, (0,)))
    assert "was judged already, accepted on 2026-03-01" in again
    early = refused(dossiers, lots, lot_to_keep("L-3", 500, (0,), done=DAY.format(1)))
    assert 'comes before lot "L-2" of 2026-03-02' in early
    no_day = refused(dossiers, lots, lot_to_keep("L-3", 500, (0,), done="2026-13-40"))
    assert '"2026-13-40" is not a day or time' in no_day
    few = instrument(dossiers, "UY-1")
    said = refused(dossiers, lots, lot_to_keep("L-3", 500, instruments=(few,)))
    assert 'The sample of lot "L-3" is 50 instruments, and 1 were named' in said
    assert "51 nonconforming" in refused(dossiers, lots, lot_to_keep("L-3", 500, (51,)))
    assert "Name the lot" in refused(dossiers, lots, lot_to_keep(" ", 500, (0,)))
    assert "Say how many" in refused(dossiers, lots, lot_to_keep("L-3", 500))
    assert "is to be inspected" in refused(dossiers, lots, lot_to_keep("L-3", 500, skipped=True))
    stale = lots
    kept(dossiers, lots, [0])
    with pytest.raises(ChangedError):  # somebody else judged one meanwhile
        keep_lot(dossiers, stale, lot_to_keep("L-9", 500, (0,)))


def test_proofs_say_what_of_a_sample_does_not_conform(dossiers: Dossiers) -> None:
    names = [instrument(dossiers, f"UY-{n}", good=n != 4) for n in range(1, 6)]
    lots = begun(aql_percent=2.5)
    said = refused(dossiers, lots, lot_to_keep("L-1", 40, (0,), instruments=tuple(names)))
    assert "Nonconforming by their proofs: 1 of 5 instruments, not 0." in said
    lots = keep_lot(dossiers, lots, lot_to_keep("L-1", 40, instruments=tuple(names)))
    assert (lots.lots[0].found, lots.lots[0].decision) == ((1,), "not accepted")
    said = refused(dossiers, lots, lot_to_keep("L-2", 40, instruments=tuple(names)))
    assert '"UY-1" is counted already, in lot "L-1"' in said
    dossiers.archive.file(
        None,
        [
            Filing("opened", {"subject": "instrument", "name": MODEL}),
            Filing("alias", {"sort": "serial", "value": "UY-9"}),
        ],
    )
    more = [instrument(dossiers, f"UY-1{n}") for n in range(4)]
    said = refused(dossiers, lots, lot_to_keep("L-2", 40, instruments=(*more, "UY-9")))
    assert "Not proved yet: UY-9." in said
    dossiers.add(workshop.AddRequest(subject="gauge", name="dial 3"))
    said = refused(dossiers, lots, lot_to_keep("L-2", 40, instruments=("dial 3",)))
    assert "is no Tesquil" in said


@pytest.mark.slow
@pytest.mark.parametrize("sigma_mm", [float("nan"), 0.02])
def test_a_measured_lot_is_judged_by_its_proofs(dossiers: Dossiers, sigma_mm: float) -> None:
    method = "s" if np.isnan(sigma_mm) else "sigma"
    lots = begun(method=method, quantity="relief", lower_mm=0.1, upper_mm=0.3, sigma_mm=sigma_mm)
    draw = np.random.default_rng(1)
    for n in range(10):
        size = lots.plan(40).first_count
        reliefs = draw.normal(0.2, 0.02, size)
        names = [
            instrument(dossiers, f"UY-{n}-{k}", relief_mm=r) for k, r in enumerate(reliefs.tolist())
        ]
        lots = keep_lot(dossiers, lots, lot_to_keep(f"L-{n}", 40, instruments=tuple(names)))
        assert lots.lots[-1].measured_mm == pytest.approx(reliefs)
    # ten lots that one limit tighter would have accepted too
    assert lots.switching.state == "reduced"
    assert lots.plan(40).first_count <= size
    said = refused(dossiers, lots, lot_to_keep("L-x", 40, (0,), instruments=()))
    assert "judged by relief, as proofs hold it" in said


def test_a_lot_that_was_taken_all_the_same_or_sent_back_is_settled(dossiers: Dossiers) -> None:
    lots = kept(dossiers, begun(), [0, 3])
    assert lots.refused == lots.lots[-1]
    assert str(next_said(lots)).startswith("Sort lot L-2 or send it back")
    again = answer_lot(dossiers, lots, lots.lots[-1], "read again", party=RECEIVER, reason="fret 7")
    assert again.refused == again.lots[-1]
    back = answer_lot(dossiers, again, again.lots[-1], "sent back", party=RECEIVER, reason="dents")
    taken = answer_lot(dossiers, back, back.lots[-1], "accepted", party=RECEIVER)
    for settled in (back, taken):
        assert settled.refused is None
        assert str(next_said(settled)) == "Inspect the next lot by normal inspection."


@pytest.mark.slow
def test_the_other_side_comes_to_the_same_state(dossiers: Dossiers, tmp_path: Path) -> None:
    lots = kept(dossiers, begun(), [3, 0, 2, 0])
    lots = answer_lot(dossiers, lots, lots.lots[1], "accepted", party=RECEIVER, person="U. Quenlo")
    sent = tmp_path / "sent.zip"
    dossiers.export([lots.dossier], sent, shown="certificates")
    with workshop.archive(str(tmp_path / "other"), make=True) as other:
        other.import_(workshop.Source(str(sent)))
        there = lots_of(other.archive, SUPPLIER, MODEL, RECEIVER)
    assert there is not None
    assert there.values() == lots.values()
    assert [lot.signed_by for lot in there.lots] == [lot.signed_by for lot in lots.lots]
    assert all(lot.signed_by for lot in there.lots)
    assert there.lots[1].answers[0].answer == "accepted"
    assert not any(lot.person for lot in there.lots)
    assert "Quenlo" not in sent.read_bytes().decode("latin-1")


def test_a_decision_that_does_not_follow_is_shown(dossiers: Dossiers) -> None:
    lots = kept(dossiers, begun(), [0])
    facts = {"name": "L-2", "pieces": 500, "found": [9], "measured_mm": [], "instruments": []}
    bent = {**facts, "state": "normal", "decision": "accepted", "reason": ""}
    dossiers.archive.file(lots.dossier, [Filing("lot", bent)])
    there = lots_of(dossiers.archive, SUPPLIER, MODEL, RECEIVER)
    assert there is not None
    assert not there.lots[-1].follows
    assert any("does not follow from its numbers" in f.sentence for f in shown_lots(there).findings)
    assert not there.lots[-1].signed_by


@pytest.mark.slow
def test_a_lot_of_before_stages_were_worked_out_follows(dossiers: Dossiers) -> None:
    """By the single plan of 13; worked out, the first of two stages accepts fewer of 8."""
    lots = begun(aql_percent=4.0, method="double")
    lots = kept(dossiers, lots, [0] * 10)
    assert lots.switching.state == "reduced"
    (one,) = plan_of(500, 4.0, inspection="reduced").stages
    facts = {"name": "L-11", "pieces": 500, "found": [one.accepted_count], "measured_mm": []}
    facts |= {"instruments": [], "state": "reduced", "decision": "accepted", "reason": ""}
    for more, follows in (({}, True), ({"edition": 0}, True), ({"edition": 1}, False)):
        filed = dossiers.archive.file(lots.dossier, [Filing("lot", facts | more)])
        there = lots_of(dossiers.archive, SUPPLIER, MODEL, RECEIVER)
        assert there is not None
        assert there.lots[-1].follows == follows, more
        assert there.lots[-1].looked_count == one.size_count or not follows
        dossiers.note(workshop.NoteRequest(lots.dossier, "again", corrects=filed[0].hash))
    record = LotRecord(SUPPLIER, MODEL, 4.0, "II", "double")
    for n in range(10):
        record = record.with_lot(f"L-{n}", 500, (0,))
    record = record.with_lot("L-11", 500, (one.accepted_count,), first=True)
    assert record.lots[-1].edition == 0
    held = record.file()
    without = json.loads(held)
    del without["lots"][-1]["edition"]
    for content in (held, json.dumps(without).encode()):
        again = LotRecord.read(Source("lots.json", content))
        assert again == record


@pytest.mark.slow
def test_nonconformities_are_counted_over_ten(dossiers: Dossiers) -> None:
    names = [instrument(dossiers, f"UY-{n}", good=n > 2) for n in range(13)]
    lots = begun(aql_percent=15.0)
    said = refused(dossiers, lots, lot_to_keep("L-1", 90, instruments=tuple(names)))
    assert "nonconformities are counted" in said
    said = refused(dossiers, lots, lot_to_keep("L-1", 90, (2,), instruments=tuple(names)))
    assert "Nonconforming by their proofs: 3 of 13 instruments, not 2." in said
    lots = keep_lot(dossiers, lots, lot_to_keep("L-1", 90, (20,), instruments=tuple(names)))
    told = " ".join(one.sentence for one in shown_lots(lots).findings)
    assert "Lot L-1 is not accepted: 20 nonconformities on 13 looked at." in told


def test_a_stopped_supplier_begins_again_with_a_reason(dossiers: Dossiers) -> None:
    lots = kept(dossiers, begun(), [3, 3, 3, 3, 3, 3, 3])
    assert lots.switching.state == "stopped"
    assert "Inspection is stopped" in refused(dossiers, lots, lot_to_keep("L-8", 500, (0,)))
    lots = proposed(agreement(SUPPLIER, MODEL, receiver=RECEIVER, reason="new jig"), lots)
    lots = kept(dossiers, lots, [0])
    assert (lots.switching.state, len(lots.lots), len(lots.earlier)) == ("normal", 1, 7)
    old = lots.after(lots.earlier[2])
    assert (len(old.lots), old.earlier, old.switching.state) == (3, (), "tightened")
    assert "judged already" in refused(dossiers, lots, lot_to_keep("L-1", 500, (0,)))


@pytest.mark.slow
def test_a_qualified_supplier_s_lots_are_drawn(dossiers: Dossiers) -> None:
    lots = begun(one_in=5)
    skipped = 0
    for n in range(40):
        free = lots.may_skip
        skipped += free
        found = () if free else (0,)
        lot = lot_to_keep(f"L-{n}", 500, found, skipped=free)
        before = lots.switching, lots.qualified
        lots = keep_lot(dossiers, lots, lot)
        # neither the state nor the count of lots accepted in a row moves by one that was skipped
        assert (before == (lots.switching, lots.qualified)) is free
        assert free <= (n >= 10)
    assert 10 < skipped < 30
    assert len(lots.lots) == 40
    assert all(lot.state == "skipped" for lot in lots.lots if lot.plan is None)
    assert all(lot.follows for lot in lots.lots)
    while lots.may_skip:
        lots = keep_lot(dossiers, lots, lot_to_keep(f"M-{len(lots.lots)}", 500, skipped=True))
    lots = keep_lot(dossiers, lots, lot_to_keep("N", 500, (9,)))
    assert not lots.qualified.qualified


def test_a_lot_that_was_skipped_without_right_is_shown(dossiers: Dossiers) -> None:
    lots = kept(dossiers, begun(one_in=2), [0])
    facts = {"name": "L-2", "pieces": 500, "found": [], "measured_mm": [], "instruments": []}
    bent = {**facts, "state": "skipped", "decision": "accepted", "reason": ""}
    dossiers.archive.file(lots.dossier, [Filing("lot", bent)])
    there = lots_of(dossiers.archive, SUPPLIER, MODEL, RECEIVER)
    assert there is not None
    assert [lot.follows for lot in there.lots] == [True, False]


def test_tightened_inspection_ends_skipping() -> None:
    now, states = Qualification(), []
    for state in ("normal",) * 10 + ("tightened", "normal"):
        now = now.after("accepted", state)  # type: ignore[arg-type]
        states.append(now.qualified)
    assert states == [*[False] * 9, True, False, False]


# ---- at the door ---------------------------------------------------------------------------------


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["quality", *map(str, arguments)])


def test_lots_at_the_door(tmp_path: Path) -> None:
    archive = tmp_path / "archive"
    ask = ("lot", "--archive", archive, "--supplier", SUPPLIER, "--model", MODEL, "--pieces", 500)
    asked = run(*ask)
    assert asked.exit_code == 0, asked.output
    assert "Inspect 50 pieces" in asked.output
    unnamed = run(*ask, "--found", 0)
    assert unnamed.exit_code == 2
    assert "Name the lot" in unnamed.output
    assert not archive.exists()  # neither asking nor what is refused makes one
    report = tmp_path / "lot.pdf"
    done = run(
        *ask, "--name", "L-1", "--found", 3, "--report", report, "--pictures", tmp_path / "p"
    )
    assert done.exit_code == 1, done.output
    assert "Lot L-1 is not accepted: 3 nonconforming of 50 looked at." in done.output
    assert (
        "Tesquil from Tessque Row. Normal inspection; at a switching score of 30 it is reduced,"
        in done.output
    )
    assert "Sort lot L-1 or send it back; inspect the next lot by normal inspection." in done.output
    assert report.read_bytes().startswith(b"%PDF")
    for name in ("state-over-the-lots", "operating-curve"):
        assert faults((tmp_path / "p" / f"{name}.svg").read_text(encoding="utf-8")) == []
    assert run(*ask, "--name", "L-2", "--found", 2).exit_code == 1
    told = run(*ask)
    assert "Since it began: 0 accepted in a row, 5 end it" in told.output
    assert "Inspect 80 pieces" in told.output
    # the plan of the next lot, not of this one
    assert "tightened inspection: of 500 pieces look at 80 and accept at 1" in told.output
    again = run(*ask, "--name", "L-2", "--found", 0)
    assert again.exit_code == 2
    assert "was judged already" in again.output
    values = json.loads(run(*ask, "--name", "L-3", "--found", 0, "--json").output)
    assert values["state"] == "tightened"
    assert [lot["decision"] for lot in values["lots"]] == ["not accepted"] * 2 + ["accepted"]
    for only in (("--instrument", "UY-1"), ("--report", report), ("--skipped",), ("--by", "Ilva")):
        lone = run("lot", "--pieces", 500, "--found", 0, *only)
        assert lone.exit_code == 2
        assert "Name the archive, the supplier and the model" in lone.output


def test_a_measured_lot_at_the_door_of_an_archive(tmp_path: Path) -> None:
    address = str(tmp_path / "archive")
    with workshop.archive(address, make=True) as dossiers:
        draw = np.random.default_rng(2)
        names = [
            instrument(dossiers, f"UY-{n}", relief_mm=float(r))
            for n, r in enumerate(draw.normal(0.2, 0.02, 4))
        ]
    ask = ("lot-measured", "--archive", address, "--quantity", "relief", "--upper", 0.3)
    ask = (*ask, "--supplier", SUPPLIER, "--model", MODEL, "--pieces", 20)
    asked = run(*ask)
    assert "Measure 4 instruments" in asked.output, asked.output
    done = run(*ask, "--name", "L-1", *(part for n in names for part in ("--instrument", n)))
    assert done.exit_code == 0, done.output
    assert "Lot L-1 is accepted, by relief of 4 instruments." in done.output
    assert run(*ask, "--tightened").exit_code == 2


def test_the_report_says_what_the_page_says(dossiers: Dossiers) -> None:
    terms = agreement(SUPPLIER, f"{MODEL} (invented)", receiver=RECEIVER)
    lots = keep_lot(dossiers, proposed(terms, None), lot_to_keep("L-1", 500, (3,)))
    html = lot_report(lots, lots.lots[0], "html", unit="mm").decode()
    for said in (
        "Lot L-1 is not accepted: 3 nonconforming of 50 looked at.",
        "Signed by the key",
        "invented example",
        "Tesquil (invented) from Tessque Row for Ulqor Yard",
    ):
        assert said in html


def test_what_is_no_agreement_is_one_sentence() -> None:
    for terms, said in (
        ({"method": "s"}, "needs a quantity"),
        ({"method": "s", "quantity": "weight"}, 'Proofs hold no "weight"'),
        ({"method": "s", "quantity": "relief"}, "a lower limit, an upper limit or both"),
        ({"method": "sigma", "quantity": "relief"}, "needs the standard deviation"),
        ({"aql_percent": 0.7}, "no table for an acceptance quality limit of 0.7 %"),
        ({"aql_percent": -1.0}, "no table for an acceptance quality limit of −1 %"),
        ({"method": "thorough"}, 'The method "thorough" is not known'),
        ({"one_in": 9}, "one in 1 to 5 is inspected, not one in 9"),
        (
            {"method": "s", "quantity": "relief", "lower_mm": 0.3, "upper_mm": 0.1},
            "The lower limit 0.300 mm is not under the upper limit 0.100 mm.",
        ),
        (
            {"method": "sigma", "quantity": "relief", "lower_mm": 0.1, "sigma_mm": 0.0},
            "A known standard deviation is more than zero",
        ),
    ):
        with pytest.raises(RequestError) as error:
            agreement(SUPPLIER, MODEL, **terms)  # type: ignore[arg-type]
        assert said in error.value.sentence
    with pytest.raises(RequestError, match="name both"):
        agreement("", MODEL)
