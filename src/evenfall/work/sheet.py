"""The bench sheet: what a technician does to one instrument, in order.

`bench_sheet` works everything out from a plan, as sentences and lengths without a unit;
`evenfall.pages` words them and sets them on paper or screen. Columns stand as the strings lie when
the instrument is seen from the front with the headstock up and fret 1 on top: from bass to treble
on a right-handed neck, from treble to bass on a left-handed one.
"""

from __future__ import annotations

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.instrument import Specification
from evenfall.plan import METHODS, Plan
from evenfall.plan.methods import tool_of
from evenfall.requirement import margin_share
from evenfall.wording import Sentence, plain_line, sentence, whole_percent
from evenfall.work.cautions import cautions
from evenfall.work.notes import notes
from evenfall.work.parts import NOTHING_MM, Banner, BenchSheet, Column, Tone
from evenfall.work.steps import Steps


def bench_sheet(specification: Specification, plan: Plan) -> BenchSheet:
    """Return the bench sheet of a plan.

    Parameters
    ----------
    specification
        The specification that the plan was made for, K strings over F frets.
    plan
        What to do.

    Examples
    --------
    >>> from importlib import resources
    >>> from evenfall.instrument import read_specification
    >>> from evenfall.levelling import make_plan
    >>> from evenfall.sheets import SheetFile, read_measurement
    >>> invented = resources.files("evenfall") / "invented"
    >>> text = (invented / "tesquil.spec.toml").read_text(encoding="utf-8")
    >>> specification, _ = read_specification(text)
    >>> name = "tesquil-before.csv"
    >>> file = SheetFile(name, (invented / name).read_bytes())
    >>> measurement, _ = read_measurement([file], specification, serial="UY-0417")
    >>> sheet = bench_sheet(specification, make_plan(specification, measurement, method="profile"))
    >>> sheet.banner.tone
    'go'
    """
    steps = Steps(specification, plan)
    work = steps.work()
    return BenchSheet(
        serial=plain_line(plan.measurement.serial) or "no serial number",
        model=plain_line(specification.name),
        kind=plain_line(specification.kind),
        code=plan.code,
        facts=_facts(steps),
        banner=_banner(steps),
        notes=notes(specification, plan),
        cautions=cautions(
            specification,
            rod=steps.turns_rod,
            files_saddle=bool((steps.saddle_change_mm < -NOTHING_MM).any()),
            cuts_frets=steps.cuts_frets and not steps.waits,
            cuts_nut=bool((steps.nut_change_mm < -NOTHING_MM).any()) and not steps.waits,
            fills_nut=bool((steps.nut_change_mm > NOTHING_MM).any()) and not steps.waits,
            refrets=plan.status == "lift" or (bool(plan.replaced_frets) and not steps.waits),
            planes_board=plan.method == "refret" and not steps.waits,
            by_machine=tool_of(plan.method) == "machine" and steps.cuts_frets and not steps.waits,
        )
        if work
        else (),
        columns=_columns(steps),
        steps=work,
        after=steps.read_again() if steps.waits else steps.after(),
        preview=steps.preview(),
    )


_FIRST = {"misfit": "agree on attack and targets first", "short": "choose a method first"}


def _facts(steps: Steps) -> tuple[tuple[str, Sentence], ...]:
    specification, plan = steps.specification, steps.plan
    size = "{strings:count string}, {frets:count fret}"
    if specification.handed == "left":
        size = "{strings:count string}, {frets:count fret}, left-handed"
    part = "the whole work"
    if steps.waits:
        part = "settings, then read again" if steps.work() else "read again first"
        part = _FIRST.get(plan.status, part)
    u_mm = float(np.nanmedian(plan.measurement.heights.crown_top_u_mm))
    return (
        ("Method", sentence(METHODS[plan.method])),
        ("Part", sentence(part)),
        (
            "Instrument",
            sentence(size, strings=specification.string_count, frets=specification.frets),
        ),
        ("Design attack", specification.player.saying(plan.attack_n.tolist())),
        ("Crown readings", sentence("u = {u:uncertainty}", u=u_mm)),
    )


def _columns(steps: Steps) -> tuple[Column, ...]:
    strings = steps.specification.strings
    lowest = min(strings, key=lambda string: string.frequency_hz)
    bass = "bass" if strings[-1] is lowest else "bass side"  # as of a re-entrant tuning
    side = {strings[0].number: "treble", strings[-1].number: bass}
    return tuple(
        Column(
            strings[k].number,
            plain_line(strings[k].pitch) or f"{strings[k].frequency_hz:.1f} Hz",
            strings[k].gauge_mm,
            side.get(strings[k].number, ""),
        )
        for k in steps.order
    )


def _banner(steps: Steps) -> Banner:
    """Say what the sheet asks for, as the plan itself says it."""
    tone: Tone = "go" if steps.work() else "nothing"
    if steps.waits and steps.plan.status != "settings":
        tone = "stop"
    if steps.plan.misread:
        return Banner(tone, steps.plan.headline, ())
    weakest = _weakest(steps.plan, np.array(steps.specification.player.attack_n))
    told: tuple[Sentence, ...] = (weakest,)
    if steps.plan.left_out and steps.plan.status != "read-again":
        told = (weakest, sentence("Not every limit can be met: see below, and agree on it first."))
    return Banner(tone, steps.plan.headline, told)


def _weakest(plan: Plan, player_n: FloatArray) -> Sentence:
    """Say how far the weakest position is from buzzing, as found and planned."""

    def weakest(buzz_force_n: FloatArray) -> tuple[float, int, int]:
        force = np.where(np.isfinite(buzz_force_n), buzz_force_n, np.inf)
        share = margin_share(force, player_n)
        string, stop = np.unravel_index(int(share.argmin()), share.shape)
        return float(share.min()), int(string) + 1, int(stop)

    was_share, _, _ = weakest(plan.buzz_force_before_n)
    share, string, stop = weakest(plan.buzz_force_after_n)
    was, now = whole_percent(was_share), whole_percent(share)
    text = "{string:strings} stopped at fret {stop}" if stop else "{string:strings} open"
    place = sentence(text, string=string, stop=stop)
    if not player_n.any():
        force_n = float(plan.buzz_force_after_n[string - 1, stop])
        text = "Weakest: {place}, clear up to {force:force}."
        return sentence(text, place=place, force=force_n)
    text = "Weakest: {place}, clear up to {now:percent} of the player's attack."
    if share <= 0.0:
        text = "Weakest: {place}, where the string lies on a fret at rest."
    elif was_share <= 0.0:
        text = (
            "Weakest: {place}, clear up to {now:percent} of the player's attack (as found, a "
            "string lies on a fret at rest)."
        )
    elif was != now:
        text = (
            "Weakest: {place}, clear up to {now:percent} of the player's attack (as found: "
            "{was:percent})."
        )
    return sentence(text, place=place, now=now, was=was)
