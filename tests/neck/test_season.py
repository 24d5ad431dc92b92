"""Moisture and shrinkage of wood against the Wood Handbook, and what a season does to a neck."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from draws import draws
from evenfall.codec import plain
from evenfall.errors import RequestError
from evenfall.instrument import string_lines
from evenfall.instrument.wood import WOODS
from evenfall.neck import neck_model
from evenfall.neck.season import equilibrium_moisture_percent, season_change, swelling_mm
from neck.test_beam import instrument, timoshenko

PUBLISHED: dict[str, Any] = tomllib.loads(
    (Path(__file__).parents[1] / "authorities" / "necks.toml").read_text(encoding="utf-8")
)
WOODS_TABLE = '[neck]\nboard_wood = "ebony"\nshaft_wood = "maple"\n'


@pytest.mark.parametrize("table", ["moisture", "moisture_printed"])
def test_moisture_of_wood_against_the_handbook(table: str) -> None:
    printed = PUBLISHED[table]
    found = equilibrium_moisture_percent(
        np.array(printed["humidity_percent"]), printed["temperature_c"]
    )
    np.testing.assert_allclose(
        found, printed["moisture_percent"], atol=printed["tolerance_percent"]
    )


@pytest.mark.parametrize("row", PUBLISHED["shrinkage"]["rows"])
def test_shrinkage_examples(row: dict[str, float]) -> None:
    table = PUBLISHED["shrinkage"]
    change = float(np.diff(equilibrium_moisture_percent(np.array([30.0, 60.0])))[0])
    assert change == pytest.approx(table["moisture_change_percent"], abs=0.005)
    found = swelling_mm(row["width_mm"], row["shrinkage_percent"], change)
    assert found == pytest.approx(row["swelling_mm"], abs=table["tolerance_mm"])


def season(spec: Any, low: float = 45.0, high: float = 30.0, **more: Any) -> Any:
    model = neck_model(spec, string_lines(spec))
    given_values = {"relief_mm": 0.2, "relief_u_mm": 0.01, **more}
    return season_change(
        spec, model, humidity_from_percent=low, humidity_to_percent=high, **given_values
    )


def test_a_dry_winter_narrows_the_board_and_bares_the_fret_ends() -> None:
    for grain, wood in (("quarter", 5.4), ("flat", 8.8)):  # ebony, radial and tangential
        spec = instrument(f'{WOODS_TABLE}board_grain = "{grain}"\n')
        found = season(spec)
        dry = found.moisture_to_percent - found.moisture_from_percent
        assert dry == pytest.approx(6.17 - 8.46, abs=0.01)
        narrower = spec.board.width_last_mm * wood / 100.0 * dry / 30.0
        assert found.width_last_change_mm == pytest.approx(narrower, rel=1e-9)
        assert found.width_nut_change_mm / found.width_last_change_mm == pytest.approx(
            spec.board.width_nut_mm / spec.board.width_last_mm
        )
        assert found.fret_end_mm == pytest.approx(-0.5 * narrower)
        assert found.fret_end_mm > 0.0
        damp = season(spec, 30.0, 45.0)
        assert damp.fret_end_mm == pytest.approx(-found.fret_end_mm, rel=1e-9)


def test_uncertainty_of_the_relief_is_that_of_two_woods_along_the_grain() -> None:
    """Each 0.15 ± 0.029 % from green to dry: sqrt 2 of it bends the neck like a bimetal strip."""
    spec = instrument(
        "[neck]\ndepth_nut = 21.0\ndepth_joint = 21.0\nboard_thickness = 6.0\n"
        'board_wood = "ebony"\nshaft_wood = "maple"\nboard_grain = "quarter"\n'
    )
    model = neck_model(spec, string_lines(spec))
    assert model.relief_mm_per_percent == 0.0
    strain = np.sqrt(2.0) * 0.029 / 100.0 / 30.0
    # a shaft of the same depth but rectangular is stiffer: within a quarter of Timoshenko's strip
    span = string_lines(spec).station_mm[0, -1] - string_lines(spec).station_mm[0, 1]
    strip = timoshenko(strain, 6.0, 15.0, 16.0, 12.6) * span**2 / 8.0
    assert model.relief_u_mm_per_percent == pytest.approx(strip, rel=0.25)
    found = season(spec)
    assert found.relief_change_mm == 0.0
    assert found.relief_change_u_mm == pytest.approx(
        model.relief_u_mm_per_percent * (8.46 - 6.17), rel=0.005
    )
    assert found.relief_after_u_mm == pytest.approx(np.hypot(0.01, found.relief_change_u_mm))


def test_measured_sensitivity_goes_before_the_tables() -> None:
    spec = instrument(f"{WOODS_TABLE}relief_per_moisture = -0.04\n")
    found = season(spec, 45.0, 60.0)
    dry = found.moisture_to_percent - found.moisture_from_percent
    assert found.relief_change_mm == pytest.approx(-0.04 * dry)
    assert found.relief_change_u_mm == pytest.approx(0.1 * 0.04 * dry)


@draws(40)
@given(
    st.floats(15.0, 85.0),
    st.floats(-0.15, 0.15).filter(lambda c: abs(c) > 0.005),
    st.floats(0.0, 0.35),
)
def test_the_relief_holds_exactly_where_it_is_said_to(
    now: float, slope: float, relief: float
) -> None:
    spec = instrument(f"{WOODS_TABLE}relief_per_moisture = {slope!r}\n")  # limits 0 to 0.35 mm
    found = season(spec, now, 50.0, relief_mm=relief)
    assert found.holds
    low, high = found.holds_from_percent, found.holds_to_percent
    assert low <= now <= high
    base = float(equilibrium_moisture_percent(now))

    def inside(humidity: float) -> bool:
        moved = slope * (float(equilibrium_moisture_percent(humidity)) - base)
        reach = 2.0 * 0.1 * abs(moved)
        return relief + moved - reach >= -1e-12 and relief + moved + reach <= 0.35 + 1e-12

    assert inside(low) or low == now
    assert inside(high) or high == now
    if low > 10.5:
        assert not inside(low - 1.0)
    if high < 89.5:
        assert not inside(high + 1.0)


def test_relief_outside_its_limits_holds_nowhere() -> None:
    found = season(instrument(WOODS_TABLE), relief_mm=0.5)
    assert not found.holds
    assert plain(found)["holds_from_percent"] is None


@pytest.mark.parametrize("humidity", [(0.0, 40.0), (40.0, 101.0), (float("nan"), 40.0)])
def test_impossible_air_is_refused(humidity: tuple[float, float]) -> None:
    with pytest.raises(RequestError, match="out of range"):
        season(instrument(), *humidity)


def test_every_wood_says_where_its_numbers_come_from() -> None:
    for wood in WOODS.values():
        assert wood.source
        assert wood.radial_percent < wood.tangential_percent
        assert 8_000.0 < wood.modulus_n_per_mm2 < 20_000.0
