"""A scan taken on the machine says how the instrument lies and what is cut from."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO

import numpy as np
import pytest

from evenfall.errors import ReadingsError, RequestError, silent
from evenfall.instrument import read_specification, string_lines
from evenfall.work.crown_lines import Lie
from evenfall.work.part_lines import cuts_of
from evenfall.workshop import MachineRequest, ProgramRequest, Source, program
from evenfall.workshop.on_machine import on_machine
from evenfall.workshop.outputs import json_file
from oracles.surfaces import Recipe, make_scan
from work.made_plans import made_plan
from work.made_programs import text_of

LIE = Lie(31.0, -12.5, 64.0, 0.012, 0.003, -0.005)
CROWN_MM = 1.2


def planned(*, left=False):
    """Return the specification of a small neck, a plan that cuts frets 4 and 9, its file."""
    text = text_of(4, 15, left=left, radius=0, scale=380.0)
    spec, _ = read_specification(text)
    _, plan = made_plan(4, 15, text=text, seed=5, need_mm=0.12)
    removal = np.zeros(plan.removal_mm.shape)
    removal[:, 3], removal[1:3, 8] = 0.05, (0.06, 0.03)
    found = plan.measurement
    plan = replace(
        plan,
        removal_mm=removal,
        crown_top_after_mm=found.crown_top_mm - removal,
        crown_height_after_mm=found.crown_height_mm - removal,
    )
    return spec, plan, Source("a.plan.json", json_file(plan.as_dict()))


def scanned(*, left=False, turned_rad=0.0, high_mm=0.0):
    """Return a plan, its file, the points of a scan on the machine, and the true crossings.

    The points are laid on the machine by the formula of a turn, a tilt and a shift; frets stand up
    to a tenth of a millimetre from their places.
    """
    spec, plan, file = planned(left=left)
    tops = plan.measurement.crown_top_mm + CROWN_MM
    tops[1, 6] += high_mm
    recipe = Recipe(
        seed=3,
        step_x=0.12,
        step_y=0.4,
        shadow_share=0.0,
        relief=0.0,
        noise=0.003,
        crown_top=tops,
        nut_height=2.0,
    )
    scan = make_scan(spec, recipe)
    hand = np.array([1.0, -1.0 if left else 1.0, 1.0])
    lie = replace(LIE, turn_rad=LIE.turn_rad + turned_rad)
    lines = string_lines(spec)
    crossings = np.stack([lines.x_mm[:, 1:], lines.y_mm[:, 1:], tops], axis=-1)
    return plan, file, lie.placed(scan.points_mm * hand), lie.placed(crossings * hand)


def asked(file, points, **more) -> ProgramRequest:
    told = BytesIO()
    np.save(told, points)
    on = MachineRequest(
        Source.invented("yard.machine.toml"),
        Source.invented("yard.cutters.toml"),
        state="strung",
        scan=Source("scan.npy", told.getvalue()),
        **more,
    )
    return ProgramRequest(file, on)


def lies(file, points, **more):
    """Return how it lies, without a program."""
    request = asked(file, points, **more)
    return on_machine(request.plan, request.on, silent)


@pytest.fixture(scope="module")
def right():
    return scanned()


@pytest.mark.slow
@pytest.mark.parametrize("left", [False, True])
def test_what_the_scan_shows_is_cut_where_it_lies(left: bool, right) -> None:
    plan, file, points, crossings = scanned(left=left) if left else right
    made = program(asked(file, points))
    assert made.faults == ()
    for crown, patch in zip(made.piece.crowns, made.patches, strict=False):
        at = np.searchsorted(patch.at_mm, crown.at_mm)
        there = crossings[list(crown.strings), crown.fret - 1]
        x, y = crown.place(crown.at_mm)
        # a fret stands up to 0.1 mm from its place, and is cut where it stands
        assert np.hypot(x - there[:, 0], y - there[:, 1]).max() < 0.15
        left_mm = patch.height_mm[at].max(axis=1)
        wanted = there[:, 2] - plan.removal_mm[list(crown.strings), crown.fret - 1]
        assert np.abs(left_mm - wanted).max() < 0.006
    (warned,) = [one for one in made.findings if "No crown was touched" in one.sentence]
    assert warned.severity == "warning"


@pytest.mark.slow
def test_crowns_that_the_cutter_touched_set_the_height(right) -> None:
    _, file, points, crossings = right
    there = [float(v) for v in crossings[0, 4]]
    high = {(5, 1): (there[0], there[1], there[2] + 0.2)}
    one, two = (
        lies(file, points, touched_mm=touched).piece.crown_point(9, 2)
        for touched in ({(5, 1): tuple(there)}, high)
    )
    assert two[2] - one[2] == pytest.approx(0.2, abs=1e-9)
    assert one[2] == pytest.approx(crossings[1, 8, 2], abs=0.006)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (lambda there, high, _: {**high, (30, 1): there}, "no fret 30"),
        *(
            pytest.param(wrong, said, marks=pytest.mark.slow)
            for wrong, said in (
                (lambda there, *_: {(5, 1): (there[0] + 4.0, *there[1:])}, "sensor's offset"),
                (lambda there, *_: {(5, 1): (*there[:2], there[2] - 0.7)}, "sensor's offset"),
                (lambda _, high, other: {**high, (9, 2): other}, "touch and scan them again"),
            )
        ),
    ],
)
def test_touches_that_do_not_fit_the_scan_are_refused(wrong, said: str, right) -> None:
    _, file, points, crossings = right
    there, other = (tuple(float(v) for v in crossings[at]) for at in ((0, 4), (1, 8)))
    high = {(5, 1): (*there[:2], there[2] + 0.2)}
    with pytest.raises(RequestError, match=said):
        lies(file, points, touched_mm=wrong(there, high, other))


@pytest.mark.slow
def test_a_scan_that_is_not_in_the_machines_coordinates_is_refused(right) -> None:
    _, file, points, _ = right
    for turned in (points[:, [1, 0, 2]] * [1.0, -1.0, 1.0], points * [1.0, -1.0, -1.0]):
        with pytest.raises(RequestError, match="along \\+X with Z up"):
            lies(file, turned)


def test_a_scan_that_does_not_agree_with_the_plan_is_refused() -> None:
    _, file, points, _ = scanned(high_mm=0.15)
    with pytest.raises(RequestError, match=r"Fret 7, string 2 differs by 0\.1.* make a new plan"):
        lies(file, points)


@pytest.mark.slow
def test_a_scan_that_leaves_the_lie_open_is_refused(right) -> None:
    _, file, points, _ = right
    half = points[points[:, 1] > np.median(points[:, 1]) + 6.0]
    with pytest.raises(ReadingsError, match=r"edges are not both in it|not this"):
        lies(file, half)


@pytest.mark.slow
def test_a_nut_is_not_cut_by_a_scan_that_does_not_show_it(right) -> None:
    _, file, points, _ = right
    parts = Source.invented("yard.parts.toml")
    with pytest.raises(RequestError, match="no heights of the nut"):
        lies(file, points, parts=parts)
    piece = lies(file, points, parts=parts, cuts=("frets", "fret ends")).piece
    assert cuts_of(piece) == ("frets", "fret ends")
    with pytest.raises(RequestError, match="not both"):
        lies(file, points, found=file)
