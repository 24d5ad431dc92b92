"""Dossiers between sites: any order and repetition of imports ends in the same archive."""

from __future__ import annotations

import dataclasses
import io
import itertools
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given
from hypothesis import strategies as st
from sqlalchemy import select

from draws import draws
from evenfall.errors import RequestError
from evenfall.records import Archive, Filing, open_archive
from evenfall.records.archive import Absorbed
from evenfall.records.entries import Entry, canonical, conflicts, sha256, standing
from evenfall.records.exchange import check, pack, take_over
from evenfall.records.signing import signing_key, trust, trusted_keys
from evenfall.records.tables import DOCUMENT, ENTRY, KEPT_FILE, LABEL, PERSON, SIGNATURE
from evenfall.records.verifying import verify

SCAN = bytes(range(256)) * 8


def packed(archive: Archive, *dossiers: str, shown: str = "all") -> bytes:
    stream = io.BytesIO()
    pack(archive, dossiers or list(archive.dossiers()), stream, signing_key(), shown=shown)
    return stream.getvalue()


def taken(archive: Archive, content: bytes) -> Absorbed:
    _, absorbed = take_over(archive, io.BytesIO(content), trusted=trusted_keys())
    assert absorbed is not None
    return absorbed


def held(archive: Archive) -> dict[str, Any]:
    """Return everything an archive holds but for the order in which it came in."""
    with archive.reading() as connection:
        tables = {
            table.name: sorted(
                tuple(v for name, v in row._mapping.items() if name != "number")
                for row in connection.execute(select(table))
            )
            for table in (DOCUMENT, KEPT_FILE, PERSON, SIGNATURE, LABEL)
        }
        tables["entry"] = sorted(
            (row.hash, row.facts or "") for row in connection.execute(select(ENTRY))
        )
    dossiers = sorted(set(archive.dossiers()))
    tables["order"] = [[e.hash for e in archive.entries(d)] for d in dossiers]  # type: ignore[misc]
    return tables


def opened(archive: Archive, serial: str) -> str:
    filings = [
        Filing("opened", {"subject": "instrument", "name": "Tesquil"}, "M. Tessquin"),
        Filing("alias", {"sort": "serial", "value": serial}),
        Filing("scan", {}, documents={"d": {"person": "Q. Ulbrenq"}}, files={"s": SCAN}),
    ]
    dossier = archive.file(None, filings)[0].dossier
    archive.sign(dossier, signing_key())
    return dossier


def corrected(archive: Archive, dossier: str, value: str) -> None:
    stands = standing(archive.entries(dossier), "alias")[-1]
    facts = {"sort": "serial", "value": value}
    archive.file(dossier, [Filing("alias", facts, corrects=stands.hash)])


def noted(archive: Archive, dossier: str, words: str) -> None:
    archive.file(dossier, [Filing("note", {"words": words}, "L. Orvane")])


@pytest.fixture(scope="module")
def parcels(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[bytes, ...]]:
    """Return files of three sites about one instrument of each, and one that all three know."""
    folder = tmp_path_factory.mktemp("sites")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("EVENFALL_SETTINGS", str(folder / "settings"))
        sites = [open_archive(str(folder / name), make=True) for name in "abc"]
        shared = opened(sites[0], "UY-0714")
        first = packed(sites[0])
        for site in sites[1:]:
            taken(site, first)
        corrected(sites[0], shared, "UY-0417")
        corrected(sites[1], shared, "UY-0471")
        for number, site in enumerate(sites):
            noted(site, shared, f"seen at site {number}")
            opened(site, f"AL-{number}")
        files = [packed(site) for site in sites]
        taken(sites[2], files[0])
        sites[2].erase("M. Tessquin")
        noted(sites[2], shared, "with the entries of the first site")
        files += [packed(sites[2]), packed(sites[1], shared, shown="certificates")]
        yield tuple(files)
        for site in sites:
            site.close()


_numbers = itertools.count()


@pytest.mark.slow
@given(order=st.lists(st.integers(0, 4), max_size=6))
@draws(6, suppress_health_check=[HealthCheck.function_scoped_fixture])  # each makes two archives
def test_any_order_and_repetition_of_imports_ends_in_the_same_archive(
    new_address: Callable[[str], str], parcels: tuple[bytes, ...], order: list[int]
) -> None:
    everything = [*order, *range(len(parcels))]
    made = []
    for sequence in (everything, everything[::-1]):
        with open_archive(new_address(f"import-{next(_numbers)}"), make=True) as archive:
            for number in sequence:
                stream = io.BytesIO(parcels[number])
                parcel = check(stream)
                take_over(archive, stream, trusted=[parcel.key])
            assert verify(archive).sound
            made.append(held(archive))
    assert made[0] == made[1]


def test_two_sites_that_corrected_one_serial_keep_both_and_show_the_conflict(
    archive: Archive, parcels: tuple[bytes, ...]
) -> None:
    for content in parcels[:2]:
        take_over(archive, io.BytesIO(content), trusted=[check(io.BytesIO(content)).key])
    (dossier,) = archive.named("UY-0714")
    assert archive.named("UY-0417") == archive.named("UY-0471") == (dossier,)
    (group,) = conflicts(archive.entries(dossier))
    wrong = next(entry for entry in group if "UY-0471" in str(entry.facts))
    settled = Filing("alias", {"sort": "serial", "value": ""}, corrects=wrong.hash)
    archive.file(dossier, [settled])
    assert conflicts(archive.entries(dossier)) == ()
    assert len(archive.entries(dossier)[-1].before) == 2  # the next entry joins both chains


def test_an_import_is_reported_as_new_known_and_completed(
    archive: Archive, new_address: Callable[[str], str]
) -> None:
    dossier = opened(archive, "UY-0417")
    noted(archive, dossier, "Nut worn.")
    with open_archive(new_address("partner"), make=True) as partner:
        some = packed(archive, shown="certificates")
        assert taken(partner, some) == Absorbed(4, 0, 0)
        assert taken(partner, some) == Absorbed(0, 4, 0)
        shown = [entry.facts is not None for entry in partner.entries(dossier)]
        assert shown == [True, True, False, False]
        assert b"Nut worn" not in some
        assert b"Tessquin" not in some
        assert list(partner.files.names()) == []
        assert verify(partner).sound
        assert taken(partner, packed(archive)) == Absorbed(0, 2, 2)
        assert held(partner) == held(archive)
        assert partner.files.read(sha256(SCAN)) == SCAN


def test_a_file_of_an_unknown_key_is_shown_and_not_filed(
    archive: Archive,
    new_address: Callable[[str], str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    opened(archive, "UY-0417")
    content = packed(archive)
    monkeypatch.setenv("EVENFALL_SETTINGS", str(tmp_path / "other"))
    with open_archive(new_address("other"), make=True) as other:
        parcel, absorbed = take_over(other, io.BytesIO(content), trusted=trusted_keys())
        assert absorbed is None
        assert len(parcel.entries) == 3
        assert list(other.dossiers()) == []
        with pytest.raises(RequestError, match="is not a key"):
            trust("abc")
        trust(parcel.key)
        trust(" ".join(parcel.key[at : at + 4] for at in range(0, 64, 4)))  # as it is read out
        assert trusted_keys().count(parcel.key) == 1
        assert taken(other, content).new == 3


def test_a_name_that_one_side_erased_stays_erased(
    archive: Archive, new_address: Callable[[str], str]
) -> None:
    opened(archive, "UY-0417")
    before = packed(archive)
    archive.erase("M. Tessquin")
    taken(archive, before)
    with archive.reading() as connection:
        assert "Tessquin" not in str(connection.execute(select(PERSON)).all())
    with open_archive(new_address("partner"), make=True) as partner:
        taken(partner, before)
        taken(partner, packed(archive))
        assert held(partner) == held(archive)


def test_what_follows_an_unknown_entry_is_refused(
    archive: Archive, new_address: Callable[[str], str]
) -> None:
    dossier = opened(archive, "UY-0417")
    entries = archive.entries(dossier)
    with (
        open_archive(new_address("partner"), make=True) as partner,
        pytest.raises(RequestError, match="neither in the file nor in this archive"),
    ):
        partner.absorb(entries[1:], documents={}, files={})


def test_an_entry_that_corrects_one_filed_after_it_is_refused(archive: Archive) -> None:
    facts = canonical({"salt": "0" * 32, "words": "x"})

    def entry(kind: str, at: str, before: tuple[str, ...] = (), corrects: str = "") -> Entry:
        told = ("a" * 32, kind, f"2026-01-0{at}T00:00:00.000000Z", "b" * 32, "", "made up")
        return Entry(*told, before, corrects, sha256(facts), facts)

    first = entry("opened", "1")
    later = entry("note", "3", (first.hash,))
    early = entry("note", "2", (first.hash,), later.hash)
    with pytest.raises(RequestError, match="neither in the file nor in this archive"):
        archive.absorb([first, later, early], documents={}, files={})
    assert archive.entries("a" * 32) == ()
    other = dataclasses.replace(later, dossier="c" * 32)
    with pytest.raises(RequestError, match="neither in the file"):
        archive.absorb([first, later, other], documents={}, files={})
