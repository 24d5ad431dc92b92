"""What files become in an archive: entries with what the story of an instrument shows of them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.codec import FileContent, parse_json
from evenfall.codec.parsing import kind_and_version
from evenfall.errors import At, EvenfallError, FormatMismatchError, RequestError
from evenfall.gates import Accepted
from evenfall.instrument import Specification, read_specification, string_lines
from evenfall.measurement import Measurement
from evenfall.neck import default_bow
from evenfall.plan import Plan
from evenfall.proof import Proof
from evenfall.records.archive import Filing
from evenfall.records.entries import Entry
from evenfall.records.kept import hash_of
from evenfall.strings.clearance import open_gap_mm

if TYPE_CHECKING:
    from evenfall.workshop.opening import Source

LARGEST_FILE_BYTES = 4_000_000_000
DOCUMENTS: dict[str, type[FileContent]] = {kind.KIND: kind for kind in (Measurement, Plan, Proof)}
_ENDINGS = {
    "scan": ".parquet .ply .stl .obj .e57 .x3p .tif .tiff .npy .npz .xyz",
    "readings": ".csv .xlsx",
    "page": ".pdf .html",
    "photo": ".jpg .jpeg .png .webp .heic",
    "program": ".ngc .nc .tap .gcode",
}


@dataclass(frozen=True, slots=True)
class Papers:
    """What one file holds for the dossier of one instrument, oldest first."""

    serial: str
    model: str
    filings: tuple[Filing, ...]


def papers_of(source: Source, *, person: str = "") -> Papers:
    """Return what a file holds: a document of ours with all it was made from, or a file to keep."""
    start = source.start(64).lstrip(b"\xef\xbb\xbf \t\r\n")
    if start[:1] == b"{":
        try:
            values = parse_json(source.read(LARGEST_FILE_BYTES), name=source.name)
            kind = kind_and_version(values)[0]
            if kind in DOCUMENTS:
                return papers_of_document(DOCUMENTS[kind].from_dict(values), person=person)
        except EvenfallError as error:
            error.at = error.at.in_file(source.name)
            raise
    name = PurePath(source.name).name
    ending = PurePath(name).suffix.lower()
    if ending == ".toml":
        specification, _ = read_specification(source.text(), source=source.name)
        filing = _specification(specification, source.text(), person)
        return Papers("", specification.name, (filing,))
    if kind := kind_of_file(name):
        return papers_of_file(kind, source, person=person)
    raise FormatMismatchError(
        "Nothing of this kind is kept in a dossier; file a specification, measurement, plan, "
        "proof, scan, program, page (PDF, HTML) or photo.",
        at=At(file=source.name),
    )


def kind_of_file(name: str) -> str:
    """Return as what a file to keep is filed, by the ending of its name; "" for none."""
    ending = PurePath(name).suffix.lower()
    return next((kind for kind, known in _ENDINGS.items() if ending in known.split()), "")


def require_readings(names: Iterable[str]) -> None:
    """Refuse files that could not be filed as readings or as a scan, before they are read."""
    for name in names:
        if kind_of_file(name) not in ("readings", "scan"):
            raise RequestError(
                "{name:quoted} cannot be filed under this name: readings end in {readings:or}, "
                "scans in {scans:or}. Save it as one of these, and choose it again.",
                name=name,
                readings=tuple(_ENDINGS["readings"].split()),
                scans=tuple(_ENDINGS["scan"].split()),
            )


def papers_of_file(kind: str, source: Source, *, person: str = "") -> Papers:
    """Return a file to keep as it is, as an entry of a kind."""
    name = PurePath(source.name).name[:200]
    source.start(1)  # so that what is not there is said at once
    content = source.on_disk if source.content is None else source.content
    return Papers("", "", (Filing(kind, {"title": name}, person, files={name: content}),))


def papers_of_document(made: FileContent, *, person: str = "", read_before: str = "") -> Papers:
    """Return what a measurement, plan or proof holds for its dossier.

    `read_before` is the content hash of the measurement that one reads again from the same files.
    """
    if isinstance(made, Measurement):
        return Papers(made.serial, made.model, tuple(_measurement(made, person, read_before)))
    if isinstance(made, Plan):
        measured = made.measurement
        filings = (
            *_measurement(measured, person),
            _plan(made, person),
            *_accepted(made.content_hash, made.accepted, person),
        )
        return Papers(measured.serial, measured.model, filings)
    assert isinstance(made, Proof)  # noqa: S101 (there is no other kind)
    own = [one for one in made.accepted if not one.with_plan]
    filings = (_proof(made, person), *_accepted(made.content_hash, own, person))
    return Papers(made.serial, made.model, filings)


def mark_of(filing: Filing) -> str:
    """Return what a document or a file to keep is known again by; "" for any other filing."""
    for content in filing.files.values():
        return f"{filing.kind} {hash_of(content)}"
    if filing.kind == "accepted":
        return _accepted_mark(filing.facts)
    return str(filing.facts.get("content_hash", ""))


def marks_of(entry: Entry) -> set[str]:
    """Return what the document or the files of an entry are known again by."""
    if entry.facts is None:
        return set()
    if entry.kind == "accepted":
        return {_accepted_mark(entry.values)}
    files = {one["sha256"] for one in entry.attached if one["store"] == "file"}
    content_hash = str(entry.values.get("content_hash", ""))
    return {f"{entry.kind} {digest}" for digest in files} | {content_hash} - {""}


def _specification(specification: Specification, text: str, person: str) -> Filing:
    facts = {"title": specification.name[:200], "content_hash": specification.content_hash}
    return Filing("specification", facts, person, documents={"specification.toml": text})


def _measurement(made: Measurement, person: str, read_before: str = "") -> list[Filing]:
    specification, _ = read_specification(made.specification_text, source="")
    facts = {
        **_head(made, specification.content_hash, *filter(None, [read_before])),
        **_figures(
            specification, made.nut_mm, made.crown_top_mm, made.saddle_mm, made.crown_height_mm
        ),
        **_air(made),
    }
    return [
        _specification(specification, made.specification_text, person),
        _document(made, facts, person),
    ]


def _plan(made: Plan, person: str) -> Filing:
    measured = made.measurement
    specification, _ = read_specification(measured.specification_text, source="")
    facts = {
        **_head(made, measured.specification_hash, measured.content_hash),
        "status": made.status,
        **_figures(
            specification,
            made.nut_after_mm,
            made.crown_top_after_mm,
            made.saddle_after_mm,
            made.crown_height_after_mm,
        ),
        **_known(
            metal_mm=made.metal_mm,
            crown_spread_mm=float(np.ptp(made.stands_out_mm)),
            margin_percent=next(
                (one.lowest_margin_percent for one in made.methods if one.method == made.method),
                math.nan,
            ),
        ),
        **_air(measured),
    }
    return _document(made, facts, person)


def _proof(made: Proof, person: str) -> Filing:
    def values(quantity: str) -> list[float]:
        return [item.value for item in made.items if item.quantity == quantity]

    action = {item.string: item.value for item in made.items if item.quantity == "action"}
    crowns = [i for i in made.items if i.quantity == "crown-height" and math.isfinite(i.value)]
    worst = min(crowns, key=lambda item: item.value, default=None)
    relief = values("relief")
    facts = {
        **_head(
            made, made.specification_hash, made.plan_hash, made.after_hash, *made.worked_hashes
        ),
        "status": made.verdict,
        **_known(
            relief_mm=relief[0] if relief else math.nan,
            action_treble_mm=action.get(1, math.nan),
            action_bass_mm=action.get(len(made.attack_n), math.nan),
            lowest_crown_mm=worst.value if worst else math.nan,
            fret_life_mm=worst.value - worst.lower if worst else math.nan,
        ),
    }
    return _document(made, facts, person)


def _accepted(document: str, accepted: Sequence[Accepted], person: str) -> Iterator[Filing]:
    """Yield what was accepted for a plan or proof, each by who accepted it."""
    for one in accepted:
        facts = {"document": document, "code": one.code, "place": one.at, "reason": one.reason}
        yield Filing("accepted", facts, one.person or person)


def _accepted_mark(facts: Mapping[str, Any]) -> str:
    return " ".join(("accepted", facts["document"], facts["code"], facts["place"]))


def _head(made: FileContent, specification_hash: str, *follows: str) -> dict[str, Any]:
    return {
        "content_hash": made.content_hash,
        "schema": made.schema(),
        "specification": specification_hash,
        "follows": list(follows),
    }


def _document(made: FileContent, facts: dict[str, Any], person: str) -> Filing:
    return Filing(made.KIND, facts, person, documents={f"{made.KIND}.json": made.as_dict()})


def _figures(
    specification: Specification,
    nut_mm: FloatArray,
    crown_top_mm: FloatArray,
    saddle_mm: FloatArray,
    crown_height_mm: FloatArray,
) -> dict[str, float]:
    lines = string_lines(specification)
    action = open_gap_mm(lines, nut_mm, crown_top_mm, saddle_mm, specification.scale.reference_fret)
    known = crown_height_mm[np.isfinite(crown_height_mm)]
    lowest = float(known.min()) if known.size else math.nan
    return _known(
        relief_mm=default_bow(specification, lines).relief_mm(crown_top_mm),
        action_treble_mm=float(action[0]),
        action_bass_mm=float(action[-1]),
        lowest_crown_mm=lowest,
        fret_life_mm=lowest - specification.fretwire.least_crown_height_mm,
    )


def _air(made: Measurement) -> dict[str, float]:
    return _known(
        humidity_percent=made.humidity_percent, temperature_celsius=made.temperature_celsius
    )


def _known(**figures: float) -> dict[str, float]:
    """Return the figures that are known, lengths to a tenth of a micrometre."""
    return {name: round(value, 4) + 0.0 for name, value in figures.items() if math.isfinite(value)}


def new_only(filings: Sequence[Filing], known: set[str]) -> list[Filing]:
    """Return what is to be filed of some filings; what is there already is left out."""
    fresh = []
    for filing in filings:
        named = mark_of(filing)
        if not named or named not in known:
            fresh.append(filing)
            known.add(named)
    return fresh
