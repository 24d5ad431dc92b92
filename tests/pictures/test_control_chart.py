"""Control charts as pictures: where the names of points that signal come to stand."""

from __future__ import annotations

import numpy as np
import pytest

from evenfall.pictures.control_chart import control_chart_picture
from evenfall.production.charts import control_chart
from evenfall.production.series import Series
from evenfall.units import LengthUnit
from pictures.drawing import SVG, faults, parsed, texts

HIGH = (61, 62, 63)


@pytest.mark.parametrize("unit", ["mm", "inch"])
def test_the_name_of_a_signal_stands_by_its_mark_and_hides_no_other(unit: LengthUnit) -> None:
    values = np.array([0.2, 0.21, 0.19] * 20 + [0.26, 0.27, 0.29])
    labels = tuple(f"UY-{n}" for n in range(1, len(values) + 1))
    chart = control_chart(Series("relief", "mm", values, labels=labels), "individuals")
    assert set(chart.signalled("value")) == set(HIGH)
    picture = control_chart_picture(chart, unit=unit)
    assert faults(picture) == []
    marks = {}
    for group in parsed(picture).iter(f"{SVG}g"):
        title = group.find(f"{SVG}title")
        if title is not None and title.text and "outside-limits" in title.text:
            (square,) = (dict(shape.attrib) for shape in group.iter(f"{SVG}rect"))
            x, y, wide = (float(square[name]) for name in ("x", "y", "width"))
            marks.setdefault(int(title.text.split(",")[0]), (x + wide / 2.0, y + wide / 2.0))
    assert set(HIGH) <= set(marks)
    (name,) = (one for one in texts(picture) if one.content == "UY-61")
    assert name.bottom <= marks[61][1] + 4.0  # over the mark or beside it, not under
    for point in HIGH:
        x, y = marks[point]
        assert not (name.left < x < name.right and name.top < y < name.bottom), point
