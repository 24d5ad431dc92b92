"""Gauge studies against published ones; a corrupted copy refused; whole jobs at the door."""

from __future__ import annotations

import ast
import json
import math
import re
import tomllib
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from evenfall import workshop
from evenfall.cli import main, quality
from evenfall.errors import RequestError
from evenfall.pictures.gauge import gauge_picture
from evenfall.production.causes import fitted_causes
from evenfall.production.factors import factors_of
from evenfall.production.gauge import (
    METHODS,
    GaugeStudy,
    Readings,
    Width,
    agreement,
    bias,
    gauge_study,
    kappa_of_many,
    kappa_of_two,
    linearity,
)
from evenfall.sheets import KnownGauge
from evenfall.sheets.readings import Place, Reading, by_gauges
from evenfall.wording import say, sentence
from evenfall.workshop import StudySheetRequest, study_sheet
from evenfall.workshop.gauges import known_gauges
from evenfall.workshop.outputs import json_file
from open_data import open_data
from pictures.drawing import SVG, faults, parsed, texts

CASES = tomllib.loads(
    (Path(__file__).parents[1] / "authorities" / "gauge_studies.toml").read_text(encoding="utf-8")
)


def readings(table: np.ndarray) -> Readings:
    """Return readings from persons by parts by trials."""
    o, p, r = table.shape
    part = tuple(str(j) for _ in range(o) for j in range(p) for _ in range(r))
    person = tuple(str(i) for i in range(o) for _ in range(p) for _ in range(r))
    return Readings("mm", table.ravel(), part, person)


def sigmas(study: GaugeStudy) -> dict[str, float]:
    return {one.name: one.sigma_level for one in study.components}


# ---- the ten by three study, and its corrupted copies ----------------------------------------


class CorruptError(Exception):
    """The readings are not those that were published."""


def checked(table: np.ndarray) -> np.ndarray:
    """Return the readings of the ten by three study; refuse a copy with other sums of squares."""
    sums = CASES["ten_by_three"]["sums"]
    parts = 9 * float(((table.mean((0, 2)) - table.mean()) ** 2).sum())
    total = float(((table - table.mean()) ** 2).sum())
    if abs(parts - sums["parts"]) > 6e-5 or abs(total - sums["total"]) > 6e-5:
        raise CorruptError
    return table


def ten_by_three() -> np.ndarray:
    text = open_data("quality", "aiag.py").read_text(encoding="utf-8")
    rows = [re.search(rf"^{n}=(\[\[.*\]\])$", text, re.MULTILINE) for n in "ABC"]
    return checked(np.array([ast.literal_eval(row[1]) for row in rows if row]))


def test_a_corrupted_copy_is_refused_by_its_sums() -> None:
    """Trap 1: in one copy 0.75 stands for part 1, appraiser C, trial 3 instead of -0.15."""
    table = ten_by_three()
    wrong = table.copy()
    wrong[2, 0, 2] = 0.75
    with pytest.raises(CorruptError):
        checked(wrong)


def test_ten_by_three_by_ranges_as_printed() -> None:
    """Trap 4: printed values follow rounded constants; the tolerance is that of the rounding."""
    case = CASES["ten_by_three"]
    study = gauge_study(readings(ten_by_three()), "range")
    found = sigmas(study)
    for name, printed in case["range"].items():
        # K1, K2 and K3 are printed to four digits, the mean range to four
        assert found[name] == pytest.approx(printed, abs=2e-4), name
        assert 100.0 * found[name] / found["total"] == pytest.approx(
            case["range_share"].get(name, 100.0), abs=0.011
        )
    assert study.distinct_count == case["range_distinct"]


def test_ten_by_three_by_analysis_of_variance() -> None:
    case = CASES["ten_by_three"]
    study = gauge_study(readings(ten_by_three()))
    assert study.pooled
    assert sigmas(study) == pytest.approx(case["pooled"], abs=6e-4)
    assert sigmas(study)["gauge"] == pytest.approx(0.302372, abs=1.1e-6)
    assert study.distinct_count == case["pooled_distinct"]  # and five by ranges, on the same data
    for name, (low, high) in case["limits"].items():
        one = study.component(name)
        assert (one.low_level, one.high_level) == pytest.approx((low, high), rel=0.015)
    assert 100.0 * study.share_of(8.0) == pytest.approx(case["of_tolerance_8"]["gauge"], abs=6e-3)
    found = sigmas(study)
    assert 600.0 * found["parts"] / 8.0 == pytest.approx(case["of_tolerance_8"]["parts"], abs=6e-3)
    ratio = 1.41 * found["parts"] / found["gauge"]
    assert ratio == pytest.approx(case["pooled_ratio"], abs=1.1e-3)
    for name, share in case["pooled_share"].items():
        assert 100.0 * found[name] / found["total"] == pytest.approx(share, abs=0.051)
    for name, share in case["pooled_contribution"].items():
        assert 100.0 * study.component(name).variance_share == pytest.approx(share, abs=0.051)


def test_unpooled_the_interaction_comes_out_under_zero(monkeypatch: pytest.MonkeyPatch) -> None:
    case = CASES["ten_by_three"]
    monkeypatch.setattr("evenfall.production.gauge.POOLED_OVER", 1.0)
    study = gauge_study(readings(ten_by_three()))
    printed = case["full_sigma"]
    assert sigmas(study)["repeatability"] == pytest.approx(printed["repeatability"], abs=5.1e-7)
    assert study.below_zero_level == pytest.approx(printed["interaction_variance"], abs=5.1e-6)
    by_name = {one.name: one for one in study.sources}
    for name, f_ratio in case["full_f"].items():
        assert by_name[name].f_ratio == pytest.approx(f_ratio, abs=6e-4), name
    assert by_name["interaction"].chance == pytest.approx(case["interaction_chance"], abs=6e-4)
    repeats = by_name["repeats"].sum_level / by_name["repeats"].degrees_of_freedom
    for name, f_ratio in case["full_f_by_repeats"].items():
        one = by_name[name]
        assert one.sum_level / one.degrees_of_freedom / repeats == pytest.approx(f_ratio, abs=6e-3)
    few = {one.name: one for one in gauge_study(readings(ten_by_three()[:, :5] + 3.0)).sources}
    sums = dict(case["parts_1_to_5"])
    total = sums.pop("total")
    assert sum(one.sum_level for one in few.values()) == pytest.approx(total, abs=1.1e-3)
    for name, square in sums.items():
        assert few[name].sum_level == pytest.approx(
            square, abs=5.1e-3 if name == "persons" else 6e-4
        )


# ---- others ------------------------------------------------------------------------------------


def test_prototypes_reduced_and_full(monkeypatch: pytest.MonkeyPatch) -> None:
    case = CASES["prototypes"]
    table = np.array(case["values"]).transpose(1, 0, 2)
    study = gauge_study(readings(table))
    assert study.pooled
    by_name = {source.name: source for source in study.sources}
    assert by_name["repeats"].sum_level == pytest.approx(case["reduced_error"], abs=5.1e-5)
    assert by_name["repeats"].degrees_of_freedom == case["reduced_freedom"]
    for name, ratio in case["reduced_f"].items():
        assert by_name[name].f_ratio == pytest.approx(ratio, abs=6e-3)
    assert sigmas(study) == pytest.approx(case["sigma"], abs=5.1e-9)
    for name, share in case["contribution"].items():
        assert study.component(name).variance_share == pytest.approx(share, abs=5.1e-5)
    assert study.distinct_count == case["distinct"]
    monkeypatch.setattr("evenfall.production.gauge.POOLED_OVER", 1.0)
    full = {source.name: source for source in gauge_study(readings(table)).sources}
    for name, square in case["full"].items():
        assert full[name].sum_level == pytest.approx(square, abs=5.1e-5)
    for name, ratio in case["full_f"].items():
        assert full[name].f_ratio == pytest.approx(ratio, abs=6e-4)
        assert full[name].chance == pytest.approx(case["full_chance"][name], abs=6e-6)


def test_two_parts_by_five_persons_as_a_mixed_model_has_them() -> None:
    # printed results were not read; balanced readings have the same components by REML
    table = np.array(CASES["two_parts"]["values"]).reshape(3, 2, 5).transpose(2, 1, 0)
    made, study = readings(table), gauge_study(readings(table))
    factors = factors_of({"part": made.part, "person": made.person}, random=("part", "person"))
    model = fitted_causes("width", "in", made.values, factors)
    found = sigmas(study)
    assert model.rest_level == pytest.approx(found["repeatability"], rel=1e-4)
    assert model.effect("person").effect_level == pytest.approx(found["reproducibility"], rel=1e-4)
    assert model.effect("part").effect_level == pytest.approx(found["parts"], rel=1e-4)


def test_bias_and_linearity_as_printed() -> None:
    case = CASES["bias"]
    draw = np.random.default_rng(1).normal(size=case["count"])
    values = (draw - draw.mean()) / draw.std(ddof=1) * case["deviation"] + case["mean"]
    made, printed = bias(values, case["reference"]), case["printed"]
    assert made.bias_level == pytest.approx(printed["bias"], abs=1e-9)
    assert made.t_ratio == pytest.approx(printed["t"], abs=6e-5)
    assert (made.low_level, made.high_level) == pytest.approx(
        (printed["low"], printed["high"]), abs=6e-4
    )
    case = CASES["linearity"]
    values = np.array(case["values"]).ravel()
    line, printed = linearity(values, np.repeat(case["references"], 12)), case["printed"]
    assert line.slope == pytest.approx(printed["slope"], abs=6e-5)
    assert line.intercept_level == pytest.approx(printed["intercept"], abs=6e-5)
    assert line.fit_share == pytest.approx(printed["fit"], abs=6e-5)
    assert -line.slope_t_ratio == pytest.approx(printed["slope_t"], abs=6e-4)
    assert line.intercept_t_ratio == pytest.approx(printed["intercept_t"], abs=6e-4)
    assert line.degrees_of_freedom == printed["freedom"]


def test_agreement_as_printed_and_at_its_ends() -> None:
    (a, b), (c, d) = CASES["kappa_of_two"]["table"]
    first = ["0"] * (a + b) + ["1"] * (c + d)
    second = ["0"] * a + ["1"] * b + ["0"] * c + ["1"] * d
    assert kappa_of_two(first, second) == pytest.approx(CASES["kappa_of_two"]["kappa"], abs=5.1e-3)
    case = CASES["kappa_of_many"]
    assert kappa_of_many(np.array(case["counts"])) == pytest.approx(case["kappa"], abs=5.1e-4)
    same = agreement(["1", "2", "1", "2"], ["I", "I", "O", "O"], ["good", "bad"] * 2)
    assert (same.overall_ratio, same.agreed_share) == (1.0, 1.0)
    other = agreement(["1", "2", "1", "2"], ["I", "I", "O", "O"], ["good", "bad", "bad", "good"])
    assert other.overall_ratio == -1.0


def test_an_invented_gauge_is_found_as_it_was_made() -> None:
    draw = np.random.default_rng(20)
    found = []
    for _ in range(300):
        table = (
            draw.normal(0.0, 1.0, (1, 10, 1))
            + draw.normal(0.0, 0.2, (3, 1, 1))
            + draw.normal(0.0, 0.1, (3, 10, 3))
        )
        study = gauge_study(readings(table))
        repeat = study.component("repeatability")
        gauge = study.component("gauge")
        true = math.hypot(0.2, 0.1)
        found.append(
            (
                repeat.sigma_level**2,
                repeat.low_level <= 0.1 <= repeat.high_level,
                gauge.low_level <= true <= gauge.high_level,
            )
        )
    variance, covered, gauge_covered = np.mean(found, axis=0)
    assert variance == pytest.approx(0.01, rel=0.03)
    assert abs(covered - 0.90) < 4.0 * math.sqrt(0.09 / 300)
    assert abs(gauge_covered - 0.90) < 4.0 * math.sqrt(0.09 / 300)


def test_nested_parts_are_told_from_persons() -> None:
    draw = np.random.default_rng(2)
    table = (
        draw.normal(0.0, 1.0, (4, 1, 1))
        + draw.normal(0.0, 0.5, (4, 200, 1))
        + draw.normal(0.0, 0.1, (4, 200, 2))
    )
    made = readings(table)
    own = tuple(f"{o}-{p}" for o, p in zip(made.person, made.part, strict=True))
    study = gauge_study(Readings("mm", made.values, own, made.person), "nested")
    found = sigmas(study)
    assert found["repeatability"] == pytest.approx(0.1, rel=0.05)
    assert found["parts"] == pytest.approx(0.5, rel=0.05)
    assert 0.3 < found["reproducibility"] < 2.5


# ---- in words ------------------------------------------------------------------------------------


def test_the_verdict_names_which_limits_the_gauge_can_judge() -> None:
    draw = np.random.default_rng(4)
    table = draw.normal(1.0, 0.3, (1, 10, 1)) + draw.normal(0.0, 0.01, (3, 10, 3))
    study = gauge_study(readings(table))
    told = [
        f.sentence
        for f in study.findings([Width("relief", 0.1), Width("action", 0.4), Width("gap", 1.0)])
    ]
    assert told[1].startswith("The gauge cannot judge relief: six of its standard uncertai")
    # a tenth and three tenths of 0.1 mm over six, rounded down
    assert "uncertainty of 0.0016 mm or less, or of 0.0050 mm to judge them with care" in told[1]
    assert told[2].startswith("The gauge can judge action with care")
    assert told[3].startswith("The gauge can judge gap: ")


def test_a_share_of_the_limits_never_looks_smaller_than_it_is() -> None:
    told = [say(sentence("{share:taken}", share=share)) for share in (0.0, 0.058, 0.1, 0.1003, 0.3)]
    assert told == ["0 %", "6 %", "10 %", "11 %", "30 %"]


def test_no_bound_runs_through_the_share_of_the_limits() -> None:
    draw = np.random.default_rng(4)
    table = draw.normal(1.0, 0.3, (1, 8, 1)) + draw.normal(0.0, 0.01, (2, 8, 3))
    read = readings(table)
    study = gauge_study(read)
    shares = (0.02, 0.06, 0.07, 0.09, 0.11, 0.24, 0.26, 0.29, 0.5, 0.9)
    limits = [
        Width(f"width {n}", 6.0 * study.gauge_level / share) for n, share in enumerate(shares)
    ]
    drawn = gauge_picture(study, read, limits, quantity="relief", written=False)
    told = [text for text in texts(drawn) if re.fullmatch(r"\d+ %", text.content)]
    heads, told = told[:2], told[2:]
    assert [text.content for text in heads] == ["10 %", "30 %"]  # the bounds have their names
    assert [text.content for text in told] == [f"{100 * share:.0f} %" for share in shares]
    bounds = {
        float(one.attrib["x"]) + 1.0  # the middle of the line
        for one in parsed(drawn).iter(f"{SVG}rect")
        if one.attrib["width"] in ("2", "2.0") and one.attrib["height"] not in ("16", "16.0")
    }
    assert len(bounds) == 2, bounds
    # beside the bars: "6 %" right of the bound of 10 % reads as if it had passed it
    assert all(text.left > max(bounds) + 0.5 for text in told)
    assert any(text.content == "Gauge study by readings of relief" for text in texts(drawn))


@pytest.mark.parametrize(
    ("table", "said"),
    [
        (np.ones((2, 3, 2)), "All readings are the same"),
        (np.arange(6.0).reshape(2, 3, 1), "each read twice or more"),
        (np.arange(4.0).reshape(2, 1, 2), "two parts or more"),
    ],
)
def test_what_makes_no_study_is_one_sentence(table: np.ndarray, said: str) -> None:
    for method in METHODS:
        with pytest.raises(RequestError) as refused:
            gauge_study(readings(table), method)
        assert said in refused.value.sentence


def test_a_missing_reading_is_named() -> None:
    made = readings(np.arange(12.0).reshape(2, 3, 2))
    short = Readings("mm", made.values[:-1], made.part[:-1], made.person[:-1])
    with pytest.raises(RequestError) as refused:
        gauge_study(short)
    assert "1 read part 2 1 time, others were read 2 times" in refused.value.sentence


# ---- at the door ---------------------------------------------------------------------------------


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["quality", *map(str, arguments)])


def test_the_sheet_is_in_random_order_complete_and_the_same_again() -> None:
    request = StudySheetRequest(tuple("12345"), ("Ilva", "Oreb"), 3, "action", "mm", seed=7)
    rows = [line.split(",") for line in study_sheet(request).splitlines()[1:]]
    assert len(rows) == 30
    assert {(part, person) for _, part, person, *_ in rows} == {
        (p, o) for p in "12345" for o in ("Ilva", "Oreb")
    }
    assert [part for _, part, *_ in rows[:5]] != list("12345")
    assert study_sheet(request) == study_sheet(request)


def test_from_the_sheet_to_the_verdict(tmp_path: Path) -> None:
    sheet = tmp_path / "study.csv"
    parts = [argument for n in range(1, 9) for argument in ("--part", n)]
    done = run("gauge-sheet", "-o", sheet, *parts, "--person", "Ilva", "--person", "Oreb")
    assert done.exit_code == 0, done.output
    draw = np.random.default_rng(5)
    filled = []
    for line in sheet.read_text(encoding="utf-8").splitlines():
        order, part, person, quantity, value, unit = line.split(",")
        if not value:
            value = f"{1.5 + 0.05 * int(part) + draw.normal(0.0, 0.004):.3f}"
        filled.append(",".join((order, part, person, quantity, value, unit)))
    sheet.write_text("\n".join(filled), encoding="utf-8")
    spec = tmp_path / "s.toml"
    assert CliRunner().invoke(main, ["spec", "new", "electric", "-o", str(spec)]).exit_code == 0
    done = run("gauge", sheet, "--spec", spec, "--width", "fall=0.01", "--pictures", tmp_path / "p")
    assert done.exit_code == 1, done.output
    assert "One reading has a standard uncertainty of 0.00" in done.output
    assert "cannot judge fall" in done.output
    assert "can judge action" in done.output
    svg = (tmp_path / "p" / "gauge-study.svg").read_text(encoding="utf-8")
    assert faults(svg) == []
    assert {"Ilva", "Oreb"} <= {text.content for text in texts(svg)}
    values = json.loads(run("gauge", sheet, "--json").output)
    assert values["study"]["method"] == "crossed"
    assert values["standard_uncertainty"] == pytest.approx(0.004, rel=0.5)


def test_bias_linearity_and_agreement_at_the_door(tmp_path: Path) -> None:
    assert set(METHODS) < set(quality._METHODS)
    sheet = tmp_path / "blocks.csv"
    rows = "".join(f"{r + 0.1 * r + 0.001 * n},mm,{r}\n" for r in (1, 2, 3) for n in range(5))
    sheet.write_text("value,unit,reference\n" + rows, encoding="utf-8")
    done = run("gauge", sheet, "--method", "bias")
    assert done.exit_code == 1
    assert done.output.count("correct it, or have it adjusted") == 3
    done = run("gauge", sheet, "--method", "linearity")
    assert "The bias changes along the range by +0.1 for each 1.000 mm" in done.output
    sheet.write_text("value,part,person\n1,a,I\n0,b,I\n1,a,O\n0,b,O\n", encoding="utf-8")
    done = run("gauge", sheet, "--method", "agreement")
    assert done.exit_code == 0
    assert "Persons agree well: kappa 1.00; on 100 % of the parts always." in done.output
    done = run("gauge", sheet, "--method", "bias")
    assert done.exit_code == 2
    assert 'There is no column "reference"' in done.output


# ---- handed to measure by the name of the gauge ------------------------------------------------


def without_uncertainty(tmp_path: Path) -> tuple[Path, Path]:
    """Return a sheet whose relief states no uncertainty, and its specification."""
    invented = Path(str(resources.files("evenfall"))) / "invented"
    rows = (invented / "tesquil-before.csv").read_text(encoding="utf-8").splitlines()
    head = next(n for n, row in enumerate(rows) if row.startswith("quantity"))
    at = rows[head].split(",").index("uncertainty")
    for n, row in enumerate(rows[head + 1 :], start=head + 1):
        cells = row.split(",")
        if cells[0] == "nut_slot":
            cells[at] = ""
            rows[n] = ",".join(cells)
    sheet, spec = tmp_path / "before.csv", tmp_path / "tesquil.spec.toml"
    sheet.write_text("\n".join(rows), encoding="utf-8")
    spec.write_bytes((invented / "tesquil.spec.toml").read_bytes())
    return sheet, spec


def test_a_study_that_was_filed_gives_its_uncertainty_to_measure(tmp_path: Path) -> None:
    sheet, spec = without_uncertainty(tmp_path)
    archive = str(tmp_path / "archive")
    draw = np.random.default_rng(5)
    study = tmp_path / "study.csv"
    rows = "".join(
        f"{n},{who},nut_slot,{21.4 + 0.02 * n + draw.normal(0.0, 0.004):.4f},mm\n"
        for _ in range(3)
        for who in ("Ilva", "Oreb")
        for n in range(8)
    )
    study.write_text("part,person,quantity,value,unit\n" + rows, encoding="utf-8")
    there = ("--archive", archive, "--file-as", "dial 3")
    done = run("gauge", study, *there, "--by", "Ilva", "--on", "2026-03-09")
    assert "Filed in the dossier of dial 3: 1 study." in done.output

    def measured(*more: object) -> Result:
        arguments = ["measure", sheet, "--spec", spec, "--json", *more]
        return CliRunner().invoke(main, list(map(str, arguments)))

    plain = json.loads(measured().stdout)
    values = json.loads(measured("--gauge", "dial 3", "--archive", archive).stdout)
    said = [route for route in values["routes"] if "dial 3" in str(route)]
    assert len(said) == 1
    assert not any("dial 3" in str(route) for route in plain["routes"])  # nothing silent
    u = json.loads(run("gauge", study, "--json").output)["standard_uncertainty"]
    assert said[0]["values"]["u"] == pytest.approx(u)
    assert said[0]["values"]["day"] == "2026-03-09"
    nut, before = (np.array(one["heights"]["own_u_mm"])[:, 0] for one in (values, plain))
    assert (nut > before).all()
    assert nut == pytest.approx(np.hypot(before, u), rel=0.05)
    shown = CliRunner().invoke(main, ["archive", "show", "dial 3", "--archive", archive])
    assert "Gauge studied on nut_slot (crossed): standard uncertainty" in shown.output
    wrong = measured("--gauge", "dial 3")
    assert wrong.exit_code == 2
    assert "Name the archive that knows the gauge" in wrong.output


def test_each_row_takes_the_uncertainty_of_the_gauge_that_it_names() -> None:
    def reading(string: int, tool: str, u_mm: float = np.nan) -> Reading:
        place = Place("a.csv", string)
        head = ("action", string, (12,), 1.5, u_mm, False, True, np.nan, np.nan, place)
        return Reading(*head, 0.01, tool)

    dial = KnownGauge("Dial 3", "action", 0.004, "2026-03-09")
    feeler = KnownGauge("feeler 1", "", 0.02, "2026-03-10")
    tools = ("dial 3", "FEELER", "caliper", "", "dial 3")
    rows = [reading(n, tool) for n, tool in enumerate(tools, start=1)]
    rows[-1] = reading(5, "dial 3", 0.007)
    made, said = by_gauges(rows, [dial, feeler])
    u_mm = [one.u_mm for one in made]
    # the tool named; by any other, or none, the study of this quantity; what the row itself states
    assert u_mm == pytest.approx([0.004, 0.02, 0.004, 0.004, 0.007])
    assert [str(one)[:40] for one in said] == [
        "Standard uncertainty of gauge Dial 3 by ",
        "Standard uncertainty of gauge feeler 1 b",
    ]


def test_a_study_is_not_filed_where_several_gauges_go_by_the_name(tmp_path: Path) -> None:
    study, archive = tmp_path / "study.csv", str(tmp_path / "archive")
    rows = "".join(f"{n % 4},{0.2 + n % 4 + 0.01 * (n % 3)},mm\n" for n in range(12))
    study.write_text("part,value,unit\n" + rows, encoding="utf-8")
    there = ("gauge", study, "--archive", archive, "--file-as", "dial 3")
    assert "Filed in the dossier of dial 3: 1 study." in run(*there).output
    with workshop.archive(archive) as dossiers:
        dossiers.add(workshop.AddRequest(subject="gauge", name="dial 3", new=True))
        before = list(dossiers.archive.dossiers())
        done = run(*there)
        assert (done.exit_code, "2 dossiers go by" in done.output) == (2, True)
        assert list(dossiers.archive.dossiers()) == before
        first, *_ = before
        assert "Filed in" in run(*there[:-1], first).output
    study.write_text("part,value,unit\n" + rows.replace("0.2", "0.3"), encoding="utf-8")
    kept = sorted((tmp_path / "archive" / "files").rglob("*"))
    for wrong, said in ((("--on", "20260309"), "write it as"), (("--by", "a\tb"), "one line of")):
        done = run(*there[:-1], first, *wrong)
        assert (done.exit_code, said in done.output) == (2, True)
    assert sorted((tmp_path / "archive" / "files").rglob("*")) == kept


def test_a_study_is_not_filed_with_an_instrument(tmp_path: Path) -> None:
    study, archive = tmp_path / "study.csv", str(tmp_path / "archive")
    rows = "".join(f"{n % 4},{0.2 + n % 4 + 0.01 * (n % 3)},mm\n" for n in range(12))
    study.write_text("part,value,unit\n" + rows, encoding="utf-8")
    with workshop.archive(archive, make=True) as dossiers:
        dossiers.add(workshop.AddRequest(serial="UY-0417", name="Tesquil"))
        before = dossiers.archive.entries(dossiers.named("UY-0417"))
        done = run("gauge", study, "--archive", archive, "--file-as", "UY-0417")
        assert done.exit_code == 2
        assert "UY-0417, Tesquil is not a gauge" in done.output
        assert dossiers.archive.entries(dossiers.named("UY-0417")) == before


def test_what_a_gauge_cannot_give_is_one_sentence(tmp_path: Path) -> None:
    sheet, spec = without_uncertainty(tmp_path)
    archive = str(tmp_path / "archive")
    assert run("gauge", sheet, "--file-as", "dial 3").exit_code == 2
    with workshop.archive(archive, make=True) as dossiers:
        dossiers.add(workshop.AddRequest(subject="gauge", name="dial 3"))
        with pytest.raises(RequestError, match="holds no study yet"):
            known_gauges(dossiers, "dial 3")
    source, specification = workshop.Source(str(sheet)), workshop.Source(str(spec))
    for gauge, said in (
        (KnownGauge("dial 3", "relief", 0.004, "2026-03-09"), "No reading takes the uncertainty"),
        (KnownGauge("dial 3", "runout", 0.004, "2026-03-09"), "(runout)"),
    ):
        with pytest.raises(RequestError) as refused:
            workshop.measure(workshop.MeasureRequest((source,), specification, gauges=(gauge,)))
        assert said in refused.value.sentence
    newest = KnownGauge("dial 3", "nut_slot", 0.006, "2026-04-09")
    older = KnownGauge("dial 4", "", 0.004, "2026-05-09")
    made = workshop.measure(
        workshop.MeasureRequest((source,), specification, gauges=(older, newest))
    )
    told = [str(route) for route in made.measurement.routes if "gauge" in str(route)]
    assert told == [
        "Standard uncertainty of gauge dial 3 by its study of 2026-04-09: 0.006 mm, for 6 "
        "readings that stated none."
    ]


@pytest.mark.slow
def test_the_certificate_names_the_gauge_whose_uncertainty_was_taken() -> None:
    source = workshop.Source
    spec, gauge = (
        source.invented("tesquil.spec.toml"),
        KnownGauge("dial 3", "", 0.004, "2026-03-09"),
    )
    plan = workshop.plan(workshop.PlanRequest(source.invented("tesquil-before.csv"), spec)).plan
    planned = source("tesquil.plan.json", json_file(plan.as_dict()))
    rows = [row.split(",") for row in source.invented("tesquil-after.csv").text().splitlines()]
    bare = [
        ",".join([*row[:5], "", *row[6:]]) if row[0] == "saddle" else ",".join(row) for row in rows
    ]
    after = source("after.csv", "\n".join(bare).encode())
    measured = workshop.measure(workshop.MeasureRequest((after,), spec, gauges=(gauge,)))
    read = source("after.json", json_file(measured.measurement.as_dict()))
    proved = workshop.prove(workshop.ProveRequest(planned, read))
    page = proved.certificate("html", date="2026-03-31").decode()
    assert "Standard uncertainty of gauge dial 3 by its study of 2026-03-09" in page
