"""How stiff a neck is, and how far each newton of string tension bows it.

The strings pull the nut towards the bridge at a height e(x) over the neck's neutral axis, so the
neck carries the moment T e(x) and takes the curvature T e(x) / E I(x) between nut and joint
(Euler-Bernoulli beam; the strings' pull stays on the straight line from nut to saddle, so the
growth of the moment with the bow itself, about P l^2 / (pi^2 E I) = 3 % for a usual neck, is
within the uncertainty that is stated).

The section is a rectangular board on a half-elliptic shaft, worked out by transformed areas: a
half ellipse of half width a and depth h has A = pi a h / 2, its centroid 4 h / (3 pi) under the
flat side and I = a h^3 (pi / 8 - 8 / (9 pi)) (parallel-axis theorem; any handbook of mechanics).
The rod and its channel are left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.instrument import Specification, StringLines
from evenfall.instrument.families import ANY_NECK, FAMILIES
from evenfall.instrument.geometry import fret_distance_mm
from evenfall.instrument.wood import LENGTHWISE_U_PERCENT, MODULUS_U_SHARE, SHEAR_FREE, WOODS
from evenfall.neck.bow import Bow, crown_shift_mm, default_bow
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from evenfall.neck.calibration import Calibration

StiffnessOrigin = Literal["default", "section", "stiffness", "specification", "pair"]

DEFAULT_BOARD_WOOD = "rosewood"
DEFAULT_SHAFT_WOOD = "maple"
"""A usual neck; common practice, no source."""

GIVEN_U_SHARE = 0.10
"""Relative uncertainty of a measured number that the specification gives without one."""

_DEPTH_U_SHARE = 0.03
"""Relative uncertainty of a depth given; stiffness goes with its cube."""

_PLACES = 65


@dataclass(frozen=True, slots=True)
class Section:
    """Cross-sections of a neck, shape (N,) from the nut to the joint."""

    bending_stiffness_n_mm2: FloatArray  # E I about the neutral axis
    axis_depth_mm: FloatArray  # of the neutral axis under the top of the board
    # curvature per unit of strain by which the board grows longer than the shaft; negative: the
    # board's side turns convex
    strain_curvature_per_mm: FloatArray


def layered_section(
    width_mm: FloatArray,
    depth_mm: FloatArray,
    board_mm: float,
    *,
    board_modulus_n_per_mm2: float,
    shaft_modulus_n_per_mm2: float,
) -> Section:
    """Return the sections, width and whole depth (N,), of a board on a half-elliptic shaft."""
    half, deep = 0.5 * width_mm, depth_mm - board_mm
    board_stretch = board_modulus_n_per_mm2 * width_mm * board_mm
    board_bend = board_modulus_n_per_mm2 * width_mm * board_mm**3 / 12.0
    shaft_stretch = shaft_modulus_n_per_mm2 * math.pi * half * deep / 2.0
    shaft_bend = shaft_modulus_n_per_mm2 * half * deep**3 * (math.pi / 8.0 - 8.0 / (9.0 * math.pi))
    apart = 0.5 * board_mm + 4.0 * deep / (3.0 * math.pi)
    axis = 0.5 * board_mm + apart * shaft_stretch / (board_stretch + shaft_stretch)
    shared = board_stretch * shaft_stretch / (board_stretch + shaft_stretch)
    return Section(
        bending_stiffness_n_mm2=board_bend + shaft_bend + shared * apart**2,
        axis_depth_mm=axis,
        strain_curvature_per_mm=-strain_curvature_per_mm(
            board_stretch, board_bend, shaft_stretch, shaft_bend, apart
        ),
    )


def strain_curvature_per_mm(
    upper_stretch_n: FloatArray,
    upper_bend_n_mm2: FloatArray,
    lower_stretch_n: FloatArray,
    lower_bend_n_mm2: FloatArray,
    apart_mm: FloatArray,
) -> FloatArray:
    """Return the curvature of two bonded layers per unit of strain between them [1/mm].

    kappa = d / ((E1 I1 + E2 I2) (1 / E1 A1 + 1 / E2 A2) + d^2): S. Timoshenko, "Analysis of
    bi-metal thermostats", J. Opt. Soc. Am. 11 (1925) 233, his equilibrium of forces and moments
    for any section; with rectangles it is his equation 4. E A and E I are those of each layer about
    its own centroid, d is the distance of the centroids.
    """
    softness = 1.0 / upper_stretch_n + 1.0 / lower_stretch_n
    return apart_mm / ((upper_bend_n_mm2 + lower_bend_n_mm2) * softness + apart_mm**2)


@dataclass(frozen=True, slots=True)
class NeckModel:
    """What bows one neck, and by how much.

    Parameters
    ----------
    place_share
        Places from the nut to the joint as a share of the scale length, shape (N,).
    section
        Cross-sections there.
    tension_n
        Sum of the string tensions at pitch [N].
    relief_mm_per_n, relief_u_mm_per_n
        Relief per newton of tension and its standard uncertainty [mm/N].
    relief_mm_per_percent, relief_u_mm_per_percent
        Relief per percent of wood moisture and its standard uncertainty [mm/%].
    turn_mm, turn_u_mm
        Relief taken out by one turn of the rod and its standard uncertainty [mm]; NaN if it was
        never measured.
    bow
        Shape of the bow under the strings.
    rod_bow
        Shape of the bow that the truss rod makes: as a measured turn shows it, else as a measured
        pull of the strings does (where a neck is soft it is soft for both), else the default.
    origin
        Where the stiffness comes from: "default" (a usual neck), "section" (depths and woods),
        "stiffness" or "specification" (measured, as the specification says), "pair" (two
        profiles).
    assumed
        What was assumed.
    """

    place_share: FloatArray
    section: Section
    tension_n: float
    relief_mm_per_n: float
    relief_u_mm_per_n: float
    relief_mm_per_percent: float
    relief_u_mm_per_percent: float
    turn_mm: float
    turn_u_mm: float
    bow: Bow
    rod_bow: Bow
    origin: StiffnessOrigin
    assumed: tuple[Sentence, ...]

    def rod_turns(self, relief_change_mm: float, u_mm: float = 0.0) -> tuple[float, float]:
        """Return the turns that a change of relief takes, positive tightens, and their u.

        NaN while no turn was measured.
        """
        turns = -relief_change_mm / self.turn_mm
        return turns, math.hypot(u_mm, turns * self.turn_u_mm) / abs(self.turn_mm)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        known = math.isfinite(self.turn_mm)
        stiffness = self.section.bending_stiffness_n_mm2
        return {
            "origin": self.origin,
            "assumed": [one.as_dict() for one in self.assumed],
            "tension_n": self.tension_n,
            "stiffness_nut_n_mm2": float(stiffness[0]),
            "stiffness_joint_n_mm2": float(stiffness[-1]),
            "relief_mm_per_n": self.relief_mm_per_n,
            "relief_u_mm_per_n": self.relief_u_mm_per_n,
            "relief_mm_per_percent": self.relief_mm_per_percent,
            "relief_u_mm_per_percent": self.relief_u_mm_per_percent,
            "turn_mm": self.turn_mm if known else None,
            "turn_u_mm": self.turn_u_mm if known else None,
        }


def neck_model(
    specification: Specification,
    lines: StringLines,
    *,
    calibration: Calibration | None = None,
    turn: Calibration | None = None,
    turn_mm: float | None = None,
    turn_u_mm: float | None = None,
) -> NeckModel:
    """Return what bows a neck: as measured where it was, from wood and size where it was not.

    Parameters
    ----------
    specification
        The instrument; its `neck` says what is known.
    lines
        Its string lines.
    calibration
        What a pair of profiles with and without strings shows; it goes before everything else.
    turn
        What a pair of profiles before and after a turn of the rod shows: the shape of its bow.
    turn_mm, turn_u_mm
        Relief that one turn of the rod takes out, with its standard uncertainty [mm]; the
        specification's if left out.

    Examples
    --------
    >>> from evenfall.instrument import read_specification, string_lines
    >>> from evenfall.instrument.specification_template import specification_template
    >>> specification, _ = read_specification(specification_template())
    >>> model = neck_model(specification, string_lines(specification))
    >>> model.origin, round(100.0 * model.relief_mm_per_n, 3)
    ('default', 0.069)
    """
    build = specification.neck
    joint = float(fret_distance_mm(1.0, specification.board.joint_fret))
    place = np.linspace(0.0, joint, _PLACES)
    section, assumed, uncertainty = _section(specification, place)
    height = section.axis_depth_mm + _string_height_mm(specification, place)
    stiffness = section.bending_stiffness_n_mm2
    bow = default_bow(specification, lines)
    shift = crown_shift_mm(specification, lines, place, height / stiffness)
    per_n = bow.relief_mm(shift)
    shape = Bow(frets=shift / per_n, weights=bow.weights)
    usual = None in (build.depth_nut_mm, build.depth_joint_mm, build.board_thickness_mm)
    origin: StiffnessOrigin = "default" if usual else "section"
    if build.stiffness_n_mm2 is not None:
        origin = "stiffness"
    per_n_u = per_n * uncertainty
    if build.relief_mm_per_n is not None:
        per_n, origin = build.relief_mm_per_n, "specification"
        per_n_u = GIVEN_U_SHARE * per_n
    if calibration is not None:
        per_n, per_n_u = calibration.relief_mm_per_n, calibration.relief_u_mm_per_n
        origin, shape = "pair", calibration.bow
    per_percent, per_percent_u = _moisture(specification, lines, place, section, bow)
    rod_shape = next((pair.bow for pair in (turn, calibration) if pair is not None), bow)
    per_turn = build.turn_mm if turn_mm is None else turn_mm
    per_turn = math.nan if per_turn is None else per_turn
    per_turn_u = GIVEN_U_SHARE * abs(per_turn) if turn_u_mm is None else turn_u_mm
    return NeckModel(
        place_share=place,
        section=section,
        tension_n=sum(s.tension_n for s in specification.strings),
        relief_mm_per_n=per_n,
        relief_u_mm_per_n=per_n_u,
        relief_mm_per_percent=per_percent,
        relief_u_mm_per_percent=per_percent_u,
        turn_mm=per_turn,
        turn_u_mm=per_turn_u,
        bow=shape,
        rod_bow=rod_shape,
        origin=origin,
        assumed=assumed,
    )


def _section(
    specification: Specification, place_share: FloatArray
) -> tuple[Section, tuple[Sentence, ...], float]:
    """Return the sections, what was assumed for them, and the relative uncertainty of their E I."""
    build, board = specification.neck, specification.board
    last = float(fret_distance_mm(1.0, specification.frets))
    width = board.width_nut_mm + (board.width_last_mm - board.width_nut_mm) * place_share / last
    usual = FAMILIES[specification.family].neck if specification.family else ANY_NECK
    thickness = build.board_thickness_mm or usual.board_mm
    least = thickness + 1.0
    depths = [
        given or max(taken, least)
        for given, taken in (
            (build.depth_nut_mm, usual.nut_mm),
            (build.depth_joint_mm, usual.joint_mm),
        )
    ]
    depth = depths[0] + (depths[1] - depths[0]) * place_share / place_share[-1]
    woods = (build.board_wood or DEFAULT_BOARD_WOOD, build.shaft_wood or DEFAULT_SHAFT_WOOD)
    section = layered_section(
        width,
        depth,
        thickness,
        board_modulus_n_per_mm2=SHEAR_FREE * WOODS[woods[0]].modulus_n_per_mm2,
        shaft_modulus_n_per_mm2=SHEAR_FREE * WOODS[woods[1]].modulus_n_per_mm2,
    )
    assumed = []
    usual_depth = None in (build.depth_nut_mm, build.depth_joint_mm, build.board_thickness_mm)
    if usual_depth:
        text = (
            "The neck is assumed to be {nut:length} deep at the nut and {joint:length} at the "
            "joint, with a board of {board:length}."
        )
        assumed.append(sentence(text, nut=depths[0], joint=depths[1], board=thickness))
    if build.board_wood is None or build.shaft_wood is None:
        text = "The neck is assumed to be {shaft} under a board of {board}."
        assumed.append(sentence(text, shaft=woods[1], board=woods[0]))
    if build.board_grain is None:
        assumed.append(sentence("The board is assumed to be quarter sawn."))
    share = usual.u_share if usual_depth else _DEPTH_U_SHARE
    uncertainty = math.hypot(MODULUS_U_SHARE, 3.0 * share)
    if build.stiffness_n_mm2 is not None:
        given = np.full_like(place_share, build.stiffness_n_mm2)
        section = Section(given, section.axis_depth_mm, section.strain_curvature_per_mm)
        uncertainty = math.hypot(GIVEN_U_SHARE, share)
    return section, tuple(assumed), uncertainty


def _string_height_mm(specification: Specification, place_share: FloatArray) -> FloatArray:
    """Return how high the middle of the strings runs over the board [mm], by tension, as wanted."""
    strings, target = specification.strings, specification.target
    tension = np.array([s.tension_n for s in strings])
    first = np.array([limit.value_mm for limit in target.first_fret_gap])
    action = np.array([limit.value_mm for limit in target.action])
    near, far = fret_distance_mm(1.0, np.array([1.0, specification.scale.reference_fret]))
    half = 0.5 * np.array([s.gauge_mm for s in strings])
    slope = (action - first) / (far - near) if far > near else np.zeros_like(first)
    gap = first[:, None] + slope[:, None] * (place_share - near) + half[:, None]
    mean = (tension[:, None] * gap).sum(axis=0) / tension.sum()
    return np.asarray(mean + specification.fretwire.crown_height_mm)


def _moisture(
    specification: Specification,
    lines: StringLines,
    place_share: FloatArray,
    section: Section,
    bow: Bow,
) -> tuple[float, float]:
    """Return relief per percent of moisture and its standard uncertainty [mm/%].

    Board and shaft shrink alike along the grain as far as tables tell, so the middle is zero and
    the uncertainty is what counts: two independent woods, each S / 30 per percent (Wood Handbook,
    equation 4-9).
    """
    given = specification.neck.relief_mm_per_percent
    if given is not None:
        return given, GIVEN_U_SHARE * abs(given)
    shift = crown_shift_mm(specification, lines, place_share, section.strain_curvature_per_mm)
    strain_u = math.sqrt(2.0) * LENGTHWISE_U_PERCENT / 100.0 / 30.0
    return 0.0, abs(bow.relief_mm(shift)) * strain_u
