"""Bending of necks against closed forms and a general finite-element library."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from skfem import Basis, BilinearForm, ElementLineHermite, LinearForm, MeshLine, condense, solve

from evenfall.instrument import Specification, fret_distance_mm, read_specification, string_lines
from evenfall.instrument.families import FAMILIES
from evenfall.instrument.starters import KINDS, starter
from evenfall.neck import default_bow, neck_model
from evenfall.neck.bow import crown_shift_mm
from evenfall.neck.stiffness import layered_section, strain_curvature_per_mm
from levelling.necks import SCALES, Wishes, text

PUBLISHED: dict[str, Any] = tomllib.loads(
    (Path(__file__).parents[1] / "authorities" / "necks.toml").read_text(encoding="utf-8")
)


def instrument(extra: str = "", **wishes: Any) -> Specification:
    """Return an invented instrument with more tables."""
    return read_specification(text(Wishes(strings=6, frets=22, **wishes)) + extra)[0]


def over_line(lines_station: np.ndarray, height: np.ndarray) -> np.ndarray:
    """Return heights over the line through the first and last crown of each string."""
    share = (lines_station - lines_station[:, :1]) / (lines_station[:, -1:] - lines_station[:, :1])
    return height - (1.0 - share) * height[:, :1] - share * height[:, -1:]


def test_even_curvature_sags_by_the_closed_form() -> None:
    """M l^2 / (8 E I) in the middle of the span, and the span's parabola elsewhere."""
    spec = instrument()  # the neck bends all the way to the last fret
    lines = string_lines(spec)
    curvature = 1.4e-6
    place = np.array([0.0, float(fret_distance_mm(1.0, 22))])
    shift = crown_shift_mm(spec, lines, place, np.full(2, curvature))
    station = lines.station_mm[:, 1:]
    sag = -over_line(station, shift)
    parabola = 0.5 * curvature * (station - station[:, :1]) * (station[:, -1:] - station)
    np.testing.assert_allclose(sag, parabola, atol=1e-12)
    span = station[0, -1] - station[0, 0]
    assert parabola.max() == pytest.approx(curvature * span**2 / 8.0, rel=0.01)


@pytest.mark.parametrize("scale", SCALES)
@pytest.mark.parametrize("joint", [None, 14.0, 16.5])
def test_even_curvature_is_the_default_bow(scale: str, joint: float | None) -> None:
    spec = instrument(scale=scale, joint=joint)
    lines = string_lines(spec)
    bow = default_bow(spec, lines)
    place = np.linspace(0.0, float(fret_distance_mm(1.0, spec.board.joint_fret)), 7)
    shift = crown_shift_mm(spec, lines, place, np.full(7, 1e-6))
    relief = bow.relief_mm(shift)
    assert relief > 0.0
    if "length" in scale:
        np.testing.assert_allclose(shift / relief, bow.frets, atol=1e-12)
    else:  # every string bends over its own scale; the default bow reads each by its own gap
        np.testing.assert_allclose(shift / relief, bow.frets, rtol=0.09, atol=2e-3)


def finite_elements(joint_mm: float, stiffness: Any, moment: Any, at_mm: np.ndarray) -> np.ndarray:
    """Return how a beam clamped at the joint rises at places from its free end [mm].

    Hermite elements of a general finite-element library: int E I u'' v'' = int M v''.
    """
    mesh = MeshLine(np.linspace(0.0, joint_mm, 401))
    basis = Basis(mesh, ElementLineHermite())

    @BilinearForm
    def bending(u: Any, v: Any, w: Any) -> Any:
        return stiffness(w.x[0]) * u.hess[0, 0] * v.hess[0, 0]

    @LinearForm
    def load(v: Any, w: Any) -> Any:
        return moment(w.x[0]) * v.hess[0, 0]

    clamped = basis.get_dofs(lambda x: np.isclose(x[0], joint_mm))
    answer = solve(*condense(bending.assemble(basis), load.assemble(basis), D=clamped))
    nodal = answer[basis.nodal_dofs[0]]
    order = np.argsort(mesh.p[0])
    rise = np.interp(at_mm, mesh.p[0][order], nodal[order])
    return np.asarray(np.where(at_mm > joint_mm, 0.0, rise))


def test_tapered_neck_against_finite_elements() -> None:
    """Crowns of a neck of two woods and changing depth, loaded by its strings."""
    spec = instrument(
        "[neck]\ndepth_nut = 19.5\ndepth_joint = 24.0\nboard_thickness = 5.5\n"
        'board_wood = "ebony"\nshaft_wood = "mahogany"\n',
        joint=16.0,
    )
    lines = string_lines(spec)
    model = neck_model(spec, lines)
    scale = 648.0
    place = model.place_share * scale
    stiffness = model.section.bending_stiffness_n_mm2
    # height of the strings over the neutral axis, worked out here from the specification
    tension = np.array([s.tension_n for s in spec.strings])
    share = np.interp(place, lines.station_mm[0], np.arange(23.0))
    assert share[-1] == pytest.approx(16.0)
    near, far = lines.station_mm[0, [1, 12]]
    gaps = [
        a.value_mm + (b.value_mm - a.value_mm) * (place - near) / (far - near) + 0.5 * s.gauge_mm
        for a, b, s in zip(
            spec.target.first_fret_gap, spec.target.action, spec.strings, strict=True
        )
    ]
    height = model.section.axis_depth_mm + 1.2 + np.average(gaps, axis=0, weights=tension)
    rise = finite_elements(
        place[-1],
        lambda x: np.interp(x, place, stiffness),
        lambda x: (
            np.interp(x, place, stiffness) * np.interp(x, place, tension.sum() * height / stiffness)
        ),
        lines.station_mm[0],
    )
    chord = rise[0] * (1.0 - lines.station_mm[0] / lines.saddle_station_mm[0])
    expected = (rise - chord)[1:]
    found = model.bow.frets[0] * model.relief_mm_per_n * tension.sum()
    assert np.abs(found).max() > 0.1
    # the curvature runs straight between 65 places here, between 401 there: 0.02 % of the bow
    np.testing.assert_allclose(found, expected, atol=2e-4 * np.abs(expected).max())


def test_what_the_bow_itself_adds_to_the_moment_is_small() -> None:
    """The strings run straight from nut to saddle, so a hollow neck deepens its own moment."""
    spec = instrument(joint=16.0)
    lines = string_lines(spec)
    model = neck_model(spec, lines)
    place = model.place_share * 648.0
    stiffness = model.section.bending_stiffness_n_mm2
    height = model.section.axis_depth_mm + 2.4
    base = rise = finite_elements(
        place[-1],
        lambda x: np.interp(x, place, stiffness),
        lambda x: model.tension_n * np.interp(x, place, height),
        place,
    )
    for _ in range(6):
        chord = rise[0] * (1.0 - place / 648.0)
        deeper = height + (chord - rise)
        rise = finite_elements(
            place[-1],
            lambda x: np.interp(x, place, stiffness),
            lambda x, deeper=deeper: model.tension_n * np.interp(x, place, deeper),
            place,
        )
    assert 1.0 < rise[0] / base[0] < 1.05
    assert rise[0] / base[0] - 1.0 < 0.5 * model.relief_u_mm_per_n / model.relief_mm_per_n


def test_section_of_a_shaft_alone() -> None:
    """A board of no stiffness leaves the half ellipse: I = 0.1098 a h^3, E I = 333 N m2."""
    beam = PUBLISHED["beam"]
    section = layered_section(
        np.array([2.0 * beam["half_width_mm"]]),
        np.array([beam["depth_mm"] + 1e-9]),
        1e-9,
        board_modulus_n_per_mm2=1e-6,
        shaft_modulus_n_per_mm2=12_600.0,
    )
    stiffness = float(section.bending_stiffness_n_mm2[0])
    assert stiffness / 12_600.0 == pytest.approx(beam["second_moment_mm4"], rel=0.002)
    assert stiffness / 1e6 == pytest.approx(beam["stiffness_n_m2"], rel=0.002)
    moment = beam["tension_n"] * beam["height_mm"]
    sag = moment * beam["span_mm"] ** 2 / (8.0 * stiffness)
    assert sag == pytest.approx(beam["sag_mm"], abs=0.005)
    assert section.axis_depth_mm[0] == pytest.approx(4.0 * 21.0 / (3.0 * math.pi), rel=1e-6)


def test_section_against_integration_over_its_area() -> None:
    """Axis and stiffness of board and half ellipse by slices of 1 µm."""
    width, depth, board = 48.0, 22.0, 6.0
    section = layered_section(
        np.array([width]),
        np.array([depth]),
        board,
        board_modulus_n_per_mm2=13_000.0,
        shaft_modulus_n_per_mm2=11_000.0,
    )
    z = (np.arange(22_000) + 0.5) * 1e-3
    below = np.clip((z - board) / (depth - board), 0.0, 1.0)
    across = np.where(z < board, 13_000.0, 11_000.0 * np.sqrt(1.0 - below**2)) * width * 1e-3
    axis = (across * z).sum() / across.sum()
    assert section.axis_depth_mm[0] == pytest.approx(axis, rel=1e-6)
    stiffness = (across * (z - axis) ** 2).sum()
    assert section.bending_stiffness_n_mm2[0] == pytest.approx(stiffness, rel=1e-6)
    # bending by strain: a board that grows by a strain carries the force E A strain off the axis
    grown = (across * (z - axis))[z < board].sum() / stiffness
    assert section.strain_curvature_per_mm[0] == pytest.approx(grown, rel=1e-6)
    assert grown < 0.0, "a board that grows turns the neck away from the strings"


def timoshenko(strain: float, h1: float, h2: float, e1: float, e2: float) -> float:
    """Return the curvature of a strip of two metals by equation 4 of Timoshenko (1925)."""
    m, n, h = h1 / h2, e1 / e2, h1 + h2
    return (
        6.0
        * strain
        * (1.0 + m) ** 2
        / (h * (3.0 * (1.0 + m) ** 2 + (1.0 + m * n) * (m**2 + 1.0 / (m * n))))
    )


def rectangles(h1: float, h2: float, e1: float, e2: float) -> float:
    layers = [e1 * h1, e1 * h1**3 / 12.0, e2 * h2, e2 * h2**3 / 12.0, 0.5 * (h1 + h2)]
    return float(strain_curvature_per_mm(*(np.array(value) for value in layers)))


def test_bimetal_strip_against_timoshenko() -> None:
    strip = PUBLISHED["bimetal"]
    sizes = (
        strip["board_mm"],
        strip["shaft_mm"],
        1000.0 * strip["board_modulus_gpa"],
        1000.0 * strip["shaft_modulus_gpa"],
    )
    for strain, sag in zip(strip["strain"], strip["sag_mm"], strict=True):
        found = strain * rectangles(*sizes) * strip["span_mm"] ** 2 / 8.0
        assert found == pytest.approx(sag, abs=strip["tolerance_mm"])
    for h1, h2, e1, e2 in ((1.0, 1.0, 1.0, 1.0), (6.0, 15.0, 16e3, 9.7e3), (3.0, 2.0, 2.0, 7.0)):
        assert rectangles(h1, h2, e1, e2) == pytest.approx(
            timoshenko(1.0, h1, h2, e1, e2), rel=1e-12
        )
    # two equal layers of one metal: 3 / 2 strain over the whole thickness (Timoshenko, section 2)
    assert rectangles(2.0, 2.0, 5.0, 5.0) == pytest.approx(1.5 / 4.0, rel=1e-12)


def test_a_neck_that_is_not_described_is_one_of_its_family() -> None:
    """A ukulele's is 1.8 to 2.2 times less stiff than a guitar's of the same width.

    Common practice, no source: measured by nobody here, only worked out from usual depths.
    """
    ukulele = starter("ukulele")
    spec = read_specification(ukulele)[0]
    usual = neck_model(spec, string_lines(spec))
    assert usual.origin == "default"
    plain = read_specification(
        ukulele.replace('family = "ukulele"\n', "").replace('attack = "medium"', "attack = 0.44")
    )[0]
    any_neck = neck_model(plain, string_lines(plain))
    ratio = any_neck.section.bending_stiffness_n_mm2 / usual.section.bending_stiffness_n_mm2
    assert 1.8 < ratio.mean() < 2.3
    # and the less is known, the wider the uncertainty
    share = usual.relief_u_mm_per_n / usual.relief_mm_per_n
    assert share == pytest.approx(math.hypot(0.22, 3 * 0.08), abs=0.02)
    assert any_neck.relief_u_mm_per_n / any_neck.relief_mm_per_n == pytest.approx(
        math.hypot(0.22, 3 * 0.15), abs=0.02
    )


@pytest.mark.parametrize("kind", KINDS)
def test_what_was_taken_for_the_neck_is_said(kind: str) -> None:
    spec = read_specification(starter(kind))[0]
    said = " ".join(str(one) for one in neck_model(spec, string_lines(spec)).assumed)
    neck = FAMILIES[spec.family or ""].neck
    assert f"{neck.nut_mm:.3f} mm deep at the nut" in said
