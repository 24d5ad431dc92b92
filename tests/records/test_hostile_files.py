"""Exchange files from somebody who means harm: each refused in one sentence, nothing written."""

from __future__ import annotations

import io
import json
import stat
import struct
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from evenfall import workshop
from evenfall.errors import EvenfallError, RequestError
from evenfall.records import Archive, Filing, open_archive
from evenfall.records.entries import canonical, sha256
from evenfall.records.exchange import pack, take_over
from evenfall.records.signing import SigningKey, signing_key

Members = dict[str, bytes]
SCAN = bytes(range(256)) * 8


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Members, SigningKey]]:
    """Return the members of a sound file, and the key that signed it."""
    folder = tmp_path_factory.mktemp("good")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("EVENFALL_SETTINGS", str(folder / "settings"))
        key = signing_key()
        with open_archive(str(folder / "a"), make=True) as archive:
            for serial in ("UY-0417", "UY-0418"):
                filings = [
                    Filing("opened", {"subject": "instrument", "name": "Tesquil"}, "M. Tessquin"),
                    Filing("alias", {"sort": "serial", "value": serial}),
                    Filing("scan", {}, documents={"d": {"serial": serial}}, files={"s": SCAN}),
                    Filing("note", {"words": "Nut worn."}),
                ]
                archive.sign(archive.file(None, filings)[0].dossier, key)
            stream = io.BytesIO()
            pack(archive, list(archive.dossiers()), stream, key)
        with zipfile.ZipFile(stream) as packed_file:
            yield {name: packed_file.read(name) for name in packed_file.namelist()}, key


def zipped(members: Members, **more: Any) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as made:
        for name, content in members.items():
            made.writestr(name, content)
        for name, content in more.get("again", {}).items():
            import warnings

            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                made.writestr(name, content)
        for info, content in more.get("infos", []):
            made.writestr(info, content)
    return stream.getvalue()


def signed(members: Members, key: SigningKey, /, **manifest: Any) -> Members:
    """Return members with a manifest that fits them, and a true signature under it."""
    made = {n: c for n, c in members.items() if n not in ("manifest.json", "signature.json")}
    says = json.loads(members["manifest.json"])
    says["members"] = {n: {"sha256": sha256(c), "bytes_count": len(c)} for n, c in made.items()}
    text = canonical({**says, **manifest}).encode()
    signature = canonical({"key": key.public, "signature": key.sign_file(text)}).encode()
    return {**made, "manifest.json": text, "signature.json": signature}


def with_row(name: str, change: Callable[[dict[str, Any]], object], at: int = 0) -> Any:
    """Return what changes one row of a list, and signs the whole again."""

    def changed(members: Members, key: SigningKey) -> bytes:
        rows = [json.loads(line) for line in members[name].splitlines()]
        change(rows[at])
        text = "".join(canonical(row) + "\n" for row in rows).encode()
        return zipped(signed({**members, name: text}, key))

    return changed


def with_facts(change: Callable[[dict[str, Any]], object], at: int = 0) -> Any:
    """Return what changes the facts of an entry and makes their hash again."""

    def row(values: dict[str, Any]) -> None:
        facts = json.loads(values["facts"])
        change(facts)
        values["facts"] = canonical(facts)
        values["facts_hash"] = sha256(values["facts"])

    return with_row("entries.jsonl", row, at)


def with_manifest(**manifest: Any) -> Any:
    return lambda members, key: zipped(signed(members, key, **manifest))


def with_member(name: str, content: bytes = b"x") -> Any:
    return lambda members, key: zipped(signed({**members, name: content}, key))


def without(name: str) -> Any:
    def made(members: Members, key: SigningKey) -> bytes:
        left = {n: c for n, c in members.items() if n != name}
        return zipped(left if name.endswith(".json") else signed(left, key))

    return made


def named_otherwise(name: str) -> Any:
    """Return what puts the scan under another name in the directory alone."""

    def made(members: Members, key: SigningKey) -> bytes:
        scan = next(n for n in members if n.startswith("files/"))
        return zipped({(name if n == scan else n): c for n, c in members.items()})

    return made


def link(members: Members, _key: SigningKey) -> bytes:
    info = zipfile.ZipInfo("files/" + "a" * 64)
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    return zipped(members, infos=[(info, b"/etc/passwd")])


def folder(members: Members, _key: SigningKey) -> bytes:
    return zipped(members, infos=[(zipfile.ZipInfo("files/"), b"")])


def bomb(members: Members, key: SigningKey) -> bytes:
    zeros = b"\0" * 100_000_000
    return zipped(signed({**members, f"files/{sha256(zeros)}": zeros}, key))


def small_bomb(members: Members, key: SigningKey) -> bytes:
    lists = members["documents.jsonl"] + b" " * 40_000_000
    return zipped(signed({**members, "documents.jsonl": lists}, key))


def many_members(members: Members, _key: SigningKey) -> bytes:
    """Return a file whose directory says it has ten million members, all of them empty."""
    content = bytearray(zipped(members))
    content[-14:-10] = struct.pack("<HH", 0xFFFF, 0xFFFF)
    return bytes(content)


def lying_size(members: Members, key: SigningKey) -> bytes:
    """Return a file whose directory states a smaller size than unpacks."""
    content = zipped(members)
    at = content.index(b"PK\x01\x02")
    return content[: at + 24] + struct.pack("<I", 5) + content[at + 28 :]


def lying_manifest(members: Members, key: SigningKey) -> bytes:
    says = json.loads(members["manifest.json"])["members"]
    says["entries.jsonl"]["bytes_count"] += 1
    return zipped(signed(members, key, members=says))


def wrong_key(members: Members, _key: SigningKey) -> bytes:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    other = SigningKey(Ed25519PrivateKey.generate())
    signature = canonical(
        {"key": other.public, "signature": other.sign_file(members["manifest.json"])}
    )
    return zipped({**members, "signature.json": signature.encode()})


def flipped_signature(members: Members, _key: SigningKey) -> bytes:
    says = json.loads(members["signature.json"])
    says["signature"] = says["signature"][:-1] + ("0" if says["signature"][-1] != "0" else "1")
    return zipped({**members, "signature.json": json.dumps(says).encode()})


def encrypted(members: Members, _key: SigningKey) -> bytes:
    content = bytearray(zipped(members))
    at = content.index(b"PK\x01\x02")
    content[at + 8] |= 1
    return bytes(content)


HOSTILE: dict[str, Any] = {
    "empty": lambda _m, _k: b"",
    "no ZIP": lambda _m, _k: b"evenfall" * 100,
    "cut short": lambda m, _k: zipped(m)[:-400],
    "something behind it": lambda m, _k: zipped(m) + b"x" * 50,
    "something before it": lambda m, _k: b"#!/bin/sh\n" + zipped(m),
    "no members": lambda _m, _k: zipped({}),
    "no manifest": without("manifest.json"),
    "no signature": without("signature.json"),
    "no entries": without("entries.jsonl"),
    "no documents": without("documents.jsonl"),
    "no persons": without("persons.jsonl"),
    "signature of another key": wrong_key,
    "signature flipped": flipped_signature,
    "signature is no JSON": lambda m, _k: zipped({**m, "signature.json": b"sig"}),
    "manifest changed": lambda m, _k: zipped(
        {**m, "manifest.json": m["manifest.json"].replace(b'"all"', b'"measurements"')}
    ),
    "manifest lies about a size": lying_manifest,
    "manifest lists a member that is not there": with_manifest(members={"entries.jsonl": {}}),
    "manifest with more keys": with_manifest(more=1),
    "manifest with a strange site": with_manifest(site="../a"),
    "manifest of a later schema": with_manifest(schema="evenfall/exchange@99"),
    "manifest of another kind": with_manifest(schema="evenfall/plan@1"),
    "manifest that shows less": with_manifest(shown="certificates"),
    "manifest nested too deeply": lambda m, _k: zipped(
        {**m, "manifest.json": b'{"a":' + b"[" * 100_000}
    ),
    "path upwards": named_otherwise("../../evil"),
    "path from the root": named_otherwise("/etc/cron.d/evil"),
    "path of a drive": named_otherwise("C:\\evil"),
    "path with backslashes": named_otherwise("files\\..\\evil"),
    "name that differs in case": named_otherwise("Files/" + "a" * 64),
    "hash in capitals": named_otherwise("files/" + "A" * 64),
    "name with a null": named_otherwise("files/" + "a" * 64 + "\0.exe"),
    "device name": named_otherwise("files/con"),
    "name in composed letters": named_otherwise("files/é" + "a" * 63),
    "link": link,
    "folder": folder,
    "two members of one name": lambda m, _k: zipped(m, again={"entries.jsonl": b""}),
    "member that is not listed": lambda m, _k: zipped({**m, "files/" + "a" * 64: b"x"}),
    "list of another name": with_member("more.jsonl"),
    "file under another hash": with_member("files/" + "b" * 64),
    "file that no entry names": with_member(f"files/{sha256(b'x')}"),
    "bomb": bomb,
    "small bomb": small_bomb,
    "ten million empty members": many_members,
    "ten million empty entries": lambda m, k: zipped(
        signed({**m, "entries.jsonl": b"{}\n" * 10_000_000}, k)
    ),
    "ten million empty lines": lambda m, k: zipped(
        signed({**m, "entries.jsonl": b"\n" * 10_000_000}, k)
    ),
    "member longer than the directory says": lying_size,
    "encrypted": encrypted,
    "facts changed": with_row("entries.jsonl", lambda r: r.update(facts='{"salt":"x"}')),
    "facts of another kind": with_row("entries.jsonl", lambda r: r.update(kind="note")),
    "kind to come": with_row("entries.jsonl", lambda r: r.update(kind="rating")),
    "kind that is no text": with_row("entries.jsonl", lambda r: r.update(kind=[1])),
    "entry without a dossier": with_row("entries.jsonl", lambda r: r.pop("dossier")),
    "entry of a strange dossier": with_row("entries.jsonl", lambda r: r.update(dossier="'; --")),
    "entry with more keys": with_row("entries.jsonl", lambda r: r.update(more=1)),
    "entry with a strange time": with_row("entries.jsonl", lambda r: r.update(at="yesterday")),
    "entry with a control character": with_row(
        "entries.jsonl", lambda r: r.update(software="evenfall \u202e1")
    ),
    "entry that follows itself in another order": with_row(
        "entries.jsonl", lambda r: r.update(before=["f" * 64, "a" * 64]), 1
    ),
    "entry that follows nothing": with_row("entries.jsonl", lambda r: r.update(before=[]), 1),
    "entry that follows an unknown one": with_row(
        "entries.jsonl", lambda r: r.update(before=["f" * 64]), 3
    ),
    "facts with a key unknown": with_facts(lambda f: f.update(more=1)),
    "facts with text too long": with_facts(lambda f: f.update(name="x" * 5000)),
    "facts with a number of another type": with_facts(lambda f: f.update(name=1.5)),
    "facts that name a document that is not there": with_facts(
        lambda f: f["attached"][0].update(sha256="c" * 64), 2
    ),
    "document changed": with_row("documents.jsonl", lambda r: r.update(content="{}")),
    "document with more keys": with_row("documents.jsonl", lambda r: r.update(path="/etc")),
    "person changed": with_row("persons.jsonl", lambda r: r.update(name="Somebody Else")),
    "person who is not named": with_row("persons.jsonl", lambda r: r.update(id="a" * 32)),
    "signature under an unknown entry": with_row(
        "signatures.jsonl", lambda r: r.update(entry="a" * 64)
    ),
    "signature under an entry flipped": with_row(
        "signatures.jsonl", lambda r: r.update(signature="00" * 64)
    ),
    "entries are no JSON": lambda m, k: zipped(signed({**m, "entries.jsonl": b"x\n"}, k)),
    "entry twice": lambda m, k: zipped(signed({**m, "entries.jsonl": m["entries.jsonl"] * 2}, k)),
}


def snapshot(folder_: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder_)): sha256(path.read_bytes())
        for path in sorted(folder_.rglob("*"))
        if path.is_file() and not path.name.endswith(("-shm", "-wal"))
    }


def test_there_are_enough_of_them() -> None:
    assert len(HOSTILE) >= 40


@pytest.fixture(scope="module")
def mine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Archive]]:
    """Return an empty archive, which no hostile file changes, and the folder that it lies in."""
    folder = tmp_path_factory.mktemp("hostile")
    with open_archive(str(folder / "mine"), make=True) as archive:
        yield folder, archive


@pytest.mark.quick(4)
@pytest.mark.parametrize("case", HOSTILE)
def test_a_hostile_file_is_refused_in_one_sentence_and_nothing_is_written(
    case: str, good: tuple[Members, SigningKey], mine: tuple[Path, Archive]
) -> None:
    members, key = good
    around, archive = mine
    content = HOSTILE[case](dict(members), key)
    before = snapshot(around)
    with pytest.raises(EvenfallError) as refused:
        take_over(archive, io.BytesIO(content), trusted=[key.public], name="from-partner.zip")
    assert snapshot(around) == before
    assert list(archive.dossiers()) == []
    assert list(archive.files.names()) == []
    told = str(refused.value)
    assert "\n" not in told
    assert told.isprintable()
    assert 20 < len(told) < 400


def test_the_sound_file_is_taken(good: tuple[Members, SigningKey], tmp_path: Path) -> None:
    members, key = good
    for name, content in (("a", zipped(members)), ("b", zipped(signed(members, key)))):
        with open_archive(str(tmp_path / name), make=True) as archive:
            _, absorbed = take_over(archive, io.BytesIO(content), trusted=[key.public])
            assert absorbed is not None
            assert absorbed.new == 8


def test_one_flipped_byte_anywhere_in_a_manifest_is_found(
    good: tuple[Members, SigningKey], tmp_path: Path
) -> None:
    members, key = good
    manifest = members["manifest.json"]
    with open_archive(str(tmp_path / "mine"), make=True) as archive:
        for at in range(0, len(manifest), max(1, len(manifest) // 200)):
            changed = manifest[:at] + bytes([manifest[at] ^ 1]) + manifest[at + 1 :]
            with pytest.raises(EvenfallError):
                take_over(
                    archive,
                    io.BytesIO(zipped({**members, "manifest.json": changed})),
                    trusted=[key.public],
                )


def test_entries_that_follow_nothing_known_leave_nothing_behind(
    good: tuple[Members, SigningKey], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No archive is made for them, and no file of theirs kept."""
    monkeypatch.setenv("EVENFALL_SETTINGS", str(tmp_path / "settings"))
    members, key = good
    content = with_facts(lambda facts: facts.update(name="Quenlo"))(members, key)
    new, there = tmp_path / "new", tmp_path / "there"
    said = "neither in the file nor in this archive"
    with (
        workshop.archive(str(new), make=True) as dossiers,
        pytest.raises(RequestError, match=said),
    ):
        dossiers.import_(workshop.Source("x.zip", content), trust_key=key.public)
    assert not new.exists()
    with open_archive(str(there), make=True) as archive:
        with pytest.raises(RequestError, match=said):
            take_over(archive, io.BytesIO(content), trusted=[key.public])
        assert not [path for path in (there / "files").rglob("*") if path.is_file()]
