"""The use cases "gauge study" and its sheet: what of a reading is the gauge, what can it judge."""

from __future__ import annotations

import csv
import io
import random
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.codec import plain
from evenfall.errors import At, Finding, Progress, RequestError, silent
from evenfall.instrument import Specification
from evenfall.pictures.inks import Theme
from evenfall.production.gauge import (
    Agreement,
    Bias,
    GaugeStudy,
    Linearity,
    Readings,
    Width,
    agreement,
    agreement_said,
    bias,
    bias_said,
    gauge_study,
    linearity,
    linearity_said,
)
from evenfall.sheets.cells import FILE_LIMIT_BYTES, plain_name
from evenfall.sheets.tidy import TidyTable
from evenfall.units import LengthUnit, read_number
from evenfall.workshop.quality import ReadingsOutcome, ReadingsRequest

if TYPE_CHECKING:
    from evenfall.records import Filing
    from evenfall.workshop.archives import Dossiers
    from evenfall.workshop.opening import Source

StudyMethod = Literal["crossed", "nested", "range", "bias", "linearity", "agreement"]


@dataclass(frozen=True, slots=True)
class GaugeRequest(ReadingsRequest):
    """Which study of a gauge is wanted.

    Parameters
    ----------
    method
        How it is worked out.
    part, person, reference
        Names of the columns that say what was read, by whom, and the known value of the part.
    specification
        Instrument whose limits the gauge is to judge.
    widths
        Further limits by name with their width [mm, or the unit of the readings].
    """

    method: StudyMethod = "crossed"
    part: str = "part"
    person: str = "person"
    reference: str = "reference"
    specification: Source | None = None
    widths: tuple[Width, ...] = ()


@dataclass(frozen=True, slots=True)
class GaugeOutcome(ReadingsOutcome):
    """What a study of a gauge found."""

    made: GaugeStudy | tuple[Bias, ...] | Linearity | Agreement
    readings: Readings | None  # of a study of components, for the picture
    quantity: str
    unit_of_values: str
    limits: tuple[Width, ...]  # that are to be judged

    @property
    def findings_of_result(self) -> tuple[Finding, ...]:
        """The verdict."""
        made = self.made
        if isinstance(made, GaugeStudy):
            return made.findings(self.limits)
        if isinstance(made, Linearity):
            return (linearity_said(made, self.unit_of_values),)
        if isinstance(made, Agreement):
            return (agreement_said(made),)
        return tuple(bias_said(one, self.unit_of_values) for one in made)

    @property
    def to_settle(self) -> bool:
        """Whether something about the gauge is left to settle."""
        return any(finding.severity == "warning" for finding in self.findings)

    def values(self) -> dict[str, Any]:
        """Return the study as plain values."""
        more = {}
        if isinstance(self.made, GaugeStudy):
            more = {
                "standard_uncertainty": self.made.gauge_level,
                "distinct_count": self.made.distinct_count,
                "limits": [
                    {"name": name, "width": width, "share": self.made.share_of(width)}
                    for name, width in self.limits
                ],
            }
        return {
            "schema": "evenfall/gauge@1",
            "quantity": self.quantity,
            "unit": self.unit_of_values,
            "study": plain(self.made),
            **more,
        }

    def drawings(self, unit: LengthUnit, theme: Theme) -> dict[str, Callable[[], str]]:
        """Return what draws the components and the readings of each person."""
        made, readings = self.made, self.readings
        if not isinstance(made, GaugeStudy) or readings is None:
            return {}
        from evenfall.pictures.gauge import gauge_picture

        return {
            "gauge study": lambda: gauge_picture(
                made, readings, self.limits, quantity=self.quantity, unit=unit, theme=theme
            )
        }


def study_gauge(request: GaugeRequest, progress: Progress = silent) -> GaugeOutcome:
    r"""Find out what of a reading is the gauge, and which limits the gauge can judge.

    Parameters
    ----------
    request
        The readings of the study.
    progress
        Told what is being done and how far it is, 0 to 1; it may stop the work.

    Raises
    ------
    RequestError, ReadingsError
        The readings cannot be used, or do not make this study.

    Examples
    --------
    >>> from evenfall.workshop import Source
    >>> head, rows = "part,person,value,unit\n", ""
    >>> for n in range(12):
    ...     rows += f"{n % 3},{'IO'[n // 6]},{n % 3 + 0.01 * (n % 4)},mm\n"
    >>> source = Source("study.csv", (head + rows).encode())
    >>> request = GaugeRequest(source, widths=(Width("action", 0.2),))
    >>> study_gauge(request).findings[1].sentence[:86]
    'The gauge cannot judge action: six of its standard uncertainties take 40 % of the limi'
    """
    progress("Reading", 0.0)
    table = request.read()
    limits = (*_limits_of(request.specification), *request.widths)
    for name, width in limits:
        if not width > 0.0:
            text = "The limits of {name} must be more than nothing wide."
            raise RequestError(text, at=At(field="width"), name=name)
    made: GaugeStudy | tuple[Bias, ...] | Linearity | Agreement
    readings = None
    if request.method == "bias":
        made = _biases(table, request.reference)
    elif request.method == "linearity":
        made = linearity(table.value, _references(table, request.reference))
    elif request.method == "agreement":
        kinds = [f"{value:g}" for value in table.value.tolist()]
        made = agreement(table.factor(request.part), table.factor(request.person), kinds)
    else:
        part = table.factor(request.part)
        person = _persons(table, request.person)
        readings = Readings(table.unit, table.value, part, person)
        made = gauge_study(readings, request.method)
    return GaugeOutcome(
        table.inch, table.findings, made, readings, table.quantity, table.unit, limits
    )


def file_study(
    dossiers: Dossiers, name: str, made: GaugeOutcome, sheet: Source, *, person: str, done: str
) -> str:
    """File a study in the dossier of its gauge, which may be opened by it; return what to say."""
    from evenfall.workshop.archive_requests import AddRequest

    filing = study_filing(made, sheet, person=person, done=done)
    try:
        dossier = dossiers.named(name)
    except RequestError:
        if dossiers.archive.named(f"gauge {name}"):  # several go by it
            raise
        dossier = dossiers.add(AddRequest(subject="gauge", name=name, person=person)).line.dossier
    (line,) = dossiers.lines([dossier])
    if line.subject != "gauge":
        raise RequestError(
            "{line} is not a gauge, so no study is filed there; give the name of the gauge.",
            at=At(field="file-as"),
            line=line.title,
        )
    dossiers.archive.file(dossier, [filing])
    return f"Filed in the dossier of {name}: 1 study."


def study_filing(made: GaugeOutcome, sheet: Source, *, person: str, done: str = "") -> Filing:
    """Return a study as it is filed: what it found, with its sheet."""
    from evenfall.records import Filing
    from evenfall.workshop.archive_requests import read_day

    read_day("done", done)
    study = made.made
    if not isinstance(study, GaugeStudy) or study.unit != "mm":
        raise RequestError(
            "Only a study of lengths by crossed, nested or range gives an uncertainty to file.",
            at=At(field="method"),
        )
    quantity = plain_name(made.quantity)
    facts = {
        "quantity": "" if quantity == "value" else quantity,  # a sheet that names none
        "method": study.method,
        "u_mm": study.gauge_level,
        "parts_count": study.parts_count,
        "persons_count": study.persons_count,
        "trials_count": study.trials_count,
        **({"done": done} if done else {}),
    }
    content = sheet.read(FILE_LIMIT_BYTES)
    return Filing("study", facts, person, files={sheet.name: content})


def _persons(table: TidyTable, name: str) -> tuple[str, ...]:
    """Return who read; without such a column, one person read all."""
    if name == "person" and "person" not in table.factors:
        return ("one person",) * len(table.value)
    return table.factor(name)


def _references(table: TidyTable, name: str) -> FloatArray:
    from evenfall.units import mm_per_unit

    written = table.factor(name)
    units = table.units
    made = []
    for row, text, unit in zip(table.rows, written, units, strict=True):
        try:
            made.append(read_number(text) * (mm_per_unit(unit) if table.unit == "mm" else 1.0))
        except ValueError:
            raise RequestError(
                "Row {row}: the reference {given:quoted} is not a number.",
                at=At(field=name),
                row=row,
                given=text,
            ) from None
    return np.array(made)


def _biases(table: TidyTable, name: str) -> tuple[Bias, ...]:
    """Return the bias at each reference."""
    references = _references(table, name)
    return tuple(bias(table.value[references == one], float(one)) for one in np.unique(references))


def _limits_of(source: Source | None) -> tuple[Width, ...]:
    """Return the limits of a specification file, if there is one."""
    if source is None:
        return ()
    from evenfall.workshop.opening import open_specification

    return widths_of(open_specification(source)[0])


def widths_of(specification: Specification) -> tuple[Width, ...]:
    """Return the limits of a specification with their widths [mm]; the narrowest of the strings."""
    target = specification.target
    several = {"action": target.action, "the first-fret gap": target.first_fret_gap}
    narrowest = {
        name: min(limit.maximum_mm - limit.minimum_mm for limit in of)
        for name, of in several.items()
    }
    relief = target.relief.maximum_mm - target.relief.minimum_mm
    return (Width("relief", relief), *(Width(*pair) for pair in narrowest.items()))


@dataclass(frozen=True, slots=True)
class StudySheetRequest:
    """Which sheet for a study is wanted.

    Parameters
    ----------
    parts, persons
        Their names.
    trials
        How often each person reads each part.
    quantity, unit
        What is read, and in which unit.
    seed
        Of the random order; another one gives another order.
    """

    parts: tuple[str, ...]
    persons: tuple[str, ...]
    trials: int = 3
    quantity: str = ""
    unit: str = "mm"
    seed: int = 0


def study_sheet(request: StudySheetRequest) -> str:
    """Return a sheet to fill in as CSV: each person reads all parts in a random order, and again.

    Parameters
    ----------
    request
        Who reads what.

    Raises
    ------
    RequestError
        There are too few parts, or one is named twice.

    Examples
    --------
    >>> sheet = study_sheet(StudySheetRequest(("1", "2"), ("Ilva",), trials=2))
    >>> sheet.splitlines()[0], len(sheet.splitlines())
    ('order,part,person,quantity,value,unit', 5)
    """
    for names, kind in ((request.parts, "parts"), (request.persons, "persons")):
        if not names:
            raise RequestError("Name the {kind} of the study.", at=At(field=kind), kind=kind)
        if len(set(names)) < len(names):
            raise RequestError("Name each of the {kind} once.", at=At(field=kind), kind=kind)
    if len(request.parts) < 2 or request.trials < 2:
        raise RequestError("A study needs two parts or more, each read twice or more.")
    # chance only decides the order of reading, so that drift and memory do not look like a part
    draw = random.Random(request.seed)  # noqa: S311
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(["order", "part", "person", "quantity", "value", "unit"])
    order = 0
    for _ in range(request.trials):
        for person in draw.sample(request.persons, len(request.persons)):
            for part in draw.sample(request.parts, len(request.parts)):
                order += 1
                writer.writerow([order, part, person, request.quantity, "", request.unit])
    return stream.getvalue()
