"""Acceptance sampling against tables and published probabilities, switching by its rules."""

from __future__ import annotations

import json
import math
import re
import tomllib
from collections import defaultdict
from functools import reduce
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import ndtri
from scipy.stats import binom

from draws import draws
from evenfall.cli import main
from evenfall.errors import BrokenFileError, RequestError
from evenfall.pictures.operating_curve import operating_curve
from evenfall.production.aql_tables import (
    _DOUBLE,
    _MULTIPLE,
    AQLS,
    LETTERS,
    LEVELS,
    _number,
    code_letter,
    plan_of,
)
from evenfall.production.measured_lots import (
    SIZES,
    accepted_probability,
    judged_by_values,
    measured_plan,
)
from evenfall.production.sampling import (
    Lot,
    Plan,
    Stage,
    Switching,
    VariablesPlan,
    acceptance_factor,
    estimated_share,
    plan_by_risks,
    variables_plan_by_risks,
)
from evenfall.production.staged_plans import staged
from evenfall.workshop import Source
from evenfall.workshop.lots import LotRecord, plan_findings
from pictures.drawing import faults

CASES = tomllib.loads(
    (Path(__file__).parents[1] / "authorities" / "sampling.toml").read_text(encoding="utf-8")
)


def single(n: int, c: int) -> Plan:
    return Plan((Stage(n, c, c + 1),))


@pytest.mark.parametrize("row", CASES["single_normal"]["plans"], ids=lambda row: row[0])
def test_single_plans_for_normal_inspection(row: list[object]) -> None:
    case = CASES["single_normal"]
    letter, *printed = row
    for aql, (n, accepted) in zip(case["aql"], printed, strict=True):
        stage = plan_of(case["lots"][letter], aql).stages[0]
        assert (stage.size_count, stage.accepted_count) == (n, accepted), aql


@pytest.mark.parametrize(
    ("aql", "accepted", "at_95", "at_10"),
    [(15.0, 5, 2.613, 9.275), (25.0, 7, 3.981, 11.771), (40.0, 10, 6.169, 15.407)],
)
def test_over_ten_nonconformities_are_counted(
    aql: float, accepted: int, at_95: float, at_10: float
) -> None:
    """By Poisson: mean numbers in a sample accepted at 95 and 10 %.

    (J. M. Cameron, Ind. Qual. Control 9 (1952) 37; from memory, three decimals.)
    """
    plan = plan_of(90, aql)
    (stage,) = plan.stages
    assert (stage.size_count, stage.accepted_count) == (13, accepted)
    assert 13 * plan.quality_at(0.95) == pytest.approx(at_95, abs=6e-4)
    assert 13 * plan.quality_at(0.10) == pytest.approx(at_10, abs=6e-4)
    assert plan.acceptance(at_10 / 13, lot_count=90) == pytest.approx(0.10, abs=1e-4)
    assert plan.decide([accepted + 30]) == "not accepted"  # more than there are pieces
    assert plan_of(90, 10.0).decide([13]) == "not accepted"
    with pytest.raises(RequestError, match="14 nonconforming of 13 is not possible"):
        plan_of(90, 10.0).decide([14])
    told = " ".join(one.sentence for one in plan_findings(plan))
    assert f"accept at {accepted} nonconformities or fewer" in told
    assert "nonconformities per 100 pieces" in told
    several = plan_of(90, aql, inspection="tightened", sort="multiple")
    single_plan = plan_of(90, aql, inspection="tightened")
    for chance, least, most in ((0.95, 0.95 - 1e-9, 1.0), (0.10, 0.0, 0.10 + 1e-9)):
        assert least <= several.acceptance(single_plan.quality_at(chance)) <= most
    drawn = operating_curve(plan, 90)
    assert "nonconformities per 100 pieces" in drawn
    assert not faults(drawn)


def test_two_arrows_stand_between_0_and_1() -> None:
    """Trap 2: without them lots of 100 and 200 would get a sample of 32 that accepts at 0."""
    up, down = plan_of(100, 1.0), plan_of(200, 1.0)
    assert up.stages == (Stage(13, 0, 1),)
    assert down.stages == (Stage(50, 1, 2),)
    arrows = [_number(LETTERS.index(letter), AQLS.index(1.0), "normal") for letter in "EFGH"]
    assert arrows == [0, -1, -2, 1]


@pytest.mark.parametrize("row", CASES["single_tightened"]["rows"], ids=lambda row: row[0])
def test_single_plans_for_tightened_inspection(row: list[object]) -> None:
    letter, *printed = row
    for aql, refused in zip(CASES["single_tightened"]["aql"], printed, strict=True):
        number = _number(LETTERS.index(letter), AQLS.index(aql), "tightened")
        assert (number + 1 if number >= 0 else "-") == refused, aql


@pytest.mark.parametrize("inspection", ["normal", "tightened", "reduced"])
def test_every_cell_of_the_single_plans(inspection) -> None:
    lots = dict(zip(LEVELS["II"], CASES["letters"]["lots"], strict=True))
    wrong, seen = [], 0
    for letter, row in CASES["single_1989"][inspection].items():
        lot, level = lots.get(letter, 10**6), "III" if letter == "R" else "II"
        for aql, printed in zip(AQLS, row.split(), strict=True):
            n, accepted, refused = map(int, re.split("[:/]", printed))
            stage = plan_of(max(lot, 2), aql, level=level, inspection=inspection).stages[0]
            size = min(n, lot)  # the whole lot where the sample is as large
            if (stage.size_count, stage.accepted_count, stage.refused_count) != (
                size,
                accepted,
                refused,
            ):
                wrong.append((letter, aql, printed, stage))
            seen += 1
    assert not wrong
    assert seen == 416


def test_numbers_of_double_and_multiple_plans() -> None:
    double, multiple = CASES["double_1989"]["numbers"], CASES["multiple_1989"]["numbers"]
    assert {str(c): [list(stage) for stage in plan] for c, plan in _DOUBLE.items()} == double
    mine = {
        str(c): [list(numbers) for numbers in zip(*p, strict=True)] for c, p in _MULTIPLE.items()
    }
    assert mine == multiple


def test_code_letters() -> None:
    case = CASES["letters"]
    for level in ("I", "II", "III"):
        assert "".join(code_letter(lot, level) for lot in case["lots"]) == case[level]


@pytest.mark.slow
@pytest.mark.parametrize("sort", ["double", "multiple"])
def test_plans_of_several_stages_let_pass_what_the_single_one_does(sort) -> None:
    compared = 0
    for lot in CASES["single_normal"]["lots"].values():
        for aql in AQLS[9:16]:
            one, several = plan_of(lot, aql), plan_of(lot, aql, sort=sort)
            if len(several.stages) > 1:
                compared += 1
                for probability in (0.95, 0.75, 0.5, 0.25, 0.1):
                    share = one.quality_at(probability)
                    assert several.acceptance(share) == pytest.approx(probability, abs=0.09)
                    assert several.mean_sample_count(share) < 1.25 * one.stages[0].size_count
    assert compared > 20


def enumerated(plan: Plan, share: float) -> tuple[float, float, float]:
    """Return how often a plan accepts and how often clearly, and its mean sample, path by path."""
    clear = looked = 0.0
    paths = {0: 1.0}  # probability by what was found
    for stage in plan.stages:
        looked += sum(paths.values()) * stage.size_count
        chances = binom.pmf(range(stage.size_count + 1), stage.size_count, share)
        onward: dict[int, float] = defaultdict(float)
        for found, chance in paths.items():
            for more, p in enumerate(chances):
                if found + more <= stage.accepted_count:
                    clear += chance * p
                elif found + more < stage.refused_count:
                    onward[found + more] += chance * p
        paths = onward
    return clear + sum(paths.values()), clear, looked  # between both numbers it is accepted


WORKED_OUT = [
    *(("reduced", "double", lot, aql) for lot in (200, 1200, 10_000) for aql in AQLS[9:16]),
    *(("reduced", "multiple", lot, aql) for lot in (1200, 10_000) for aql in AQLS[9:14]),
    *(("tightened", "multiple", lot, aql) for lot in (280, 3200) for aql in AQLS[10:13]),
]


@pytest.mark.slow
@pytest.mark.parametrize(("inspection", "sort", "lot", "aql"), WORKED_OUT)
def test_stages_that_no_table_holds_keep_both_risks_of_the_single_plan(
    inspection, sort, lot: int, aql: float
) -> None:
    single_plan = plan_of(lot, aql, inspection=inspection)
    (one,) = single_plan.stages
    plan = plan_of(lot, aql, inspection=inspection, sort=sort)
    if one.refused_count == 1:  # nothing found, or not accepted: as in the tables, one sample
        assert plan == single_plan
        return
    assert plan.single == one
    assert len(plan.stages) == {"double": 2, "multiple": 7}[sort]
    good, bad = single_plan.quality_at(0.95), single_plan.quality_at(0.10)
    for share in (good, bad):
        accepted, clear, looked = enumerated(plan, share)
        assert plan.acceptance(share) == pytest.approx(accepted, abs=1e-9)
        assert plan.mean_sample_count(share) == pytest.approx(looked, abs=1e-6)
        assert looked < one.size_count
        # reduced inspection goes on as often, about
        stays = float(binom.cdf(one.accepted_count, one.size_count, share))
        assert abs(clear - stays) < (0.1 if inspection == "reduced" else 0.05) + 1e-9
    assert plan.acceptance(good) >= 0.95 - 1e-9
    assert plan.acceptance(bad) <= 0.10 + 1e-9
    assert plan.most_count <= 1.8 * one.size_count


@pytest.mark.slow
def test_stages_worked_out_spare_pieces_of_good_lots() -> None:
    for lot, aql, least in ((10_000, 1.0, 0.94), (500_000, 1.0, 0.80)):
        single_plan = plan_of(lot, aql, inspection="reduced")
        good, n = single_plan.quality_at(0.95), single_plan.first_count
        means = [
            plan_of(lot, aql, inspection="reduced", sort=sort).mean_sample_count(good) / n
            for sort in ("double", "multiple")
        ]
        assert means[1] < means[0] < least


def test_the_sample_in_parts_stands_where_no_equal_stages_keep_the_risks() -> None:
    plan = staged(Stage(13, 2, 5), 2)
    assert plan.stages == (Stage(7, -1, 5), Stage(6, 2, 5))
    for share in (0.05, 0.2, 0.4):
        assert plan.acceptance(share) == pytest.approx(float(binom.cdf(4, 13, share)), abs=1e-12)


def test_no_stage_asks_for_more_than_the_lot() -> None:
    for sort in ("double", "multiple"):
        for inspection in ("normal", "tightened", "reduced"):
            for lot in (2, 9, 23, 50, 91, 95, 150, 281):
                for aql in AQLS[9:15]:
                    plan = plan_of(lot, aql, inspection=inspection, sort=sort)  # type: ignore[arg-type]
                    assert plan.most_count <= lot


def test_what_goes_out_counts_what_each_stage_looked_at() -> None:
    plan, lot, share = Plan((Stage(8, 0, 2), Stage(8, 1, 2))), 100, 0.08
    first = 0.92**8
    second = 8 * 0.08 * 0.92**7 * 0.92**8
    out = share * (first * 92 + second * 84) / 100
    assert plan.outgoing_share(share, lot) == pytest.approx(out, abs=1e-12)
    looked = first * 8 + second * 16 + (1.0 - first - second) * 100
    assert plan.total_inspected_count(share, lot) == pytest.approx(looked, abs=1e-9)


def test_multiple_plans_are_those_of_a_public_regulation() -> None:
    case = CASES["multiple_of_a_regulation"]
    for number, printed in case["numbers"].items():
        mine = [list(stage) for stage in _MULTIPLE[int(number)]]
        if int(number) in case["stricter"]:
            assert (mine[0][0], printed[0][0]) == (0, -1)
            mine[0][0] = -1
        assert mine == printed, number


def test_probabilities_of_acceptance_as_printed() -> None:
    for share, printed in CASES["kiermeier"]["c0_of_20"]:
        assert single(20, 0).acceptance(share) == pytest.approx(printed, abs=6e-4)
    for share, printed in CASES["double"]["points"]:
        plan = Plan((Stage(8, 0, 2), Stage(8, 1, 2)))
        assert plan.acceptance(share) == pytest.approx(printed, abs=6e-6)
    case = CASES["single_134"]
    for share, printed in case["points"]:
        assert single(134, 3).acceptance(share) == pytest.approx(printed, abs=6e-5)
    for probability, printed in case["quality"]:
        assert single(134, 3).quality_at(probability) == pytest.approx(printed, abs=6e-5)
    assert single(134, 3).acceptance(0.02) == pytest.approx(case["lot_500"]["binomial"], abs=6e-4)
    assert single(134, 3).acceptance(0.02, 500) == pytest.approx(
        case["lot_500"]["hypergeometric"], abs=6e-4
    )
    for share, printed in CASES["single_89"]["points"]:
        assert single(89, 2).acceptance(share) == pytest.approx(printed, abs=6e-5)


def test_outgoing_quality_and_inspection_of_the_handbook() -> None:
    case, plan = CASES["handbook"], single(52, 3)
    found = [plan.acceptance(n / 100) for n in range(1, 13)]
    assert found == pytest.approx(case["accepted"], abs=6e-4)
    shares = np.linspace(0.01, 0.12, 111)
    most = max(plan.outgoing_share(float(share), 10_000) for share in shares)
    assert most == pytest.approx(case["outgoing_limit"], abs=6e-5)
    for share, count in case["inspected"]:
        assert plan.total_inspected_count(share, 10_000) == pytest.approx(count, abs=0.51)


def test_plans_by_both_risks() -> None:
    case = CASES["kiermeier"]
    plan = plan_by_risks(*case["risks"])
    assert [plan.stages[0].size_count, plan.stages[0].accepted_count] == case["attributes"]
    found = [plan.acceptance(share) for share in (0.05, 0.15)]
    assert found == pytest.approx(case["attributes_accepted"], abs=5.1e-6)
    known_sigma = variables_plan_by_risks(*case["risks"], sigma_known=True)
    found = [known_sigma.acceptance(share) for share in (0.05, 0.15)]
    assert found == pytest.approx(case["sigma_accepted"], abs=5.1e-6)
    for name, known in (("s_method", False), ("sigma_method", True)):
        made = variables_plan_by_risks(*case["risks"], sigma_known=known)
        n, k = case[name]
        assert made.size_count == n
        # the printed k of the s method comes from a search that stops 4e-6 beside the root
        assert made.k_factor == pytest.approx(k, abs=5e-6)
        assert made.acceptance(0.05) == pytest.approx(0.95, abs=1e-9)
        assert made.acceptance(0.15) <= 0.075


def test_variables_of_the_older_standard() -> None:
    for share, printed in CASES["variables"]["points"]:
        found = VariablesPlan(35, 1.89, sigma_known=False).acceptance(share)
        assert found == pytest.approx(printed, abs=6e-5)


def test_the_sample_of_mil_std_414() -> None:
    case = CASES["mil_414"]
    values = np.array(case["values"])
    mean, s = values.mean(), values.std(ddof=1)
    quality = [(209.0 - mean) / s, (mean - 180.0) / s]
    assert quality == pytest.approx(case["quality"], abs=6e-4)
    assert [estimated_share(q, 5) for q in quality] == pytest.approx(case["share"], abs=6e-6)
    for k, n, share in case["k_to_m"]:
        assert estimated_share(k, n) == pytest.approx(share, abs=1e-8)


def test_risk_points_of_single_plans() -> None:
    for n, c, good, bad in CASES["risk_points"]["plans"]:
        found = [single(n, c).quality_at(0.95), single(n, c).quality_at(0.10)]
        assert found == pytest.approx([good, bad], abs=5.1e-6)


def test_the_sample_of_mil_std_414_is_accepted_by_k_and_by_m() -> None:
    case = CASES["mil_414"]
    assert min(case["quality"]) >= case["k"]
    assert sum(case["share"]) <= case["m"]


# ---- lots judged by measured values ------------------------------------------------------------


def test_plans_for_measured_lots_have_the_printed_k() -> None:
    case = CASES["variables_letters"]
    for (n, k), printed in zip(case["k"], case["printed"], strict=True):
        found = acceptance_factor(n, 0.01, accepted_probability(n))
        assert found == pytest.approx(k, abs=1.1e-3), n  # worked back from M in percent
        assert found == pytest.approx(printed, abs=0.0065), n  # 1.714 is printed 1.72, 1.936 1.93
    sizes = dict(case["sizes"])
    assert sizes.pop("I") == measured_plan(450, 1.0).size_count
    assert {letter: SIZES[letter] for letter in sizes} == sizes


def test_a_lot_of_a_thousand_is_not_judged_by_a_mixed_plan() -> None:
    """Trap 3: letters of one edition with sizes of another, and k by a normal approximation."""
    case = CASES["variables_letters"]
    plan = measured_plan(1000, 1.0)
    assert (plan.size_count, round(plan.k_factor, 3)) == (35, 1.894)
    mixed = VariablesPlan(*case["mixed"], sigma_known=False)
    bad = plan.quality_at(0.10)
    assert plan.acceptance(0.01) == pytest.approx(0.94, abs=1e-6)
    assert mixed.acceptance(bad) > 0.22  # it lets pass more than twice as many bad lots


def test_with_a_known_deviation_fewer_readings_keep_the_same_risks() -> None:
    for lot in (100, 1000, 20_000):
        plan, known = measured_plan(lot, 1.0), measured_plan(lot, 1.0, sigma_known=True)
        assert known.size_count < plan.size_count
        assert known.acceptance(0.01) == pytest.approx(plan.acceptance(0.01), abs=1e-6)
        assert known.acceptance(plan.quality_at(0.10)) <= 0.10
    tight = measured_plan(1000, 1.0, inspection="tightened")
    assert tight.k_factor == pytest.approx(measured_plan(1000, 0.65).k_factor)


def test_the_sample_of_mil_std_414_is_judged() -> None:
    case = CASES["mil_414"]
    values = np.array(case["values"])
    plan = measured_plan(40, 1.0)
    assert (plan.size_count, plan.k_factor) == (5, pytest.approx(case["k"], abs=0.0061))
    one = judged_by_values(values, math.nan, 209.0, plan)
    both = judged_by_values(values, 180.0, 209.0, plan)
    assert one.decision == both.decision == "accepted"
    assert [both.over_share, both.under_share] == pytest.approx(case["share"], abs=6e-6)
    assert both.allowed_share == pytest.approx(case["m"], abs=5.1e-5)
    assert judged_by_values(values, math.nan, 208.0, plan).decision == "not accepted"


@pytest.mark.parametrize("known", [False, True])
def test_drawn_lots_are_accepted_as_often_as_stated(known: bool) -> None:
    plan = measured_plan(1000, 1.0, sigma_known=known)
    draw, rounds = np.random.default_rng(7), 1500
    for share in (0.01, plan.quality_at(0.5)):
        limit = -float(ndtri(share))
        sigma = 1.0 if known else math.nan
        accepted = sum(
            judged_by_values(
                draw.normal(size=plan.size_count), math.nan, limit, plan, sigma
            ).decision
            == "accepted"
            for _ in range(rounds)
        )
        wanted = plan.acceptance(share)
        error = math.sqrt(wanted * (1.0 - wanted) / rounds)
        assert abs(accepted / rounds - wanted) < 4.0 * error


@pytest.mark.parametrize(
    ("values", "limits", "said"),
    [
        (np.ones(35), (math.nan, 2.0), "All readings are the same"),
        (np.arange(10.0), (math.nan, 20.0), "The plan asks for 35 readings, 10 were given"),
        (np.arange(35.0), (math.nan, math.nan), "Give a lower limit, an upper limit or both"),
        (np.arange(35.0), (5.0, 1.0), "The lower limit 5 is not under the upper limit 1"),
        (np.append(np.arange(34.0), np.nan), (math.nan, 40.0), "Reading 35 is not a number"),
    ],
)
def test_what_decides_no_measured_lot_is_one_sentence(values, limits, said: str) -> None:
    with pytest.raises(RequestError) as refused:
        judged_by_values(values, *limits, measured_plan(1000, 1.0))
    assert said in refused.value.sentence
    with pytest.raises(RequestError, match="no plan for an acceptance quality limit of"):
        measured_plan(1000, 0.7)
    with pytest.raises(RequestError, match="no smaller limit"):
        measured_plan(1000, 0.010, inspection="tightened")


def test_a_measured_lot_at_the_door(tmp_path: Path) -> None:
    draw = np.random.default_rng(3)
    sheet = tmp_path / "lot.csv"
    rows = "".join(f"{v:.4f},mm\n" for v in draw.normal(0.2, 0.01, 50))
    sheet.write_text("value,unit\n" + rows, encoding="utf-8")
    ask = ("lot-measured", sheet, "--pieces", 1000, "--lower", 0.15)
    done = run(*ask, "--upper", 0.25, "--pictures", tmp_path / "p")
    assert done.exit_code == 0, done.output
    assert "The lot is accepted: 0.00 % of it are estimated to lie beyond" in done.output
    assert "50 readings of a lot of 1000" in done.output
    assert "The plan asks for 35" in done.output
    assert faults((tmp_path / "p" / "operating-curve.svg").read_text(encoding="utf-8")) == []
    done = run("lot-measured", sheet, "--pieces", 49, "--lower", 0.15)
    assert done.exit_code == 2
    assert "50 readings cannot be of a lot of 49 pieces" in done.output
    done = run(*ask, "--upper", 0.21, "--json")
    assert done.exit_code == 1
    assert json.loads(done.output)["decision"] == "not accepted"
    assert json.loads(run(*ask, "--sigma", 0.01, "--json").output)["plan"]["sigma_known"]
    skew = "".join(f"{v:.4f},mm\n" for v in np.exp(draw.normal(0.0, 1.0, 200)))
    sheet.write_text("value,unit\n" + skew, encoding="utf-8")
    assert "The readings are not normal" in run(*ask).output
    sheet.write_text("value,unit\n" + "0.2,mm\n" * 40, encoding="utf-8")
    assert "The lot is accepted" in run(*ask, "--sigma", 0.01).output


@draws(60)
@given(st.integers(1, 60), st.integers(0, 5), st.floats(0.001, 0.6))
def test_a_plan_in_two_halves_is_the_whole_plan(n: int, c: int, share: float) -> None:
    # two stages of which the first decides nothing are one sample
    never = 2 * n + 1
    halves = Plan((Stage(n, -1, never), Stage(n, c, c + 1)))
    assert halves.acceptance(share) == pytest.approx(single(2 * n, c).acceptance(share), abs=1e-10)
    assert halves.mean_sample_count(share) == pytest.approx(2 * n)


# ---- switching --------------------------------------------------------------------------------


def lots(text: str, number: int = 2) -> list[Lot]:
    """Return lots from letters: y accepted, Y clearly, n not, b between."""
    return [
        Lot("not accepted" if c == "n" else "accepted", c == "Y", number, c == "b") for c in text
    ]


@pytest.mark.parametrize(
    ("text", "state"),
    [
        ("", "normal"),
        ("nyyyy", "normal"),
        ("nyyyyn", "normal"),
        ("nyyyn", "tightened"),
        ("nn", "tightened"),
        ("nnyyyy", "tightened"),
        ("nnyyyyy", "normal"),
        ("nnnyynynyn", "tightened"),
        ("nnnnnnn", "stopped"),
        ("nnnnnnnyyyyy", "stopped"),
        ("YYYYYYYYY", "normal"),
        ("YYYYYYYYYY", "reduced"),
        ("YYYYYyYYYYY", "normal"),
        ("YYYYYYYYYYn", "normal"),
        ("YYYYYYYYYYb", "normal"),
        ("YYYYYYYYYYYYYY", "reduced"),
        ("YYYYYYYYYYnyn", "normal"),
        ("YYYYYYYYYYnynyn", "tightened"),
    ],
)
def test_switching_follows_its_rules(text: str, state: str) -> None:
    assert reduce(Switching.after, lots(text), Switching()).state == state


def test_small_acceptance_numbers_take_fifteen_lots_to_reduced() -> None:
    fourteen = reduce(Switching.after, lots("Y" * 14, number=1), Switching())
    assert fourteen.state == "normal"
    assert fourteen.after(*lots("Y", number=1)).state == "reduced"


@pytest.mark.slow
def test_a_good_supplier_is_seldom_tightened_and_a_bad_one_is_stopped() -> None:
    draw = np.random.default_rng(1)
    for share, often in ((0.002, "reduced"), (0.06, "stopped")):
        ends = []
        for _ in range(20):
            record = LotRecord("Dolqua", "Kestrel", 1.0, "II", "single")
            for _ in range(60):
                if record.switching.state == "stopped":
                    break
                n = record.plan(3000).stages[0].size_count
                record = record.with_lot("", 3000, (int(draw.binomial(n, share)),))
            ends.append(record.switching.state)
        assert ends.count(often) > 15


def test_a_record_goes_through_each_lot_once(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[Lot] = []
    after = Switching.after
    monkeypatch.setattr(Switching, "after", lambda self, lot: seen.append(lot) or after(self, lot))
    record = LotRecord("Dolqua", "Kestrel", 1.0, "II", "single")
    for _ in range(15):
        record = record.with_lot("", 500, (0,))
    assert record.switching.state == "reduced"
    assert len(seen) == 15
    made: list[LotRecord] = []
    init = LotRecord.__init__
    monkeypatch.setattr(
        LotRecord, "__init__", lambda self, *a, **k: made.append(self) or init(self, *a, **k)
    )
    again = LotRecord.read(Source("lots.json", record.file()))
    assert again == record
    assert again.switching == record.switching
    assert len(seen) == 30
    assert len(made) <= 2  # each holds all its lots: one for each lot takes the square of them


# ---- at the door ------------------------------------------------------------------------------


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["quality", *map(str, arguments)])


def test_a_record_keeps_the_state_and_cannot_be_bent(tmp_path: Path) -> None:
    record = tmp_path / "dolqua.json"
    ask = ("lot", "--pieces", 500, "--record", record)
    assert run(*ask, "--supplier", "Dolqua", "--model", "Kestrel").exit_code == 0
    assert not record.exists()  # asking files nothing
    done = run(*ask, "--found", 3, "--pictures", tmp_path / "p")
    assert done.exit_code == 1
    assert "The lot is not accepted: 3 nonconforming found." in done.output
    assert faults((tmp_path / "p" / "operating-curve.svg").read_text(encoding="utf-8")) == []
    assert run(*ask, "--found", 2).exit_code == 1
    done = run(*ask)
    assert "Inspect 80 pieces (code letter J, tightened inspection)" in done.output
    values = json.loads(record.read_text(encoding="utf-8"))
    values["lots"][1]["decision"] = "accepted"
    with pytest.raises(BrokenFileError):
        LotRecord.read(Source("x.json", json.dumps(values).encode()))
    record.write_text("{}", encoding="utf-8")
    assert run(*ask).exit_code == 2


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--pieces", 500, "--aql", 0.7), "no table for an acceptance quality limit of 0.7 %"),
        (("--pieces", 500, "--found", 60), "60 nonconforming of 50 is not possible."),
        (("--pieces", 500, "--found", 0, "--found", 0), "The plan has 1 stage, but 2 numbers"),
        (
            ("--pieces", 500, "--aql", 2.5, "--sort", "double", "--found", 2),
            "Stage 2 is needed before lot 1 can be judged: take 32 more.",
        ),
    ],
)
def test_what_cannot_be_decided_is_one_sentence(arguments, said: str) -> None:
    done = run("lot", *arguments)
    assert done.exit_code == 2, done.output
    assert said in done.output


def test_a_record_on_reduced_inspection_is_told_of_stages_that_are_worked_out(
    tmp_path: Path,
) -> None:
    record = tmp_path / "dolqua.json"
    ask = ("lot", "--pieces", 2000, "--record", record)
    for _ in range(10):
        done = run(*ask, "--found", 0, "--sort", "double")
        assert done.exit_code == 0, done.output
    done = run(*ask)
    assert "Stage 1: inspect 3" in done.output
    assert "reduced inspection" in done.output
    assert "both risks of the single sample of 50 pieces" in done.output
    assert "Between both numbers the lot is accepted" in done.output


def test_a_whole_lot_smaller_than_its_sample_is_inspected() -> None:
    done = run("lot", "--pieces", 10, "--aql", 0.65)
    assert "Inspect 10 pieces" in done.output


def test_plans_by_risks_at_the_door() -> None:
    done = run("lot-plan", "--good", 5, "--bad", 15, "--bad-accepted", 0.075)
    assert "Inspect 80 pieces: accept at 7 nonconforming or fewer" in done.output
    done = run("lot-plan", "--good", 5, "--bad", 15, "--bad-accepted", 0.075, "--method", "sigma")
    assert "Measure 26 pieces" in done.output
    done = run("lot-plan", "--good", 15, "--bad", 5)
    assert done.exit_code == 2
    assert "The good quality must be better than the bad one" in done.output
    with pytest.raises(RequestError, match="tells these two qualities apart"):
        plan_by_risks(0.01, 0.99, 0.0101, 0.01)
