"""The steps of a job, from readings to proof: check, measure, diagnose, plan, sheet, prove."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from datetime import date
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

from evenfall import wording
from evenfall.errors import BrokenFileError, EvenfallError, RequestError
from evenfall.files import read_bytes, read_start, read_text, write_atomically

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping, Sequence

    from evenfall.errors import Finding
    from evenfall.instrument import Specification
    from evenfall.levelling import Diagnosis
    from evenfall.measurement import Measurement
    from evenfall.neck import NeckModel
    from evenfall.pages.typesetting import Paper
    from evenfall.plan import Plan
    from evenfall.proof import Proof
    from evenfall.strings.excursion import ExcursionTable
    from evenfall.units import LengthUnit

KEPT_TABLES = 200
"""Excursion tables kept on disk; the oldest go first."""


# ---- opening what is on disk ------------------------------------------------------------


def check_specification(path: Path) -> tuple[Specification, tuple[Finding, ...]]:
    """Read a specification file.

    Parameters
    ----------
    path
        A TOML file.

    Returns
    -------
    The specification and what is unusual about it.

    Raises
    ------
    SpecificationError
        With every fault in it.
    RequestError, FormatMismatchError, UnsupportedError
        The file cannot be read as text.
    """
    from evenfall.instrument import read_specification

    return read_specification(read_text(path), source=path.name)


def measure(
    files: Sequence[Path], specification: Path, *, serial: str = ""
) -> tuple[Measurement, tuple[Finding, ...]]:
    """Read one set of readings.

    Parameters
    ----------
    files
        Hand sheets of one instrument (CSV or XLSX), or a scan, alone or with sheets.
    specification
        The specification file it is read against.
    serial
        What the instrument is called; may be empty.

    Raises
    ------
    EvenfallError
        A file cannot be used; see `evenfall.readings.of_instrument.read_files`.
    """
    from evenfall.readings.of_instrument import read_files

    spec, remarks = check_specification(specification)
    taken = read_files(files, spec, serial=serial)
    return taken.measurement, (*remarks, *taken.findings)


def open_measurement(
    path: Path, specification: Path | None = None, *, serial: str = ""
) -> tuple[Specification, Measurement, tuple[Finding, ...]]:
    """Open a measurement file, or a hand sheet together with its specification.

    Parameters
    ----------
    path
        A measurement (JSON), or a hand sheet.
    specification
        The specification file; needed for a hand sheet, checked against for a measurement.
    serial
        What the instrument is called, for a hand sheet; a measurement names its own.

    Raises
    ------
    EvenfallError
        The file cannot be used, another specification was named than it was read against, or a
        serial was given for a measurement.
    """
    if not _is_json(path):
        if specification is None:
            raise RequestError(
                "This is not a measurement file; name the specification with --spec to read it "
                "as a hand sheet.",
                where=path.name,
            )
        measurement, findings = measure([path], specification, serial=serial)
        return _own_specification(measurement, path), measurement, findings
    if serial:
        raise RequestError(
            "A measurement file names its instrument already; give the serial when the sheet is "
            "read.",
            where=path.name,
        )
    from evenfall.measurement import Measurement

    with _About(path):
        measurement = Measurement.from_dict(_read_json(path))
    spec = _own_specification(measurement, path)
    if specification is not None:
        named, _ = check_specification(specification)
        if named.content_hash != measurement.specification_hash:
            raise RequestError(
                "The measurement was read against another specification than the one named; "
                "measure again with this one.",
                where=path.name,
            )
    return spec, measurement, ()


def open_plan(path: Path) -> tuple[Specification, Plan]:
    """Open a plan file.

    Parameters
    ----------
    path
        A plan (JSON).

    Raises
    ------
    EvenfallError
        The file is not a plan, or it is damaged.
    """
    from evenfall.plan import Plan

    with _About(path):
        plan_ = Plan.from_dict(_read_json(path))
    return _own_specification(plan_.measurement, path), plan_


def readings_after(
    plan_: Plan, path: Path, *, serial: str = ""
) -> tuple[Measurement, tuple[Finding, ...]]:
    """Open the readings after the work: a measurement file, or a hand sheet.

    Parameters
    ----------
    plan_
        The plan that was carried out; a hand sheet is read against its specification.
    path
        The file.
    serial
        What the instrument is called; by default what the plan calls it.

    Raises
    ------
    EvenfallError
        The file cannot be used.
    """
    if _is_json(path):
        _, measurement, findings = open_measurement(path)
        return measurement, findings
    from evenfall.readings.of_instrument import read_files

    specification = _own_specification(plan_.measurement, path)
    taken = read_files([path], specification, serial=serial or plan_.measurement.serial)
    return taken.measurement, taken.findings


def _own_specification(measurement: Measurement, path: Path) -> Specification:
    from evenfall.instrument import read_specification

    specification, _ = read_specification(
        measurement.specification_text, source=f"specification in {path.name}"
    )
    if specification.content_hash != measurement.specification_hash:
        raise BrokenFileError(
            "The specification inside does not match its hash; make the file anew.",
            where=path.name,
        )
    return specification


def is_plan(path: Path) -> bool:
    """Say whether a file is a plan; any other file is left to its own reader to judge.

    Parameters
    ----------
    path
        The file.

    Raises
    ------
    RequestError
        It cannot be read.
    """
    from evenfall.codec.parsing import kind_and_version

    if not _is_json(path):
        return False
    with _About(path):
        values = _read_json(path)
    return kind_and_version(values)[0] == "plan"


def _is_json(path: Path) -> bool:
    """Say whether a file that is there holds a JSON object rather than a sheet."""
    start = read_start(path, 64)
    return start.lstrip(b"\xef\xbb\xbf \t\r\n")[:1] == b"{"


def _read_json(path: Path) -> Any:
    from evenfall.codec.parsing import JSON_LIMIT_BYTES, parse_json

    return parse_json(read_bytes(path, limit_bytes=JSON_LIMIT_BYTES), name=str(path))


class _About:
    """Say which file an error is about."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __enter__(self) -> None:
        return None

    def __exit__(self, _kind: object, error: object, _trace: object) -> None:
        if isinstance(error, EvenfallError) and not error.where:
            error.where = self.path.name


# ---- the steps --------------------------------------------------------------------------


def diagnose(
    specification: Specification, measurement: Measurement, *, neck: NeckModel | None = None
) -> Diagnosis:
    """Say what is wrong with an instrument and what adjusting alone would cure.

    Parameters
    ----------
    specification
        What it is judged by.
    measurement
        Its readings, with the strings at pitch.
    neck
        What bows the neck, as far as it was measured; see `evenfall.workshop.known_neck`.

    Raises
    ------
    RequestError
        The readings are incomplete.
    """
    from evenfall import levelling

    return levelling.diagnose(
        specification,
        measurement,
        excursion=excursion(specification),
        bow=None if neck is None else neck.rod_bow,
    )


def plan(
    specification: Specification,
    measurement: Measurement,
    *,
    method: str | None = None,
    attack_n: float | None = None,
    budget_mm: float | None = None,
    keep: Collection[str] = (),
    neck: NeckModel | None = None,
) -> Plan:
    """Work out what to adjust, cut or replace.

    Parameters
    ----------
    specification
        What the instrument is to meet.
    measurement
        Its readings, with the strings at pitch.
    method
        Key of `evenfall.plan.METHODS`; the recommended way if left out.
    attack_n
        Attack to bear on every string instead of the specification's [N].
    budget_mm
        Total removal allowed [mm]; then the attack is made as large as that allows.
    keep
        What must stay as it is: any of "relief", "saddle", "nut".
    neck
        What bows the neck, as far as it was measured; see `evenfall.workshop.known_neck`.

    Raises
    ------
    RequestError, SolverError
        As `evenfall.levelling.make_plan`.
    """
    from evenfall.levelling import make_plan

    return make_plan(
        specification,
        measurement,
        method=method,
        attack_n=attack_n,
        budget_mm=budget_mm,
        keep=keep,
        excursion=excursion(specification),
        neck=neck,
    )


def sheet(
    specification: Specification,
    plan_: Plan,
    *,
    unit: LengthUnit | None = None,
    paper: Paper | None = None,
) -> dict[str, bytes]:
    """Make the bench sheet of a plan, as "pdf" and "html".

    Parameters
    ----------
    specification
        The instrument.
    plan_
        The plan.
    unit
        Unit of the removals; the specification's if left out.
    paper
        "a4" or "us-letter"; by default what goes with the unit.
    """
    from evenfall.pages import sheet_html, sheet_pdf
    from evenfall.work import bench_sheet

    content = bench_sheet(specification, plan_)
    shown = unit or specification.unit
    both = unit is None
    drawings = plan_pictures(specification, plan_, unit=unit)
    on_paper = {name: drawings[name] for name in ("removal", "touch force planned")}
    return {
        "pdf": sheet_pdf(content, on_paper, unit=shown, both=both, paper=paper),
        "html": sheet_html(content, on_paper, unit=shown, both=both, paper=paper).encode(),
    }


def prove(
    plan_: Plan,
    specification: Specification,
    measurement: Measurement,
    *,
    attack_n: float | None = None,
) -> Proof:
    """Judge the readings after the work against specification and plan.

    Parameters
    ----------
    plan_
        What was to be done.
    specification
        The plan's specification.
    measurement
        Readings after the work.
    attack_n
        Attack that every position must bear [N]; the specification's if left out.

    Raises
    ------
    RequestError
        Plan and readings do not belong together.
    """
    from evenfall import proof

    attack = None if attack_n is None else [attack_n] * specification.string_count
    return proof.prove(specification, plan_, measurement, excursion(specification), attack_n=attack)


def certificate(
    specification: Specification,
    proof_: Proof,
    *,
    date: str,
    unit: LengthUnit | None = None,
    paper: Paper | None = None,
) -> dict[str, bytes]:
    """Make the certificate of a proof, as "pdf" and "html".

    Parameters
    ----------
    specification
        The instrument.
    proof_
        The proof.
    date
        Date to print, ISO 8601.
    unit
        Unit of the numbers; the specification's if left out.
    paper
        "a4" or "us-letter"; by default what goes with the unit.
    """
    from evenfall import pages

    content = pages.certificate(
        proof_, unit=unit or specification.unit, both=unit is None, date=date
    )
    drawings = proof_pictures(specification, proof_, unit=unit)
    return {
        "pdf": pages.certificate_pdf(content, drawings, paper=paper),
        "html": pages.certificate_html(content, drawings, paper=paper).encode(),
    }


# ---- pictures ---------------------------------------------------------------------------


def diagnosis_pictures(
    specification: Specification, diagnosis: Diagnosis, *, unit: LengthUnit | None = None
) -> dict[str, str]:
    """Draw a diagnosis; SVG text by name.

    Parameters
    ----------
    specification
        The instrument.
    diagnosis
        Its diagnosis.
    unit
        Unit of the numbers; the specification's if left out.
    """
    from evenfall.pictures.fret_map import touch_force_map
    from evenfall.pictures.neck import neck_curve

    return {
        "touch force as found": touch_force_map(
            specification,
            diagnosis.touch_force.force_n,
            diagnosis.attack_n,
            title=f"{specification.name}: touch force as found",
            critical_fret=diagnosis.touch_force.critical_fret,
        ),
        "neck": neck_curve(specification, diagnosis.measurement, unit=unit or specification.unit),
    }


def plan_pictures(
    specification: Specification, plan_: Plan, *, unit: LengthUnit | None = None
) -> dict[str, str]:
    """Draw a plan; SVG text by name.

    Parameters
    ----------
    specification
        The instrument.
    plan_
        Its plan.
    unit
        Unit of the numbers; the specification's if left out.
    """
    import numpy as np

    from evenfall.levelling import trade_off
    from evenfall.pictures.fret_map import removal_map, touch_force_map
    from evenfall.pictures.neck import neck_curve
    from evenfall.pictures.side_view import string_side_view
    from evenfall.pictures.trade_off import trade_off_chart

    shown = unit or specification.unit
    table = excursion(specification)
    string, stopped_fret = _tightest(plan_)
    attack = np.array(specification.player.attack_n)
    return {
        "touch force as found": touch_force_map(
            specification,
            plan_.touch_force_before_n,
            attack,
            title=f"{specification.name}: touch force as found",
        ),
        "touch force planned": touch_force_map(
            specification,
            plan_.touch_force_after_n,
            attack,
            title=f"{specification.name}: touch force planned",
        ),
        "removal": removal_map(specification, plan_, unit=shown),
        "side view": string_side_view(
            specification, plan_, table, string=string, stopped_fret=stopped_fret, unit=shown
        ),
        "neck": neck_curve(specification, plan_.measurement, plan_, unit=shown),
        "trade-off": trade_off_chart(
            trade_off(specification, plan_, excursion=table),
            title=f"{specification.name}: what the limits cost",
            unit=shown,
        ),
    }


def _tightest(plan_: Plan) -> tuple[int, int]:
    """Return string and stopped fret of the note with the lowest touch force as found."""
    import numpy as np

    share = plan_.touch_force_before_n / np.maximum(plan_.attack_n[:, None], 1e-9)
    k, i = np.unravel_index(int(np.argmin(share)), share.shape)
    return int(k) + 1, int(i)


def proof_pictures(
    specification: Specification, proof_: Proof, *, unit: LengthUnit | None = None
) -> dict[str, str]:
    """Draw a proof; SVG text by name.

    Parameters
    ----------
    specification
        The instrument.
    proof_
        Its proof.
    unit
        Unit of the numbers; the specification's if left out.
    """
    from evenfall.pages import deciding_items
    from evenfall.pictures.fret_map import touch_force_map
    from evenfall.pictures.verdicts import verdict_strip

    return {
        "verdict": verdict_strip(
            deciding_items(proof_),
            title=f"{specification.name}: nearest to its limit, of every kind",
            unit=unit or specification.unit,
        ),
        "touch force after work": touch_force_map(
            specification,
            proof_.positions.touch_force_n,
            proof_.attack_n,
            title=f"{specification.name}: touch force after work",
            critical_fret=proof_.positions.critical_fret,
        ),
    }


def write_pictures(drawings: Mapping[str, str], folder: Path) -> list[Path]:
    """Write drawings as SVG and PNG files; return the PNG files.

    Parameters
    ----------
    drawings
        SVG text by name.
    folder
        Where to; made if it is not there.

    Raises
    ------
    RequestError
        A file cannot be written.
    """
    from evenfall.pages import svg_to_png

    make_folder(folder)
    written = []
    for name, svg in drawings.items():
        stem = name.replace(" ", "-")
        write_atomically(folder / f"{stem}.svg", svg)
        write_atomically(folder / f"{stem}.png", svg_to_png(svg, 1600))
        written.append(folder / f"{stem}.png")
    return written


def make_folder(folder: Path) -> None:
    """Make a folder and those it lies in.

    Parameters
    ----------
    folder
        The folder.

    Raises
    ------
    RequestError
        It cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RequestError(
            f"The folder cannot be made ({error.strerror}); choose another.", where=str(folder)
        ) from None


def write_json(path: Path, values: Mapping[str, Any]) -> None:
    """Write plain values as a JSON file.

    Parameters
    ----------
    path
        The file.
    values
        Plain values.

    Raises
    ------
    RequestError
        It cannot be written.
    """
    write_atomically(path, json.dumps(values, indent=1, allow_nan=False) + "\n")


# ---- the invented example ---------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class DemoJob:
    """What the demonstration made.

    Parameters
    ----------
    files
        Every file written.
    picture
        The picture of the result.
    findings
        What was wrong with the instrument.
    plan
        What was done.
    proof
        What the readings after the work show.
    """

    files: tuple[Path, ...]
    picture: Path
    findings: tuple[Finding, ...]
    plan: Plan
    proof: Proof


DEMO_INPUTS = ("kestrel.spec.toml", "kestrel-before.csv", "kestrel-after.csv")
"""Files that the demonstration starts from: specification, readings before and after."""


def demo(folder: Path, *, say: Callable[[str], object]) -> DemoJob:
    """Run the whole job on the invented instrument, step by step, into a folder.

    Parameters
    ----------
    folder
        Where to; made if it is not there. Results of the same name are replaced, files that a
        person may have filled in or changed are not.
    say
        Told each step as it is done.

    Raises
    ------
    RequestError
        A file cannot be written, or one of the demonstration's own was changed.
    """
    from evenfall.workshop.template import write_template

    make_folder(folder)
    given = resources.files("evenfall") / "invented"
    for name in DEMO_INPUTS:
        path = folder / name
        if path.is_file() and path.read_bytes() != (given / name).read_bytes():
            raise RequestError(
                "This file is not as the demonstration writes it, and running it here would undo "
                "the change; name another folder.",
                where=name,
            )
    files: list[Path] = []

    def put(name: str, content: bytes | str) -> Path:
        path = folder / name
        write_atomically(path, content)
        files.append(path)
        return path

    def put_json(name: str, values: Mapping[str, Any]) -> None:
        write_json(folder / name, values)
        files.append(folder / name)

    spec_path, before_path, after_path = (
        put(name, (given / name).read_text(encoding="utf-8")) for name in DEMO_INPUTS
    )
    say("1 specification  kestrel.spec.toml (invented)")
    measurement, _ = measure([before_path], spec_path, serial="AL-0417 (invented)")
    specification, _ = check_specification(spec_path)
    put_json("kestrel.measurement.json", measurement.as_dict())
    template = folder / "empty-sheet.xlsx"
    if not template.exists():  # it may have been filled in since
        write_template(specification, template)
    files.append(template)
    say("2 measure        kestrel-before.csv -> kestrel.measurement.json; empty-sheet.xlsx to fill")
    found = diagnose(specification, measurement)
    say(f"3 diagnose       {found.touching} positions touch below the player's attack")
    made = plan(specification, measurement)
    put_json("kestrel.plan.json", made.as_dict())
    say(f"4 plan           {made.status}: {wording.say(made.reason, specification.unit)}")
    for kind, page in sheet(specification, made).items():
        put(f"kestrel.sheet.{kind}", page)
    say("5 bench sheet    kestrel.sheet.pdf, kestrel.sheet.html")
    after, _ = readings_after(made, after_path)
    shown = prove(made, specification, after)
    put_json("kestrel-after.proof.json", shown.as_dict())
    for kind, page in certificate(specification, shown, date=date.today().isoformat()).items():
        put(f"kestrel-after.certificate.{kind}", page)
    say(f"6 prove          verdict: {shown.verdict}; kestrel-after.certificate.pdf")
    drawings = {
        **plan_pictures(specification, made),
        "verdict": proof_pictures(specification, shown)["verdict"],
    }
    files += write_pictures(drawings, folder / "pictures")
    say(f"7 pictures       {len(drawings)} in {folder / 'pictures'}")
    return DemoJob(
        files=tuple(files),
        picture=folder / "pictures" / "touch-force-planned.png",
        findings=found.findings,
        plan=made,
        proof=shown,
    )


# ---- the excursion table, kept ----------------------------------------------------------


def excursion(specification: Specification) -> ExcursionTable:
    """Return the excursion table of a specification, from disk if it was computed before.

    Parameters
    ----------
    specification
        The instrument.
    """
    import numpy as np

    from evenfall.instrument import string_lines
    from evenfall.strings.excursion import ExcursionTable, excursion_key, excursion_table

    size = specification.frets + 1
    count = specification.string_count
    kept = _cache_folder() / f"excursion-{excursion_key(specification)}.npy"
    try:
        table = np.load(kept, allow_pickle=False)
        if table.shape == (count, size + 1, size) and np.isfinite(table).all():
            return ExcursionTable(table[:, :-1, :], table[:, -1, :])
    except (OSError, ValueError, EOFError):
        pass  # not kept yet, or damaged: compute it
    computed = excursion_table(specification, string_lines(specification))
    table = np.concatenate(
        [computed.excursion_mm_per_n, computed.compliance_mm_per_n[:, None, :]], axis=1
    )
    _keep(kept, table)
    return computed


def _cache_folder() -> Path:
    if named := os.environ.get("EVENFALL_CACHE"):
        return Path(named)
    base = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    return (Path(base) if base else Path.home() / ".cache") / "evenfall"


def _keep(path: Path, table: Any) -> None:
    """Keep a table for next time; a full disk or a read-only home is no reason to stop."""
    import io

    import numpy as np

    stream = io.BytesIO()
    np.save(stream, table, allow_pickle=False)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_atomically(path, stream.getvalue())
        others = sorted(path.parent.glob("excursion-*.npy"), key=lambda p: p.stat().st_mtime)
        for old in others[:-KEPT_TABLES]:
            old.unlink(missing_ok=True)
    except (OSError, EvenfallError):
        pass
