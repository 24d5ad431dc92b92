"""The use case "archive example": three years of two invented workshops, as an archive to look at.

Six instruments come in, are set up, proved and read again; a contract partner finds a fault, and
judges twelve lots; gauges are calibrated, wire comes in and is fitted. Every step is done by the
use cases themselves, on true necks that are read with seeded errors: the same documents and dates
each time. Makers, persons and numbers are invented, and every model says so in its name, which
every page shows. Three guitars are in work on the last day.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from evenfall.arrays import FloatArray, shut
from evenfall.errors import At, Progress, RequestError, silent
from evenfall.instrument import Specification, read_specification, string_lines
from evenfall.instrument.starters import starter
from evenfall.levelling.ideal import ideal_neck
from evenfall.neck import default_bow
from evenfall.neck.bow import relief_point, straightedge_gap_mm
from evenfall.plan import Plan
from evenfall.records.engines import Address
from evenfall.strings.clearance import open_gap_mm
from evenfall.wording import Sentence, say, sentence
from evenfall.workshop.archive_requests import AddRequest, NoteRequest
from evenfall.workshop.archives import Dossiers, archive
from evenfall.workshop.examples import file_examples
from evenfall.workshop.kept import excursion
from evenfall.workshop.lot_judging import JudgeRequest
from evenfall.workshop.lot_keeping import agreement, keep_lot, proposed
from evenfall.workshop.measuring import MeasureRequest, measure
from evenfall.workshop.opening import Source
from evenfall.workshop.outputs import json_file
from evenfall.workshop.partner_lots import answer_shared, lot_seen, share_lot
from evenfall.workshop.planning import PlanRequest, plan
from evenfall.workshop.proving import ProveRequest, prove

DIAL_U_MM, CALIPER_U_MM, HAND_U_MM = 0.004, 0.01, 0.02
"""Standard uncertainty of the invented readings: height gauge; height of a crown over the board;
feeler and straightedge."""
MISS_MM = 0.003
"""How far the invented hands miss what a plan asks for, at one standard deviation."""
YARD, ROW, PARTNER = "Q. Ulbrenq", "M. Tessquin", "Quandlemere, receiving"
"""Who works at Ulqor Yard, at Tessque Row and at the contract partner; invented."""
GAUGES = {YARD: "height gauge 3 (invented)", ROW: "height gauge 5 (invented)"}
WIRE = "W-12 (invented)"
SUPPLIER, MODEL, RECEIVER = "Tessque Row (invented)", "Tesquil", "Quandlemere"
"""Whose lots of what the partner takes over."""
LOTS_FOUND = (0, 1, 0, 2, 1, 3, 0, 1, 0, 0, 1, 0)
"""Nonconforming in the samples of twelve lots, one a week: two not accepted tighten inspection."""
_PIECES, _AQL_PERCENT = 90, 4.0


@dataclass(frozen=True, slots=True, eq=False)
class _Neck:
    """One invented instrument as it truly is, K strings over F frets; heights in mm."""

    text: str  # of its specification
    nut_mm: FloatArray  # (K,)
    crown_top_mm: FloatArray  # (K, F)
    saddle_mm: FloatArray  # (K,)
    crown_height_mm: FloatArray  # (K, F)
    specification: Specification = field(repr=False)

    def __post_init__(self) -> None:
        shut(self)

    @property
    def bow_mm_per_mm(self) -> FloatArray:
        """What the rod does to the crowns, shape (K, F)."""
        return default_bow(self.specification, string_lines(self.specification)).frets

    def lifted(self, fret: int, treble_mm: float, bass_mm: float) -> _Neck:
        """Return the neck with a fret that stands up, evenly from its treble to its bass end."""
        top = self.crown_top_mm.copy()
        top[:, fret - 1] += np.linspace(treble_mm, bass_mm, len(top))
        return replace(self, crown_top_mm=top)

    def bowed(self, relief_mm: float) -> _Neck:
        """Return the neck with more relief."""
        return replace(self, crown_top_mm=self.crown_top_mm + relief_mm * self.bow_mm_per_mm)

    def played(self, wear_mm: float) -> _Neck:
        """Return the neck with its first frets worn, most under the middle strings."""
        count, frets = self.crown_top_mm.shape
        along = np.exp(-np.arange(frets) / 4.0)
        across = 1.0 - 0.5 * np.abs(np.linspace(-1.0, 1.0, count))
        lost = wear_mm * across[:, None] * along
        top, height = self.crown_top_mm - lost, self.crown_height_mm - lost
        return replace(self, crown_top_mm=top, crown_height_mm=height)

    def worked(self, made: Plan, chance: np.random.Generator) -> _Neck:
        """Return the neck after the work of a plan, give or take what hands miss.

        Of a plan whose settings are to be read again only rod and saddle are moved.
        """

        def missed(asked: FloatArray | float) -> FloatArray:
            asked = np.asarray(asked, dtype=float)
            return np.where(
                asked == 0.0, 0.0, asked + MISS_MM * chance.standard_normal(asked.shape)
            )

        found = made.measurement
        later = 0.0 if made.part == "settings" else 1.0
        removal = np.maximum(missed(later * np.nan_to_num(made.removal_mm)), 0.0)
        bent = missed(made.relief_change_mm) * self.bow_mm_per_mm
        return replace(
            self,
            nut_mm=self.nut_mm + missed(later * (made.nut_after_mm - found.nut_mm)),
            saddle_mm=self.saddle_mm + missed(made.saddle_after_mm - found.saddle_mm),
            crown_top_mm=self.crown_top_mm + bent - removal,
            crown_height_mm=self.crown_height_mm - removal,
        )

    def sheet(self, chance: np.random.Generator) -> str:
        """Return what somebody reads on it, as a hand sheet (CSV)."""
        return "".join(f"{row}\n" for row in self._rows(chance))

    def _rows(self, chance: np.random.Generator) -> Iterator[str]:
        spec, lines = self.specification, string_lines(self.specification)
        count, frets = self.crown_top_mm.shape

        def read(true_mm: float, u_mm: float, digits: int) -> str:
            return f"{true_mm + u_mm * chance.standard_normal():.{digits}f},mm,{u_mm},strung"

        yield f"# {spec.name}. Invented: the workshop, the model and every reading."
        yield "quantity,string,fret,value,unit,uncertainty,state"
        reference = spec.scale.reference_fret
        action = open_gap_mm(lines, self.nut_mm, self.crown_top_mm, self.saddle_mm, reference)
        for k in (0, count - 1):
            yield f"action,{k + 1},{reference},{read(action[k], HAND_U_MM, 2)}"
        fret, string = relief_point(spec, lines)
        gaps = straightedge_gap_mm(lines, self.crown_top_mm, spec.target.relief_over)
        yield f"relief,{string},{fret},{read(float(gaps[string - 1, fret - 1]), HAND_U_MM, 2)}"
        for k in range(count):
            yield f"nut_slot,{k + 1},,{read(self.nut_mm[k], DIAL_U_MM, 3)}"
            yield f"saddle,{k + 1},,{read(self.saddle_mm[k], DIAL_U_MM, 3)}"
        for k, j in np.ndindex(count, frets):
            yield f"crown_top,{k + 1},{j + 1},{read(float(self.crown_top_mm[k, j]), DIAL_U_MM, 3)}"
        for k, j in np.ndindex(count, frets):
            height = read(float(self.crown_height_mm[k, j]), CALIPER_U_MM, 2)
            yield f"crown_height,{k + 1},{j + 1},{height}"
        yield f"crown_again,1,1,{read(self.crown_top_mm[0, 0], DIAL_U_MM, 3)}"


class _Years:
    """Two workshops at work: each step files what it made, at the time it was done."""

    def __init__(self, address: str, progress: Progress) -> None:
        self._time, self._minute = "", 0
        self.progress = progress
        self.chance = np.random.default_rng(417)
        self.dossiers: Dossiers = archive(address, make=True, clock=self._clock)

    def _clock(self) -> str:
        self._minute += 1
        return f"{self._time}T{8 + self._minute // 60:02d}:{self._minute % 60:02d}:00.000000Z"

    def on(self, day: str) -> None:
        """Begin a day."""
        self._time, self._minute = day, 0

    def note(self, name: str, words: str, person: str, **facts: object) -> None:
        """Write into a dossier."""
        self.dossiers.note(NoteRequest(name, words, person, facts=facts))

    def calibrated(self, person: str, until: str, words: str) -> None:
        """Have somebody's gauge calibrated."""
        self.note(GAUGES[person], words, person, date=self._time, valid_until=until)

    def neck(self, kind: str, worn_mm: float = 0.04) -> _Neck:
        """Return a neck of a starter that is level and at its targets, its wire a little used."""
        text = starter(kind)
        spec, _ = read_specification(text)
        ideal = ideal_neck(spec, excursion(spec, self.progress))
        height = np.full_like(ideal.crown_top_mm, spec.fretwire.crown_height_mm - worn_mm)
        return _Neck(text, ideal.nut_mm, ideal.crown_top_mm, ideal.saddle_mm, height, spec)

    def read(self, neck: _Neck, serial: str, person: str) -> Source:
        """Read an instrument, file what was read, and return it."""
        sheet = Source(f"{serial}-{self._time}.csv", neck.sheet(self.chance).encode())
        spec = Source(f"{serial}.spec.toml", neck.text.encode())
        found = measure(MeasureRequest((sheet,), spec, serial), self.progress).measurement
        self.dossiers.file(found, files=(sheet,), person=person)
        return Source(f"{serial}.measurement.json", json_file(found.as_dict()))

    def job(self, neck: _Neck, serial: str, person: str, days: tuple[str, ...]) -> _Neck:
        """Read, plan, work, and prove, on the days given; return the neck as it leaves."""
        settled = False
        for day in days[:-1]:
            self.on(day)
            readings = self.read(neck, serial, person)
            made = plan(PlanRequest(readings, settled=settled), self.progress).plan
            self.dossiers.file(made, person=person)
            if made.status not in ("settings", "cut"):
                break
            done = say(sentence("Done as planned. {plan}", plan=made.headline))
            if made.part == "settings":
                done = say(sentence("Set as planned: {what}, tuned.", what=made.moving))
            self.note(serial, done, person, station="bench", gauge=GAUGES[person])
            neck = neck.worked(made, self.chance)
            settled = True
        self.on(days[-1])
        sheet = Source(f"{serial}-{self._time}.csv", neck.sheet(self.chance).encode())
        planned = Source(f"{serial}.plan.json", json.dumps(made.as_dict()).encode())
        proved = prove(ProveRequest(planned, sheet), self.progress)
        self.dossiers.file(proved.after, proved.proof, files=(sheet,), person=person)
        return neck


@dataclass(frozen=True, slots=True)
class ExampleOutcome:
    """What the example archive holds."""

    address: str  # of the archive
    dossiers: int  # how many there are in it
    steps: tuple[Sentence, ...]  # what happened in those years, in words


def example_archive(address: str, progress: Progress = silent) -> ExampleOutcome:
    """Make an archive of six invented instruments over three years, and of three in work.

    Parameters
    ----------
    address
        A folder that is not there yet.
    progress
        Told what is being done; it may stop the work.

    Raises
    ------
    RequestError
        There is something at the address.

    Examples
    --------
    >>> import evenfall as ef
    >>> ef.example_archive(".")
    Traceback (most recent call last):
    evenfall.errors.RequestError: .: There is something here already; name a folder that is not.
    """
    if Path(address).exists():
        text = "There is something here already; name a folder that is not."
        raise RequestError(text, at=At(file=address))
    if Address.read(address).folder is None:
        text = "The example is made in a folder; name one that is not there yet."
        raise RequestError(text, at=At(file=address))
    try:
        years = _Years(address, progress)
        with years.dossiers as dossiers:
            steps = tuple(_three_years(years))
            count = sum(1 for _ in dossiers.archive.dossiers())
    except BaseException:
        shutil.rmtree(address, ignore_errors=True)  # whole or not at all
        raise
    return ExampleOutcome(address, count, steps)


def _three_years(years: _Years) -> Iterator[Sentence]:
    """Let three years pass, and say what happens."""
    years.on("2023-05-08")
    for person, name in GAUGES.items():
        years.dossiers.add(AddRequest(subject="gauge", name=name, person=person))
        years.calibrated(person, "2024-05-07", "Within its limits over the whole range.")
    yield sentence("2023  Ulqor Yard and Tessque Row have their gauges calibrated.")

    electric = years.neck("electric").bowed(0.16).lifted(7, 0.02, 0.13)
    electric = years.job(electric, "UY-0431", YARD, ("2023-06-12", "2023-06-14", "2023-06-15"))
    yield sentence("2023  UY-0431, electric guitar: the rod, then a fret that has lifted.")
    ukulele = years.neck("ukulele").lifted(5, 0.13, 0.05)
    ukulele = years.job(ukulele, "TR-0057", ROW, ("2023-11-20", "2023-11-21"))
    yield sentence("2023  TR-0057, re-entrant ukulele: a high fret.")
    years.job(
        years.neck("bass").lifted(4, 0.03, 0.14), "UY-0438", YARD, ("2024-01-15", "2024-01-17")
    )
    yield sentence("2024  UY-0438, bass: a high fret.")
    years.on("2024-05-06")
    years.calibrated(YARD, "2025-05-05", "Reads 0.002 mm high at 20 mm.")
    years.note(GAUGES[YARD], "", YARD, standard="20 mm", reference_mm=20.0, read_mm=20.002)
    mandolin = years.neck("mandolin").lifted(6, 0.02, 0.12)
    years.job(mandolin, "TR-0063", ROW, ("2024-05-27", "2024-05-29"))
    yield sentence("2024  TR-0063, mandolin of four courses: a high fret.")

    years.on("2024-09-02")
    years.dossiers.add(AddRequest(subject="wire batch", name=WIRE, person=YARD))
    received = {"amount": "12 m", "material": "nickel silver", "crown_height_mm": 1.2}
    years.note(WIRE, "Two coils.", YARD, **received)
    years.job(years.neck("seven-string", 0.0), "UY-0452", YARD, ("2024-09-09", "2024-09-10"))
    years.note("UY-0452", "Frets 1 to 24.", YARD, part=WIRE)
    yield sentence("2024  UY-0452, seven strings, fanned frets: new wire of a batch that came in.")
    yield from _third_year(years, electric, ukulele)


def _third_year(years: _Years, electric: _Neck, ukulele: _Neck) -> Iterator[Sentence]:
    """Let the last instrument come in, and the first ones come back."""
    acoustic = years.neck("acoustic").bowed(-0.14)
    acoustic = years.job(acoustic, "TR-0071", ROW, ("2025-03-03", "2025-03-05", "2025-03-06"))
    years.on("2025-05-05")
    for person in GAUGES:
        years.calibrated(person, "2026-05-04", "Within its limits over the whole range.")
    years.on("2025-06-16")
    acoustic = acoustic.lifted(9, 0.14, 0.03)
    years.read(acoustic, "TR-0071", PARTNER)
    found = "Found on receipt: string 1 buzzes stopped at fret 8, fret 9 stands high. Sent back."
    years.note("TR-0071", found, PARTNER)
    years.job(acoustic, "TR-0071", ROW, ("2025-06-30", "2025-07-01"))
    yield sentence("2025  TR-0071, acoustic guitar: the partner finds a fret that has lifted.")

    _lots(years)
    yield sentence("2025  The partner inspects twelve lots: tightened after two, normal again.")

    years.on("2025-10-20")
    years.read(electric.played(0.12).bowed(0.04), "UY-0431", YARD)
    years.note("UY-0431", "Read again after two years of playing.", YARD)
    years.on("2026-02-09")
    years.read(ukulele.played(0.03), "TR-0057", ROW)
    years.note("TR-0057", "New strings of the same set; read again.", ROW)
    yield sentence("2026  UY-0431 and TR-0057 have been read again: a little wear.")
    years.on("2026-05-04")
    file_examples(years.dossiers, at="2026-05-04T09:00:00Z")
    yield sentence("2026  UY-0415 to UY-0417, three guitars, are in work.")


def _lots(years: _Years) -> None:
    """Let the partner judge lots of a model, accept the last, and see it shared."""
    agreed = agreement(SUPPLIER, MODEL, receiver=RECEIVER, aql_percent=_AQL_PERCENT)
    lots = proposed(agreed, None)
    first = date(2025, 7, 8)
    for n, found in enumerate(LOTS_FOUND):
        years.on((first + timedelta(weeks=n)).isoformat())
        name = f"TL-{n + 1:02d}"
        lot = JudgeRequest(SUPPLIER, MODEL, _PIECES, name=name, found=(found,), person=PARTNER)
        lots = keep_lot(years.dossiers, lots, lot)
    last = lots.lots[-1]
    shared = share_lot(years.dossiers, "", RECEIVER, (), kept=f"{lots.dossier}:{last.entry}")
    seen = lot_seen(years.dossiers, shared.key)
    answer_shared(years.dossiers, seen, "accepted", person=PARTNER)
