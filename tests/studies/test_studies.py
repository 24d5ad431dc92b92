"""A small run of each study, held to its limits widened by the standard error; and the tables."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from studies.catalogue import STUDIES
from studies.level_necks import row
from studies.study import STANDARD_ERRORS, Figure, Row, broken, chances, mean, share, table

PAGES = Path(__file__).resolve().parents[2] / "docs" / "studies"


def silent(step: str, done: float) -> None:
    assert step
    assert 0.0 <= done <= 1.0


@pytest.mark.slow
@pytest.mark.parametrize("name", STUDIES)
def test_a_small_run_of_the_study_keeps_its_limits(name: str) -> None:
    study = STUDIES[name]
    rows = list(study.run(2, study.tested, silent))
    assert any(figure.limit for row in rows for figure in row.figures.values())
    assert broken(rows, STANDARD_ERRORS) == []


@pytest.mark.parametrize("name", STUDIES)
def test_the_page_of_a_study_is_there_and_listed(name: str) -> None:
    assert f"[{name}]({name}.md)" in (PAGES / "README.md").read_text(encoding="utf-8")
    page = (PAGES / f"{name}.md").read_text(encoding="utf-8")
    assert STUDIES[name].words.strip() in page
    assert f"Again: `python3 dev.py study {name}" in page


def test_a_limit_is_kept_up_to_its_standard_error() -> None:
    assert share(2, 100, at_most=1.0).standard_error == pytest.approx(math.sqrt(0.99))
    assert not share(2, 100, at_most=1.0).keeps()
    assert share(2, 100, at_most=1.0).keeps(3.0)
    assert not share(6, 100, at_most=1.0).keeps(3.0)
    assert share(0, 0, at_most=1.0).keeps()
    assert mean([1.0, 3.0], at_least=2.5).keeps(1.0)
    assert not mean([1.0, 3.0], at_least=3.5).keeps(1.0)
    rows = [Row("a", {"x": Figure(2.0, 0.1, "2.0", at_most=1.0)})]
    assert broken(rows) == ["a, x: 2.0, at most 1"]
    assert broken(rows, 20.0) == []


@pytest.mark.parametrize(("cut", "of"), [(2, 8), (7, 192)])
def test_a_row_of_level_necks_fails_by_how_many_are_cut(cut: int, of: int) -> None:
    assert broken([row("a", cut - 1, of)], STANDARD_ERRORS) == []
    assert len(broken([row("a", cut, of)], STANDARD_ERRORS)) == 1


def test_a_table_shows_limits_and_what_misses_them() -> None:
    rows = [
        Row("a", {"x": Figure(2.0, 0.1, "2.0", at_most=1.0), "y": mean([1.0])}),
        Row("b", {"x": Figure(0.5, 0.1, "0.5", at_most=1.0)}),
    ]
    assert table(rows).splitlines()[2:] == [
        "| a | **2.0** | 1.00 |",
        "| b | 0.5 |  |",
        "| limit | at most 1 |  |",
    ]


def test_a_neck_is_the_same_in_a_longer_study() -> None:
    short, long = ([c.random() for c in chances(1, count, 4)] for count in (2, 5))
    assert long[:2] == short
    assert len(set(long)) == 5
    assert [c.random() for c in chances(2, 2, 4)] != short
    assert np.isfinite(long).all()
