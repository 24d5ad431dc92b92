"""What happens to an archive when something fails: kills, a full disk, a copied scan, a share."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from evenfall.errors import RequestError, UnsupportedError
from evenfall.records import Archive, Filing, engines, open_archive
from evenfall.records.engines import Address, network_kind
from evenfall.records.verifying import verify
from records import faults, servers

MOUNTS = """\
22 1 8:1 / / rw,relatime shared:1 - ext4 /dev/sda1 rw
30 22 0:40 / /mnt/share rw,relatime shared:9 - nfs4 server:/x rw
31 22 0:41 / /mnt/office rw shared:9 - cifs //server/x rw
32 30 8:2 / /mnt/share/local rw - ext4 /dev/sdb1 rw
33 22 0:50 / /mnt/with\\040space rw - fuse.sshfs me@server:/ rw
"""


@pytest.mark.slow
@pytest.mark.parametrize("engine", ["sqlite", "postgresql"])
def test_two_rounds_of_the_study_lose_nothing(engine: str) -> None:
    if engine == "postgresql" and servers.programs() is None:
        pytest.skip("no PostgreSQL server is installed")
    made = faults.rounds(engine, 2, seed=3)
    assert sum(one.acknowledged for one in made) > 0
    assert [(one.lost, one.half, one.findings) for one in made] == [(0, 0, 0)] * 2


def test_a_full_disk_files_nothing_and_says_so(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = Filing("opened", {"subject": "instrument", "name": "Tesquil"})
    dossier = archive.file(None, [opened])[0].dossier

    def full(_handle: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(RequestError, match="no space left on device"):
        archive.file(dossier, [Filing("scan", {}, files={"s.ply": b"x" * 5000})])
    monkeypatch.undo()
    assert len(archive.entries(dossier)) == 1
    assert archive.files.left_over() == []
    assert verify(archive).sound


def test_a_database_that_may_not_grow_files_nothing_and_says_so(tmp_path: Path) -> None:
    with open_archive(str(tmp_path / "shop"), make=True) as archive:
        opened = Filing("opened", {"subject": "instrument", "name": "Tesquil"})
        dossier = archive.file(None, [opened])[0].dossier
        with archive.engine.connect() as connection:
            pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
            connection.exec_driver_sql(f"PRAGMA max_page_count={pages + 2}")
            connection.commit()
        documents = {"d": {"words": "x" * 100_000}}
        with pytest.raises(RequestError, match="disk takes no more"):
            archive.file(dossier, [Filing("scan", {}, documents=documents)])
        assert len(archive.entries(dossier)) == 1
        archive.file(dossier, [Filing("note", {"words": "still here"})])
        assert verify(archive).sound


@pytest.mark.parametrize(
    ("folder", "kind"),
    [
        ("/home/shop", ""),
        ("/mnt/share/shop", "nfs4"),
        ("/mnt/share", "nfs4"),
        ("/mnt/shares", ""),
        ("/mnt/office/a/b", "cifs"),
        ("/mnt/share/local/shop", ""),
        ("/mnt/with space/shop", "fuse.sshfs"),
    ],
)
def test_network_shares_are_told_from_folders_of_this_computer(folder: str, kind: str) -> None:
    assert network_kind(folder, MOUNTS) == kind


def test_a_network_share_is_refused_with_the_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engines, "_share_under", lambda _folder: "nfs4")
    with pytest.raises(UnsupportedError, match="only the programs of one computer share"):
        open_archive(str(tmp_path / "shop"), make=True)


def test_a_program_that_stopped_while_copying_leaves_no_record(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = Filing("opened", {"subject": "instrument", "name": "Tesquil"})
    dossier = archive.file(None, [opened])[0].dossier
    (archive.files.path("00").parent.parent).mkdir(parents=True, exist_ok=True)
    (archive.files.path("00").parent.parent / "0123.part").write_bytes(b"half")
    seen = verify(archive)
    assert seen.sound
    assert [finding.code for finding in seen.findings] == ["left-over"]
    assert len(archive.entries(dossier)) == 1


def test_an_unreachable_server_is_told_in_one_sentence(tmp_path: Path) -> None:
    address = f"postgresql://nobody:secret@/none?host={tmp_path}&files={tmp_path}"
    with pytest.raises(RequestError, match="cannot be opened") as refused:
        open_archive(address)
    assert "secret" not in str(refused.value)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    "address",
    [
        "postgresql://u:secret@h/d",
        "postgresql://u:se@secret@h/d",
        "postgresql://u:se/secret@h/d",
        "postgresql://u@h/d?password=secret&files=f",
    ],
)
def test_a_password_is_not_shown_with_its_address(address: str) -> None:
    shown = str(Address.read(address))
    assert "secret" not in shown
    assert "se@" not in shown
    assert "@h/d" in shown
