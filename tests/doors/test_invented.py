"""Every picture of an invented instrument names model and serial number, and says that it is."""

from __future__ import annotations

import pytest

from evenfall import workshop
from evenfall.workshop.outputs import Outcome

SPEC = workshop.Source.invented("tesquil.spec.toml")
BEFORE = workshop.Source.invented("tesquil-before.csv")
SERIAL = "UY-0417"


@pytest.fixture(scope="module")
def outcomes() -> list[Outcome]:
    return [
        workshop.diagnose(workshop.DiagnoseRequest(BEFORE, SPEC, serial=SERIAL)),
        workshop.plan(workshop.PlanRequest(BEFORE, SPEC, serial=SERIAL)),
    ]


def test_pictures_name_the_instrument_and_say_that_it_is_invented(outcomes: list[Outcome]) -> None:
    drawings = {name: svg for one in outcomes for name, svg in one.pictures().items()}
    assert len(drawings) >= 6
    for name, svg in drawings.items():
        title = svg.partition("<title")[2].partition("</title>")[0]
        assert SERIAL in title, name
        assert "Tesquil (invented)" in title, name
