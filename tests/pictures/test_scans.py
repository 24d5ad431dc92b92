"""Drawings of scans: board from above, crown lines, one section, the neck beside a hand sheet."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from evenfall.instrument import Specification
from evenfall.pictures.board_map import board_map
from evenfall.pictures.crown_views import crown_lines, crown_section, widest_flat
from evenfall.pictures.inks import DEVIATION_RAMP, LIGHT
from evenfall.pictures.neck import neck_curve
from evenfall.pictures.scans import scan_drawings
from evenfall.scans import CrownSurvey, measure_crowns, to_measurement
from oracles.surfaces import Flat, Lift, Recipe, make_scan, specification, with_faults
from pictures.drawing import SVG, faults, in_other_unit, parsed, path_points, shown, texts


@cache
def scanned(
    model: str = "electric", *, shadow: float = 0.0, hump: float = 0.0, faulty: bool = False
) -> tuple[Specification, CrownSurvey]:
    """Return the survey of a scan of known truth."""
    spec = specification(model)
    recipe = Recipe(seed=4, step_x=0.1, step_y=0.3, shadow_share=shadow, hump=hump)
    if faulty:
        recipe = with_faults(recipe, spec)
    scan = make_scan(spec, recipe)
    return spec, measure_crowns(scan.points_mm, spec, unit_hint="mm", mirrored=False)[0]


@pytest.mark.quick(1)
@pytest.mark.parametrize(("model", "unit"), [("ukulele", "mm"), ("fanned", "in"), ("bass", "mm")])
def test_every_drawing_is_in_order(model: str, unit: str) -> None:
    spec, survey = scanned(model, faulty=True, shadow=0.25 if model == "fanned" else 0.0)
    measurement = to_measurement(survey, spec)
    for sheet in (None, measurement):
        ways = scan_drawings(spec, survey, measurement, sheet=sheet, unit=unit)
        drawings = {name: draw() for name, draw in ways.items()}
        assert {"board", "crown lines", "neck"} <= drawings.keys()
        for name, svg in drawings.items():
            assert faults(svg) == [], name
            assert in_other_unit(svg, unit) == [], name
            assert len(svg) < 200_000, name


def numbers_on(svg: str) -> list[float]:
    """Return the numbers that a board map carries, left to right, top to bottom."""
    found = [t for t in texts(svg) if re.fullmatch(r"[+−]?\d+(\.\d)?", t.content)]
    on_board = [t for t in found if t.content[0] in "+−0"]
    return [float(t.content.replace("−", "-")) for t in on_board]


@pytest.mark.slow
def test_the_map_shows_a_hump_where_it_is_and_how_high() -> None:
    spec, flat = scanned()
    _, humped = scanned(hump=0.1)
    plain, raised = numbers_on(board_map(spec, flat)), numbers_on(board_map(spec, humped))
    assert len(plain) == len(raised) == 30
    rise = (np.array(raised) - np.array(plain)).reshape(10, 3).mean(axis=1)
    labels = [e.text or "" for e in parsed(board_map(spec, flat)).iter(f"{SVG}title")]
    place = [float(m[1]) for t in labels if (m := re.search(r", (\d+) mm from the nut", t))][::3]
    last = 648.0 * (1.0 - 2.0 ** (-22 / 12.0))
    wanted = 100.0 * np.exp(-0.5 * ((np.array(place) - 0.62 * last) / 18.0) ** 2)
    # the best plane takes a little of the hump away, evenly along the board
    design = np.column_stack([np.ones(10), place])
    left = rise - wanted
    assert np.abs(left - design @ np.linalg.lstsq(design, left, rcond=None)[0]).max() < 8.0
    assert int(rise.argmax()) == int(wanted.argmax())


@pytest.mark.slow
def test_the_map_says_thousandths_to_those_who_think_in_inches() -> None:
    spec, survey = scanned(hump=0.1)
    fine, coarse = (np.array(numbers_on(board_map(spec, survey, unit=u))) for u in ("mm", "in"))
    assert "thousandths of an inch" in shown(board_map(spec, survey, unit="in"))
    assert coarse == pytest.approx(fine / 25.4, abs=0.08)


@pytest.mark.slow
def test_the_darkest_classes_are_where_the_board_is_off_most() -> None:
    spec, survey = scanned(hump=0.1)
    fills = [e.attrib.get("fill", "") for e in parsed(board_map(spec, survey)).iter(f"{SVG}path")]
    assert "#9f4a66" in fills or "#6b213c" in fills
    assert "#969194" in fills or "#524c50" in fills


@pytest.mark.slow
def test_high_and_low_differ_by_a_sign_and_not_by_hue_alone() -> None:
    spec, survey = scanned(hump=0.1)
    picture = board_map(spec, survey)
    strokes = [
        {name: float(e.attrib[name]) for name in ("x1", "y1", "x2", "y2")}
        for e in parsed(picture).iter(f"{SVG}line")
        if e.attrib["stroke-width"] == "0.9" and "stroke-dasharray" not in e.attrib
    ]
    across = [(s["x1"] + 2.2, s["y1"]) for s in strokes if s["y1"] == s["y2"]]
    plus = [(s["x1"], s["y1"] + 2.2) for s in strokes if s["x1"] == s["x2"]]
    minus = [a for a in across if not any(np.hypot(a[0] - x, a[1] - y) < 0.05 for x, y in plus)]
    assert min(len(plus), len(minus)) > 6 + 20  # those of the legend besides
    tiles = [
        (e.attrib["fill"], path_points(e.attrib["d"])) for e in parsed(picture).iter(f"{SVG}path")
    ]
    for signs, ramp in ((plus, DEVIATION_RAMP[4:]), (minus, DEVIATION_RAMP[:3])):
        fills = {LIGHT[shade.fill] for shade in ramp}
        boxes = [np.array(points) for fill, points in tiles if fill in fills]
        on_map = [s for s in signs if s[1] < max(box[:, 1].max() for box in boxes)]
        assert len(on_map) > 20
        assert all(
            any((box.min(axis=0) <= at).all() and (at <= box.max(axis=0)).all() for box in boxes)
            for at in on_map
        )


@pytest.mark.slow
def test_a_part_of_the_board_that_was_not_seen_is_left_open() -> None:
    spec, survey = scanned()
    height = survey.board.height_mm.copy()
    height[: len(height) // 3] = np.nan
    hidden = replace(survey, board=replace(survey.board, height_mm=height))
    assert "not measured" in shown(board_map(spec, hidden))
    assert "not measured" not in shown(board_map(spec, survey))
    assert faults(board_map(spec, hidden)) == []
    nothing = replace(survey, board=replace(survey.board, height_mm=np.full_like(height, np.nan)))
    assert "Nothing of the board" in shown(board_map(spec, nothing))


@pytest.mark.slow
def test_crown_lines_stand_over_their_rows_at_the_stated_exaggeration() -> None:
    spec = specification("electric")
    recipe = Recipe(
        seed=9, step_x=0.1, step_y=0.3, shadow_share=0.0, lifts=(Lift(7, 1, 0.3),),
        flats=(Flat(12, 0.0, 10.0, 0.03),),
    )  # fmt: skip
    survey, _ = measure_crowns(make_scan(spec, recipe).points_mm, spec, unit_hint="mm")
    svg = crown_lines(spec, survey)
    assert faults(svg) == []
    words = shown(svg)
    assert "the least straight one, fret 7, runs over 0." in words.replace("\n", " ")
    lifted = [t for t in texts(svg) if re.fullmatch(r"\+\d+ µm", t.content)]
    assert len(lifted) >= 1
    assert float(lifted[0].content[1:-3]) == pytest.approx(300.0, rel=0.2)


@pytest.mark.slow
def test_a_missing_fret_keeps_its_row() -> None:
    spec, survey = scanned(faulty=True)
    svg = crown_lines(spec, survey)
    absent = [j + 1 for j, line in enumerate(survey.crown_lines) if line is None]
    assert len(absent) == 1
    assert shown(svg).count("no crown found") == 1
    numbers = [t.content for t in texts(svg) if t.content.isdigit()]
    assert sorted(map(int, numbers)) == list(range(1, spec.frets + 1))


@pytest.mark.slow
def test_the_section_shows_a_worn_flat_with_its_width() -> None:
    spec, survey = scanned(faulty=True)
    string, fret = widest_flat(survey, reference_fret=12)
    width = survey.flat_width_mm[string - 1, fret - 1]
    assert width == np.nanmax(survey.flat_width_mm)
    svg = crown_section(spec, survey, string=string, fret=fret)
    assert f"worn flat {width:.3f} mm wide" in shown(svg).replace("\n", " ")
    section = survey.sections[string - 1][fret - 1]
    assert section is not None
    points, residuals = dots(svg, "points"), dots(svg, "residuals")
    low = np.quantile(section.height_mm, 0.01)
    assert points == pytest.approx((section.height_mm > low).sum(), abs=8)
    inside = np.abs(section.across_mm - section.centre_mm) <= section.fitted_half_mm
    assert residuals == pytest.approx(inside.sum(), rel=0.05)


@pytest.mark.slow
def test_a_point_far_off_the_fit_is_drawn_as_one_that_took_no_part() -> None:
    spec, survey = scanned(faulty=True)
    string, fret = widest_flat(survey, reference_fret=12)
    section = survey.sections[string - 1][fret - 1]
    assert section is not None
    at = int(np.argmin(np.abs(section.across_mm - section.centre_mm)))
    assert section.taken[at]
    height_mm = section.height_mm.copy()
    height_mm[at] -= 0.1  # within the picture, and ten times the noise
    far = replace(section, height_mm=height_mm)
    assert not far.taken[at]
    assert far.taken.sum() == section.taken.sum() - 1
    rows = [list(row) for row in survey.sections]
    rows[string - 1][fret - 1] = far
    changed = replace(survey, sections=tuple(map(tuple, rows)))
    drawn = [crown_section(spec, one, string=string, fret=fret) for one in (survey, changed)]
    filled, then = (re.findall(r'<circle[^>]*fill="([^"]+)"', svg) for svg in drawn)
    assert len(set(filled)) == 2
    used = max(set(filled), key=filled.count)
    assert then.count(used) == filled.count(used) - 2  # among the points, and what the fit leaves
    assert "took no part" in shown(drawn[1])


@pytest.mark.slow
def test_a_string_over_a_crown_leaves_its_section_the_room() -> None:
    spec, survey = scanned(faulty=True)
    string, fret = widest_flat(survey, reference_fret=12)
    section = survey.sections[string - 1][fret - 1]
    assert section is not None
    height_mm = section.height_mm.copy()
    height_mm[::4] = 2.4
    rows = [list(row) for row in survey.sections]
    rows[string - 1][fret - 1] = replace(section, height_mm=height_mm)
    strung = replace(survey, sections=tuple(map(tuple, rows)))
    bare, under = (crown_section(spec, one, string=string, fret=fret) for one in (survey, strung))
    tall = [float(parsed(svg).get("viewBox", "").split()[3]) for svg in (bare, under)]
    assert tall[1] < 1.35 * tall[0]
    assert dots(under, "points") < 0.8 * dots(bare, "points")


@pytest.mark.slow
def test_the_scatter_drawn_under_a_section_is_that_of_its_own_scan() -> None:
    """Of joined scans that of the fullest was drawn under the crowns of all."""
    spec, survey = scanned(faulty=True)
    string, fret = widest_flat(survey, reference_fret=12)
    other = replace(survey, noise_mm=9.0 * survey.noise_mm)
    first, second = (crown_section(spec, s, string=string, fret=fret) for s in (survey, other))
    assert first == second


def dots(svg: str, what: str) -> int:
    """Return how many circles the group of that name holds."""
    for group in parsed(svg).iter(f"{SVG}g"):
        title = group.find(f"{SVG}title")
        if title is not None and (title.text or "").endswith(what):
            return len(group.findall(f"{SVG}circle"))
    return 0


@pytest.mark.slow
def test_without_wear_the_section_is_that_of_the_reference_fret() -> None:
    spec, survey = scanned("bass")
    assert np.nanmax(survey.flat_width_mm) == 0.0
    string, fret = widest_flat(survey, reference_fret=12)
    assert (string, fret) == (3, 12)
    assert faults(crown_section(spec, survey, string=string, fret=fret)) == []


@pytest.mark.slow
def test_a_section_that_a_string_hides_is_taken_beside_it_and_says_so() -> None:
    spec, survey = scanned(shadow=0.3)
    beside = np.array([[np.nan if s is None else s.beside_mm for s in r] for r in survey.sections])
    known = np.isfinite(beside)
    assert known.mean() > 0.9
    assert (beside[known] > 0.2).all(), "the string lies over the crown"
    assert (beside[known] < 4.0).all()
    k, j = np.argwhere(known)[0]
    section = survey.sections[k][j]
    assert section is not None
    inside = np.abs(section.across_mm - section.centre_mm) < section.fitted_half_mm
    left = section.height_mm - section.fitted_mm(section.across_mm)
    assert np.median(np.abs(left[inside])) < 0.012, "the fit goes with the points beside the string"
    svg = crown_section(spec, survey, string=int(k) + 1, fret=int(j) + 1)
    assert faults(svg) == []
    assert "beside the string, which hides" in shown(svg)
    assert "crown section" in scan_drawings(spec, survey, to_measurement(survey, spec))
    none = replace(survey, sections=tuple((None,) * len(row) for row in survey.sections))
    assert "hides the crown" in shown(crown_section(spec, none, string=1, fret=1))
    assert "crown section" not in scan_drawings(spec, none, to_measurement(survey, spec))
    with pytest.raises(ValueError, match="no fret 99"):
        crown_section(spec, survey, string=1, fret=99)


@pytest.mark.slow
def test_the_neck_by_scan_is_drawn_over_the_neck_by_sheet() -> None:
    spec, survey = scanned()
    scan = to_measurement(survey, spec)
    sheet = scan.with_heights(
        crown_top_mm=scan.crown_top_mm + 0.02, nut_mm=scan.nut_mm, saddle_mm=scan.saddle_mm
    )
    svg = neck_curve(spec, sheet, scan, names=("by the hand sheet", "by the scan"))
    assert faults(svg) == []
    words = shown(svg)
    assert "by the hand sheet, ± 2 u" in words
    assert "by the scan, ± 2 u" in words
    assert "before" not in words
