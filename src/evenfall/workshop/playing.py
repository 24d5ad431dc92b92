"""The use case "play": which notes are clean, touch and rattle, and what they sound like."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Any

import numpy as np

from evenfall.codec import plain
from evenfall.errors import At, Finding, Progress, RequestError, silent
from evenfall.instrument import Specification
from evenfall.measurement import Measurement
from evenfall.pictures.inks import Theme
from evenfall.strings.attack import AttackEstimate, PublishedAttack, attack_from_sound
from evenfall.strings.playtest import Attack, PlayTest
from evenfall.strings.playtest.notes import load_kernel
from evenfall.strings.playtest.play_test import Verdict, attack_levels
from evenfall.strings.recording import LIMIT_BYTES, read_recording
from evenfall.units import LengthUnit
from evenfall.wording import sentence
from evenfall.workshop.opening import InstrumentRequest, Source, heights
from evenfall.workshop.outputs import Outcome
from evenfall.workshop.play_levels import play_levels, position
from evenfall.workshop.sounds import Sounds, check_notes, play_sounds

MOST_LEVELS = 6
"""Levels of attack that one table and one picture can hold."""
RECORDED = "as recorded"
"""Name of the level that comes from a recording."""
SPECIFIED = "as specified"
"""Name of the level that the specification asks for."""


@dataclass(frozen=True, slots=True)
class PlayRequest(InstrumentRequest):
    """Which instrument to play, and how.

    Parameters
    ----------
    as_found
        Of a plan, play the instrument as found.
    attacks_n
        Levels of attack, each for every string [N]; by default 0.7, 1 and 1.4 times the
        specification's.
    recording, recorded_string
        A WAV file of one open string, plucked once, and which string: one more level.
    duration_s
        How long each note is followed [s].
    sounds
        Whether to make the sound of notes.
    notes
        String number and stopped fret (0 = open) of each sound; the worst note if left out.
    """

    as_found: bool = False
    attacks_n: tuple[float, ...] = ()
    recording: Source | None = None
    recorded_string: int = 0
    duration_s: float = 0.25
    sounds: bool = False
    notes: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class PlayedPosition:
    """What one stopped position does, over all levels of attack."""

    string: int  # string number, and the fret at which it is stopped (0 = open)
    stopped_fret: int
    # worst verdict over the directions, by level: "clean", "touches" or "rattles"
    verdicts: tuple[str, ...]
    level: int  # index of the gentlest level that touches
    # when and where it first touches at that level: time after release [s] and fret
    first_contact_s: float
    first_contact_fret: int
    largest_strike_n_s: float  # strongest strike over all levels [N s]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        values: dict[str, Any] = plain(self)
        del values["level"]
        return values


@dataclass(frozen=True, slots=True)
class PlayOutcome(Outcome):
    """A play test of one instrument, and what stands out."""

    measurement: Measurement  # its readings
    state: str  # "as found" or "planned"
    test: PlayTest  # the play test
    worst: tuple[PlayedPosition, ...]  # the positions that touch, worst first
    recorded_string: int  # what a recording of that string says about the attack; None without one
    estimate: AttackEstimate | None
    sounds: Sounds | None  # notes as sounds, if they were asked for
    findings_of_motion: tuple[Finding, ...]  # what the play test shows

    @property
    def findings_of_result(self) -> tuple[Finding, ...]:
        """What the play test shows."""
        return self.findings_of_motion

    def values(self) -> dict[str, Any]:
        """Return play test, recording and sounds as plain values."""
        values = self.test.as_dict()
        recording = None
        if self.estimate is not None:
            recording = {"string": self.recorded_string, **plain(self.estimate)}
        return {
            "schema": values.pop("schema"),
            "state": self.state,
            **values,
            "worst": [played.as_dict() for played in self.worst],
            "recording": recording,
            "sounds": None if self.sounds is None else self.sounds.as_dict(),
        }

    def drawings(self, _unit: LengthUnit, theme: Theme) -> dict[str, Callable[[], str]]:
        """Return what draws the map of the play test."""
        from evenfall.pictures.play_map import play_map
        from evenfall.pictures.words import titled

        spec, test, name = self.specification, self.test, f"play test {self.state}"
        title = titled(spec, self.measurement.serial, name)
        return {name: lambda: play_map(spec, test, title=title, theme=theme)}


def play(request: PlayRequest, progress: Progress = silent) -> PlayOutcome:
    """Pluck every string at every position and find which notes are clean, touch and rattle.

    Parameters
    ----------
    request
        The instrument, and how to play it.
    progress
        Told what is being done; it may stop the work.

    Raises
    ------
    EvenfallError
        A file cannot be used, readings are missing, a value is out of range, or numba is not
        installed.

    Examples
    --------
    >>> import evenfall as ef
    >>> before = ef.Source.invented("tesquil-before.csv")
    >>> spec = ef.Source.invented("tesquil.spec.toml")
    >>> request = ef.PlayRequest(before, spec, attacks_n=(0.4,), duration_s=0.05)
    >>> ef.play(request).test.worst.shape
    (6, 22, 1)
    """
    load_kernel()
    opened = request.open(plans=True)
    specification, measurement = opened.specification, opened.measurement
    if request.as_found and opened.plan is None:
        raise RequestError(
            "Only a plan can be played as found or as planned; a measurement is always as found.",
            at=At(file=request.source.name),
        )
    check_notes(specification, request.notes)
    plan = None if request.as_found else opened.plan
    estimate = recorded = None
    told: tuple[Finding, ...] = ()
    if request.recording is not None:
        estimate, recorded, told = attack_from_recording(
            specification, request.recording, request.recorded_string
        )
    test = play_levels(
        specification,
        heights(measurement, plan),
        _levels(specification, request, recorded),
        duration_s=request.duration_s,
        progress=progress,
    )
    worst = _worst(test)
    judged = _judged(test)
    sounds = None
    if request.sounds:
        notes = request.notes or (_loudest(test, worst),)
        sounds = play_sounds(opened, test, judged, notes, progress)
    motion = _motion_findings(test, worst, judged)
    if not measurement.strung and plan is None:
        motion.append(
            Finding(
                "state",
                "The readings were taken without strings: at pitch the neck has more relief, and "
                "the notes differ; convert the readings to playing tension first ({door_convert}).",
            )
        )
    return PlayOutcome(
        specification,
        (*opened.findings, *told),
        measurement,
        "as found" if plan is None else "planned",
        test,
        worst,
        request.recorded_string,
        estimate,
        sounds,
        tuple(motion),
    )


def _levels(
    specification: Specification, request: PlayRequest, recorded: Attack | None
) -> tuple[Attack, ...]:
    """Return the levels of attack asked for, gentlest first, the recorded one last."""
    if not 0.0 < request.duration_s <= 30.0:
        raise RequestError(
            "A note can be followed for up to 30 s, not for {seconds:g} s.",
            at=At(field="duration"),
            seconds=request.duration_s,
        )
    if any(not 0.0 < force <= 50.0 for force in request.attacks_n):
        raise RequestError("An attack lies over 0 and up to 50 N.", at=At(field="attack"))
    count = specification.string_count
    asked = tuple(
        Attack(f"{force:g} N", (force,) * count) for force in sorted(set(request.attacks_n))
    )
    levels = asked or attack_levels(specification)
    if recorded is not None:
        levels = (*levels, recorded)
    if len(levels) > MOST_LEVELS:
        raise RequestError(
            "{count} levels of attack are more than can be shown; give {most} or fewer.",
            at=At(field="attack"),
            count=len(levels),
            most=MOST_LEVELS,
        )
    return levels


def _judged(test: PlayTest) -> int:
    """Return the level that the instrument is judged by: the specified one, else the strongest."""
    names = [attack.name for attack in test.attacks]
    return names.index(SPECIFIED) if SPECIFIED in names else len(names) - 1


def _worst(test: PlayTest) -> tuple[PlayedPosition, ...]:
    """Return the positions that touch: first by what the gentler levels do, then by strength."""
    found = []
    for k, number in enumerate(test.string_numbers):
        for p in range(test.verdict.shape[1]):
            verdicts = test.worst[k, p]
            touching = np.flatnonzero(verdicts > Verdict.CLEAN)
            if not len(touching):
                continue
            level = int(touching[0])
            d = test.first_contact(k, p, level)
            found.append(
                PlayedPosition(
                    string=number,
                    stopped_fret=p,
                    verdicts=tuple(Verdict(v).name.lower() for v in verdicts),
                    level=level,
                    first_contact_s=float(test.first_contact_s[k, p, level, d]),
                    first_contact_fret=int(test.first_contact_fret[k, p, level, d]),
                    largest_strike_n_s=float(test.largest_strike_n_s[k, p].max()),
                )
            )

    def gravity(played: PlayedPosition) -> tuple[int, int, float]:
        rattling = played.verdicts.count("rattles")
        touching = sum(verdict != "clean" for verdict in played.verdicts)
        return -rattling, -touching, -played.largest_strike_n_s

    return tuple(sorted(found, key=gravity))


def _loudest(test: PlayTest, worst: Sequence[PlayedPosition]) -> tuple[int, int]:
    """Return the worst note; where all are clean, the one with the least room in motion."""
    if worst:
        return worst[0].string, worst[0].stopped_fret
    least = test.touch_force_n.min(axis=2) / test.normal_attack_n[:, :1]
    k, p = np.unravel_index(int(np.argmin(least)), least.shape)
    return test.string_numbers[int(k)], int(p)


def _motion_findings(test: PlayTest, worst: Sequence[PlayedPosition], judged: int) -> list[Finding]:
    total = test.worst[:, :, 0].size
    name = test.attacks[judged].name
    level = sentence("an attack of {name}", name=name)
    if name in (SPECIFIED, RECORDED):
        level = sentence("the attack {name}", name=name)
    verdict = test.worst[:, :, judged]
    touching, rattling = (int(np.count_nonzero(verdict == v)) for v in list(Verdict)[1:])
    if touching + rattling:
        bad = next(w for w in worst if w.verdicts[judged] != "clean")
        at_level = Finding(
            "motion",
            "At {level}, {clean} of {total} positions are clean, {touching} touch and {rattling} "
            "rattle; the worst is {place}.",
            At(strings=(bad.string,), stopped_fret=bad.stopped_fret),
            level=level,
            clean=total - touching - rattling,
            total=total,
            touching=touching,
            rattling=rattling,
            place=position(bad.string, bad.stopped_fret),
        )
    else:
        text = "At {level}, none of {total} positions touches."
        at_level = Finding("motion", text, severity="note", level=level, total=total)
    against = Finding(
        "motion",
        "Of {notes} notes at all levels, {optimistic} rattle below their buzz force, and "
        "{conservative} above it do not rattle.",
        severity="note",
        notes=test.worst.size,
        optimistic=int(np.count_nonzero(test.buzz_force_optimistic)),
        conservative=int(np.count_nonzero(test.buzz_force_conservative)),
    )
    return [at_level, against]


# ---- how hard a player plucks -------------------------------------------------------------------


def attack_from_recording(
    specification: Specification, recording: Source, string: int
) -> tuple[AttackEstimate, Attack | None, tuple[Finding, ...]]:
    """Estimate the attack from the sound of one plucked open string.

    The level of attack pulls every string as far aside; None if the recording only gives a bound.
    """
    if not 1 <= string <= specification.string_count:
        raise RequestError(
            "There is no string {string}: strings are 1 to {count}.",
            at=At(field="string"),
            string=string,
            count=specification.string_count,
        )
    samples, rate = read_recording(recording.read(LIMIT_BYTES), recording.name)
    at = At(file=recording.name, strings=(string,))
    try:
        found = attack_from_sound(
            samples,
            rate,
            specification.strings[string - 1],
            pluck_distance_mm=specification.player.pluck_distance_mm,
            pluck_width_mm=specification.player.pluck_width_mm,
        )
    except RequestError as error:
        error.at = error.at.in_file(recording.name)
        raise
    if not isfinite(found.displacement_mm):
        told = Finding(
            "motion",
            "The pitch of the recorded string {string} falls too little to show the attack: it was "
            "pulled aside by less than {most:length}; the levels stay as they are.",
            at,
            "note",
            string=string,
            most=found.most_displacement_mm,
        )
        return found, None, (told,)
    even = PublishedAttack(RECORDED, None, found.displacement_mm, recording.name)
    told = Finding(
        "motion",
        "By the fall of its pitch the recorded string {string} was pulled {aside:length} ± "
        "{expanded:length} aside, with {force:force}; the level 'as recorded' pulls every string "
        "as far, straight from and to the board, which is the most that it can have been.",
        at,
        "note",
        string=string,
        aside=found.displacement_mm,
        expanded=2.0 * found.u_displacement_mm,
        force=found.force_n,
    )
    return found, Attack(even.name, even.per_string_n(specification)), (told,)
