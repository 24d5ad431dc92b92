"""How long a plan holds as the neck moves, and plans that go by a measured neck."""

from __future__ import annotations

from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest

from draws import some
from evenfall.errors import RequestError
from evenfall.instrument import Specification, fret_distance_mm, read_specification, string_lines
from evenfall.levelling import diagnose, make_plan
from evenfall.levelling.problem import build_problem
from evenfall.neck import Bow, NeckModel, default_bow, neck_model
from evenfall.neck.bow import crown_shift_mm
from evenfall.neck.calibration import calibrate
from evenfall.neck.forecast import restrung
from evenfall.neck.season import humidity_range
from evenfall.plan import Plan
from evenfall.strings.clearance import open_gap_mm, rest_clearance_mm
from evenfall.workshop.necks import at_pitch, outlook_findings
from evenfall.workshop.opening import Opened
from evenfall.workshop.pitches import pitch_change_finding, pitch_of
from levelling.necks import Wishes, readings, specification, table, text
from made_heights import changed, converted
from necks import invented
from necks.invented import Bump
from necks.kinds import table as table_of
from necks.readings import Reader, read

WISHES = Wishes(
    strings=4,
    frets=20,
    joint=16.0,
    relief=(0.1, 0.3),
    tolerance=0.1,
    attack=0.15,
    saddle=(0.8, 0.8),
)
SPEC = specification(WISHES)
LINES = string_lines(SPEC)


@pytest.mark.parametrize("seed", some([1, 2, 4, 5], 2))
def test_the_relief_may_move_as_far_as_the_rod_may_miss(seed: int) -> None:
    """Strings and rod bow a neck nearly alike; test_misses checks the rod by breaking plans."""
    neck = invented.as_found("electric", np.random.default_rng(seed))
    found = read(neck, np.random.default_rng(seed), Reader(u_mm=0.002))
    plan = make_plan(neck.specification, found, excursion=table_of(neck.specification))
    ahead = plan.outlook
    assert ahead.relief_low_mm <= plan.relief_after_mm <= ahead.relief_high_mm
    for miss in plan.misses:
        if miss.setting == "rod":
            assert ahead.relief_low_mm == pytest.approx(
                plan.relief_after_mm - miss.less_mm, abs=0.01
            )
            assert ahead.relief_high_mm == pytest.approx(
                plan.relief_after_mm + miss.more_mm, abs=0.01
            )
    limits = neck.specification.target.relief
    if limits.minimum_mm <= plan.relief_after_mm <= limits.maximum_mm:
        assert ahead.relief_low_mm >= limits.minimum_mm - 1e-9
        assert ahead.relief_high_mm <= limits.maximum_mm + 1e-9


@pytest.mark.slow
def test_what_moves_the_relief_that_far() -> None:
    """The ends in tension and humidity, from the neck's own numbers (JCGM 100, G.6.6: 2 u)."""
    found = readings(SPEC, noise_mm=0.01, relief_mm=0.2)
    plan = make_plan(SPEC, found, excursion=table(SPEC))
    model = neck_model(SPEC, LINES)
    ahead = plan.outlook
    per_n = model.relief_mm_per_n + 2.0 * model.relief_u_mm_per_n
    less = plan.relief_after_mm - ahead.relief_low_mm
    more = ahead.relief_high_mm - plan.relief_after_mm
    assert ahead.tension_less_n * per_n == pytest.approx(less)
    assert ahead.tension_more_n * per_n == pytest.approx(more)
    assert ahead.humidity_percent == 45.0
    assert ahead.humidity_noted
    air = humidity_range(model, less_mm=less, more_mm=more, humidity_percent=45.0)
    assert (ahead.humidity_low_percent, ahead.humidity_high_percent) == air
    assert air[0] <= 45.0 <= air[1]
    usual = make_plan(SPEC, replace(found, humidity_percent=np.nan), excursion=table(SPEC)).outlook
    assert usual.humidity_percent == 50.0
    assert not usual.humidity_noted
    again = Plan.from_dict(plan.as_dict())
    assert again.outlook.tension_more_n == ahead.tension_more_n
    assert np.isnan(again.outlook.rod_turns_count)


def test_a_measured_turn_becomes_turns_in_the_plan() -> None:
    found = readings(SPEC, noise_mm=0.0, relief_mm=0.45)
    plain = make_plan(SPEC, found, excursion=table(SPEC))
    assert np.isnan(plain.outlook.rod_turns_count)
    model = neck_model(SPEC, LINES, turn_mm=0.2, turn_u_mm=0.02)
    plan = make_plan(SPEC, found, excursion=table(SPEC), neck=model)
    assert plan.relief_change_mm < -0.1
    assert plan.outlook.rod_turns_count == pytest.approx(-plan.relief_change_mm / 0.2)
    assert plan.outlook.rod_turns_u_count == pytest.approx(0.1 * plan.outlook.rod_turns_count)


def soft_near_the_nut() -> Bow:
    """Return the bow of a neck that bends twice as much at the nut as the usual, less behind."""
    joint = float(fret_distance_mm(1.0, 16.0))
    place = np.linspace(0.0, joint, 65)
    shift = crown_shift_mm(SPEC, LINES, place, 1.0 - 1.8 * (place / joint - 0.5))
    usual = default_bow(SPEC, LINES)
    return Bow(frets=shift / usual.relief_mm(shift), weights=usual.weights)


def test_a_plan_by_the_measured_bow_holds_on_that_neck() -> None:
    """Carried out on a neck of its own shape, the plan from its profiles misses nothing."""
    true = soft_near_the_nut()
    found = readings(SPEC, noise_mm=0.01, relief_mm=0.0, u_mm=0.002)
    found = changed(found, crown_top_mm=found.crown_top_mm + 0.6 * true.frets)
    before = changed(found, crown_top_mm=found.crown_top_mm + 0.4 * true.frets)
    pair = calibrate(SPEC, LINES, before, found)
    assert pair.leaning
    measured = neck_model(SPEC, LINES, turn=pair, turn_mm=0.2)
    assert measured.rod_bow is pair.bow
    default = neck_model(SPEC, LINES)

    def missed_mm(model: NeckModel) -> float:
        """Return how far the true action ends up from the planned, the plan carried out."""
        plan = make_plan(SPEC, found, excursion=table(SPEC), neck=model)
        assert plan.relief_change_mm < -0.2
        level = plan.level_mm + plan.relief_change_mm * true.frets
        np.testing.assert_array_equal(plan.bow_mm_per_mm, model.rod_bow.frets)
        action = open_gap_mm(LINES, plan.nut_after_mm, level, plan.saddle_after_mm, 12)
        return float(np.abs(action - plan.action_after_mm).max())

    assert missed_mm(measured) < 0.002
    assert missed_mm(default) > 3.0 * max(missed_mm(measured), 0.002)
    one = diagnose(SPEC, found, excursion=table(SPEC), bow=measured.rod_bow)
    other = diagnose(SPEC, found, excursion=table(SPEC))
    assert one.relief_mm == pytest.approx(0.6, abs=0.01)  # the line has the neck's own bow
    assert other.relief_mm == pytest.approx(0.6, abs=0.05)


def restringed(gauge_times: float) -> Specification:
    """Return the same neck with thicker or thinner plain strings at the same pitch."""
    content = text(WISHES)
    for gauge in (0.254, 0.330, 0.432):
        content = content.replace(f"gauge = {gauge}", f"gauge = {gauge * gauge_times:.6f}")
    return read_specification(content)[0]


@pytest.mark.slow
def test_other_strings_change_what_the_plan_starts_from() -> None:
    """Weight and tension of a plain string go with the square of its gauge (mu = rho pi d^2/4)."""
    found = readings(SPEC, noise_mm=0.01, relief_mm=0.2)
    heavy = restringed(1.2)
    model = neck_model(SPEC, LINES)
    tensions = [sum(s.tension_n for s in spec.strings) for spec in (SPEC, heavy)]
    plain = sum(s.tension_n for s in SPEC.strings[:3])
    assert tensions[1] - tensions[0] == pytest.approx(plain * (1.2**2 - 1.0), rel=1e-6)
    then = restrung(model, found, SPEC, heavy)
    assert then.specification_hash == heavy.content_hash
    relief = [default_bow(SPEC, LINES).relief_mm(m.crown_top_mm) for m in (found, then)]
    more = model.relief_mm_per_n * (tensions[1] - tensions[0])
    assert relief[1] - relief[0] == pytest.approx(more)
    (conversion,) = then.heights.shared
    assert conversion.name == "conversion"
    np.testing.assert_allclose(
        conversion.effect_mm[:, 1:-1],
        model.relief_u_mm_per_n * (tensions[1] - tensions[0]) * model.bow.frets,
    )
    spec, carried, pulled, findings = at_pitch(SPEC, found, model, other=heavy)
    assert spec is heavy
    assert pulled.tension_n == pytest.approx(tensions[1])
    assert any("relief becomes" in f.sentence for f in findings)
    plan = make_plan(spec, carried, excursion=table(heavy), neck=pulled)
    assert plan.relief_before_mm == pytest.approx(relief[1], abs=0.002)  # of the bow alone


@pytest.mark.slow
def test_the_uncertainty_of_a_carry_is_one_for_all_crowns() -> None:
    """Margins against a Monte Carlo of the one bow and of every reading (JCGM 101, 7)."""
    found = converted(readings(SPEC, u_mm=0.003), default_bow(SPEC, LINES).frets, 0.05)
    problem = build_problem(SPEC, found, excursion=table(SPEC))
    plain = build_problem(SPEC, readings(SPEC, u_mm=0.003), excursion=table(SPEC))
    assert (problem.margin_mm >= plain.margin_mm).all()
    chance = np.random.default_rng(11)
    drawn = []
    for _ in range(4000):
        bowed = 0.05 * chance.standard_normal() * problem.bow.frets
        drawn.append(
            rest_clearance_mm(
                LINES,
                found.nut_mm + 0.003 * chance.standard_normal(4),
                found.crown_top_mm + bowed + 0.003 * chance.standard_normal((4, 20)),
                found.saddle_mm + 0.003 * chance.standard_normal(4),
            )
        )
    spread = np.std(drawn, axis=0)
    free = np.isfinite(spread)
    kappa = NormalDist().inv_cdf(SPEC.rule.coverage)
    u = (problem.margin_mm - SPEC.rule.extra_clearance_mm - SPEC.rule.working_allowance_mm) / kappa
    np.testing.assert_allclose(u[free], spread[free], rtol=0.06)
    assert problem.limit_u_mm["relief"] > 0.05


def test_strings_in_other_places_are_refused() -> None:
    found = readings(SPEC)
    model = neck_model(SPEC, LINES)
    wider = read_specification(
        text(WISHES).replace("string_spread_saddle = ", "string_spread_saddle = 1")
    )[0]
    with pytest.raises(RequestError, match="other places"):
        restrung(model, found, SPEC, wider)
    fewer = specification(replace(WISHES, strings=3))
    with pytest.raises(RequestError, match="other places"):
        restrung(model, found, SPEC, fewer)


def test_readings_without_strings_are_planned_at_tension() -> None:
    strung = readings(SPEC, noise_mm=0.01, relief_mm=0.2)
    model = neck_model(SPEC, LINES)
    less = model.relief_mm_per_n * model.tension_n * model.bow.frets
    unstrung = changed(strung, strung=False, crown_top_mm=strung.crown_top_mm - less)
    spec, carried, _, findings = at_pitch(SPEC, unstrung, model)
    assert spec is SPEC
    assert carried.strung
    np.testing.assert_allclose(carried.crown_top_mm, strung.crown_top_mm, atol=1e-12)
    assert any(f.code == "state" for f in findings)
    as_it_is = at_pitch(SPEC, strung, model)
    assert as_it_is == (SPEC, strung, model, ())


def test_a_plan_says_what_it_does_to_pitch() -> None:
    """The same numbers as working out the pitch of the neck before and after by itself."""
    neck = invented.neck("electric", relief_mm=0.38, bumps=[Bump(7, 0.09)])
    spec = neck.specification
    found = read(neck, np.random.default_rng(3), Reader(u_mm=0.002))
    plan = make_plan(spec, found, excursion=table_of(spec))
    report = pitch_of(Opened(spec, found, plan))
    assert report.planned is not None
    assert report.uncrowned is not None
    before = report.found.deviation_cents
    np.testing.assert_allclose(
        plan.pitch_change_cents, (report.planned.deviation_cents - before)[:, 1:], atol=1e-9
    )
    np.testing.assert_allclose(
        plan.pitch_uncrowned_cents, (report.uncrowned.deviation_cents - before)[:, 1:], atol=1e-9
    )
    cut = plan.removal_mm > 0.0
    assert cut.any()
    flat = plan.pitch_uncrowned_cents - plan.pitch_change_cents
    assert (flat[cut] > 0.0).all()
    assert np.abs(flat[~cut]).max() < 1e-3
    assert 0.0 < np.abs(plan.pitch_change_cents).max() < 5.0
    still = np.zeros_like(plan.pitch_change_cents)
    assert pitch_change_finding(still, still).sentence == "The plan changes the pitch of no note."


def test_a_plan_at_the_end_of_its_humidity_names_no_range_of_nothing() -> None:
    plan = make_plan(SPEC, readings(SPEC, noise_mm=0.0, relief_mm=0.45), excursion=table(SPEC))
    for air, said in ((40.0, "in air of 40 to 58 %"), (58.2, "as long as the humidity")):
        ahead = replace(plan.outlook, humidity_low_percent=air, humidity_high_percent=58.4)
        found = outlook_findings(SPEC, replace(plan, outlook=ahead))
        assert said in " ".join(one.sentence for one in found)


def test_clearance_of_the_ends_is_in_words() -> None:
    """The named limit is the one that stands at zero at the end."""
    found = readings(SPEC, noise_mm=0.01, relief_mm=0.2)
    plan = make_plan(SPEC, found, excursion=table(SPEC))
    bow = neck_model(SPEC, LINES).bow.frets
    tops = plan.level_after_mm + (plan.outlook.relief_high_mm - plan.relief_after_mm) * bow
    heights = (plan.nut_after_mm, tops, plan.saddle_after_mm)
    end = plan.outlook.high_end
    assert end is not None
    k = end.strings[0] - 1 if end.strings else -1
    if end.limit == "action":
        gap = open_gap_mm(LINES, *heights, 12)[k]
        assert gap == pytest.approx(SPEC.target.action[k].maximum_mm, abs=1e-6)
        assert str(end.noun) == f"action of string {k + 1}"
    elif end.limit == "clearance":
        fret = end.fret
        assert fret is not None
        assert str(end.noun) == f"clearance of string {k + 1} over fret {fret}"
        need = plan.attack_n[k] * table(SPEC).buzz_mm_per_n[k, :, fret]
        room = rest_clearance_mm(LINES, *heights)[k, :, fret] - need
        assert np.nanmin(room) == pytest.approx(SPEC.rule.extra_clearance_mm, abs=1e-6)
    else:
        assert end.limit == "relief"
        assert str(end.noun) == "relief"
        assert plan.outlook.relief_high_mm == pytest.approx(SPEC.target.relief.maximum_mm)
