"""Fret places and slots: which scale they fit, and a fingerboard that nobody here drew."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from draws import draws
from evenfall.errors import ReadingsError
from evenfall.scans import Mesh, find_slots, measure_crowns
from evenfall.scans.places import fit_scale
from evenfall.scans.slots import Slots
from open_data import FOLDER, needs_open_data
from oracles.surfaces import specification

FloatArray = NDArray[np.float64]
#: Open hardware, Apache-2.0: github.com/MarkChuCarroll/simplex-tenor, commit 01ad16cfb1.
FINGERBOARDS = FOLDER / "mini-tenor"
needs_fingerboards = needs_open_data("mini-tenor")


@cache
def triangles(name: str) -> FloatArray:
    """Return the triangles of an ASCII STL file, shape (T, 3, 3)."""
    words = (FINGERBOARDS / name).read_text(encoding="ascii").split()
    at = np.flatnonzero(np.array(words) == "vertex")
    corners = np.array([[float(words[i + 1 + c]) for c in range(3)] for i in at])
    return corners.reshape(-1, 3, 3)


@cache
def slots_of(name: str) -> Slots:
    """Return the slots of a drawn fingerboard."""
    return find_slots(Mesh(triangles(name)))


def places(scale: float, frets: int) -> FloatArray:
    return np.array([scale - scale / 2.0 ** (n / 12.0) for n in range(1, frets + 1)])


@given(
    scale=st.floats(330.0, 870.0),
    frets=st.integers(12, 27),
    shift=st.floats(-500.0, 500.0),
    direction=st.sampled_from([-1.0, 1.0]),
    gone=st.sets(st.integers(2, 11), max_size=3),
)
@draws(60)
def test_the_scale_is_found_whatever_the_direction_and_with_frets_missing(
    scale: float, frets: int, shift: float, direction: float, gone: set[int]
) -> None:
    known = np.array([n not in gone for n in range(1, frets + 1)])
    given_places = direction * places(scale, frets)[known] + shift
    fit = fit_scale(given_places)
    assert fit.scale_mm == pytest.approx(scale, abs=1e-6)
    assert fit.nut_mm == pytest.approx(shift, abs=1e-6)
    assert fit.fret_number.tolist() == (np.flatnonzero(known) + 1).tolist()


def test_places_alone_leave_the_scale_open_and_say_so() -> None:
    fit = fit_scale(places(648.0, 22)[2:])  # frets 3 to 22
    assert fit.scale_mm == pytest.approx(648.0 / 2.0 ** (2 / 12), abs=1e-6)
    (finding,) = fit.findings
    assert finding.code == "ambiguous"
    assert "648.000 mm if it is fret 3" in finding.sentence


def test_a_stray_place_belongs_to_no_fret() -> None:
    given_places = np.sort(np.append(places(648.0, 22), 250.0))
    fit = fit_scale(given_places)
    assert fit.fret_number[np.flatnonzero(given_places == 250.0)[0]] == 0
    assert fit.scale_mm == pytest.approx(648.0, abs=1e-6)


@pytest.mark.slow
def test_the_claimed_uncertainty_of_the_scale_is_the_scatter_seen() -> None:
    rng = np.random.default_rng(5)
    fits = [fit_scale(places(648.0, 22) + rng.normal(0.0, 0.05, 22)) for _ in range(100)]
    error = np.array([fit.scale_mm - 648.0 for fit in fits])
    claim = np.sqrt(np.mean([fit.scale_u_mm**2 for fit in fits]))
    assert 0.8 < claim / np.sqrt(np.mean(error**2)) < 1.25


@pytest.mark.parametrize(
    "given_places",
    [np.arange(3.0), np.arange(0.0, 200.0, 10.0), np.full(8, 5.0), np.array([1.0, np.nan] * 4)],
    ids=["too few", "evenly spaced", "one place", "missing"],
)
def test_what_is_no_fret_series_is_refused(given_places: FloatArray) -> None:
    with pytest.raises(ReadingsError):
        fit_scale(given_places)


@pytest.mark.slow
@needs_fingerboards
@pytest.mark.parametrize(
    ("name", "slots"),
    [
        ("mtenor-out-fretboard-full.stl", 20),
        ("older_fretboard-full.stl", 20),
        ("mtenor-out-fretboard-a.stl", 6),
    ],
)
def test_a_drawn_fingerboard_shows_its_slots_and_scale(name: str, slots: int) -> None:
    found = slots_of(name)
    assert len(found.place_mm) == slots
    # the drawing's own scale, 18 inches, from its slots (reference_slots.csv beside the file)
    assert found.scale.scale_mm == pytest.approx(457.2, abs=0.02)
    assert found.width_mm == pytest.approx(0.75, abs=0.01)
    assert found.depth_mm == pytest.approx(2.0, abs=0.01)
    assert found.up == pytest.approx([0.0, 0.0, -1.0], abs=0.005)
    codes = [finding.code for finding in found.findings]
    assert codes == ["slots-only", "ambiguous"]
    assert found.findings[0].sentence.startswith("No crowns: slots only.")
    assert "up is nearest -z" in found.findings[0].sentence


@needs_fingerboards
def test_each_slot_lies_where_the_drawing_has_it() -> None:
    table = np.loadtxt(FINGERBOARDS / "reference_slots.csv", delimiter=",", skiprows=1)
    found = slots_of("mtenor-out-fretboard-full.stl")
    assert found.place_mm == pytest.approx(table[:, 4], abs=0.005)


@pytest.mark.slow
@needs_fingerboards
def test_a_board_of_slots_is_refused_where_crowns_are_asked_for() -> None:
    mesh = Mesh(triangles("mtenor-out-fretboard-full.stl"))
    with pytest.raises(ReadingsError) as refused:
        measure_crowns(mesh, specification("electric"))
    said = refused.value.findings[0]
    assert said.code == "slots-only"
    scale, u = (float(said.said.values[name]) for name in ("scale", "u"))  # type: ignore[arg-type]
    assert f"{scale:.3f} mm" in str(refused.value)
    assert abs(scale - 457.2) < 3.0 * u < 0.003


@pytest.mark.slow
def test_a_mesh_without_slots_or_frets_is_refused() -> None:
    corner = np.array([[0.0, 0.0, 0.0], [15.0, 0.0, 0.0], [15.0, 56.0, 0.0], [0.0, 56.0, 0.0]])
    tiles = corner + np.arange(32)[:, None, None] * [15.0, 0.0, 0.0]
    flat = Mesh(np.concatenate([tiles[:, [0, 1, 2]], tiles[:, [0, 2, 3]]]))
    with pytest.raises(ReadingsError, match="no slots"):
        find_slots(flat)
    with pytest.raises(ReadingsError, match="are not in this scan"):
        measure_crowns(flat, specification("electric"))
