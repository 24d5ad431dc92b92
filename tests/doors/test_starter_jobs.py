"""A neck of every starter with one lifted fret: planned, worked on and proved as a bench would."""

from __future__ import annotations

import json

import numpy as np
import pytest

from evenfall import workshop
from evenfall.instrument import Specification, read_specification, string_lines
from evenfall.instrument.starters import KINDS, starter
from evenfall.neck import default_bow
from evenfall.plan import Plan
from evenfall.workshop import Source
from necks import bench
from necks.neck import Neck, strung
from necks.readings import Reader, sheet

LIFTED, AT_TREBLE_MM, AT_BASS_MM = 7, 0.02, 0.14
"""A fret that has lifted at its bass end, by less than what is confirmed by a second reading."""


def lifted(spec: Specification) -> Neck:
    """Return a neck at its targets with that fret, its wire a little worn."""
    lines = string_lines(spec)
    line = spec.target.relief.value_mm * default_bow(spec, lines).frets
    off = np.zeros_like(line)
    off[:, LIFTED - 1] = np.linspace(AT_TREBLE_MM, AT_BASS_MM, len(off))
    worn = spec.fretwire.crown_height_mm - 0.05
    return strung(spec, line, off, crown_height_mm=worn)


VARIANTS = [
    *(
        pytest.param(kind, {}, marks=pytest.mark.slow)
        for kind in KINDS
        if kind not in ("bass", "electric")
    ),
    pytest.param("bass", {}),
    pytest.param("electric", {"handed": "left", "unit": "in"}, marks=pytest.mark.slow),
    pytest.param("ukulele", {"strings": "low"}),
]


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "asked"), VARIANTS)
def test_only_the_lifted_fret_is_worked_on(kind: str, asked: dict[str, str]) -> None:
    text = starter(kind, **asked)  # type: ignore[arg-type]
    spec, remarks = read_specification(text)
    assert remarks == ()
    neck, chance = lifted(spec), np.random.default_rng(11)
    buzzes = float(neck.margin().min()) < 0.95  # the tolerance of the attack

    file = Source(f"{kind}.spec.toml", text.encode())
    before = Source("before.csv", sheet(neck, chance, Reader(u_mm=0.004)).encode())
    plan = workshop.plan(workshop.PlanRequest(before, file, serial="UY-0001")).plan
    assert plan.gates == ()
    removal = np.nan_to_num(plan.removal_mm)
    cut = set((np.flatnonzero(removal.max(axis=0) > 0.0) + 1).tolist())
    moved = np.abs(plan.saddle_after_mm - plan.measurement.saddle_mm)
    if not buzzes:
        assert (plan.status, cut) == ("nothing", set())
    elif moved.max() > 0.0:  # a saddle that rises within its limits spares the metal
        assert (plan.status, cut) == ("settings", set())
        assert (plan.saddle_after_mm >= plan.measurement.saddle_mm).all()
        return  # and is read again, before anything is judged
    else:
        assert (plan.status, cut) == ("cut", {LIFTED})
        # to the level line under every string where it stands out, within a file's smallest cut
        assert np.abs(removal[:, LIFTED - 1] - neck.off_mm[:, LIFTED - 1]).max() < 0.021
    assert moved.max() == 0.0
    assert plan.relief_change_mm == 0.0

    done = bench.cut(neck, chance, removal)
    after = Source("after.csv", sheet(done, chance, Reader(u_mm=0.004)).encode())
    planned = Source("k.plan.json", json.dumps(plan.as_dict()).encode())
    proof = workshop.prove(workshop.ProveRequest(planned, after)).proof
    assert proof.verdict == "conforms"
    assert str(proof.attack_said) == str(spec.player.said)
    assert "medium with a" in str(proof.attack_said)


@pytest.mark.quick(3)
@pytest.mark.parametrize("kind", KINDS)
def test_a_level_neck_of_a_starter_is_in_tune(kind: str) -> None:
    """Within 2 cents up to fret 12, less than people hear (common practice, no source)."""
    text = starter(kind)
    spec = read_specification(text)[0]
    line = spec.target.relief.value_mm * default_bow(spec, string_lines(spec)).frets
    neck = strung(spec, line, 0.0 * line)
    readings = sheet(neck, np.random.default_rng(1), Reader(u_mm=0.002))
    heard = workshop.pitch(
        workshop.PitchRequest(
            Source("a.csv", readings.encode()), Source("a.spec.toml", text.encode()), "UY-0001"
        )
    )
    assert np.abs(heard.found.deviation_cents[:, 1:13]).max() < 2.0
    assert not any("setback" in one.sentence for one in heard.findings)


@pytest.mark.slow
@pytest.mark.parametrize("family", [True, False])
def test_setbacks_that_nobody_gave_are_said(family: bool) -> None:
    text = "".join(
        line
        for line in starter("ukulele").splitlines(keepends=True)
        if not line.startswith("saddle_setback")
    )
    if not family:
        text = text.replace('family = "ukulele"\n', "").replace('"medium"', "0.44")
    spec = read_specification(text)[0]
    assert (spec.strings[0].saddle_setback_mm > 0.0) == family
    checked = workshop.check_specification(
        workshop.CheckRequest(Source("a.spec.toml", text.encode()))
    )
    said = [one.sentence for one in checked.findings]
    taken = "those usual for the family are taken" if family else "none is taken"
    assert said == [f"No setback is given, so {taken}: pitch says little yet."]
    assert checked.consistent


def _without_heights(neck: Neck) -> Source:
    rows = sheet(neck, np.random.default_rng(11), Reader(u_mm=0.004)).splitlines(keepends=True)
    return Source("b.csv", "".join(r for r in rows if not r.startswith("crown_height")).encode())


@pytest.mark.quick(1)
@pytest.mark.parametrize("method", ["level", "spot", "profile", "beam", "least-metal"])
def test_no_metal_comes_off_a_crown_of_unknown_height(method: str) -> None:
    """Used frets may have lost their height: it is asked for, or the frets are said to be new."""
    text = starter("electric")
    before = _without_heights(lifted(read_specification(text)[0]))

    def planned(specification: str, readings: Source) -> Plan:
        file = Source("a.spec.toml", specification.encode())
        request = workshop.PlanRequest(readings, file, serial="UY-0001", method=method)  # type: ignore[arg-type]
        return workshop.plan(request).plan

    plan = planned(text, before)
    assert (plan.status, plan.metal_mm) == ("read-again", 0.0)
    asked = [one for one in plan.read_first if one.fret == LIFTED]
    assert [(one.strings, one.height) for one in asked] == [((), True)]
    assert "Read the crown height of fret 7 first" in str(asked[0].said)
    assert "One more reading" in str(plan.headline)
    assert "accept" not in str(plan.next_step)

    new = planned(text.replace("# new = true", "new = true"), before)
    assert new.removal_mm[-1, LIFTED - 1] > 0.05
    if method in ("spot", "profile", "level"):  # which take metal off that fret alone
        content = (before.content or b"") + b"crown_height,,7,1.05,mm,0.01,,,\n"
        assert planned(text, Source("c.csv", content)).removal_mm[-1, LIFTED - 1] > 0.05
