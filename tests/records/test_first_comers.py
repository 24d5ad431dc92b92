"""Two who open, share or answer the same at one instant: one is first, and nothing is there twice.

What happens between looking and filing is made to happen, on both engines; two processes that
really race are a slow test of their own.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import evenfall as ef
from evenfall.errors import ChangedError, RequestError
from evenfall.records.archive import NOTHING
from evenfall.records.shared_lots import SharedLots, version_of_shared
from evenfall.workshop.archives import Dossiers
from evenfall.workshop.kept_charts import act_on, acts_on
from evenfall.workshop.kept_lots import all_lots, lots_of
from evenfall.workshop.lot_keeping import agreement, keep_lot, proposed
from evenfall.workshop.partner_lots import LotSeen, answer_shared, lot_seen, share_lot
from kept_lots import lot_to_keep

STORED = Path(__file__).parent / "files"
PLAN = ef.Source(str(STORED / "tesquil-settled.plan@1.json"))
MEASUREMENT = ef.Source(str(STORED / "tesquil-settled.measurement@1.json"))
SUPPLIER, MODEL, PARTNER = "Ulqor Yard (invented)", "Tesquil (invented)", "Quandlemere"
FROZEN = {
    "act": "frozen",
    "point": "1",
    "at": "2026-05-04T08:00:00.000000Z",
    "asked": "{}",
    "reason": "settled",
}


@pytest.fixture
def two(new_address: Callable[[str], str]) -> Iterator[tuple[Dossiers, Dossiers]]:
    """Return one archive, open twice as in two processes."""
    address = new_address("first")
    with ef.archive(address, make=True) as one:
        one.archive  # noqa: B018 (made now)
        with ef.archive(address) as other:
            yield one, other


def meanwhile(
    dossiers: Dossiers, monkeypatch: pytest.MonkeyPatch, do: Callable[[], object]
) -> None:
    """Have something happen once, right after somebody looked for a name."""
    look, left = dossiers.archive.named, [do]

    def named(name: str, **more: Any) -> tuple[str, ...]:
        found = look(name, **more)
        if left:
            left.pop()()
        return found

    monkeypatch.setattr(dossiers.archive, "named", named)


@pytest.mark.slow
@pytest.mark.parametrize(
    "request_",
    [
        ef.AddRequest((PLAN,), serial="UY-0417"),
        ef.AddRequest((PLAN,)),
        ef.AddRequest((ef.Source.invented("tesquil.spec.toml"),)),
        ef.AddRequest(serial="UY-0417", name="Tesquil"),
    ],
    ids=["serial", "documents", "model", "bare serial"],
)
def test_what_is_opened_at_the_same_instant_is_one_dossier(
    request_: ef.AddRequest, two: tuple[Dossiers, Dossiers], monkeypatch: pytest.MonkeyPatch
) -> None:
    one, other = two
    first: list[str] = []
    meanwhile(one, monkeypatch, lambda: first.append(other.add(request_).line.dossier))
    added = one.add(request_)
    assert [added.line.dossier] == first == list(one.archive.dossiers())
    assert "opened" not in added.new


def test_who_saw_nothing_of_a_number_is_told_who_was_first(
    two: tuple[Dossiers, Dossiers], monkeypatch: pytest.MonkeyPatch
) -> None:
    one, other = two
    asked = ef.AddRequest((PLAN,), serial="UY-0417", person="M. Tessquin", since=NOTHING)
    first: list[str] = []
    meanwhile(one, monkeypatch, lambda: first.append(other.add(asked).line.dossier))
    with pytest.raises(ChangedError, match=r"opened at .* by M\. Tessquin") as raised:
        one.add(asked)
    assert raised.value.said.values["dossier"] == first[0]
    assert list(one.archive.dossiers()) == first


def test_two_makers_may_use_one_number(
    two: tuple[Dossiers, Dossiers], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A word of another name is no conflict, and who says that it is a new one is believed."""
    one, other = two
    meanwhile(
        one,
        monkeypatch,
        lambda: other.add(ef.AddRequest(subject="gauge", name="dial 417")),
    )
    added = one.add(ef.AddRequest((PLAN,), serial="417"))
    assert added.new[0] == "opened"
    assert one.add(ef.AddRequest((PLAN,), serial="417", new=True)).line != added.line


def test_the_first_act_on_a_chart_opens_it_once(
    two: tuple[Dossiers, Dossiers], monkeypatch: pytest.MonkeyPatch
) -> None:
    one, other = two
    meanwhile(one, monkeypatch, lambda: act_on(other.archive, "relief (proof)", FROZEN))
    act_on(one.archive, "relief (proof)", {**FROZEN, "point": "2"})
    assert len(acts_on(one.archive, "relief (proof)")) == 2
    assert len(list(one.archive.dossiers())) == 1


def test_who_saw_no_chart_is_told_of_it(
    two: tuple[Dossiers, Dossiers], monkeypatch: pytest.MonkeyPatch
) -> None:
    one, other = two
    meanwhile(one, monkeypatch, lambda: act_on(other.archive, "relief (proof)", FROZEN))
    with pytest.raises(ChangedError, match=r"opened .* meanwhile") as raised:
        act_on(one.archive, "relief (proof)", FROZEN, since=NOTHING)
    assert [raised.value.said.values["dossier"]] == list(one.archive.dossiers())


def test_the_first_lot_of_a_supplier_is_judged_once(
    two: tuple[Dossiers, Dossiers], monkeypatch: pytest.MonkeyPatch
) -> None:
    one, other = two
    none_yet = proposed(agreement(SUPPLIER, MODEL), None)
    meanwhile(one, monkeypatch, lambda: keep_lot(other, none_yet, lot_to_keep("L-1", 500, (3,))))
    with pytest.raises(ChangedError, match=r"opened .* meanwhile"):
        keep_lot(one, none_yet, lot_to_keep("L-2", 500, (0,)))
    with pytest.raises(ChangedError, match=r"opened .* meanwhile") as raised:  # a page of long ago
        keep_lot(one, none_yet, lot_to_keep("L-2", 500, (0,)))
    (kept,) = all_lots(one.archive)
    assert raised.value.said.values["dossier"] == kept.dossier
    assert [lot.name for lot in kept.lots] == ["L-1"]
    there = lots_of(one.archive, SUPPLIER, MODEL)
    assert there is not None
    assert len(keep_lot(one, there, lot_to_keep("L-2", 500, (0,))).lots) == 2


# ---- lots that are shared ------------------------------------------------------------------------


def instruments(dossiers: Dossiers) -> list[str]:
    return [
        dossiers.add(ef.AddRequest(serial=f"UY-{n}", name="Tesquil")).line.dossier for n in (1, 2)
    ]


def test_a_lot_is_shared_withdrawn_and_answered_only_as_it_was_seen(
    two: tuple[Dossiers, Dossiers], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody else changes it after the page was made and before the change is written."""
    one, other = two
    names = instruments(one)
    lots = SharedLots(one.archive)

    def shared_again() -> None:
        share_lot(other, "lot 7", PARTNER, names[:1])

    share_lot(one, "lot 7", PARTNER, names)
    page = version_of_shared(lots.of())
    meanwhile(one, monkeypatch, shared_again)
    with pytest.raises(ChangedError, match="since you looked"):
        share_lot(one, "lot 7", PARTNER, names, seen=page)
    (lot,) = lots.of()
    assert lot.dossiers == tuple(names[:1])

    shown = lot_seen(one, lot.key, PARTNER)
    shared_again()
    for seen in ("", shown.shared.version):
        with pytest.raises(ChangedError, match="changed meanwhile"):
            answer_shared(one, shown, "read again", reason="fret 7", seen=seen)
    with pytest.raises(ChangedError, match="changed meanwhile"):
        lots.withdraw(lot.key, seen=shown.shared.version)
    assert [entry.kind for entry in one.archive.entries(names[0])] == ["opened", "alias"]
    shown = lot_seen(one, lot.key, PARTNER)
    answer_shared(one, shown, "read again", reason="fret 7", seen=shown.shared.version)
    with pytest.raises(ChangedError, match="changed meanwhile"):  # a colleague's answer
        answer_shared(other, shown, "read again", reason="no", seen=shown.shared.version)
    assert [entry.kind for entry in one.archive.entries(names[0])].count("note") == 1
    lots.withdraw(lot.key, seen=lots.of()[0].version)
    with pytest.raises(RequestError, match="no such lot"):
        lots.withdraw(lot.key)


def test_an_answer_is_filed_whole_or_not_at_all(two: tuple[Dossiers, Dossiers]) -> None:
    """The state of inspection, the answer and every story go together."""
    one, other = two
    names = instruments(one)
    kept = keep_lot(one, proposed(agreement(SUPPLIER, MODEL, receiver=PARTNER), None), L1)
    share_lot(one, "", PARTNER, names, kept=f"{kept.dossier}:{kept.lots[0].entry}")
    shown = lot_seen(one, SharedLots(one.archive).of()[0].key, PARTNER)
    keep_lot(other, kept, lot_to_keep("L-2", 500, (0,)))
    with pytest.raises(ChangedError):
        answer_shared(one, shown, "read again", reason="fret 7")
    assert SharedLots(one.archive).of()[0].answer == ""
    assert [entry.kind for entry in one.archive.entries(names[0])] == ["opened", "alias"]
    shown = lot_seen(one, shown.shared.key, PARTNER)
    answer_shared(one, shown, "read again", reason="fret 7")
    assert SharedLots(one.archive).of()[0].answer == "read again"
    shown = lot_seen(one, shown.shared.key, PARTNER)
    with pytest.raises(RequestError, match="Say why the lot is sent back"):
        answer_shared(one, shown, "sent back")
    answer_shared(one, shown, "sent back", reason="dents")
    (lots,) = all_lots(one.archive)
    assert [one.answer for one in lots.lots[0].answers] == ["read again", "sent back"]
    assert str(one.show(names[1]).entries[-1].said) == f"{PARTNER} sends lot L-1 back: dents"
    assert one.verify().sound


def test_who_made_a_lot_does_not_send_it_back(two: tuple[Dossiers, Dossiers]) -> None:
    one, _ = two
    kept = keep_lot(one, proposed(agreement(SUPPLIER, MODEL, receiver=PARTNER), None), L1)
    share_lot(one, "", SUPPLIER, (), kept=f"{kept.dossier}:{kept.lots[0].entry}")
    shown = lot_seen(one, SharedLots(one.archive).of()[0].key, SUPPLIER)
    with pytest.raises(RequestError, match="Who made a lot cannot send it back"):
        answer_shared(one, shown, "sent back", reason="dents")
    assert shown.kept is not None
    assert shown.may_be_taken == (shown.kept.decision == "accepted")
    refused = keep_lot(one, kept, lot_to_keep("L-9", 500, (9,)))
    share_lot(one, "", SUPPLIER, (), kept=f"{refused.dossier}:{refused.lots[-1].entry}")
    (key,) = (lot.key for lot in SharedLots(one.archive).of() if lot.lot == "L-9")
    with pytest.raises(RequestError, match="not by whoever made it"):
        answer_shared(one, lot_seen(one, key, SUPPLIER), "accepted")
    (lots,) = all_lots(one.archive)
    assert lots.refused is not None
    with pytest.raises(RequestError, match="Words are at most 2000 characters"):
        answer_shared(one, shown, "read again", reason="dents " * 400)


def test_a_lot_is_accepted_by_verdicts_that_stand_in_that_moment(
    two: tuple[Dossiers, Dossiers],
) -> None:
    """A verdict that was corrected between look and answer was accepted, whatever it says now."""
    one, other = two
    names = instruments(one)
    share_lot(one, "lot 7", PARTNER, names)
    key = SharedLots(one.archive).of()[0].key

    def released() -> LotSeen:
        shown = lot_seen(one, key, PARTNER)
        proved = tuple(replace(each, verdict="conforms") for each in shown.instruments)
        return replace(shown, instruments=proved)

    shown = released()
    other.note(ef.NoteRequest(names[1], "The proof is of another neck."))
    with pytest.raises(ChangedError, match="changed meanwhile"):
        answer_shared(one, shown, "accepted")
    assert SharedLots(one.archive).of()[0].answer == ""
    answer_shared(one, released(), "accepted")
    assert SharedLots(one.archive).of()[0].answer == "accepted"
    assert one.verify().sound


L1 = lot_to_keep("L-1", 500, (0,))


# ---- two processes -------------------------------------------------------------------------------

ROUNDS = 20


def _opens_many(address: str, settings: str, start: Any) -> None:
    import os

    os.environ["EVENFALL_SETTINGS"] = settings
    with ef.archive(address) as dossiers:
        for number in range(ROUNDS):
            start.wait()
            dossiers.add(ef.AddRequest((MEASUREMENT,), serial=f"UY-{number:04}"))
            act_on(dossiers.archive, f"relief {number}", FROZEN)


@pytest.mark.slow
def test_two_processes_that_open_the_same_at_once_open_it_once(
    new_address: Callable[[str], str], settings: Path
) -> None:
    address = new_address("race")
    with ef.archive(address, make=True) as dossiers:
        dossiers.archive  # noqa: B018 (made now)
    context = multiprocessing.get_context("spawn")
    start = context.Barrier(2)
    given = (address, str(settings), start)
    racing = [context.Process(target=_opens_many, args=given) for _ in range(2)]
    for one in racing:
        one.start()
    for one in racing:
        one.join()
        assert one.exitcode == 0
    with ef.archive(address) as dossiers:
        lines = dossiers.lines(list(dossiers.archive.dossiers()))
        assert (
            sorted(line.subject for line in lines) == ["chart"] * ROUNDS + ["instrument"] * ROUNDS
        )
        assert all(len(acts_on(dossiers.archive, f"relief {n}")) == 2 for n in range(ROUNDS))
        assert dossiers.verify().sound
