"""The motion behind the play test: against exact solutions, and against a second program."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from math import pi, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from draws import draws
from evenfall.errors import RequestError
from evenfall.instrument.specification import InstrumentString
from evenfall.strings.clearance import rest_clearance_mm, touch_force
from evenfall.strings.damping import PLAIN_STEEL, Damping, decay_rate_per_s
from evenfall.strings.modes import string_modes
from evenfall.strings.playtest.modes import StoppedString, stopped_string
from evenfall.strings.playtest.notes import (
    Note,
    NoteResults,
    StoppedStrings,
    _within_reach,
    complementary_force_n,
    load_kernel,
    run_notes,
)
from evenfall.strings.playtest.play_test import Settings
from evenfall.strings.swing import deepest_swing
from oracles.motion_in_numpy import move
from oracles.play_against_touch_force import Case, agreement
from strings.played_necks import MODELS, neck, random_neck

FloatArray = NDArray[np.float64]

NO_DAMPING = Damping(0.0, 0.0, 0.0, 0.0)
kernel = cache(load_kernel)
ELASTIC = Settings(elastic_depth_um=0.002)


def steel(
    frequency_hz: float = 100.0, diameter_mm: float = 0.5, modulus: float = 2e5
) -> InstrumentString:
    """Return a string of one metre; modulus 0 makes it ideal."""
    density = 7850.0 * pi * (diameter_mm / 1000.0) ** 2 / 4.0
    return InstrumentString(
        1, frequency_hz, "", diameter_mm, diameter_mm, density, modulus, False, 1000.0, 0.0
    )


def stopped(
    string: InstrumentString,
    frets: list[float],
    *,
    pluck_mm: float = 300.0,
    width_mm: float = 0.0,
    damping: Damping = NO_DAMPING,
    rate_hz: float | None = None,
    ends: tuple[float, float] = (0.0, 0.0),
) -> StoppedString:
    """Return a string between pins, for which solutions are published."""
    return stopped_string(
        string,
        length_mm=1000.0,
        fret_distance_mm=np.array(frets),
        pluck_distance_mm=pluck_mm,
        pluck_width_mm=width_mm,
        damping=damping,
        rate_hz=rate_hz,
        end_ratio=ends,
    )


def played(
    position: StoppedString,
    clearance_mm: list[float],
    force_n: float,
    duration_s: float,
    settings: Settings | None = None,
    *,
    listen_mm: float | None = None,
) -> NoteResults:
    table = StoppedStrings.joined([position], [(0, 0)], [np.array(clearance_mm)], duration_s)
    listen = None
    if listen_mm is not None:
        order = np.arange(1, len(position.turn_factor) + 1)
        listen = [np.sin(order * (pi * listen_mm / position.string.length_mm))]
    note = Note((0, 0, 0, 0), 0, force_n)
    return run_notes(kernel(), table, [note], settings or Settings(), listen_weight=listen)


def displacement_mm(run: NoteResults, start_mm: float) -> FloatArray:
    """Return the displacement at the listening point by step, from the velocities between."""
    position = run.stopped.strings[0]
    assert round(position.rate_hz / 48_000.0) <= 1  # every step is kept
    return start_mm + np.cumsum(run.sound_mm_per_s[0]) / position.rate_hz


# ---- without contact ---------------------------------------------------------------------------


def d_alembert_mm(
    at_mm: float, time_s: FloatArray, pluck_mm: float, speed_mm_per_s: float
) -> FloatArray:
    """Return [g(x - ct) + g(x + ct)] / 2 for a triangle of height 1 on a string of one metre."""

    def odd(x: FloatArray) -> FloatArray:
        folded = np.mod(x, 2000.0)
        side = np.where(folded > 1000.0, -1.0, 1.0)
        inside = np.where(folded > 1000.0, 2000.0 - folded, folded)
        top = 1000.0 - pluck_mm
        return np.asarray(side * np.minimum(inside / top, (1000.0 - inside) / pluck_mm))

    travelled = speed_mm_per_s * time_s
    return 0.5 * (odd(at_mm - travelled) + odd(at_mm + travelled))


def d_alembert_error(modes: int) -> float:
    """Return the largest error over three periods, as a share of the pluck's displacement."""
    rate, pluck_mm, at_mm, force_n = 48_000.0, 300.0, 137.0, 1.0
    frequency = 0.45 * rate / (modes + 0.5)
    string = steel(frequency, modulus=0.0)
    position = stopped(string, [], pluck_mm=pluck_mm, rate_hz=rate)
    assert len(position.frequency_hz) == modes
    run = played(position, [], force_n, 3.0 / frequency, listen_mm=at_mm)
    height = force_n * pluck_mm * (1000.0 - pluck_mm) / (string.tension_n * 1000.0)
    # The sound begins between the first step and the second.
    step = np.arange(len(run.sound_mm_per_s[0])) + 2
    order = np.arange(1, len(position.turn_factor) + 1)
    first = position.from_rest(force_n * position.pluck_mm_per_n, 1.0 / rate)
    start = float(np.sin(order * (pi * at_mm / 1000.0)) @ first)
    exact = height * d_alembert_mm(at_mm, step / rate, pluck_mm, 2000.0 * frequency)
    return float(np.abs(displacement_mm(run, start) - exact).max() / height)


def test_an_ideal_string_follows_d_alembert() -> None:
    """Error only from the modes left out: it falls with their number, order one at the kink."""
    counts = np.array([50, 100, 200, 400, 800])
    errors = np.array([d_alembert_error(int(modes)) for modes in counts])
    order = -np.polyfit(np.log(counts), np.log(errors), 1)[0]
    assert 0.9 < order < 1.2
    # Sum of the terms left out, all at their largest: 2 / (pi^2 0.3 0.7) / modes.
    assert (errors < 2.0 / (pi**2 * 0.3 * 0.7) / counts).all()
    assert errors[-1] < 1e-3


def strongest_near(samples: FloatArray, rate_hz: float, frequency_hz: float) -> float:
    """Return the frequency near a guess at which a windowed sum over the samples is largest."""
    time = np.arange(len(samples)) / rate_hz
    phase = 2.0 * pi * np.arange(len(samples)) / len(samples)
    window = 0.42 - 0.5 * np.cos(phase) + 0.08 * np.cos(2.0 * phase)
    step = 0.1 / time[-1]
    for _ in range(6):
        trial = frequency_hz + step * np.array([-1.0, 0.0, 1.0])
        level = [abs(np.sum(window * samples * np.exp(-2j * pi * f * time))) for f in trial]
        bend = level[0] - 2.0 * level[1] + level[2]
        move = 0.5 * (level[0] - level[2]) / bend if bend < 0.0 else np.sign(level[2] - level[0])
        frequency_hz += step * float(np.clip(move, -1.0, 1.0))
    return frequency_hz


@pytest.mark.slow
def test_a_stiff_string_rings_at_its_eigenfrequencies() -> None:
    """f_n = n f0 sqrt(1 + B n^2) (Fletcher and Rossing, section 2.18) within 0.1 cent to n = 20."""
    string = steel(82.41, diameter_mm=0.9)
    inharmonicity = pi**2 * string.bending_stiffness_n_mm2 / (string.tension_n * 1000.0**2)
    assert inharmonicity > 5e-5
    position = stopped(string, [], pluck_mm=131.0, rate_hz=48_000.0)
    run = played(position, [], 1.0, 3.0, listen_mm=77.0)
    for n in range(1, 21):
        expected = n * 82.41 * sqrt(1.0 + inharmonicity * n * n)
        found = strongest_near(run.sound_mm_per_s[0], 48_000.0, expected * 1.0001)
        assert abs(1200.0 * np.log2(found / expected)) < 0.1


def test_partials_decay_with_the_prescribed_quality() -> None:
    string = steel(196.0, diameter_mm=0.43)
    position = stopped(string, [], pluck_mm=131.0, damping=PLAIN_STEEL, rate_hz=48_000.0)
    sound = played(position, [], 1.0, 2.0, listen_mm=77.0).sound_mm_per_s[0]
    order = np.array([1, 2, 5, 10, 20])
    expected = decay_rate_per_s(
        PLAIN_STEEL,
        order=order,
        length_mm=1000.0,
        tension_n=string.tension_n,
        linear_density_kg_per_m=string.linear_density_kg_per_m,
        bending_stiffness_n_mm2=string.bending_stiffness_n_mm2,
        diameter_mm=0.43,
    )
    window, apart = np.blackman(48_000), 24_000
    for n, rate in zip(order, expected, strict=True):
        wave = np.exp(-2j * pi * position.frequency_hz[n - 1] * np.arange(48_000) / 48_000.0)
        early, late = (abs(np.sum(window * sound[s : s + 48_000] * wave)) for s in (0, apart))
        assert np.log(early / late) / (apart / 48_000.0) == pytest.approx(rate, rel=2e-3)


# ---- contact against an exact solution ---------------------------------------------------------


@pytest.mark.parametrize("settings", [Settings(), Settings(elastic_depth_um=0.02)], ids=str)
def test_a_string_plucked_at_mid_length_over_a_point_obstacle(settings: Settings) -> None:
    """Ideal string, rigid point at mid-length and rest height: every number is known.

    It touches after a quarter of a period and for a quarter, pressing with a constant 4 T h / L;
    the motion repeats every three quarters of a period; the deepest it gets is -h/2 at the
    quarter points (H. Cabannes, L. Amerio; worked out again on a lattice with c dt = dx).
    """
    frequency, force_n = 20.0, 1.0
    string = steel(frequency, modulus=0.0)
    position = stopped(string, [500.0], pluck_mm=500.0, rate_hz=48_000.0)
    height = force_n * 500.0 * 500.0 / (string.tension_n * 1000.0)
    run = played(position, [0.0], force_n, 0.74 / frequency, settings)
    longest = (run.counts[0, kernel().CONTACT_STEPS] + 1) / 48_000.0 * frequency

    assert run.numbers[0, kernel().FIRST_S] * frequency == pytest.approx(0.25, rel=1e-3)
    contact_force = run.impulse_n_s[0, 0] / (0.25 / frequency)
    assert contact_force == pytest.approx(4.0 * string.tension_n * height / 1000.0, rel=1e-3)
    if settings.elastic_depth_um == 0.0:  # elastic crowns let go for single steps
        assert longest == pytest.approx(0.25, abs=2e-3)

    period = played(position, [0.0], force_n, 3.1 * 0.75 / frequency, settings, listen_mm=500.0)
    middle = displacement_mm(period, height)
    periods = np.arange(len(middle)) / 48_000.0 * frequency
    tops = [
        np.argmax(np.where(np.abs(periods - top) < 0.2, middle, -np.inf))
        for top in (0.75, 1.5, 2.25)
    ]
    times = (np.array([-2, *tops]) + 2) / 48_000.0  # the sound begins at the second step
    assert np.diff(times) * frequency == pytest.approx([0.75] * 3, rel=1e-3)
    for share in (0.25, 0.75):
        quarter = played(
            position, [0.0], force_n, 1.0 / frequency, settings, listen_mm=1000.0 * share
        )
        deepest = displacement_mm(quarter, 0.5 * height).min()
        assert deepest == pytest.approx(-0.5 * height, rel=1e-3)


# ---- energy ------------------------------------------------------------------------------------

FRETS = [56.0, 109.0, 159.0, 206.0, 251.0, 293.0]
CLEARANCE = [0.10, 0.20, 0.28, 0.37, 0.45, 0.53]


def test_elastic_crowns_conserve_energy() -> None:
    position = stopped(steel(), FRETS, width_mm=2.0, rate_hz=96_000.0)
    run = played(position, CLEARANCE, 1.2, 0.25, ELASTIC)
    assert run.counts[0, kernel().CONTACT_STEPS] > 300
    start, end = run.energy_n_mm[0]
    assert abs(end / start - 1.0) < 1e-10
    assert run.counts[0, kernel().UNSETTLED] == 0


def test_energy_that_rigid_crowns_take_is_accounted_for_and_shrinks_with_the_step() -> None:
    lost = []
    for rate in (96_000.0, 384_000.0, 1_536_000.0):
        position = stopped(steel(), FRETS, width_mm=2.0, rate_hz=rate)
        run = played(position, CLEARANCE, 0.8, 0.02)
        start, end = run.energy_n_mm[0]
        taken = run.numbers[0, kernel().LOSS]
        assert run.counts[0, kernel().CONTACT_STEPS] > 30
        assert abs((start - end - taken) / start) < 1e-10
        lost.append(taken / start)
    assert lost[0] > 1.4 * lost[1]
    assert lost[1] > 1.4 * lost[2]
    assert lost[2] > 0.0


def test_frets_are_not_penetrated() -> None:
    """Under one micrometre: rigid crowns to rounding, elastic ones by what one newton presses."""
    for frequency in (82.4, 196.0, 440.0, 880.0):
        position = stopped(steel(frequency), FRETS, width_mm=2.0, damping=PLAIN_STEEL)
        force = 0.6 * steel(frequency).tension_n / 100.0
        rigid = played(position, CLEARANCE, force, 0.1)
        assert rigid.counts[0, kernel().CONTACT_STEPS] > 50
        assert rigid.numbers[0, kernel().PENETRATION] < 1e-12
        elastic = played(position, CLEARANCE, force, 0.1, ELASTIC)
        assert elastic.counts[0, kernel().CONTACT_STEPS] > 50
        assert 0.0 < elastic.numbers[0, kernel().PENETRATION] < 1e-3


@draws(60)
@given(
    rate=st.floats(6525.0, 4e5),
    frequency=st.floats(30.0, 120.0),
    force=st.floats(-30.0, 30.0).filter(lambda f: abs(f) > 1e-3),
    clearance=st.lists(st.floats(-0.5, 2.0), min_size=6, max_size=6),
    crowns=st.sampled_from([Settings(elastic_depth_um=um) for um in (0.0, 1e-4, 2e-3, 1.0, 50.0)]),
    loss=st.sampled_from([0.0, 1e-4, 0.1]),
)
def test_no_step_and_no_neck_makes_the_motion_blow_up(
    *,
    rate: float,
    frequency: float,
    force: float,
    clearance: list[float],
    crowns: Settings,
    loss: float,
) -> None:
    damping = Damping(loss, loss, 0.0, 0.0)
    position = stopped(steel(frequency), FRETS, damping=damping, rate_hz=rate)
    run = played(position, clearance, force, 500 / rate, crowns)
    start, end = run.energy_n_mm[0]
    assert np.isfinite(run.impulse_n_s).all()
    assert (run.impulse_n_s >= 0.0).all()
    if crowns.elastic_depth_um == 0.0:
        end += run.numbers[0, kernel().LOSS]
        assert run.numbers[0, kernel().LOSS] >= -1e-9 * start
    assert end <= start * (1.0 + 1e-9)


# ---- the kernel against plain numpy ------------------------------------------------------------


@pytest.mark.parametrize("damping", [NO_DAMPING, PLAIN_STEEL], ids=["free", "damped"])
def test_the_kernel_agrees_with_plain_numpy(damping: Damping) -> None:
    string, rate, steps = steel(196.0), 96_000.0, 1200
    position = stopped(string, FRETS, pluck_mm=130.0, width_mm=2.0, damping=damping, rate_hz=rate)
    forces = np.array([2.0, -3.0, 4.0, 7.0])
    table = StoppedStrings.joined([position], [(0, 0)], [np.array(CLEARANCE)], steps / rate)
    notes = [Note((0, 0, 0, 0), 0, force) for force in forces]
    ours = run_notes(kernel(), table, notes, Settings())
    theirs = move(
        length=1.0,
        tension=string.tension_n,
        density=string.linear_density_kg_per_m,
        bending=string.bending_stiffness_n_mm2 * 1e-6,
        decay=position.decay_per_s,
        fret=np.array(FRETS) / 1000.0,
        clearance=np.array(CLEARANCE) / 1000.0,
        force=forces,
        pluck=0.13,
        width=0.002,
        rate=rate,
        steps=steps,
    )
    assert np.count_nonzero(theirs.impulse) > 8
    impulse = ours.impulse_n_s.T
    assert impulse == pytest.approx(theirs.impulse, rel=1e-6, abs=1e-12)
    first = ours.numbers[:, kernel().FIRST_S] * rate - 1.0
    touched = theirs.first_step >= 0
    assert first[touched] == pytest.approx(theirs.first_step[touched])
    assert ours.energy_n_mm[:, 0] == pytest.approx(1000.0 * theirs.energy_start, rel=1e-12)
    assert ours.energy_n_mm[:, 1] == pytest.approx(1000.0 * theirs.energy_end, rel=1e-8)
    # Of the energy nothing is left over: end, contact and damping make up the beginning.
    rest = theirs.energy_end + theirs.lost_in_contact + theirs.lost_in_damping
    assert rest == pytest.approx(theirs.energy_start, rel=1e-10)


def test_complementary_forces_are_the_least_that_lift_the_string() -> None:
    rng = np.random.default_rng(3)
    for size in (1, 3, 8):
        factor = rng.normal(size=(size, size + 2))
        compliance = factor @ factor.T
        missing = rng.normal(size=size)
        force = complementary_force_n(compliance, missing)
        gap = compliance @ force - missing
        assert (force >= 0.0).all()
        assert (gap >= -1e-9).all()
        assert abs(force @ gap) < 1e-9


def test_modes_stay_below_half_the_rate_and_tell_the_frets_apart() -> None:
    position = stopped(steel(), FRETS)
    assert position.frequency_hz.max() < 0.5 * position.rate_hz
    close = stopped(steel(), [56.0, 57.0])
    assert len(close.frequency_hz) >= 1000
    with pytest.raises(RequestError, match="too low a rate"):
        stopped(steel(100.0), FRETS, rate_hz=200.0)
    with pytest.raises(RequestError, match="too low a rate for contact"):
        played(stopped(steel(100.0), FRETS, rate_hz=2000.0), CLEARANCE, 1.0, 0.1)


@pytest.mark.parametrize("frequency", [82.4, 329.6])
def test_frets_that_are_left_out_are_out_of_reach(frequency: float) -> None:
    """A fret just over the deepest point of the motion is never left out."""
    position = stopped(steel(frequency), FRETS, pluck_mm=130.0, width_mm=2.0)
    modes = string_modes(position.string, np.array(FRETS), len(position.frequency_hz))
    swing = deepest_swing(replace(modes, decay_per_s=np.full_like(modes.decay_per_s, 0.5)))
    start = position.energy_n_mm(
        position.pluck_mm_per_n, position.pluck_mm_per_n * position.first_factor
    )
    for fret in range(6):
        clearance = np.full(6, 1e6)
        clearance[fret] = 0.999 * max(swing.away_mm_per_n[fret], swing.towards_mm_per_n[fret])
        assert _within_reach(position, clearance, start) == fret + 1
        clearance[fret] *= 100.0
        assert _within_reach(position, clearance, start) == 0


# ---- convergence and what the touch force foretells ----------------------------------------------


@pytest.mark.slow
def test_contact_impulses_at_the_default_rate_are_converged() -> None:
    """Over notes of three instruments: error against sixteen times the rate, and its order."""
    rng = np.random.default_rng(7)
    errors = []
    for model in MODELS:
        made = neck(model)
        clearance = rest_clearance_mm(made.lines, *made.heights_mm)
        room = touch_force(clearance, made.excursion).force_n
        for _ in range(12):  # of five notes a model, the median order scatters by more than one
            k, p = int(rng.integers(room.shape[0])), int(rng.integers(room.shape[1] - 2))
            force = rng.uniform(1.2, 2.2) * room[k, p]
            impulse = []
            rate = None
            for times in (1.0, 0.25, 0.5, 16.0):
                settings = Settings(rate_hz=rate and rate * times)
                table = StoppedStrings.of(
                    made.specification,
                    made.lines,
                    clearance,
                    settings,
                    duration_s=0.05,
                    only=((k, p),),
                )
                rate = rate or table.strings[0].rate_hz
                if table.strings[0].least_rate_hz > 0.25 * rate:
                    break  # a quarter of the rate cannot tell frets this near apart
                run = run_notes(kernel(), table, [Note((k, p, 0, 0), 0, force)], settings)
                impulse.append(run.impulse_n_s.sum())
            if impulse:
                errors.append(np.abs(np.array(impulse[:3]) / impulse[3] - 1.0))
    assert len(errors) > 30
    default, quarter, half = np.median(errors, axis=0)
    assert default < 0.02
    assert np.max(errors, axis=0)[0] < 0.10
    assert np.log2(quarter / half) > 1.0
    assert np.log2(half / default) > 1.0


@pytest.mark.slow
def test_both_forces_keep_their_word_on_random_necks() -> None:
    """Every note of five kinds of instrument, seeded, played with contact, whatever is foretold.

    Touch force: no contact at 0.997 of it, contact at 1.003, without exception (at any time: the
    notes are followed until the bound allows no more). Buzz force: 1.04 times it sorts rattling
    notes from the others with at most 6 % mistakes; 5 % of notes on necks it was set on.
    """
    cases = [
        Case(
            model,
            made.specification,
            made.lines,
            made.heights_mm,
            made.excursion,
            np.random.default_rng(10_000 + seed),
        )
        for seed in range(900, 916)
        for model in [list(MODELS)[seed % len(MODELS)]]
        for made in [random_neck(model, seed)]
    ]
    found = agreement(cases, positions=8)
    assert len(found.model) > 100
    assert len(set(found.model)) == len(MODELS)
    assert found.contradictions() == []
    assert found.sorting_mistakes(1.04) <= 0.06
    assert found.sorting_mistakes(1.04) < found.sorting_mistakes_by_touch()
