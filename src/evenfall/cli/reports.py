"""What a person reads in the terminal after each command."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click
import numpy as np

from evenfall.cli.tables import table
from evenfall.measurement import Origin
from evenfall.plan import LEAST_SHOWN_MM, METHODS
from evenfall.units import in_unit, length_text, uncertainty_text
from evenfall.wording import say

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from evenfall.instrument import Specification
    from evenfall.instrument.specification import Limit
    from evenfall.levelling import Diagnosis
    from evenfall.measurement import Measurement
    from evenfall.plan import Plan
    from evenfall.proof import Item, Proof
    from evenfall.units import LengthUnit

    FloatArray = NDArray[np.float64]


def _figure(length_mm: float, unit: LengthUnit, *, signed: bool = False) -> str:
    """Return a length without its unit, for tables that name the unit in their heading."""
    return length_text(length_mm, unit, signed=signed).split()[0]


def both_units(length_mm: float, unit: LengthUnit) -> str:
    """Return a length in the unit asked for, the other one in brackets.

    Parameters
    ----------
    length_mm
        Length [mm].
    unit
        "mm" or "in".
    """
    other: LengthUnit = "in" if unit == "mm" else "mm"
    return f"{length_text(length_mm, unit)} ({length_text(length_mm, other)})"


def show_measurement(measurement: Measurement, unit: LengthUnit) -> None:
    """Print what a measurement holds.

    Parameters
    ----------
    measurement
        The measurement.
    unit
        Unit to show.
    """
    name = measurement.serial or "instrument without a serial"
    click.echo(f"{name}: {measurement.model}")
    grid = measurement.crown_top_origin
    words = {
        Origin.READ: "read",
        Origin.DERIVED: "derived",
        Origin.INTERPOLATED: "filled in",
        Origin.MISSING: "missing",
    }
    counts = [f"{int((grid == o).sum())} {w}" for o, w in words.items() if (grid == o).any()]
    click.echo(
        f"Crown tops of {grid.shape[0]} strings x {grid.shape[1]} frets: " + ", ".join(counts)
    )
    u = measurement.crown_top_u_mm
    if np.isfinite(u).any() and float(np.nanmax(u)) > 0.0:
        low, high = (_small(float(bound(u)), unit) for bound in (np.nanmin, np.nanmax))
        span = low if low == high else f"{low} to {high}"
        click.echo(f"Standard uncertainty of a crown top: {span}")
    for route in measurement.routes:
        click.echo(f"   {route}")


def _small(length_mm: float, unit: LengthUnit) -> str:
    """Return an uncertainty with the digits that matter: those of a scan are under 0.001 mm."""
    if length_mm >= 0.01:
        return length_text(length_mm, unit)
    return f"{1000.0 * length_mm:.2f} µm" if unit == "mm" else f"{in_unit(length_mm, 'in'):.6f} in"


def show_diagnosis(diagnosis: Diagnosis, unit: LengthUnit) -> None:
    """Print a diagnosis: the touch force of every position, gaps and relief.

    Parameters
    ----------
    diagnosis
        The diagnosis.
    unit
        Unit to show.
    """
    measurement = diagnosis.measurement
    click.echo(f"{measurement.serial or 'Instrument'}: {measurement.model}")
    click.echo(f"Relief {both_units(diagnosis.relief_mm, unit)}")
    rows = [
        [
            str(k + 1),
            _figure(diagnosis.action_mm[k], unit),
            _figure(diagnosis.first_fret_gap_mm[k], unit),
            f"{diagnosis.attack_n[k]:.2f}",
            f"{diagnosis.touch_force.force_n[k].min():.2f}",
            _stop(int(diagnosis.touch_force.force_n[k].argmin())),
            f"{diagnosis.adjusted_touch_force_n[k].min():.2f}",
        ]
        for k in range(measurement.string_count)
    ]
    headings = [
        "string",
        f"action {unit}",
        f"fret 1 {unit}",
        "attack N",
        "lowest touch force N",
        "at",
        "after adjusting N",
    ]
    table("As found", headings, rows)
    touching = diagnosis.touching
    total = measurement.string_count * measurement.fret_count
    click.echo(f"{touching} of {total} positions touch below the player's attack.")


def _stop(stop: int) -> str:
    return "open" if stop == 0 else f"fret {stop}"


def show_plan(plan: Plan, specification: Specification, unit: LengthUnit) -> None:
    """Print a plan: what to move, what to cut, why, and the other ways.

    Parameters
    ----------
    plan
        The plan.
    specification
        The specification that it was made for.
    unit
        Unit to show.
    """
    before = plan.measurement
    relief = specification.target.relief
    off = _outside(plan.relief_after_mm, relief)
    heading = {
        "optimal": "every limit holds" + (" but that of the relief, which stays" if off else ""),
        "relaxed": "the limits cannot all hold; this holds with the first easing below",
        "infeasible": "the limits cannot all hold, and no single easing is enough",
    }[plan.status]
    click.echo(f"{before.serial or 'Instrument'}: {METHODS[plan.method]}: {heading}.")
    for relaxation in plan.relaxations:
        mark = "->" if relaxation.helps else "  "
        click.echo(f"  {mark} {say(relaxation.said, unit)}")
    made = _attack_text(plan.attack_n)
    asked = _attack_text(np.asarray(specification.player.attack_n))
    more = "" if made == asked else f"; the specification asks for {asked}"
    click.echo(f"Attack to bear: {made}{more}")
    _show_moves(plan, specification, unit)
    if plan.replaced_frets:
        click.echo("New wire in frets " + ", ".join(str(f) for f in plan.replaced_frets))
    _show_removal(plan, unit)
    click.echo(
        f"Metal {both_units(plan.metal_mm, unit)} in all; proved least to within "
        f"{plan.duality_gap_mm:.1e} mm; lowest crown left {both_units(plan.lowest_crown_mm, unit)}"
    )
    for binding in plan.binding[:8]:
        click.echo(f"   {say(binding.said, unit)}")
    if len(plan.binding) > 8:
        click.echo(f"   and {len(plan.binding) - 8} more limits, listed in the plan file")
    for price in plan.prices:
        click.echo(f"   {say(price.said, unit)}")
    _show_methods(plan, unit)
    click.echo(say(plan.reason, unit))
    click.echo(f"Plan code {plan.code}")


def _attack_text(attack_n: FloatArray) -> str:
    low, high = f"{attack_n.min():.2f}", f"{attack_n.max():.2f}"
    return f"{low} N" if low == high else f"{low} to {high} N"


def _outside(relief_mm: float, limit: Limit) -> bool:
    within = 1e-6  # as near to its limits as a plan keeps them
    return not limit.minimum_mm - within <= relief_mm <= limit.maximum_mm + within


def _show_moves(plan: Plan, specification: Specification, unit: LengthUnit) -> None:
    change, limit = plan.relief_change_mm, specification.target.relief
    outside = ""
    if _outside(plan.relief_after_mm, limit):
        low, high = _figure(limit.minimum_mm, unit), length_text(limit.maximum_mm, unit)
        outside = f", outside its limits of {low} to {high}"
    if not specification.neck.truss_rod:
        after = both_units(plan.relief_after_mm, unit)
        click.echo(f"Relief {after} after the work{outside}; no truss rod")
    elif abs(change) < 5e-4:
        click.echo(f"Truss rod: leave; relief {both_units(plan.relief_before_mm, unit)}{outside}")
    else:
        click.echo(
            f"Truss rod: {'more' if change > 0 else 'less'} relief by "
            f"{both_units(abs(change), unit)}"
        )
    saddle = plan.saddle_after_mm - plan.measurement.saddle_mm
    nut = plan.nut_after_mm - plan.measurement.nut_mm
    rows = [
        [
            str(k + 1),
            _figure(saddle[k], unit, signed=True),
            _figure(nut[k], unit, signed=True),
            _figure(plan.action_before_mm[k], unit),
            _figure(plan.action_after_mm[k], unit),
            _figure(plan.first_fret_gap_before_mm[k], unit),
            _figure(plan.first_fret_gap_after_mm[k], unit),
            f"{(plan.touch_force_before_n[k] / max(plan.attack_n[k], 1e-9)).min():.2f}",
            f"{(plan.touch_force_after_n[k] / max(plan.attack_n[k], 1e-9)).min():.2f}",
        ]
        for k in range(plan.measurement.string_count)
    ]
    headings = [
        "string",
        "saddle",
        "nut",
        "action",
        "after",
        "fret 1",
        "after",
        "worst",
        "after",
    ]
    table(f"Moves and gaps [{unit}]; lowest touch force as a share of the attack", headings, rows)


def _show_removal(plan: Plan, unit: LengthUnit) -> None:
    touched = np.flatnonzero((plan.removal_mm >= LEAST_SHOWN_MM).any(axis=0))
    if not touched.size:
        click.echo("No metal comes off.")
        return
    count = plan.measurement.string_count
    rows = [
        [
            str(j + 1),
            *(
                _figure(plan.removal_mm[k, j], unit)
                if plan.removal_mm[k, j] >= LEAST_SHOWN_MM
                else "·"
                for k in range(count)
            ),
            _figure(plan.crown_height_after_mm[:, j].min(), unit),
        ]
        for j in touched
    ]
    headings = ["fret", *(f"string {k + 1}" for k in range(count)), "lowest left"]
    table(f"Removal [{unit}]", headings, rows)


def _show_methods(plan: Plan, unit: LengthUnit) -> None:
    rows = []
    for method in plan.methods:
        name = METHODS[method.method] + (" *" if method.method == plan.recommended else "")
        remark = say(method.remark, unit) if method.remark else ""
        if not method.holds:
            rows.append([name, "no", "", "", "", "", remark])
            continue
        rows.append(
            [
                name,
                "yes",
                _figure(method.metal_mm, unit),
                str(method.frets_touched),
                f"{100.0 * method.life_used:.0f} %",
                f"{method.minutes:.0f}",
                remark,
            ]
        )
    headings = ["method", "holds", f"metal {unit}", "frets", "life used", "min", "remark"]
    table("Methods (* recommended; minutes are estimates)", headings, rows)


def show_proof(proof: Proof, unit: LengthUnit, *, steps: bool) -> None:
    """Print a proof: every item against its limits, the verdict, what to do next.

    Parameters
    ----------
    proof
        The proof.
    unit
        Unit to show.
    steps
        Whether to list the uncertainty budgets too.
    """
    click.echo(f"{proof.serial or 'Instrument'}: {proof.model}")
    rows = [
        [
            item.name,
            _figure(item.value, unit),
            uncertainty_text(item.expanded_uncertainty, unit).split()[0],
            _limits(item, unit),
            _chance(item.probability),
            item.verdict,
        ]
        for item in proof.items
    ]
    headings = ["what", f"value {unit}", "± U", "limits", "p", "verdict"]
    table(
        f"Results; U is expanded with k = {proof.coverage_factor:.2f}; decided by "
        f"{proof.rule}, {100.0 * proof.coverage:g} %",
        headings,
        rows,
    )
    if steps:
        for item in proof.items:
            _show_budget(item)
    click.echo(f"Verdict: {proof.verdict.upper()}")
    for step in proof.next_steps:
        click.echo(f"-> {step}")


def _limits(item: Item, unit: LengthUnit) -> str:
    low = "" if np.isinf(item.lower) else _figure(item.lower, unit)
    high = "" if np.isinf(item.upper) else _figure(item.upper, unit)
    if low and high:
        return f"{low} … {high}"
    return f"at least {low}" if low else f"at most {high}"


def _chance(probability: float) -> str:
    if not np.isfinite(probability):
        return "–"
    if probability > 0.9995:
        return "> 0.999"
    return "< 0.001" if probability < 0.0005 else f"{probability:.3f}"


def _show_budget(item: Item) -> None:
    rows = [
        [
            line.name,
            f"{line.value:.4f}",
            f"{line.standard_uncertainty:.4f}",
            f"{line.sensitivity:+.4f}",
            f"{abs(line.sensitivity) * line.standard_uncertainty:.4f}",
        ]
        for line in item.lines
    ]
    rows.append(["combined", f"{item.value:.4f}", f"{item.standard_uncertainty:.4f}", "", ""])
    headings = ["what", "value mm", "u mm", "sensitivity", "contribution mm"]
    table(f"{item.name}: {item.route}", headings, rows)
