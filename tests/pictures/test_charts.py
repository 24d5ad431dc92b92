"""Trade-off chart, verdict strip and the drawing of the frame."""

from __future__ import annotations

import math
import re
import runpy
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import typst
from hypothesis import given
from hypothesis import strategies as st

from draws import draws
from evenfall.levelling.tradeoff import TradeOff
from evenfall.pictures.fret_map import buzz_force_map, removal_map
from evenfall.pictures.inks import DARK, LIGHT, PRINT, Theme
from evenfall.pictures.neck import neck_curve
from evenfall.pictures.side_view import string_side_view
from evenfall.pictures.trade_off import trade_off_chart
from evenfall.pictures.verdicts import VerdictRow, verdict_strip
from evenfall.units import LengthUnit
from pictures.drawing import SVG, faults, groups, in_other_unit, parsed, path_points, shown
from pictures.instruments import plan, specification

DRAWING = Path(__file__).resolve().parents[2] / "docs" / "img" / "frame.svg"
frame_drawing = runpy.run_path(str(DRAWING.with_suffix(".py")))["frame_drawing"]

ACTION = np.linspace(1.2, 2.2, 21)
RELIEF = np.linspace(-0.1, 0.6, 29)
CURVES = TradeOff(
    action_mm=ACTION,
    metal_mm=np.where(ACTION < 1.44, np.nan, 8.0 * np.exp(-4.0 * (ACTION - 1.45))),
    plan_action_mm=1.7,
    plan_metal_mm=8.0 * math.exp(-1.0),
    relief_mm=RELIEF,
    margin_share=1.25 - 8.0 * (RELIEF - 0.2251) ** 2,
    plan_relief_mm=0.15,
    plan_margin_share=1.2049,
)


def curves(svg: str) -> list[np.ndarray]:
    """Return the points of the full lines of a chart."""
    return [
        np.array(path_points(p.attrib["d"]))
        for p in parsed(svg).iter(f"{SVG}path")
        if p.attrib.get("stroke-width") == "1.6"
    ]


def test_both_curves_are_drawn_to_scale_with_the_plan_on_them() -> None:
    picture = trade_off_chart(CURVES)
    assert faults(picture) == []
    metal, share = curves(picture)
    known = np.isfinite(CURVES.metal_mm)
    diamonds = [
        np.array(path_points(p.attrib["d"])).mean(axis=0)
        for p in parsed(picture).iter(f"{SVG}path")
        if p.attrib["d"].endswith("Z")
    ]
    for drawn, x, y, chosen, mark in (
        (metal, ACTION[known], CURVES.metal_mm[known], (1.7, CURVES.plan_metal_mm), diamonds[0]),
        (share, RELIEF, CURVES.margin_share, (0.15, 1.2049), diamonds[1]),
    ):
        assert len(drawn) == len(x)
        for axis, values, want in ((0, x, chosen[0]), (1, y, chosen[1])):
            slope, start = np.polyfit(values, drawn[:, axis], 1)
            assert np.abs(start + slope * values - drawn[:, axis]).max() < 0.02
            assert mark[axis] == pytest.approx(start + slope * want, abs=0.02)
            assert slope > 0 if axis == 0 else slope < 0


def test_the_words_give_the_plan_and_the_best_relief() -> None:
    words = shown(trade_off_chart(CURVES)).replace("\n", " ")
    assert "action 1.700 mm, 2.943 mm of metal" in words
    assert "relief 0.150 mm, 120 % of the player's attack. Most: 125 % at 0.225 mm" in words
    words = shown(trade_off_chart(CURVES, unit="in")).replace("\n", " ")
    assert "action 0.0669 in, 0.1159 in of metal" in words


def test_of_equally_good_reliefs_the_nearest_to_the_plan_is_named() -> None:
    """On a level stretch rounding must not choose; the least change of the rod does."""
    share = np.minimum(1.25, 1.25 - 8.0 * (np.abs(RELIEF - 0.3) - 0.151))
    for noise in (1e-12, -1e-12):
        level = replace(CURVES, margin_share=share + noise * np.arange(29), plan_relief_mm=0.05)
        assert "Most: 125 % at 0.150 mm" in shown(trade_off_chart(level)).replace("\n", " ")


def test_curves_without_any_plan_are_drawn_and_said() -> None:
    none = replace(CURVES, metal_mm=np.full(21, np.nan), plan_metal_mm=np.nan)
    picture = trade_off_chart(none)
    assert faults(picture) == []
    assert len(curves(picture)) == 1
    assert "Notes fail here whatever is cut." in shown(picture)
    with pytest.raises(ValueError, match="two or more points"):
        trade_off_chart(replace(CURVES, relief_mm=RELIEF[:1], margin_share=RELIEF[:1]))


INF = math.inf
ROWS = (
    VerdictRow("Relief", 0.215, 0.012, 0.1, 0.3, "conforms", "mm", 0.01),
    VerdictRow("Action, string 1", 1.642, 0.03, 1.35, 1.65, "undecided", "mm", 0.025),
    VerdictRow("Action, string 6", 2.09, 0.03, 1.75, 2.05, "does not conform"),
    VerdictRow("Lowest crown height", 0.812, 0.02, 0.75, INF, "conforms"),
    VerdictRow("Pull", 3.2, 0.2, -INF, 3.5, "conforms", "N"),
    VerdictRow("Not read", math.nan, math.nan, 1.0, 1.4, "undecided"),
)

finite = st.floats(-3.0, 3.0)


@draws(40)
@given(
    st.lists(
        st.builds(
            lambda name, value, u, low, wide, verdict, open_low, open_high, guard: VerdictRow(
                name,
                value,
                u,
                -INF if open_low else low,
                INF if open_high else low + wide,
                verdict,
                "mm",
                guard,
            ),
            st.text(st.characters(codec="utf-8"), max_size=90),
            st.one_of(finite, st.just(math.nan)),
            st.one_of(st.floats(0.0, 1.0), st.just(math.nan)),
            finite,
            st.floats(0.0, 2.0),
            st.sampled_from(["conforms", "does not conform", "undecided"]),
            st.booleans(),
            st.booleans(),
            st.floats(0.0, 0.3),
        ),
        max_size=12,
    ),
    st.sampled_from(["mm", "in"]),
)
def test_any_rows_are_drawn_in_order(rows: list[VerdictRow], unit: str) -> None:
    picture = verdict_strip(rows, unit=unit)
    # Names are cut to the width that common faces need; rare scripts may be wider.
    assert [said for said in faults(picture) if "overlap" not in said] == []
    assert len(parsed(picture).findall(f".//{SVG}g")) == len(rows)


def test_each_bar_stands_to_its_limits_as_the_numbers_do() -> None:
    picture = verdict_strip(ROWS[:3])
    assert faults(picture) == []
    for row, group in zip(ROWS, parsed(picture).iter(f"{SVG}g"), strict=False):
        lines = list(group.iter(f"{SVG}line"))
        lower, upper = (
            float(line.attrib["x1"]) for line in lines if line.attrib["stroke-width"] == "1.2"
        )
        bar = next(line for line in lines if line.attrib["stroke-width"] == "2.4")
        per_mm = (upper - lower) / (row.upper - row.lower)
        for end, value in (
            ("x1", row.value - row.expanded_uncertainty),
            ("x2", row.value + row.expanded_uncertainty),
        ):
            drawn = row.lower + (float(bar.attrib[end]) - lower) / per_mm
            assert drawn == pytest.approx(value, abs=0.02 / per_mm)


def test_verdicts_differ_in_shape_and_in_words() -> None:
    picture = verdict_strip(ROWS)
    shapes = {}
    for (verdict,), group in groups(picture, "verdict").items():
        marks = [
            element.tag.removeprefix(SVG)
            for element in group.iter()
            if float(element.attrib.get("cx", element.attrib.get("x1", 0))) > 555.0
            or (element.tag == f"{SVG}path" and path_points(element.attrib["d"])[0][0] > 555.0)
            or (element.tag == f"{SVG}rect" and float(element.attrib["x"]) > 555.0)
        ]
        shapes[verdict] = tuple(sorted(marks))
    assert len(shapes) == 3
    assert len(set(shapes.values())) == 3
    words = shown(picture)
    assert "Of 6: 3 conform, 2 undecided, 1 does not conform." in words


def test_rows_show_value_uncertainty_and_limits_in_the_unit_asked_for() -> None:
    words = shown(verdict_strip(ROWS)).split("\n")
    for said in (
        "0.215 ± 0.012 mm",
        "0.100 to 0.300",
        "at least 0.750",
        "3.20 ± 0.20 N",
        "at most 3.50",
        "not known",
    ):
        assert said in words
    words = shown(verdict_strip(ROWS, unit="in")).split("\n")
    for said in ("0.0085 ± 0.0005 in", "0.0039 to 0.0118", "3.20 ± 0.20 N"):
        assert said in words


def test_no_rows_and_unknown_verdicts_are_told() -> None:
    assert "Nothing was judged." in shown(verdict_strip([]))
    with pytest.raises(ValueError, match="perhaps"):
        verdict_strip([ROWS[0]._replace(verdict="perhaps")])


def test_the_drawing_of_the_frame_names_every_part_and_is_the_one_in_the_docs() -> None:
    picture = frame_drawing()
    assert faults(picture) == []
    words = shown(picture)
    for name in (
        "nut slot",
        "crown",
        "tang",
        "board",
        "saddle",
        "action",
        "relief",
        "first-fret gap",
        "stop",
        "datum",
        "treble",
        "speaking length",
    ):
        assert name in words, name
    assert DRAWING.read_text(encoding="utf-8") == picture, "run python docs/img/generate.py"


@pytest.mark.slow
def test_every_picture_can_be_set_on_paper() -> None:
    spec = specification(4, 12)
    made, swing = plan(spec)
    attack = np.array(spec.player.attack_n)
    pictures = (
        buzz_force_map(spec, made.buzz_force_before_n, attack, title="日本 <&>"),
        removal_map(spec, made),
        string_side_view(spec, made, swing, string=2, stopped_fret=3),
        neck_curve(spec, made.measurement, made),
        trade_off_chart(CURVES),
        verdict_strip(ROWS),
        frame_drawing(),
    )
    for picture in pictures:
        # Without the system's fonts, as on a bare machine.
        page = typst.compile(
            b"#set page(width: auto, height: auto, margin: 0pt)\n"
            b'#image(bytes(sys.inputs.picture), format: "svg", width: 180mm)',
            format="png",
            ppi=72.0,
            ignore_system_fonts=True,
            sys_inputs={"picture": picture},
        )
        assert page[:8] == b"\x89PNG\r\n\x1a\n"
        assert int.from_bytes(page[16:20], "big") in (510, 511)  # 180 mm at 72 dots per inch


@pytest.mark.parametrize("unit", ["mm", "in"])
def test_no_picture_says_anything_in_the_other_unit(unit: LengthUnit) -> None:
    spec = specification(4, 12)
    made, swing = plan(spec)
    for picture in (
        removal_map(spec, made, unit=unit),
        string_side_view(spec, made, swing, string=2, stopped_fret=3, unit=unit),
        neck_curve(spec, made.measurement, made, unit=unit),
        trade_off_chart(CURVES, unit=unit),
        verdict_strip(ROWS, unit=unit),
    ):
        assert in_other_unit(picture, unit) == []
        other: LengthUnit = "mm" if unit == "in" else "in"
        assert in_other_unit(picture, other) != []


def test_a_picture_depends_on_its_data_alone() -> None:
    spec = specification(4, 12)
    made, swing = plan(spec)
    one, other = (string_side_view(spec, made, swing, string=2, stopped_fret=3) for _ in range(2))
    assert one == other


@pytest.mark.parametrize("theme", [LIGHT, DARK, PRINT], ids=["light", "dark", "print"])
def test_a_picture_wears_one_theme_and_its_title_names_model_and_serial(theme: Theme) -> None:
    spec = specification(4, 12)
    made, swing = plan(spec)
    named = (
        removal_map(spec, made, theme=theme),
        neck_curve(spec, made.measurement, made, theme=theme),
        string_side_view(spec, made, swing, string=2, stopped_fret=3, theme=theme),
    )
    for picture in named:
        title = parsed(picture).findtext(f"{SVG}title")
        assert (title or "").startswith(f"{spec.name}, {made.measurement.serial}: ")
        assert "invented" in (title or "")
    attack = np.array(spec.player.attack_n)
    for picture in (
        *named,
        buzz_force_map(spec, made.buzz_force_before_n, attack, title="t", theme=theme),
        trade_off_chart(CURVES, theme=theme),
        verdict_strip(ROWS, theme=theme),
    ):
        used = set(re.findall(r"(?:fill|stroke)=\"([^\"]*)\"", picture)) - {"none"}
        assert used <= set(theme.values())
        assert len(picture.rows) > 0
