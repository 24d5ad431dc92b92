"""Dossiers as one file for a partner: what is in it, how it is made, and how it is checked.

A ZIP archive with these members and no others:

    manifest.json     schema, site, key, time, what is shown; hash and size of every member
    signature.json    the key's signature under the bytes of manifest.json
    entries.jsonl     an entry a line, its facts left out where they are not shown
    documents.jsonl   a document a line: its hash and its text
    persons.jsonl     a person a line
    signatures.jsonl  a signature under an entry a line
    files/SHA256      scans, pages and photos, each under its hash

Everything is checked before anything is kept.
"""

from __future__ import annotations

import hashlib
import io
import re
import stat
import struct
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import IO, Any, BinaryIO

from evenfall.codec import plain
from evenfall.codec.parsing import kind_and_version, parse_json
from evenfall.errors import (
    At,
    BrokenFileError,
    EvenfallError,
    FormatMismatchError,
    Progress,
    UnsupportedError,
    silent,
)
from evenfall.records.archive import Absorbed, Archive
from evenfall.records.entries import (
    HASH,
    KINDS,
    MARK,
    TIME,
    Entry,
    canonical,
    in_order,
    sha256,
    stored,
)
from evenfall.records.persons import Person, numbers_named
from evenfall.records.signing import Signature, SigningKey, file_signature_holds
from evenfall.wording import plain_line

VERSION = 1
_CERTIFIED = frozenset(("opened", "alias", "proof", "page", "lots agreed", "lot", "lot answered"))
_MEASURED = ("specification", "measurement", "plan", "readings", "scan", "accepted")
SHOWN: Mapping[str, frozenset[str]] = {
    "certificates": _CERTIFIED,
    "measurements": _CERTIFIED.union(_MEASURED),
    "all": frozenset(KINDS),
}
"""What a partner may see, by kind of entry."""

LISTS = ("entries.jsonl", "documents.jsonl", "persons.jsonl", "signatures.jsonl")
MOST_MEMBERS = 60_000
MANIFEST_BYTES = 16_000_000
LIST_BYTES = 2_000_000_000
FILE_BYTES = 4_000_000_000
MOST_TIMES_LARGER = 200
"""What unpacks to more than this many times its size was made to fill a disk (DEFLATE itself
reaches about 1000; records reach about 20)."""

_MEMBER = re.compile(r"manifest\.json|signature\.json|[a-z]+\.jsonl|files/[0-9a-f]{64}")
_KEY = re.compile(r"[0-9a-f]{64}")
_PIECE = 1 << 20
_EPOCH = (1980, 1, 1, 0, 0, 0)
_SITE = MARK


@dataclass(frozen=True, slots=True)
class Parcel:
    """An exchange file that holds together: signed, whole, and with every hash as it should be."""

    site: str
    key: str
    made_at: str
    shown: str
    entries: tuple[Entry, ...]
    documents: Mapping[str, str]
    people: tuple[Person, ...]
    signatures: tuple[Signature, ...]
    files: Mapping[str, int]

    @property
    def dossiers(self) -> tuple[str, ...]:
        """The dossiers in it."""
        return tuple(dict.fromkeys(entry.dossier for entry in self.entries))


# ---- making --------------------------------------------------------------------------------------


def pack(
    archive: Archive,
    dossiers: Sequence[str],
    to: BinaryIO,
    key: SigningKey,
    *,
    shown: str = "all",
    progress: Progress = silent,
) -> tuple[int, int]:
    """Write dossiers into an exchange file; return how many entries, and how many in full."""
    kinds = SHOWN[shown]
    entries: list[Entry] = []
    for number, dossier in enumerate(dossiers):
        progress("Gathering dossiers", number / len(dossiers))
        entries += (_as_shown(entry, kinds) for entry in archive.entries(dossier))
    wanted = stored(entries)
    documents = dict(archive.documents(sorted(wanted["document"])))
    numbers = {entry.person for entry in entries} - {""}
    numbers = numbers.union(*map(numbers_named, documents.values()))
    people = archive.people(numbers)
    signatures = archive.signatures(entry.hash for entry in entries)
    lists = {
        "entries.jsonl": ({**entry.head(), "facts": entry.facts} for entry in entries),
        "documents.jsonl": ({"sha256": d, "content": c} for d, c in documents.items()),
        "persons.jsonl": (_person(people[n], shown) for n in sorted(people)),
        "signatures.jsonl": (plain(one) for one in signatures),
    }
    members: dict[str, dict[str, Any]] = {}
    with zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED, compresslevel=4) as packed:
        for name, rows in lists.items():
            text = "".join(canonical(row) + "\n" for row in rows).encode()
            packed.writestr(_info(name), text)
            members[name] = {"sha256": sha256(text), "bytes_count": len(text)}
        for number, digest in enumerate(sorted(wanted["file"])):
            progress("Packing files", number / len(wanted["file"]))
            kept = archive.files.read(digest)
            packed.writestr(_info(f"files/{digest}"), kept)
            members[f"files/{digest}"] = {"sha256": digest, "bytes_count": len(kept)}
        manifest = canonical(
            {
                "schema": f"evenfall/exchange@{VERSION}",
                "site": archive.site,
                "key": key.public,
                "made_at": archive.clock(),
                "shown": shown,
                "members": members,
            }
        ).encode()
        signature = canonical({"key": key.public, "signature": key.sign_file(manifest)})
        packed.writestr(_info("manifest.json"), manifest)
        packed.writestr(_info("signature.json"), signature.encode())
    return len(entries), sum(entry.facts is not None for entry in entries)


def _as_shown(entry: Entry, kinds: frozenset[str]) -> Entry:
    if entry.kind in kinds:
        return entry
    return Entry(**{**entry.head(), "before": entry.before, "facts": None})


def _person(person: Person, shown: str) -> dict[str, str]:
    """Return a person as a line; only who may see everything gets names."""
    if shown == "all":
        return {"id": person.id, "name": person.name, "salt": person.salt}
    return {"id": person.id, "name": "", "salt": ""}


def _info(name: str) -> zipfile.ZipInfo:
    made = zipfile.ZipInfo(name, _EPOCH)
    made.compress_type = zipfile.ZIP_DEFLATED
    made.external_attr = 0o600 << 16
    return made


# ---- checking ------------------------------------------------------------------------------------


def check(stream: BinaryIO, name: str = "", progress: Progress = silent) -> Parcel:
    """Return what an exchange file holds, everything in it checked; nothing is kept."""
    at = At(file=name)
    try:
        _check_size(stream)
        with zipfile.ZipFile(stream) as packed:
            return _checked(packed, progress)
    except EvenfallError as error:
        error.at = error.at.in_file(name)
        raise
    except zipfile.BadZipFile:
        cause = "its directory cannot be read"
    except (EOFError, OSError, RuntimeError, ValueError, zlib.error):
        cause = "a part of it cannot be unpacked"
    raise BrokenFileError(
        "The exchange file is damaged: {cause}. Ask for it again.", at=at, cause=cause
    )


def _check_size(stream: BinaryIO) -> None:
    """Refuse what is no ZIP archive, or has too many members, before its directory is read."""
    length = stream.seek(0, io.SEEK_END)
    if length < 22:
        raise FormatMismatchError("This is not an exchange file; check its name.")
    stream.seek(length - 22)
    end = stream.read(22)
    if end[:4] != b"PK\x05\x06":
        raise FormatMismatchError(
            "This is not an exchange file, or it was cut short; check its name, or ask for it "
            "again."
        )
    disk, first, here, count, size, start, comment = struct.unpack("<HHHHIIH", end[4:])
    if count > MOST_MEMBERS or here != count:
        raise UnsupportedError(
            "The file holds {count} members or more, more than any exchange file; it was refused.",
            count=MOST_MEMBERS,
        )
    if (disk, first, comment) != (0, 0, 0) or start + size != length - 22:
        raise _fault("its directory is not where it must be")


def _checked(packed: zipfile.ZipFile, progress: Progress) -> Parcel:
    infos = _members(packed)
    manifest_bytes = _read(packed, infos, "manifest.json", MANIFEST_BYTES)
    manifest = _manifest(manifest_bytes)
    _check_signature(_read(packed, infos, "signature.json", 2000), manifest, manifest_bytes)
    listed: dict[str, Any] = manifest["members"]
    if set(listed) | {"manifest.json", "signature.json"} != set(infos):
        raise _fault("its members are not those that its manifest lists")
    rows: dict[str, list[dict[str, Any]]] = {}
    files: dict[str, int] = {}
    for number, (member, says) in enumerate(sorted(listed.items())):
        progress("Checking the file", number / len(listed))
        if not isinstance(says, dict) or set(says) != {"sha256", "bytes_count"}:
            raise _fault("its manifest says nothing of a member")
        if says["bytes_count"] != infos[member].file_size:
            raise _fault("a member is not as long as its manifest says")
        if member in LISTS:
            text = _read(packed, infos, member, LIST_BYTES)
            if sha256(text) != says["sha256"]:
                raise _fault("a list does not match its hash")
            rows[member] = [_row(line) for line in text.splitlines()]
        else:
            digest = member.removeprefix("files/")
            if says["sha256"] != digest or _digest(packed, infos[member]) != digest:
                raise _fault("a file does not match its hash")
            files[digest] = infos[member].file_size
    entries = tuple(_entry(row) for row in rows.get("entries.jsonl", []))
    documents = dict(_document(row) for row in rows.get("documents.jsonl", []))
    parcel = Parcel(
        site=manifest["site"],
        key=manifest["key"],
        made_at=manifest["made_at"],
        shown=manifest["shown"],
        entries=in_order(entries),
        documents=documents,
        people=tuple(_read_person(row) for row in rows.get("persons.jsonl", [])),
        signatures=tuple(_signature(row) for row in rows.get("signatures.jsonl", [])),
        files=files,
    )
    _check_together(parcel, len(entries))
    return parcel


def _members(packed: zipfile.ZipFile) -> dict[str, zipfile.ZipInfo]:
    infos: dict[str, zipfile.ZipInfo] = {}
    total = compressed = 0
    for info in packed.infolist():
        kind = stat.S_IFMT(info.external_attr >> 16)
        if (
            not _MEMBER.fullmatch(info.filename)
            or (info.filename.endswith(".jsonl") and info.filename not in LISTS)
            or info.filename != info.orig_filename
            or kind not in (0, stat.S_IFREG)
        ):
            raise _fault("it holds a member of a name or kind that none may have")
        if info.filename in infos:
            raise _fault("two of its members have one name")
        if info.flag_bits & 0x1 or info.compress_type not in (
            zipfile.ZIP_STORED,
            zipfile.ZIP_DEFLATED,
        ):
            raise _fault("a member is encrypted, or packed in another way than ours")
        infos[info.filename] = info
        total += info.file_size
        compressed += info.compress_size
        largest = FILE_BYTES if info.filename.startswith("files/") else LIST_BYTES
        if info.file_size > largest:
            raise _fault("a member is larger than any that we write")
    if total > MOST_TIMES_LARGER * compressed + 1_000_000:
        raise _fault("it would unpack to far more than records do")
    for needed in ("manifest.json", "signature.json"):
        if needed not in infos:
            raise _fault("it has no manifest or no signature")
    return infos


def _manifest(content: bytes) -> dict[str, Any]:
    values = parse_json(content, name="manifest.json")
    kind, version = kind_and_version(values)
    if kind != "exchange":
        raise FormatMismatchError("This is not an exchange file; check its name.")
    if version != VERSION:
        raise UnsupportedError(
            "The exchange file has version {given}, and this program reads version {wanted}; use "
            "the newer version of the program.",
            given=version,
            wanted=VERSION,
        )
    if set(values) != {"schema", "site", "key", "made_at", "shown", "members"}:
        raise _fault("its manifest lacks something, or holds more than it may")
    sound = (
        _text(values["site"], _SITE)
        and _text(values["key"], _KEY)
        and _text(values["made_at"], TIME)
        and values["shown"] in SHOWN
        and isinstance(values["members"], dict)
    )
    if not sound:
        raise _fault("its manifest holds what it cannot hold")
    made: dict[str, Any] = values
    return made


def _check_signature(content: bytes, manifest: Mapping[str, Any], signed: bytes) -> None:
    given = parse_json(content, name="signature.json")
    key, signature = given.get("key"), given.get("signature")
    if (
        key != manifest["key"]
        or not isinstance(signature, str)
        or not file_signature_holds(key, signature, signed)
    ):
        raise _fault("its signature does not hold, so it was changed after it was signed")


def _check_together(parcel: Parcel, count: int) -> None:
    """Check what the parts of a parcel say of each other."""
    by_hash = {entry.hash: entry for entry in parcel.entries}
    if len(by_hash) != count or len(parcel.entries) != count:
        raise _fault("an entry stands in it twice, or follows itself")
    for entry in parcel.entries:
        for before in (*entry.before, *([entry.corrects] if entry.corrects else [])):
            if before in by_hash and by_hash[before].dossier != entry.dossier:
                raise _fault("an entry follows one of another dossier")
        if entry.facts is not None and entry.kind not in SHOWN[parcel.shown]:
            raise _fault("it shows what it says it withholds")
    attached = stored(parcel.entries)
    if attached["document"] != set(parcel.documents) or attached["file"] != set(parcel.files):
        raise _fault("its documents and files are not those that its entries name")
    numbers = {entry.person for entry in parcel.entries} - {""}
    try:
        numbers = numbers.union(*map(numbers_named, parcel.documents.values()))
    except (ValueError, RecursionError):
        raise _fault("a document is damaged") from None
    if numbers != {person.id for person in parcel.people}:
        raise _fault("its persons are not those that its entries name")
    if any(one.entry not in by_hash or not one.holds() for one in parcel.signatures):
        raise _fault("a signature under an entry does not hold")


def _entry(row: Mapping[str, Any]) -> Entry:
    names = {"dossier", "kind", "at", "site", "person", "software", "before", "corrects"}
    if set(row) != names | {"facts_hash", "facts"}:
        raise _fault("an entry lacks something, or holds more than it may")
    if isinstance(row["kind"], str) and row["kind"] not in KINDS:
        raise UnsupportedError(
            "The file holds entries of the kind {kind:quoted}, which this program does not know; "
            "use the newer version of the program.",
            kind=row["kind"],
        )
    before = row["before"]
    sound = (
        isinstance(row["kind"], str)
        and _text(row["dossier"], MARK)
        and _text(row["at"], TIME)
        and _text(row["site"], _SITE)
        and (row["person"] == "" or _text(row["person"], MARK))
        and isinstance(row["software"], str)
        and len(row["software"]) <= 80
        and plain_line(row["software"]) == row["software"]
        and isinstance(before, list)
        and all(_text(one, HASH) for one in before)
        and before == sorted(set(before))
        and bool(before) == (row["kind"] != "opened")
        and (row["corrects"] == "" or _text(row["corrects"], HASH))
        and _text(row["facts_hash"], HASH)
        and (row["facts"] is None or isinstance(row["facts"], str))
    )
    if not sound:
        raise _fault("an entry holds what it cannot hold")
    entry = Entry(**{**row, "before": tuple(before)})
    if entry.facts is not None:
        if sha256(entry.facts) != entry.facts_hash:
            raise _fault("the facts of an entry do not match their hash")
        facts = KINDS[entry.kind].from_dict(parse_json(entry.facts.encode()))
        if canonical(plain(facts)) != entry.facts:
            raise _fault("the facts of an entry are not in the form that is hashed")
    return entry


def _document(row: Mapping[str, Any]) -> tuple[str, str]:
    if set(row) != {"sha256", "content"} or not isinstance(row["content"], str):
        raise _fault("a document lacks something, or holds more than it may")
    if sha256(row["content"]) != row["sha256"]:
        raise _fault("a document does not match its hash")
    return row["sha256"], row["content"]


def _read_person(row: Mapping[str, Any]) -> Person:
    if set(row) != {"id", "name", "salt"} or not all(isinstance(v, str) for v in row.values()):
        raise _fault("a person lacks something, or holds more than they may")
    made = Person(row["id"], row["name"], row["salt"])
    if not (MARK.fullmatch(made.id) and made.sound and len(made.name) <= 200):
        raise _fault("the name of a person is not the one that was filed")
    return made


def _signature(row: Mapping[str, Any]) -> Signature:
    if set(row) != {"entry", "key", "at", "signature"}:
        raise _fault("a signature lacks something, or holds more than it may")
    sound = _text(row["entry"], HASH) and _text(row["key"], _KEY) and _text(row["at"], TIME)
    if not sound or not _text(row["signature"], re.compile("[0-9a-f]{128}")):
        raise _fault("a signature under an entry does not hold")
    return Signature(**row)


def _row(line: bytes) -> dict[str, Any]:
    values: dict[str, Any] = parse_json(line)
    return values


def _text(value: object, pattern: re.Pattern[str]) -> bool:
    return isinstance(value, str) and pattern.fullmatch(value) is not None


def _read(
    packed: zipfile.ZipFile, infos: Mapping[str, zipfile.ZipInfo], name: str, most: int
) -> bytes:
    if infos[name].file_size > most:
        raise _fault("a member is larger than any that we write")
    with packed.open(infos[name]) as stream:
        content = stream.read(infos[name].file_size + 1)
    if len(content) != infos[name].file_size:
        raise _fault("a member is not as long as its directory says")
    return content


def _digest(packed: zipfile.ZipFile, info: zipfile.ZipInfo) -> str:
    digest, count = hashlib.sha256(), 0
    with packed.open(info) as stream:
        for piece in _pieces(stream):
            count += len(piece)
            digest.update(piece)
            if count > info.file_size:
                break
    return digest.hexdigest() if count == info.file_size else ""


def _pieces(stream: IO[bytes]) -> Iterator[bytes]:
    while piece := stream.read(_PIECE):
        yield piece


def _fault(cause: str) -> BrokenFileError:
    return BrokenFileError(
        "The exchange file is refused, and nothing of it was kept: {cause}. Ask for it again.",
        cause=cause,
    )


# ---- taking over ---------------------------------------------------------------------------------


def take_over(
    archive: Archive,
    stream: BinaryIO,
    *,
    trusted: Iterable[str],
    name: str = "",
    progress: Progress = silent,
) -> tuple[Parcel, Absorbed | None]:
    """File what a trusted partner's file holds; None where its key is not trusted."""
    parcel = check(stream, name, progress)
    if parcel.key not in set(trusted):
        return parcel, None
    archive.check_before(parcel.entries)  # no file is kept for entries that are refused
    with zipfile.ZipFile(stream) as packed:
        for number, digest in enumerate(parcel.files):
            progress("Keeping files", number / len(parcel.files))
            with packed.open(f"files/{digest}") as content:
                kept, _ = archive.files.keep(content)
            if kept != digest:
                raise _fault("a file does not match its hash")
    progress("Filing entries", 0.5)
    absorbed = archive.absorb(
        parcel.entries,
        documents=parcel.documents,
        files=parcel.files,
        people=parcel.people,
        signatures=parcel.signatures,
    )
    return parcel, absorbed
