"""What takes longer than a page may, for an archive as a whole: verify, copy, exchange."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from evenfall.codec import Content
from evenfall.codec.forms import content_dataclass, finding, part, spoken, text, truth, whole
from evenfall.errors import Finding, RequestError
from evenfall.records.exchange import SHOWN
from evenfall.wording import Sentence
from evenfall.workshop.opening import Source

if TYPE_CHECKING:
    from evenfall.workshop.archive_views import Imported
    from evenfall.workshop.tasks import Task, Work

_MOST = 10**12
FORMS: Mapping[str, str] = {
    "dossiers": "dossiers.zip",
    "qif": "results.qif",
    "csv": "tables-csv.zip",
    "parquet": "tables-parquet.zip",
}
"""What may be exported, and the name of the file that it becomes."""


@content_dataclass()
class SeenWhole(Content):
    """What a verification saw."""

    sound: bool = truth("whether everything is as it was filed")
    entries: int = whole(0, _MOST, "entries")
    dossiers: int = whole(0, _MOST, "dossiers")
    documents: int = whole(0, _MOST, "documents")
    kept_files: int = whole(0, _MOST, "files beside the database")
    signatures: int = whole(0, _MOST, "signatures")
    unsigned: int = whole(0, _MOST, "dossiers with an entry not signed yet")
    findings: tuple[Finding, ...] = finding("what is not as it was filed")


@content_dataclass()
class Parted(Content):
    """What a partner's file holds for one dossier."""

    title: str = text("number and name", longest=1000)
    entries: int = whole(0, _MOST, "entries of it in the file")
    new: int = whole(0, _MOST, "of them, those that are not here")
    completed: int = whole(0, _MOST, "of them, those whose facts are not here")


@content_dataclass()
class Sent(Content):
    """What a partner's file holds, and what came of it."""

    key: str = text("key that signed it", longest=64)
    trusted: bool = truth("whether the key is trusted here")
    shown: str = text("what the partner shows", longest=60)
    made_at: str = text("when it was made", longest=60)
    entries: int = whole(0, _MOST, "entries in it")
    dossiers: int = whole(0, _MOST, "dossiers in it")
    filed: bool = truth("whether it was filed")
    new: int = whole(0, _MOST, "entries that were new")
    known: int = whole(0, _MOST, "entries that were known")
    completed: int = whole(0, _MOST, "entries whose facts were new")
    coming: tuple[Parted, ...] = part(Parted, "by dossier", "*")
    collisions: tuple[Sentence, ...] = spoken("numbers that collide", "*")


def _verify(work: Work) -> dict[str, Any]:
    """Look at every byte that was filed."""
    seen = work.dossiers.verify(sign=bool(work.asked.get("sign")), progress=work.progress)
    counts = (seen.entries, seen.dossiers, seen.documents, seen.files, seen.signatures)
    return SeenWhole(seen.sound, *counts, seen.unsigned, seen.findings).as_dict()


def _backup(work: Work) -> dict[str, Any]:
    """Copy the archive into a new folder."""
    to = str(work.asked["to"])
    copied = work.dossiers.backup(to, work.progress)
    return {"entries": copied.rows["entry"], "sha256": copied.sha256, "to": to}


def _export(work: Work) -> dict[str, Any]:
    """Write dossiers into one file: for a partner, in a standard's form, or as tables."""
    names = [str(name) for name in work.asked.get("names", ())]
    form, shown = str(work.asked.get("form")), str(work.asked.get("shown"))
    if form not in FORMS or shown not in SHOWN:
        raise RequestError("This form of export is not known; choose one of the page.")
    to = work.out(FORMS[form])
    told: dict[str, Any] = {"files": [to.name]}
    if form == "dossiers":
        entries, in_full = work.dossiers.export(names, to, shown=shown, progress=work.progress)
        return {**told, "entries": entries, "in_full": in_full}
    if form == "qif":
        to.write_bytes(work.dossiers.results(names, work.progress))
        return told
    tables = to.with_suffix("")
    made = work.dossiers.extract(
        names, tables, "csv" if form == "csv" else "parquet", progress=work.progress
    )
    shutil.make_archive(str(tables), "zip", tables)
    shutil.rmtree(tables)
    return {**told, "rows": made}


def _look(work: Work) -> dict[str, Any]:
    """Say what a partner's file would come to."""
    (sent,) = work.files
    return _sent(work.dossiers.look(sent, progress=work.progress))


def _import(work: Work) -> dict[str, Any]:
    """File what a partner sent, after somebody looked at it."""
    (sent,) = [Source(path.name, path=path) for path in Path(work.asked["folder"]).glob("*/*")]
    key = str(work.asked.get("trust_key", ""))
    return _sent(work.dossiers.import_(sent, trust_key=key, progress=work.progress))


_AS_MADE = ("key", "trusted", "shown", "made_at", "entries", "dossiers", "collisions")


def _sent(made: Imported) -> dict[str, Any]:
    absorbed = made.absorbed
    return Sent(
        **{name: getattr(made, name) for name in _AS_MADE},
        filed=absorbed is not None,
        new=absorbed.new if absorbed else 0,
        known=absorbed.known if absorbed else 0,
        completed=absorbed.completed if absorbed else 0,
        coming=tuple(
            Parted(one.line.title or one.line.dossier[:12], one.entries, one.new, one.completed)
            for one in made.coming
        ),
    ).as_dict()


ARCHIVE_KINDS: Mapping[str, tuple[str, Task]] = {
    "verify": ("Verifying the archive", _verify),
    "backup": ("Copying the archive", _backup),
    "export": ("Writing the export", _export),
    "look": ("Looking at what a partner sent", _look),
    "import": ("Filing what a partner sent", _import),
}
