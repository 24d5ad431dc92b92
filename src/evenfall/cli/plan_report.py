"""What a person reads after `evenfall plan`: what it comes to, the work, and what to do next."""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

import click
import numpy as np

from evenfall.cli.door import show_findings, show_gates
from evenfall.cli.reports import Lengths, show_serious
from evenfall.cli.tables import table
from evenfall.gates import unmet
from evenfall.instrument import Specification
from evenfall.plan import METHODS, Plan
from evenfall.plan.ranges import LEAST_SHOWN_MM
from evenfall.units import number_text
from evenfall.wording import whole_percent
from evenfall.work.notes import notes

if TYPE_CHECKING:
    from evenfall.workshop.planning import PlanOutcome

_MOST_LIMITS = 6
"""Clearances listed under the cuts."""


def show_plan(outcome: PlanOutcome, lengths: Lengths) -> None:
    """Print a plan: what it comes to, what to set and cut and why, the next step last."""
    plan, specification = outcome.plan, outcome.specification
    show_serious(outcome.findings_of_readings, lengths)
    before = plan.measurement
    name = f"{before.serial or 'Instrument'}, {before.model}"
    click.echo(f"{name}. Method: {plan.method}. {lengths.say(plan.headline)}")
    show_gates(unmet(plan.gates, plan.accepted), lengths.unit)
    for accepted in plan.accepted:
        click.echo(lengths.say(accepted.said))
    for check in plan.checks:
        click.echo(f"   {lengths.say(check.said)}")
    made = lengths.say(specification.player.saying(plan.attack_n.tolist()))
    asked = lengths.say(specification.player.said)
    more = "" if made == asked else f"; the player's attack is {asked}"
    click.echo(f"Design attack: {made}{more}")
    if np.isfinite(plan.budget_mm):
        click.echo(lengths.say(plan.reason))
    if np.isfinite(plan.level_clear_percent):
        share = whole_percent(0.01 * plan.level_clear_percent)
        click.echo(f"Level frets at these settings stay clear up to {share} % of it.")
    if plan.misread:
        click.echo("Set and cut nothing by these readings.")
    else:
        if plan.gates and plan.status == "read-again":
            click.echo("Set and cut nothing by these readings. They would ask for this:")
        _show_settings(plan, specification, lengths)
    settings = {"Reasons", "Limits not met", "If the readings stand", "Gaps", "Set with care"}
    _show_notes(outcome, settings, lengths)
    if plan.status != "read-again":
        _show_removal(plan, lengths)
    _show_notes(
        outcome, {"Not read", "Low frets", "Read twice", "Too low to cut", "Not certain"}, lengths
    )
    if len(plan.methods) > 1:
        _show_methods(plan, lengths)
        click.echo(lengths.say(plan.reason))
    show_findings(outcome.findings_of_result, lengths.unit)
    for topic, caution in outcome.cautions:
        click.echo(f"{topic}: {lengths.say(caution)}")
    click.echo(f"Plan code {plan.code}")
    click.echo(f"-> {lengths.say(plan.next_step)}")


def _show_settings(plan: Plan, specification: Specification, lengths: Lengths) -> None:
    change = plan.relief_change_mm
    if not specification.neck.truss_rod:
        click.echo(f"Relief {lengths.text(plan.relief_after_mm)} after the work; no truss rod")
    elif abs(change) < LEAST_SHOWN_MM:
        click.echo(f"Truss rod: leave; relief {lengths.text(plan.relief_before_mm)}")
    else:
        side = "more" if change > 0 else "less"
        click.echo(
            f"Truss rod: {side} relief by {lengths.text(abs(change))}, "
            f"to {lengths.text(plan.relief_after_mm)}"
        )
    rows = [
        [
            str(k + 1),
            lengths.figure(plan.saddle_height_change_mm[k], signed=True),
            lengths.figure(plan.nut_height_change_mm[k], signed=True),
            lengths.figure(plan.action_before_mm[k]),
            lengths.figure(plan.action_after_mm[k]),
            lengths.figure(plan.first_fret_gap_before_mm[k]),
            lengths.figure(plan.first_fret_gap_after_mm[k]),
            *(
                _margin(force_n[k].min(), specification.player.attack_n[k])
                for force_n in (plan.buzz_force_before_n, plan.buzz_force_after_n)
            ),
        ]
        for k in range(plan.measurement.string_count)
    ]
    headings = [
        *("string", "saddle", "nut", "action", "planned", "first-fret gap", "planned"),
        *("margin", "planned"),
    ]
    title = (
        f"Changes and gaps [{lengths.unit}]; margin: lowest of buzz force over the player's attack"
    )
    table(title, headings, rows)


def _margin(force_n: float, attack_n: float) -> str:
    """Return a buzz force as a percentage of an attack, rounded down as on every map."""
    return f"{number_text(whole_percent(force_n / attack_n), 0)} %" if attack_n > 0.0 else "–"


def _show_removal(plan: Plan, lengths: Lengths) -> None:
    if plan.replaced_frets:
        lengths.print("New wire in {frets:frets}", frets=plan.replaced_frets)
    cut = np.flatnonzero((plan.removal_mm > 0.0).any(axis=0))
    if not cut.size:
        click.echo("No metal comes off.")
        return
    rows = [
        [
            str(j + 1),
            *(lengths.figure(r) if r > 0.0 else "·" for r in plan.removal_mm[:, j]),
            lengths.figure(plan.crown_height_after_mm[:, j].min()),
        ]
        for j in cut
    ]
    strings = [f"string {k + 1}" for k in range(plan.measurement.string_count)]
    title = "Removal" if plan.cuts_now else "Removal, a preview"
    table(f"{title} [{lengths.unit}]", ["fret", *strings, "lowest crown"], rows)
    click.echo(
        f"Metal {lengths.text(plan.metal_mm)} in all; lowest crown "
        f"{lengths.text(plan.lowest_crown_mm)}"
    )
    for reached in plan.binding[:_MOST_LIMITS]:
        click.echo(f"   {lengths.say(reached.said)}")
    for price in plan.prices:
        if float(lengths.figure(price.metal_mm)):  # what rounds to nothing saves nothing
            click.echo(f"   {lengths.say(price.said)}")
    if np.isfinite(plan.least_metal_mm):
        lengths.print(
            "   Every limit used to the full ({method}) would take {metal:length}.",
            method="--method least-metal",
            metal=plan.least_metal_mm,
        )


def _show_notes(outcome: PlanOutcome, topics: Collection[str], lengths: Lengths) -> None:
    """Print what the bench sheet notes before its first step, of some topics."""
    for note in notes(outcome.specification, outcome.plan):
        if note.topic in topics:
            for said in note.sentences:
                click.echo(f"   {lengths.say(said)}")


def _show_methods(plan: Plan, lengths: Lengths) -> None:
    rows = []
    for method in plan.methods:
        name = METHODS[method.method] + (" *" if method.method == plan.recommended else "")
        figures = ["no", "", "", "", ""]
        if method.holds:
            figures = [
                "yes",
                lengths.figure(method.metal_mm),
                str(method.frets_touched),
                f"{100.0 * method.life_used:.0f} %",
                f"{method.minutes:.0f}",
            ]
        rows.append([name, *figures, lengths.say(method.remark or "")])
    headings = ["method", "holds", f"metal {lengths.unit}", "frets", "life used", "min", "remark"]
    table("Methods (* recommended; minutes are estimates)", headings, rows)
