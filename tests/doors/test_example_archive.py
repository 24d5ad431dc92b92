"""The example archive: three invented years, made by the use cases, whole or not at all."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from pathlib import Path

import pytest
from click.testing import CliRunner

from evenfall import workshop
from evenfall.cli import main
from evenfall.errors import Cancelled, RequestError
from evenfall.records.verifying import verify
from evenfall.workshop import Dossiers, invented_years
from evenfall.workshop.invented_years import MODEL, RECEIVER, SUPPLIER
from evenfall.workshop.kept_lots import lots_of
from evenfall.workshop.partner_lots import shared_with

SERIALS = ("UY-0431", "TR-0057", "UY-0438", "TR-0063", "UY-0452", "TR-0071")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("years") / "archive"
    outcome = workshop.example_archive(str(made))
    assert (
        outcome.dossiers == len(SERIALS) + 7
    )  # two gauges, a batch of wire, three guitars in work, lots of a model
    assert [str(step)[:4] for step in outcome.steps] == sorted(str(s)[:4] for s in outcome.steps)
    return made


@pytest.fixture
def dossiers(folder: Path) -> Iterator[Dossiers]:
    with workshop.archive(str(folder)) as opened:
        yield opened


@pytest.mark.slow
def test_every_instrument_left_as_it_should(dossiers: Dossiers) -> None:
    for serial in SERIALS:
        shown = dossiers.show(serial)
        assert "(invented)" in shown.line.title
        kinds = [entry.kind for entry in shown.entries]
        assert {"specification", "readings", "measurement", "plan", "proof"} <= set(kinds)
        proofs = [str(entry.said) for entry in shown.entries if entry.kind == "proof"]
        assert all("conforms" in said for said in proofs), proofs
        assert not shown.conflicts
        times = [entry.at for entry in shown.entries]
        assert times == sorted(times)
        assert "2023" <= times[0][:4] <= times[-1][:4] <= "2026"


@pytest.mark.slow
def test_what_happened_in_those_years_is_there(dossiers: Dossiers) -> None:
    guitar = dossiers.show("UY-0431").entries
    plans = [str(entry.said) for entry in guitar if entry.kind == "plan"]
    assert [plan.rpartition(": ")[2] for plan in plans] == ["settings.", "cut."]
    assert len(dossiers.history("UY-0431").points) >= 4  # read again after two years
    returned = dossiers.show("TR-0071").entries
    assert [e.person for e in returned if "Found on receipt" in str(e.said)] == [
        "Quandlemere, receiving"
    ]
    assert sum(entry.kind == "proof" for entry in returned) == 2
    assert any(entry.kind == "fitted" for entry in dossiers.show("UY-0452").entries)
    gauge = dossiers.show("height gauge 3 (invented)").entries
    assert [e.kind for e in gauge] == [
        "opened",
        "calibration",
        "calibration",
        "check",
        "calibration",
    ]


@pytest.mark.slow
def test_the_partner_judged_lots_and_answered(dossiers: Dossiers) -> None:
    lots = lots_of(dossiers.archive, SUPPLIER, MODEL, RECEIVER)
    assert lots is not None
    assert [lot.after.state for lot in lots.lots] == (
        ["normal"] * 5 + ["tightened"] * 5 + ["normal"] * 2
    )
    assert [lot.decision for lot in lots.lots].count("not accepted") == 2
    assert all(lot.follows and lot.signed_by for lot in lots.lots)
    assert "invented" in lots.title
    (listed,) = shared_with(dossiers, RECEIVER)
    assert listed.shared.answer == "accepted"
    assert lots.lots[-1].answer is not None


@pytest.mark.slow
def test_every_byte_is_sound_and_what_is_there_is_never_touched(
    dossiers: Dossiers, folder: Path
) -> None:
    assert verify(dossiers.archive).sound
    before = sorted(path.name for path in folder.rglob("*"))
    with pytest.raises(RequestError, match="There is something here already"):
        workshop.example_archive(str(folder))
    assert sorted(path.name for path in folder.rglob("*")) == before


def test_the_command_makes_an_archive_and_says_what_is_in_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    years = invented_years._three_years
    # the first of its steps: what the others do is seen with --all
    monkeypatch.setattr(invented_years, "_three_years", lambda made: islice(years(made), 1))
    folder = tmp_path / "years"
    ran = CliRunner().invoke(main, ["archive", "example", str(folder)])
    assert ran.exit_code == 0
    first, told, after = ran.output.splitlines()
    assert first.startswith("2023  Ulqor Yard and Tessque Row")
    assert told == f"2 invented dossiers are in {folder}."
    assert after == f"To look at one: evenfall archive show UY-0431 --archive {folder}"
    with workshop.archive(str(folder)) as made:
        assert made.show("height gauge 3 (invented)").entries[-1].kind == "calibration"
        assert verify(made.archive).sound
    again = CliRunner().invoke(main, ["archive", "example", str(folder)])
    assert again.exit_code == 2
    assert "There is something here already" in again.stderr


def test_who_cancels_leaves_nothing(tmp_path: Path) -> None:
    def stop(*_told: object) -> None:
        if (tmp_path / "a").exists():
            raise Cancelled

    with pytest.raises(Cancelled):
        workshop.example_archive(str(tmp_path / "a"), stop)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_the_same_documents_each_time(
    dossiers: Dossiers, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As far as the first job, with its readings by chance, its plan and its proof."""
    years = invented_years._three_years
    monkeypatch.setattr(invented_years, "_three_years", lambda made: islice(years(made), 2))
    workshop.example_archive(str(tmp_path / "again"))
    with workshop.archive(str(tmp_path / "again")) as again:
        whole, first = (
            [(e.at, e.kind, e.person, str(e.said)) for e in a.show(SERIALS[0]).entries]
            for a in (dossiers, again)
        )
    assert first[-1][1] == "proof"
    assert whole[: len(first)] == first
