"""Control charts as pictures: where the names of points that signal come to stand."""

from __future__ import annotations

import re

import numpy as np
import pytest

from evenfall.pictures.control_chart import control_chart_picture
from evenfall.production.charts import control_chart
from evenfall.production.series import Series
from evenfall.units import LengthUnit
from pictures.drawing import SVG, faults, parsed, texts

HIGH = (61, 62, 63)


def marks_of(picture: str) -> dict[int, tuple[float, float]]:
    """Return where the mark of each point stands in the first panel."""
    marks: dict[int, tuple[float, float]] = {}
    for group in parsed(picture).iter(f"{SVG}g"):
        title = group.find(f"{SVG}title")
        number = (title.text or "").split(",")[0] if title is not None else ""
        if number.isdecimal():
            (shape,) = (one for one in group if one is not title)
            if "points" in shape.attrib or "d" in shape.attrib:
                ends = re.findall(r"-?[\d.]+", shape.attrib.get("points") or shape.attrib["d"])
                xs, ys = [float(n) for n in ends[::2]], [float(n) for n in ends[1::2]]
                place = (min(xs) + max(xs)) / 2.0, (min(ys) + max(ys)) / 2.0
            elif "cx" in shape.attrib:
                place = float(shape.attrib["cx"]), float(shape.attrib["cy"])
            else:
                x, y, wide = (float(shape.attrib[name]) for name in ("x", "y", "width"))
                place = x + wide / 2.0, y + wide / 2.0
            marks.setdefault(int(number), place)
    return marks


@pytest.mark.parametrize("unit", ["mm", "inch"])
def test_the_name_of_a_signal_stands_by_its_mark_and_hides_no_other(unit: LengthUnit) -> None:
    values = np.array([0.2, 0.21, 0.19] * 20 + [0.26, 0.27, 0.29])
    labels = tuple(f"UY-{n}" for n in range(1, len(values) + 1))
    chart = control_chart(Series("relief", "mm", values, labels=labels), "individuals")
    assert set(chart.signalled("value")) == set(HIGH)
    picture = control_chart_picture(chart, unit=unit)
    assert faults(picture) == []
    marks = marks_of(picture)
    (name,) = (one for one in texts(picture) if one.content == "UY-61")
    assert name.bottom <= marks[61][1] + 4.0  # over the mark or beside it, not under
    for point in HIGH:
        x, y = marks[point]
        assert not (name.left < x < name.right and name.top < y < name.bottom), point


def test_no_line_between_marks_runs_through_a_name() -> None:
    """Of a run that rises steeply from its first point, the peak is named."""
    values = np.array([0.2, 0.06, 0.28, 0.08, 0.15, *[0.2, 0.21, 0.19] * 30])
    labels = tuple(f"UY-{n:04}" for n in range(1, len(values) + 1))
    chart = control_chart(Series("relief", "mm", values, labels=labels), "individuals")
    picture = control_chart_picture(chart)
    assert faults(picture) == []
    said = [one.content for one in texts(picture)]
    assert "UY-0001, UY-0002" not in said
    assert "UY-0002, UY-0003" in said


def test_the_number_of_the_last_point_is_clear_of_what_is_counted() -> None:
    chart = control_chart(
        Series("relief", "mm", np.tile([0.2, 0.21, 0.19, 0.2], 250)), "individuals"
    )
    (last, word, *_) = (
        t for t in texts(control_chart_picture(chart)) if t.content in ("1000", "point")
    )
    assert last.right + 2.0 < word.left


@pytest.mark.parametrize("up", [True, False])
@pytest.mark.parametrize("rising", [-0.004, -0.001, 0.0, 0.001, 0.002, 0.004])
def test_the_name_of_a_run_hides_no_mark(up: bool, rising: float) -> None:
    run = 0.203 + rising * np.arange(-8, 4) * (np.arange(-8, 4) >= 0)
    values = np.array([0.2, 0.21, 0.19] * 15 + [*run, 0.19])
    if not up:
        values = 0.4 - values
    labels = tuple(f"UY-{n}" for n in range(1, len(values) + 1))
    series = Series("relief", "mm", values, labels=labels)
    chart = control_chart(series, "individuals", rules=["9-on-one-side"])
    (signal,) = chart.signals
    picture = control_chart_picture(chart)
    assert faults(picture) == []
    (name,) = (one for one in texts(picture) if one.content == f"UY-{signal.points[0]}")
    marks = marks_of(picture)
    assert len(marks) == len(values)
    for point, (x, y) in marks.items():
        assert not (name.left < x < name.right and name.top < y < name.bottom), point
