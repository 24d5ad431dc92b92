"""The proof as a file: what it says, that it comes back, that a changed one is refused."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from evenfall import proof as face
from evenfall.errors import BrokenFileError, FormatMismatchError
from evenfall.proof import Proof, prove
from proof.made_cases import after_work, geometry, made_plan, specification

SPEC = specification()
PLAN = made_plan(SPEC)


def made_proof(**changes) -> Proof:
    top = PLAN.crown_top_after_mm.copy()
    top[1, 3] += 0.3
    top[2, 5] = np.nan
    readings = after_work(SPEC, PLAN, top_mm=top, u_mm=0.02, crowns=False, **changes)
    return prove(SPEC, PLAN, readings, geometry(SPEC)[2])


def test_a_proof_comes_back_from_its_file() -> None:
    proof = made_proof()
    text = json.dumps(proof.as_dict(), allow_nan=False)
    back = Proof.from_dict(json.loads(text))
    assert back == proof
    assert hash(back) == hash(proof)
    assert back.content_hash == proof.content_hash
    assert json.dumps(back.as_dict()) == text
    assert back.code == proof.code == proof.content_hash[:10].upper()
    np.testing.assert_array_equal(back.positions.critical_fret, proof.positions.critical_fret)
    assert [i.limit for i in back.items] == [i.limit for i in proof.items]
    for one, other in zip(back.items, proof.items, strict=True):
        if one.lines:
            assert one.budget.combined_uncertainty == other.budget.combined_uncertainty
            assert math.isinf(one.lines[0].degrees_of_freedom)  # null in the file


def test_a_proof_with_a_trace_of_scatter_comes_back() -> None:
    """A tiny part with few degrees of freedom gives the sum more than 1e12 of them."""
    proof = made_proof()
    first = replace(proof.items[0], degrees_of_freedom=4.7e13)
    traced = replace(proof, items=(first, *proof.items[1:]))
    assert Proof.from_dict(json.loads(json.dumps(traced.as_dict()))) == traced


def test_the_plans_worked_before_are_kept_and_each_counts_once() -> None:
    proof = made_proof()
    assert "worked_hashes" not in proof.as_dict()  # as files were before there was the key
    earlier = ("ab" * 32, "cd" * 32)
    plain = json.loads(json.dumps(replace(proof, worked_hashes=earlier).as_dict()))
    back = Proof.from_dict(plain)
    assert back.worked_hashes == earlier
    assert back.content_hash != proof.content_hash
    for wrong in (earlier[:1] * 2, (PLAN.content_hash,)):
        with pytest.raises(BrokenFileError, match="a plan counts once"):
            Proof.from_dict({**plain, "worked_hashes": list(wrong)})
    plain["worked_hashes"] = ["an earlier plan"]
    with pytest.raises(BrokenFileError, match="worked_hashes"):
        Proof.from_dict(plain)


def test_the_keys_that_other_programs_rely_on() -> None:
    plain = made_proof().as_dict()
    assert plain["schema"] == "evenfall/proof@1"
    assert plain["verdict"] == "does not conform"
    assert plain["plan_hash"] == PLAN.content_hash
    assert plain["before_hash"] == PLAN.measurement.content_hash
    needed = {"name", "value", "expanded_uncertainty", "limit", "verdict", "probability"}
    added = {"unit", "string", "stopped_fret", "fret", "lower", "upper", "guard_band", "lines"}
    assert len(plain["items"]) == 24
    for item in plain["items"]:
        assert needed | added <= item.keys()
        for line in item["lines"]:
            expected = abs(line["sensitivity"]) * line["standard_uncertainty"]
            assert line["contribution"] == pytest.approx(expected)
    action = plain["items"][0]
    assert action["name"]["text"] == "{title} of string {string}"
    assert action["limit"] in (action["lower"], action["upper"])
    clearance = plain["items"][-1]
    assert clearance["upper"] is None
    assert clearance["limit"] == clearance["lower"]
    assert np.shape(plain["positions"]["verdict"]) == (3, SPEC.frets)
    assert plain["next_steps"]
    assert {"code", "severity", "at", "text", "values"} == plain["findings"][0].keys()
    assert len(plain["deviation"]["fret_mean_mm"]) == SPEC.frets


def test_the_limit_shown_is_the_nearer_one() -> None:
    proof = made_proof()
    for item in proof.items:
        if np.isfinite(item.value) and np.isfinite(item.upper):
            other = item.lower + item.upper - item.limit
            assert abs(item.value - item.limit) <= abs(item.value - other)


def damaged(change):
    plain = json.loads(json.dumps(made_proof().as_dict()))
    change(plain)
    return plain


@pytest.mark.quick(5)
@pytest.mark.parametrize(
    "change",
    [
        lambda p: p.pop("items"),
        lambda p: p.update(items=3),
        lambda p: p["items"][0].pop("lines"),
        lambda p: p["items"][0].update(value="wide"),
        lambda p: p["items"][0].update(verdict="good"),
        lambda p: p["items"][0]["lines"][0].update(standard_uncertainty=-1.0),
        lambda p: p.update(verdict="good"),
        lambda p: p.pop("positions"),
        lambda p: p["positions"]["buzz_force_n"].pop(),
        lambda p: p["deviation"].update(crown_top_mm=[[1.0]]),
        lambda p: p["findings"].append({"code": "none"}),
        lambda p: p["findings"][0].update(code="no-such"),
        lambda p: p.update(coverage=None),
    ],
)
def test_a_damaged_proof_is_refused_with_one_sentence(change) -> None:
    with pytest.raises(BrokenFileError, match=r"make the proof again with prove\.$") as refused:
        Proof.from_dict(damaged(change))
    assert "\n" not in refused.value.sentence


@pytest.mark.parametrize(
    "change",
    [
        lambda p: p.update(verdict="conforms"),
        lambda p: p["items"][0].update(value=p["items"][0]["value"] + 1e-6),
        lambda p: p["next_steps"].clear(),
        lambda p: p.update(content_hash="0" * 64),
    ],
)
def test_a_proof_changed_by_hand_is_refused(change) -> None:
    with pytest.raises(BrokenFileError, match="changed after it was written"):
        Proof.from_dict(damaged(change))


@pytest.mark.parametrize("other", [{}, {"schema": "evenfall/plan@1"}, [], None, 3])
def test_what_is_no_proof_is_not_taken_for_one(other) -> None:
    with pytest.raises(FormatMismatchError, match="not a proof file"):
        Proof.from_dict(other)


def test_the_public_face_is_small() -> None:
    assert len(face.__all__) <= 5
    assert all(hasattr(face, name) for name in face.__all__)
