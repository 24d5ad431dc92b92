"""Every file of every version that the program has written is read by the program of today."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest

from evenfall.codec import FileContent, parse_json
from evenfall.errors import EvenfallError, UnsupportedError
from evenfall.measurement import Measurement
from evenfall.plan import Plan
from evenfall.proof import Proof

FILES = sorted((Path(__file__).parent / "files").glob("*.json"))
KINDS: dict[str, type[FileContent]] = {kind.KIND: kind for kind in (Measurement, Plan, Proof)}


def stored(path: Path) -> dict[str, Any]:
    values: dict[str, Any] = parse_json(path.read_bytes(), name=path.name)
    return values


def kind_of(path: Path) -> type[FileContent]:
    return KINDS[path.name.split(".")[1].partition("@")[0]]


def held(now: Any, then: Any) -> bool:
    """Say whether what was in a file is still there; keys may have come since."""
    if isinstance(then, dict):
        return isinstance(now, dict) and all(k in now and held(now[k], then[k]) for k in then)
    if isinstance(then, list):
        return isinstance(now, list) and len(now) == len(then) and all(map(held, now, then))
    return bool(now == then)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_a_stored_file_is_read_and_gives_equal_content(path: Path) -> None:
    values = stored(path)
    told = ""
    try:
        made = kind_of(path).from_dict(values)
    except EvenfallError as error:
        told = str(error)
    assert not told, told
    assert made.content_hash == values["content_hash"]
    written = json.loads(json.dumps(made.as_dict(), allow_nan=False))
    if made.schema() == values["schema"]:
        assert held(written, values)
    again = kind_of(path).from_dict(written)
    assert again == made
    assert hash(again) == hash(made)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_the_name_of_a_stored_file_says_what_it_is(path: Path) -> None:
    assert f"evenfall/{path.name.split('.')[1]}" == stored(path)["schema"]


def test_every_kind_lies_there_in_every_version() -> None:
    names = {path.name.split(".")[1] for path in FILES}
    for kind in KINDS.values():
        for version in range(1, kind.VERSION + 1):
            assert f"{kind.KIND}@{version}" in names


def test_stored_files_belong_together() -> None:
    """A proof names its plan by hash, and a plan holds its measurement."""
    by_name = {path.name: kind_of(path).from_dict(stored(path)) for path in FILES}
    measured, plan = (by_name[f"tesquil-settled.{kind}@1.json"] for kind in ("measurement", "plan"))
    proof = by_name["tesquil.proof@1.json"]
    assert isinstance(plan, Plan)
    assert isinstance(proof, Proof)
    assert plan.measurement == measured
    assert proof.plan_hash == plan.content_hash
    assert proof.before_hash == measured.content_hash


def test_stored_files_cover_what_a_file_can_hold() -> None:
    """A misfit, shared causes of uncertainty, findings, a verdict that is not `conforms`."""
    by_name = {path.name: kind_of(path).from_dict(stored(path)) for path in FILES}
    misfit = by_name["tesquil-misfit.plan@1.json"]
    quenlo = by_name["quenlo.measurement@1.json"]
    converted = by_name["converted.measurement@1.json"]
    unworked = by_name["tesquil-unworked.proof@1.json"]
    assert isinstance(misfit, Plan)
    assert isinstance(quenlo, Measurement)
    assert isinstance(converted, Measurement)
    assert isinstance(unworked, Proof)
    assert misfit.misfit
    assert quenlo.direct
    assert quenlo.heights.shared
    assert converted.heights.shared
    scanned = by_name["scanned.measurement@1.json"]
    assert isinstance(scanned, Measurement)
    assert scanned.scanned is not None
    assert scanned.scanned.strings is not None
    assert unworked.findings
    assert unworked.verdict != "conforms"


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_a_file_of_a_version_to_come_is_refused_in_one_sentence(path: Path) -> None:
    later = copy.deepcopy(stored(path))
    later["schema"] = f"{later['schema'].partition('@')[0]}@99"
    with pytest.raises(UnsupportedError, match="has version 99, and this program reads version"):
        kind_of(path).from_dict(later)
