"""The use case "prove": the verdict after the work, and its certificate."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from evenfall import pages, proof
from evenfall.codec import parse_json, plain, with_words
from evenfall.errors import Finding, Progress, silent
from evenfall.gates import accepted_gates
from evenfall.measurement import Measurement
from evenfall.pages.typesetting import Paper
from evenfall.pictures.inks import Theme
from evenfall.proof import Proof
from evenfall.units import LengthUnit
from evenfall.wording import LIBRARY_WORDS, Sentence
from evenfall.work.cautions import cautions
from evenfall.work.notes import gauges_of
from evenfall.workshop.kept import excursion
from evenfall.workshop.opening import Source, open_another, open_plan, open_worked
from evenfall.workshop.outputs import Outcome

_MOST_BYTES = 100_000_000


@dataclass(frozen=True, slots=True)
class ProveRequest:
    """Which work to judge.

    Parameters
    ----------
    plan
        Plan file that the work followed.
    readings
        Readings after the work: a measurement file, or a hand sheet.
    attack_n
        Attack that every position is judged by [N]; the specification's if left out.
    accepted
        Readings that somebody accepts as they are, CODE[@fret[:string]]=REASON, besides what the
        plan accepted at the same place.
    accepted_by
        Who accepts them.
    worked
        Plans that were worked before that plan, oldest first: what they took off is no wear.
    """

    plan: Source
    readings: Source
    attack_n: float | None = None
    accepted: tuple[str, ...] = ()
    accepted_by: str = ""
    worked: tuple[Source, ...] = ()


@dataclass(frozen=True, slots=True)
class ProveOutcome(Outcome):
    """A verdict."""

    proof: Proof  # every item with its uncertainty, the verdict, and what to do next
    after: Measurement  # the readings after the work

    @property
    def findings_of_result(self) -> tuple[Finding, ...]:
        """What the verdict is accompanied by."""
        return self.proof.findings

    @property
    def cautions(self) -> tuple[tuple[str, Sentence], ...]:
        """What can hurt in the work that the next steps ask for: a word or two, and what to do."""
        open_now = {
            item.quantity
            for item in self.proof.items
            # no metal is asked for where a clearance is undecided
            if item.verdict == "does not conform"
            or (item.verdict == "undecided" and item.quantity != "clearance")
        }
        if not open_now & {"relief", "action", "first-fret-gap", "clearance"}:
            return ()
        found = cautions(
            self.specification,
            rod="relief" in open_now and self.specification.neck.truss_rod,
            cuts_frets="clearance" in open_now,
            cuts_nut="first-fret-gap" in open_now,
            fills_nut="first-fret-gap" in open_now,
            files_saddle="action" in open_now,
            refrets=False,
            planes_board=False,
        )
        return tuple((one.topic, one.sentence) for one in found)

    @property
    def conforms(self) -> bool:
        """Whether the verdict is "conforms"."""
        return self.proof.verdict == "conforms"

    def values(self) -> dict[str, Any]:
        """Return the proof as plain values; its own findings are in it."""
        readings = {"findings_of_readings": plain(self.findings_of_readings)}
        return {**self.proof.as_dict(), **readings}

    def as_dict(
        self, unit: LengthUnit = "mm", door: Mapping[str, str] = LIBRARY_WORDS
    ) -> dict[str, Any]:
        """Return the proof with its own findings alone, so that it can be read again."""
        return with_words(self.values(), unit, door)

    def drawings(self, unit: LengthUnit, theme: Theme) -> dict[str, Callable[[], str]]:
        """Return what draws verdict bars and buzz force map."""
        import numpy as np

        from evenfall.pictures.fret_map import buzz_force_map
        from evenfall.pictures.verdicts import verdict_strip
        from evenfall.pictures.words import titled

        positions, serial = self.proof.positions, self.proof.serial
        return {
            "verdict": lambda: verdict_strip(
                pages.deciding_items(self.proof),
                title=titled(self.specification, serial, "nearest to its limit, of every kind"),
                unit=unit,
                theme=theme,
            ),
            "buzz force after work": lambda: buzz_force_map(
                self.specification,
                positions.buzz_force_n,
                self.proof.attack_n,
                title=titled(self.specification, serial, "buzz force after work"),
                touch_force_n=positions.touch_force_n,
                critical_fret=positions.critical_fret,
                note_state=positions.state,
                refused=np.array(positions.verdict) == "does not conform",
                theme=theme,
            ),
        }

    def certificate(
        self,
        kind: str,
        *,
        date: str,
        unit: LengthUnit | None = None,
        paper: Paper | None = None,
        progress: Progress = silent,
    ) -> bytes:
        """Return the certificate as "pdf" or "html", with a date (ISO 8601) to print.

        Without a unit lengths are in the specification's, the other one in brackets.
        """
        from evenfall.pictures.inks import PAGE, PRINT

        own = self.specification.unit
        content = pages.certificate(
            self.proof,
            unit=unit or own,
            both=unit is None,
            date=date,
            cautions=self.cautions,
            gauges=gauges_of(self.after),
        )
        drawings = self.pictures(unit, progress, PRINT if kind == "pdf" else PAGE)
        progress("Setting the certificate", 0.0)
        return pages.certificate_page(content, paper=paper).file(kind, drawings)


def verdict_filed(filed: Source, plan: Source, readings: Source) -> ProveOutcome:
    """Return the verdict of a proof file as it stands there, of its plan and its readings."""
    specification, made = open_plan(plan)
    after = open_another(made.measurement, readings)
    values = parse_json(filed.read(_MOST_BYTES), name=filed.name)
    judged = proof.Proof.from_dict(values)
    return ProveOutcome(specification, after.findings, judged, after.measurement)


def prove(request: ProveRequest, progress: Progress = silent) -> ProveOutcome:
    """Judge the readings after the work against plan and specification.

    Parameters
    ----------
    request
        Plan and readings.
    progress
        Told what is being done; it may stop the work.

    Raises
    ------
    EvenfallError
        A file cannot be used, or plan and readings do not belong together.

    Examples
    --------
    >>> import evenfall as ef
    >>> before = ef.Source.invented("tesquil-before.csv")
    >>> spec = ef.Source.invented("tesquil.spec.toml")
    >>> from evenfall.workshop.outputs import json_file
    >>> plan = ef.plan(ef.PlanRequest(before, spec)).plan
    >>> plan_file = ef.Source("tesquil.plan.json", json_file(plan.as_dict()))
    >>> after = ef.Source.invented("tesquil-after.csv")
    >>> outcome = ef.prove(ef.ProveRequest(plan_file, after))
    >>> outcome.proof.verdict in ("conforms", "does not conform", "undecided")
    True
    """
    specification, made = open_plan(request.plan)
    after = open_another(made.measurement, request.readings)
    accepted = accepted_gates(request.accepted, specification, person=request.accepted_by)
    table = excursion(specification, progress)
    progress("Judging the readings", 0.0)
    attack = request.attack_n
    judged = proof.prove(
        specification,
        made,
        after.measurement,
        table,
        attack_n=None if attack is None else [attack] * specification.string_count,
        worked=open_worked(request.worked, after.measurement, made),
        accepted=accepted,
    )
    return ProveOutcome(specification, after.findings, judged, after.measurement)
