"""Files are read whole and bounded, and written whole or not at all."""

from __future__ import annotations

import os
import stat
import sys
from pathlib import Path

import pytest

from evenfall import files
from evenfall.errors import At, FormatMismatchError, RequestError, UnsupportedError
from evenfall.files import (
    decode_text,
    keep_apart,
    read_bytes,
    read_text,
    write_atomically,
    write_together,
)


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    path = tmp_path / "räkning.csv"
    write_atomically(path, "größe\r\n")
    assert path.read_bytes() == "größe\r\n".encode()
    assert read_text(path) == "größe\r\n"
    write_atomically(path, b"\x00\x01")
    assert read_bytes(path, limit_bytes=2) == b"\x00\x01"
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


def test_a_failure_leaves_the_old_file_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "plan.json"
    write_atomically(path, "old")

    def fail(source: str, target: Path) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(files.os, "replace", fail)
    with pytest.raises(RequestError) as caught:
        write_atomically(path, "new")
    assert "no space left on device" in caught.value.sentence
    assert caught.value.where == str(path)
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["plan.json"]


def test_an_interrupt_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupt(handle: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(files.os, "fsync", interrupt)
    with pytest.raises(KeyboardInterrupt):
        write_atomically(tmp_path / "plan.json", "new")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(sys.platform == "win32", reason="only on Linux")
def test_permissions_are_those_of_any_file_or_of_the_one_replaced(tmp_path: Path) -> None:
    plain, written = tmp_path / "plain", tmp_path / "written"
    plain.touch()
    write_atomically(written, "x")
    assert written.stat().st_mode == plain.stat().st_mode
    os.chmod(written, 0o640)
    write_atomically(written, "y")
    assert stat.S_IMODE(written.stat().st_mode) == 0o640


def test_a_missing_folder_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(RequestError, match="cannot be written"):
        write_atomically(tmp_path / "none" / "x.csv", "x")


def test_a_device_or_folder_is_never_replaced(tmp_path: Path) -> None:
    """Renaming a file over a device would take the device out of the system."""
    with pytest.raises(RequestError, match="folder"):
        write_atomically(tmp_path, "x")
    if not hasattr(os, "mkfifo"):
        return
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "link").symlink_to("pipe")
    for name in ("pipe", "link"):
        with pytest.raises(RequestError, match="device"):
            write_atomically(tmp_path / name, "x")
    assert stat.S_ISFIFO((tmp_path / "pipe").stat().st_mode)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["link", "pipe"]


def content(folder: Path) -> dict[str, str]:
    return {path.name: path.read_text() for path in folder.iterdir() if path.is_file()}


@pytest.mark.parametrize("fails_at", range(3))
@pytest.mark.parametrize(("there", "links"), [(True, True), (True, False), (False, True)])
@pytest.mark.parametrize("stop", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_several_files_are_written_together_or_not_at_all(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    *,
    fails_at: int,
    there: bool,
    links: bool,
    stop: BaseException,
) -> None:
    """Whichever rename fails, every file is what it was, new ones are gone, nothing else stays."""
    names = ("sheet.pdf", "sheet.html", "plan.json")
    for name in names if there else names[:1]:
        (tmp_path / name).write_text("old")
    before = content(tmp_path)
    done: list[str] = []
    rename = os.replace

    def replace(source: str, target: Path) -> None:
        if len(done) == fails_at and target.name in names and target.name not in done:
            raise stop
        done.append(target.name)
        rename(source, target)

    def no_links(source: Path, target: str) -> None:
        raise OSError(1, "Operation not permitted")

    monkeypatch.setattr(files.os, "replace", replace)
    if not links:
        monkeypatch.setattr(files.os, "link", no_links)
    with pytest.raises(RequestError if isinstance(stop, OSError) else KeyboardInterrupt):
        write_together({tmp_path / name: "new" for name in names})
    assert content(tmp_path) == before


def test_files_written_together_are_all_there(tmp_path: Path) -> None:
    (tmp_path / "a").write_text("old")
    write_together({tmp_path / "a": "new", tmp_path / "b": b"new"})
    assert content(tmp_path) == {"a": "new", "b": "new"}


def test_one_that_cannot_be_written_keeps_the_others_from_being_written(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    with pytest.raises(RequestError, match="This is a folder") as caught:
        write_together({tmp_path / "sheet.pdf": "new", tmp_path / "folder": "new"})
    assert caught.value.at.file == str(tmp_path / "folder")
    assert content(tmp_path) == {}


def test_what_a_killed_process_left_is_removed_later(tmp_path: Path) -> None:
    old, young = tmp_path / ".evenfall-00ff.part", tmp_path / ".evenfall-11ff.part"
    for path in (old, young):
        path.write_text("half")
    os.utime(old, (1.0, 1.0))
    write_atomically(tmp_path / "plan.json", "new")
    assert content(tmp_path) == {"plan.json": "new", young.name: "half"}  # another may be writing


def test_a_link_stays_and_its_file_is_replaced(tmp_path: Path) -> None:
    (tmp_path / "shelf").mkdir()
    (tmp_path / "shelf" / "plan.json").write_text("old")
    link = tmp_path / "plan.json"
    link.symlink_to(Path("shelf") / "plan.json")
    write_atomically(link, "new")
    assert link.is_symlink()
    assert (tmp_path / "shelf" / "plan.json").read_text() == "new"
    assert [p.name for p in (tmp_path / "shelf").iterdir()] == ["plan.json"]


def test_what_is_read_is_not_written_over(tmp_path: Path) -> None:
    sheet, plan = tmp_path / "after.csv", tmp_path / "plan.json"
    sheet.touch()
    (tmp_path / "link.csv").symlink_to(sheet)
    keep_apart([plan, tmp_path / "proof.json"], [sheet])
    for output in (sheet, tmp_path / "link.csv", tmp_path / "x" / ".." / "after.csv"):
        with pytest.raises(RequestError, match="written over") as caught:
            keep_apart([plan, output], [sheet])
        assert caught.value.where == str(output)
    with pytest.raises(RequestError, match="Two outputs"):
        keep_apart([plan, plan], [sheet])
    with pytest.raises(RequestError, match="This is a file; name a folder") as caught:
        keep_apart([plan], [], folders=[sheet / "pictures"])
    assert caught.value.where == str(sheet)
    with pytest.raises(RequestError, match="name too long") as caught:
        keep_apart([tmp_path / ("x" * 5_000)], [sheet])
    assert len(str(caught.value)) < 450


def test_what_cannot_be_read_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(RequestError, match="no such file"):
        read_bytes(tmp_path / "none.csv", limit_bytes=10)
    with pytest.raises(RequestError, match="folder"):
        read_bytes(tmp_path, limit_bytes=10)
    with pytest.raises(RequestError):
        read_bytes(Path("a\0b"), limit_bytes=10)
    (tmp_path / "long").write_bytes(b"12345678901")
    with pytest.raises(UnsupportedError, match="larger than"):
        read_bytes(tmp_path / "long", limit_bytes=10)
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe")
        with pytest.raises(RequestError, match="device"):
            read_bytes(tmp_path / "pipe", limit_bytes=10)


def test_text_in_an_old_encoding_is_refused_with_its_line() -> None:
    with pytest.raises(FormatMismatchError) as caught:
        decode_text("ok\nhöhe\n".encode("latin-1"), name="x.csv")
    assert caught.value.at == At(file="x.csv", lines=(2,))
    assert str(caught.value).startswith("x.csv, line 2: ")
    assert "UTF-8" in caught.value.sentence
