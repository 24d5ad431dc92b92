"""What a person reads in the terminal after each command."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, NamedTuple

import click
import numpy as np

from evenfall.arrays import IntArray
from evenfall.cli.door import WORDS, show_accept, show_findings, show_gates, shown_unit
from evenfall.cli.tables import string_table, table
from evenfall.errors import Finding
from evenfall.gates import Gates, unmet
from evenfall.instrument import Specification
from evenfall.instrument.geometry import relief_share
from evenfall.measurement import Measurement, Origin, Scanned
from evenfall.plan.ranges import LEAST_SHOWN_MM
from evenfall.units import LengthUnit, in_unit, length_text, number_text, uncertainty_text
from evenfall.wording import Sentence, Value, say, sentence

if TYPE_CHECKING:
    from evenfall.proof import Item
    from evenfall.workshop.checking import CheckOutcome
    from evenfall.workshop.diagnosing import DiagnoseOutcome
    from evenfall.workshop.measuring import MeasureOutcome
    from evenfall.workshop.necks import NeckOutcome
    from evenfall.workshop.pitches import PitchOutcome
    from evenfall.workshop.playing import PlayOutcome
    from evenfall.workshop.proving import ProveOutcome
    from evenfall.workshop.sounds import Sounds

_MOST_PLAYED = 10
"""Positions in the table of the worst."""


class Lengths(NamedTuple):
    """How lengths are shown."""

    unit: LengthUnit  # the unit asked for, else the specification's
    both: bool  # whether single lengths show the other unit in brackets: where none was asked for

    @classmethod
    def asked(cls, unit: str | None, own: LengthUnit) -> Lengths:
        """Return how to show lengths, from `--unit` and the specification's own unit."""
        return cls(shown_unit(unit, own), unit is None)

    def text(self, length_mm: float) -> str:
        """Return a length with its unit, the other one in brackets unless one was asked for."""
        if not self.both:
            return length_text(length_mm, self.unit)
        other: LengthUnit = "in" if self.unit == "mm" else "mm"
        return f"{length_text(length_mm, self.unit)} ({length_text(length_mm, other)})"

    def figure(self, length_mm: float, *, signed: bool = False) -> str:
        """Return a length without its unit, for tables that name it in their heading."""
        return length_text(length_mm, self.unit, signed=signed).split()[0]

    def say(self, said: Sentence | str) -> str:
        """Return a sentence in this unit and in the command line's words."""
        return say(said, self.unit, WORDS)

    def print(self, text: str, **values: Value) -> None:
        """Print one line, worded in this unit."""
        click.echo(self.say(sentence(text, **values)))


def _name(measurement: Measurement) -> str:
    return f"{measurement.serial or 'Instrument'}: {measurement.model}"


def show_specification(outcome: CheckOutcome, lengths: Lengths) -> None:
    """Print what follows from a specification: strings, fret places, and what level frets clear."""
    specification, values = outcome.specification, outcome.values()
    unit, fanned = lengths.unit, specification.scale.fanned
    digits = 3 if unit == "mm" else 4
    click.echo(f"{specification.name}: {specification.kind}, {specification.frets} frets")
    string_table(values["strings"], unit)
    places = values["fret_places_mm"]
    rows = []
    for fret in range(1, specification.frets + 1):
        treble, bass = (in_unit(places[side][fret - 1], unit) for side in (0, -1))
        text = f"{treble:.{digits}f}"
        rows.append([str(fret), f"{text} / {bass:.{digits}f}" if fanned else text])
    heading = "from the nut, treble / bass" if fanned else "from the nut"
    table(f"Fret places [{unit}]", ["fret", heading], rows, columns=3)
    click.echo(f"Sum of tensions {values['total_tension_n']:.0f} N")
    lengths.print("Attack: {attack}", attack=specification.player.said)
    _show_stated_relief(specification, lengths)
    show_findings(outcome.findings, unit)
    if outcome.consistent:
        kept = specification.rule.extra_clearance_mm
        text = "Level frets at these targets stay clear up to {share:share} of the attack{kept}."
        told = sentence(", with the extra clearance of {kept:length} kept", kept=kept)
        lengths.print(text, share=outcome.ideal.least_share, kept=told if kept > 0.0 else "")
        click.echo("The specification is complete and consistent.")


def _show_stated_relief(specification: Specification, lengths: Lengths) -> None:
    """Print the relief as it reads in both ways, where it is stated between other frets."""
    target = specification.target
    first, last = target.relief_over
    if (first, last) == (1, specification.frets):
        return
    share = relief_share(specification.board.joint_fret, specification.frets, first, last)
    lengths.print(
        "Relief {stated:length} between frets {first} and {last} is the same bow as {whole:length} "
        "over fret 1 and the last fret, which results show.",
        stated=share * target.relief.value_mm,
        first=first,
        last=last,
        whole=target.relief.value_mm,
    )


def show_measurement(outcome: MeasureOutcome, lengths: Lengths) -> None:
    """Print what a measurement holds, after what a scan was recognised as."""
    measurement, recognised = outcome.measurement, outcome.readings.recognised
    if recognised is not None:
        click.echo(lengths.say(recognised))
    name = measurement.serial or "instrument without a serial number"
    click.echo(f"{name}: {measurement.model}")
    grid = measurement.heights.origin[:, 1:-1]
    words = {
        Origin.READ: "read",
        Origin.DERIVED: "derived",
        Origin.INTERPOLATED: "interpolated",
        Origin.MISSING: "missing",
    }
    counts = [f"{int((grid == o).sum())} {w}" for o, w in words.items() if (grid == o).any()]
    click.echo(
        f"Crown tops of {grid.shape[0]} strings x {grid.shape[1]} frets: " + ", ".join(counts)
    )
    u = measurement.heights.crown_top_u_mm
    if np.isfinite(u).any() and float(np.nanmax(u)) > 0.0:
        low, high = (_small(float(bound(u)), lengths.unit) for bound in (np.nanmin, np.nanmax))
        span = low if low == high else f"{low} to {high}"
        click.echo(f"Standard uncertainty of a crown top: {span}")
    for route in measurement.routes:
        click.echo(f"   {lengths.say(route)}")
    if measurement.scanned is not None:
        _show_scanned(measurement.scanned, lengths)
    found = outcome.findings_of_readings
    show_findings((f for f in found if f.code != "recognised"), lengths.unit)
    show_findings(outcome.off_level, lengths.unit)
    _show_checked(outcome.gates, lengths)
    if outcome.next_readings:
        click.echo("Still worth reading, so that slips show:")
        show_findings(outcome.next_readings, lengths.unit)


def _show_scanned(scanned: Scanned, lengths: Lengths) -> None:
    """Print what a scan says beyond heights: the frets one by one, then scale and board."""
    columns = (
        ("off its place", scanned.fret_place_mm, scanned.fret_place_u_mm, True),
        ("radius", scanned.crown_radius_mm, scanned.crown_radius_u_mm, False),
        ("width", scanned.crown_width_mm, scanned.crown_width_u_mm, False),
        ("past bass edge", scanned.fret_end_bass_mm, scanned.fret_end_u_mm, True),
        ("past treble edge", scanned.fret_end_treble_mm, scanned.fret_end_u_mm, True),
    )
    known = [column for column in columns if np.isfinite(column[1]).any()]

    def shown(value: float, u: float, *, signed: bool) -> str:
        if not math.isfinite(value):
            return "–"
        expanded = uncertainty_text(2.0 * u, lengths.unit).split()[0]
        return f"{lengths.figure(value, signed=signed)} ± {expanded}"

    rows = [
        [str(j + 1), *(shown(v[j], u[j], signed=signed) for _, v, u, signed in known)]
        for j in range(len(scanned.fret_place_mm))
        if any(np.isfinite(v[j]) for _, v, _, _ in known)
    ]
    if rows:
        title = (
            f"Frets as scanned [{lengths.unit}], ± 2 u; + is towards the bridge, or past the edge"
        )
        table(title, ["fret", *(name for name, *_ in known)], rows)
    for told in scanned.said:
        click.echo(lengths.say(told))


def _show_checked(gates: Gates, lengths: Lengths) -> None:
    """Print the checks by hand, and what has to be read again."""
    for check in gates.checks:
        if check.agrees:
            click.echo(f"Checked: {lengths.say(check.said)}")
    if gates.unmet:
        click.echo("To be read again before metal comes off:")
        show_gates(gates.unmet, lengths.unit, WORDS["door_plan"])


def _small(length_mm: float, unit: LengthUnit) -> str:
    """Return an uncertainty with the digits that matter: those of a scan are under 0.001 mm."""
    if length_mm >= 0.01:
        return length_text(length_mm, unit)
    return f"{1000.0 * length_mm:.2f} µm" if unit == "mm" else f"{in_unit(length_mm, 'in'):.6f} in"


def show_diagnosis(outcome: DiagnoseOutcome, lengths: Lengths) -> None:
    """Print a diagnosis: the buzz force of every position, gaps and relief."""
    diagnosis = outcome.diagnosis
    measurement, force_n = diagnosis.measurement, diagnosis.buzz_force.force_n
    click.echo(_name(measurement))
    click.echo(f"Relief {lengths.text(diagnosis.relief_mm)}")
    click.echo(lengths.say(diagnosis.line.said))
    rows = [
        [
            str(k + 1),
            lengths.figure(diagnosis.action_mm[k]),
            lengths.figure(diagnosis.first_fret_gap_mm[k]),
            f"{diagnosis.attack_n[k]:.2f}",
            number_text(force_n[k].min(), 2),
            _stopped(int(force_n[k].argmin())),
            number_text(diagnosis.adjusted_buzz_force_n[k].min(), 2),
        ]
        for k in range(measurement.string_count)
    ]
    headings = [
        "string",
        f"action {lengths.unit}",
        f"first-fret gap {lengths.unit}",
        "attack N",
        "lowest buzz force N",
        "at",
        "after adjusting N",
    ]
    table("As found", headings, rows)
    total = measurement.string_count * measurement.fret_count
    counts = ["No note fails."]
    if diagnosis.failing:
        counts = [
            f"{diagnosis.failing} of {total} notes "
            + ("fails: it buzzes" if diagnosis.failing == 1 else "fail: they buzz")
            + " at the player's attack, worse than over level frets."
        ]
    if diagnosis.as_good:
        which = "more" if diagnosis.failing else f"of {total} notes"
        buzz = "buzzes" if diagnosis.as_good == 1 else "buzz"
        counts.append(f"{diagnosis.as_good} {which} {buzz}, no worse than over level frets.")
    if diagnosis.grazing:
        counts.append(f"{diagnosis.grazing} of the others touch a fret lightly, and late.")
    click.echo(" ".join(counts))
    show_findings(outcome.findings_of_readings, lengths.unit)
    show_gates(outcome.read_again, lengths.unit, WORDS["door_plan"])
    show_findings(diagnosis.findings, lengths.unit)


def _stopped(fret: int) -> str:
    return f"fret {fret}" if fret else "open"


def show_serious(findings: Iterable[Finding], lengths: Lengths) -> None:
    """Print what was found in readings, but for notes."""
    show_findings((f for f in findings if f.severity != "note"), lengths.unit)


def show_proof(outcome: ProveOutcome, lengths: Lengths, *, steps: bool) -> None:
    """Print a proof: every item against its limits, the verdict, what to do next."""
    proof = outcome.proof
    click.echo(f"{proof.serial or 'Instrument'}: {proof.model}")
    rows = [
        [
            lengths.say(item.name),
            lengths.figure(item.value),
            uncertainty_text(item.expanded_uncertainty, lengths.unit).split()[0],
            _limits(item, lengths),
            _chance(item.probability),
            item.verdict,
        ]
        for item in proof.items
    ]
    headings = ["what", f"value {lengths.unit}", "± U", "limits", "p", "verdict"]
    table(
        f"Results; U is expanded with k = {proof.coverage_factor:.2f}; decided by {proof.rule}, "
        f"false acceptance at most {100.0 * proof.false_acceptance:g} %, false refusal "
        f"{100.0 * proof.false_refusal:g} %",
        headings,
        rows,
    )
    if steps:
        for item in proof.items:
            _show_budget(item, lengths.unit)
    click.echo(f"Verdict: {proof.verdict.upper()}")
    for number, step in enumerate(proof.next_steps):
        click.echo(f"-> {lengths.say(step)}")
        if number == 0:  # what has to be read again stands first
            show_accept(unmet(proof.gates, proof.accepted))
    for topic, caution in outcome.cautions:
        click.echo(f"{topic}: {lengths.say(caution)}")
    for said in (*(one.said for one in proof.checks), *(one.said for one in proof.accepted)):
        click.echo(lengths.say(said))
    show_findings(outcome.findings, lengths.unit)


def _limits(item: Item, lengths: Lengths) -> str:
    low = "" if np.isinf(item.lower) else lengths.figure(item.lower)
    high = "" if np.isinf(item.upper) else lengths.figure(item.upper)
    if low and high:
        return f"{low} to {high}"
    return f"at least {low}" if low else f"at most {high}"


def _chance(probability: float) -> str:
    if not np.isfinite(probability):
        return "–"
    if probability > 0.9995:
        return "> 99.9 %"
    return "< 0.1 %" if probability < 0.0005 else f"{100.0 * probability:.1f} %"


def _show_budget(item: Item, unit: LengthUnit) -> None:
    digits = 4 if unit == "mm" else 5

    def figure(length_mm: float, *, signed: bool = False) -> str:
        return number_text(in_unit(length_mm, unit), digits, signed=signed)

    rows = [
        [
            say(line.name, unit, WORDS),
            figure(line.value),
            figure(line.standard_uncertainty),
            number_text(line.sensitivity, 4, signed=True),
            figure(abs(line.sensitivity) * line.standard_uncertainty),
        ]
        for line in item.lines
    ]
    rows.append(["combined", figure(item.value), figure(item.standard_uncertainty), "", ""])
    headings = ["what", f"value {unit}", f"u {unit}", "sensitivity", f"contribution {unit}"]
    table(f"{say(item.name, unit, WORDS)}: {say(item.route, unit, WORDS)}", headings, rows)


def show_neck(outcome: NeckOutcome, lengths: Lengths) -> None:
    """Print what becomes of the relief, what the truss rod has to do, and what was found."""
    _show_relief(outcome, lengths)
    show_serious(outcome.findings_of_readings, lengths)
    show_findings(outcome.findings_of_result, lengths.unit)


def _show_relief(outcome: NeckOutcome, lengths: Lengths) -> None:
    made, figure = outcome.forecast, lengths.figure
    click.echo(_name(outcome.measurement))

    def row(name: str, relief_mm: float, u_mm: float) -> list[str]:
        return [name, figure(relief_mm), figure(2.0 * u_mm), made.standing(relief_mm, u_mm)]

    rows = [row("at playing tension", made.relief_mm, made.relief_u_mm)]
    if (swap := made.strings) is not None:
        rows.append(row(f"with {swap.name}", swap.relief_after_mm, swap.relief_after_u_mm))
    if (season := made.season) is not None:
        name = f"at {season.humidity_to_percent:g} % humidity"
        rows.append(row(name, season.relief_after_mm, season.relief_after_u_mm))
    limits = f"{figure(made.minimum_mm)} to {length_text(made.maximum_mm, lengths.unit)}"
    headings = ["what", f"relief {lengths.unit}", "± 2 u", "limits"]
    table(f"Relief [{lengths.unit}]; allowed {limits}", headings, rows)
    lengths.print(
        "Strings pull {tension:tension}; 100 N more add {more:length} ± {expanded:length} of "
        "relief ({origin})",
        tension=made.model.tension_n,
        more=100.0 * made.model.relief_mm_per_n,
        expanded=200.0 * made.model.relief_u_mm_per_n,
        origin=_ORIGINS[made.model.origin],
    )
    if (rod := made.rod) is None:
        return
    goal = sentence(
        "{change:length} {side} relief brings it to {wanted:length}",
        change=abs(rod.relief_change_mm),
        side="more" if rod.relief_change_mm > 0.0 else "less",
        wanted=made.value_mm,
    )
    if abs(rod.relief_change_mm) < LEAST_SHOWN_MM:
        click.echo("Truss rod: leave")
    elif math.isfinite(rod.turns_count):
        lengths.print(
            "Truss rod: {goal}: {turn} by {turns:.2f} ± {expanded:.2f} turns",
            goal=goal,
            turn="tighten" if rod.turns_count > 0.0 else "loosen",
            turns=abs(rod.turns_count),
            expanded=2.0 * rod.turns_u_count,
        )
    else:
        text = "Truss rod: {goal}; measure one turn to have it in turns (--relief-per-turn)"
        lengths.print(text, goal=goal)


_ORIGINS = {
    "default": "a usual neck, not measured",
    "section": "from depths and woods",
    "stiffness": "from the stiffness in the specification",
    "specification": "as measured, from the specification",
    "pair": "from the pair of profiles",
}


def show_pitch(outcome: PitchOutcome, lengths: Lengths) -> None:
    """Print the pitch of every stopped note, and the best places of nut and saddle."""
    specification, now, best = outcome.specification, outcome.now, outcome.compensation
    click.echo(_name(outcome.measurement))
    frets = [
        fret for fret in (1, 3, 5, 7, 9, 12, 15, 17, 19, 22, 24) if fret <= specification.frets
    ]
    rows = [
        [
            str(s.number),
            s.pitch,
            *(number_text(now.deviation_cents[k, fret], 1, signed=True) for fret in frets),
        ]
        for k, s in enumerate(specification.strings)
    ]
    when = "" if outcome.planned is None else " after the plan"
    table(
        f"Cents from equal temperament{when}, by fret (+ is sharp)",
        ["string", "pitch", *map(str, frets)],
        rows,
    )
    alone = outcome.saddle_alone
    rows = [
        [
            str(k + 1),
            f"{best.rms_before_cents[k]:.2f}",
            lengths.figure(alone.saddle_setback_change_mm[k], signed=True),
            lengths.figure(alone.saddle_setback_mm[k], signed=True),
            f"{alone.rms_after_cents[k]:.2f}",
            lengths.figure(best.saddle_setback_change_mm[k], signed=True),
            lengths.figure(best.nut_setback_change_mm[k], signed=True),
            f"{best.rms_after_cents[k]:.2f}",
        ]
        for k in range(specification.string_count)
    ]
    line = ", one straight saddle" if best.straight else ""
    last = specification.compensation.last_fret
    table(
        f"Best places along the strings{line} [{lengths.unit}]; + is longer; rms over frets 1 to "
        f"{last}",
        ["string", "rms cents", "saddle alone", "setback", "rms", "saddle", "with nut", "rms"],
        rows,
    )
    if best.at_limit:
        lengths.print("At the end of the travel: {on:strings}", on=tuple(best.at_limit))
    show_serious(outcome.findings_of_readings, lengths)
    show_findings(outcome.findings_of_result, lengths.unit)


def show_play(outcome: PlayOutcome, lengths: Lengths) -> None:
    """Print a play test, what was found in it, and how its sounds can be compared."""
    _show_positions(outcome)
    kept = (f for f in outcome.findings_of_readings if f.severity != "note" or f.code == "motion")
    show_findings((*kept, *outcome.findings_of_result), lengths.unit)
    if outcome.sounds is not None:
        _show_sounds(outcome.sounds, lengths)


def _show_positions(outcome: PlayOutcome) -> None:
    """Print positions by what they do at each level, and the worst of them."""
    test, worst = outcome.test, outcome.test.worst
    click.echo(f"{_name(outcome.measurement)}, {outcome.state}")

    def three(verdicts: IntArray) -> str:
        return " / ".join(str(int((verdicts == v).sum())) for v in range(3))

    headings, alike = [], []
    for attack in test.attacks:
        alike.append(len(set(attack.force_n)) == 1)
        plain = alike[-1] and not attack.name.endswith(" N")
        headings.append(f"{attack.name} ({attack.force_n[0]:.2f} N)" if plain else attack.name)
    rows = [
        [
            str(number),
            outcome.specification.strings[k].pitch,
            *(
                ("" if alike[a] else f"{attack.force_n[k]:.2f} N:  ") + three(worst[k, :, a])
                for a, attack in enumerate(test.attacks)
            ),
        ]
        for k, number in enumerate(test.string_numbers)
    ]
    rows.append(["all", "", *(three(worst[:, :, a]) for a in range(len(headings)))])
    table(
        f"Positions clean / touching / rattling, each followed {test.duration_s:g} s",
        ["string", "pitch", *headings],
        rows,
    )
    if not outcome.worst:
        return
    rows = [
        [
            str(w.string),
            _stopped(w.stopped_fret),
            *w.verdicts,
            "at release" if w.first_contact_s == 0.0 else f"{1000.0 * w.first_contact_s:.1f}",
            str(w.first_contact_fret),
        ]
        for w in outcome.worst[:_MOST_PLAYED]
    ]
    more = len(outcome.worst) - len(rows)
    table(
        "Worst positions, and their first contact at the gentlest attack that touches"
        + (f" ({more} more touch)" if more else ""),
        ["string", "stopped", *headings, "after ms", "on fret"],
        rows,
    )


def _show_sounds(sounds: Sounds, lengths: Lengths) -> None:
    """Print how the sounds can be compared."""
    unit = lengths.unit
    full, at = in_unit(sounds.full_scale_mm_per_s, unit), in_unit(sounds.listen_mm, unit)
    full_text, at_text = (
        (f"{full:.0f}", f"{at:.0f}") if unit == "mm" else (f"{full:.1f}", f"{at:.2f}")
    )
    click.echo(
        f"One gain for all sounds: full scale is {full_text} {unit}/s of the string, {at_text} "
        f"{unit} from the saddle"
    )
