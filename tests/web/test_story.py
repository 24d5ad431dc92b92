"""Where a job stands by what its dossier holds, and the one next step."""

from __future__ import annotations

import json
import re
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from evenfall import workshop
from evenfall.cli import main
from evenfall.errors import RequestError
from evenfall.measurement import Measurement
from evenfall.plan import Plan
from evenfall.plan.limits import LeftOut
from evenfall.web.shop import Shelf, Shop
from evenfall.wording import say, sentence
from evenfall.workshop import AddRequest, MeasureRequest, PlanRequest, ProveRequest, Source
from evenfall.workshop.archives import Dossiers
from evenfall.workshop.exploring import Exploration, GivesWay, Wishes
from evenfall.workshop.opening import open_specification
from evenfall.workshop.outputs import json_file
from evenfall.workshop.specifying import read_by_newest
from evenfall.workshop.story import Story, lately, readings_files, report_done, story
from evenfall.workshop.typed import TypedSheet, check_typed, places, typed_of

SERIAL = "WB-1 (invented)"
AT = "2026-05-04T10:00:00Z"
SPECIFICATION = Source.invented("tesquil.spec.toml")


def content(stage: str) -> bytes:
    found = Source.invented(f"tesquil-{stage}.csv").content
    assert found is not None
    return found


CORRECTED = Source(
    "corrected.toml",
    SPECIFICATION.text().replace("six-string electric", "electric six-string", 1).encode(),
)


@cache
def read(
    stage: str, sheet: bytes | None = None, specification: Source = SPECIFICATION
) -> Measurement:
    source = Source(f"{stage}.csv", sheet or content(stage))
    return workshop.measure(MeasureRequest((source,), specification, SERIAL)).measurement


@cache
def planned(measurement: Measurement, *, settled: bool = False) -> Plan:
    source = Source("a.measurement.json", json_file(measurement.as_dict()))
    return workshop.plan(PlanRequest(source, settled=settled)).plan


@pytest.fixture
def dossiers(tmp_path: Path) -> Iterator[Dossiers]:
    with workshop.archive(str(tmp_path), make=True) as made:
        made.add(AddRequest((SPECIFICATION,), serial=SERIAL, new=True))
        yield made


def stands(told: Story) -> tuple[str, str]:
    return next(stop.name for stop in told.stops if stop.state == "now"), told.step


def test_a_job_goes_from_stop_to_stop(dossiers: Dossiers) -> None:
    def now() -> tuple[str, str]:
        return stands(story(dossiers, SERIAL))

    assert now() == ("Readings", "measure")
    assert lately(dossiers, [dossiers.named(SERIAL)]) == {}
    found = read("before")
    dossiers.file(found)
    assert now() == ("Plan", "plan")
    first = planned(found)
    assert first.part == "settings"
    dossiers.file(first)
    assert now() == ("Work", "work")
    report_done(dossiers, SERIAL, first.code, at=AT)
    assert now() == ("Readings", "measure")
    settled = read("settled")
    dossiers.file(settled)
    told = story(dossiers, SERIAL)
    assert stands(told) == ("Plan", "plan")
    assert told.settled
    second = planned(settled, settled=True)
    dossiers.file(second)
    assert now() == ("Work", "work")
    done_with = {"station": "bench 2", "cutter": "file 3", "cutter_uses": 14}
    report_done(dossiers, SERIAL, second.code, at=AT, done_with=done_with)
    assert now() == ("Proof", "measure")
    after = read("after")
    dossiers.file(after)
    told = story(dossiers, SERIAL)
    assert stands(told) == ("Proof", "prove")
    assert not told.proved
    proof = workshop.prove(
        ProveRequest(
            Source("a.plan.json", json_file(second.as_dict())),
            Source("b.measurement.json", json_file(after.as_dict())),
        )
    ).proof
    dossiers.file(proof)
    told = story(dossiers, SERIAL)
    assert stands(told) == ("Proof", "none")
    assert told.proved
    assert [say(stop.fact) for stop in told.stops][3:] == ["done", "conforms"]
    (said,) = lately(dossiers, [told.line.dossier]).values()
    assert re.fullmatch(r"proved \d{4}-\d\d-\d\d: conforms", say(said))


def test_a_plan_that_leaves_a_limit_unmet_is_not_left_to_the_proof(dossiers: Dossiers) -> None:
    """It says itself that a proof would not find that the instrument conforms."""
    found = read("before")
    done = replace(planned(found), status="nothing", part="whole")
    dossiers.file(found, done)
    told = story(dossiers, SERIAL)
    assert (*stands(told), say(told.headline)) == ("Proof", "measure", "Read again, to prove it")
    short = LeftOut("first-fret-gap", (3,), sentence("First-fret gap of string 3 is too low."))
    dossiers.file(replace(done, left_out=(short,)))
    told = story(dossiers, SERIAL)
    assert (*stands(told), say(told.headline)) == ("Plan", "plan", "Choose another plan")


@pytest.mark.slow
def test_a_proof_knows_the_plans_that_were_worked_before(
    dossiers: Dossiers, tmp_path: Path
) -> None:
    """Frets that an earlier plan had filed would pass for worn, and the gaps for other ones."""
    first = planned(read("settled"), settled=True)
    done = replace(
        first.measurement.with_heights(
            nut_mm=first.nut_after_mm,
            crown_top_mm=first.crown_top_after_mm,
            saddle_mm=first.saddle_after_mm,
        ),
        crown_height_mm=first.crown_height_after_mm,
    )
    dossiers.file(first.measurement, first)
    report_done(dossiers, SERIAL, first.code, at=AT)
    dossiers.file(done)
    told = story(dossiers, SERIAL)
    assert len(told.worked) == 1
    assert told.measurement is not None
    then = workshop.plan(PlanRequest(told.measurement, settled=True, worked=told.worked)).plan
    dossiers.file(then)
    again = replace(done, humidity_percent=50.0)
    dossiers.file(again)
    on_page = Shop(dossiers).proof(story(dossiers, SERIAL)).proof
    plan = Source("then.plan.json", json_file(then.as_dict()))
    after = Source("again.measurement.json", json_file(again.as_dict()))
    assert on_page == workshop.prove(ProveRequest(plan, after, worked=told.worked)).proof
    assert on_page != workshop.prove(ProveRequest(plan, after)).proof

    # a command asks the dossier too, or takes what it is given
    for name, one in (("first", first), ("then", then), ("again", again)):
        (tmp_path / f"{name}.json").write_bytes(json_file(one.as_dict()))
    for given in (
        [SERIAL, tmp_path / "again.json", "--archive", tmp_path],
        [tmp_path / "then.json", tmp_path / "again.json", "--worked", tmp_path / "first.json"],
    ):
        made = CliRunner().invoke(main, ["prove", *map(str, given), "--json"])
        printed = [item["value"] for item in json.loads(made.stdout)["items"]]
        assert printed == [item.value for item in on_page.items]

    dossiers.file(on_page)  # it names the earlier plan too, and is of the newest readings still
    assert on_page.worked_hashes
    assert story(dossiers, SERIAL).proved


@pytest.mark.slow
def test_readings_filed_again_are_not_of_after_the_work(dossiers: Dossiers) -> None:
    """A corrected specification reads them again; a plan made from them is refused as worked."""
    found = read("settled")
    first = planned(found, settled=True)
    dossiers.file(found, first, files=(Source("settled.csv", content("settled")),))
    report_done(dossiers, SERIAL, first.code, at=AT)
    dossiers.add(AddRequest((CORRECTED,), instrument=SERIAL))
    read_by_newest(dossiers, SERIAL)
    told = story(dossiers, SERIAL)
    assert stands(told) == ("Proof", "measure")  # of after the work nothing is known yet
    assert told.measurement is not None
    assert not told.worked
    again = workshop.plan(PlanRequest(told.measurement, settled=True, worked=told.worked)).plan
    np.testing.assert_array_equal(again.removal_mm, first.removal_mm)

    dossiers.file(read("after"))  # other readings: the work is what lies between
    assert len(story(dossiers, SERIAL).worked) == 1


@pytest.mark.slow
def test_heights_that_a_corrected_specification_changes_are_still_of_the_same_reading(
    dossiers: Dossiers,
) -> None:
    right = read("settled")
    found = right.with_heights(
        nut_mm=right.nut_mm, crown_top_mm=right.crown_top_mm, saddle_mm=right.saddle_mm + 0.01
    )
    plan = planned(found, settled=True)
    dossiers.file(found, files=(Source("settled.csv", content("settled")),))
    dossiers.file(plan)
    report_done(dossiers, SERIAL, plan.code, at=AT)
    dossiers.add(AddRequest((CORRECTED,), instrument=SERIAL))
    read_by_newest(dossiers, SERIAL)
    told = story(dossiers, SERIAL)
    assert stands(told) == ("Proof", "measure")
    assert not told.worked
    assert {stop.name: say(stop.fact) for stop in told.stops}["Work"] == "done"
    assert [one.name for one in readings_files(dossiers, told.line.dossier)] == ["settled.csv"]

    # from a file of the same name, which is not filed
    dossiers.file(read("settled", content("after"), CORRECTED))
    told = story(dossiers, SERIAL)
    assert stands(told) == ("Plan", "plan")
    assert len(told.worked) == 1


@pytest.mark.slow
def test_a_plan_by_another_specification_is_made_again_before_the_work_is_proved(
    dossiers: Dossiers,
) -> None:
    """A proof by readings of one specification and a plan of another would be refused."""
    found = read("settled")
    first = planned(found, settled=True)
    after = (Source("after.csv", content("after")),)
    dossiers.file(found, first)
    report_done(dossiers, SERIAL, first.code, at=AT)
    dossiers.file(read("after"), files=after)
    assert stands(story(dossiers, SERIAL)) == ("Proof", "prove")
    dossiers.add(AddRequest((CORRECTED,), instrument=SERIAL))
    read_by_newest(dossiers, SERIAL)
    told = story(dossiers, SERIAL)
    assert stands(told) == ("Plan", "plan")
    assert "specification was changed after the plan" in say(told.said)
    assert len(told.worked) == 1
    shop = Shop(dossiers)
    then = shop.exploration(told).plan(Wishes(), recommended=True)
    dossiers.file(then)
    assert then.status == "nothing"
    assert stands(story(dossiers, SERIAL)) == ("Proof", "measure")
    dossiers.file(replace(read("after", specification=CORRECTED), humidity_percent=50.0))
    told = story(dossiers, SERIAL)
    assert stands(told) == ("Proof", "prove")
    assert shop.proof(told).proof.verdict == "conforms"


@pytest.mark.slow
def test_readings_filed_again_are_no_second_reading(dossiers: Dossiers) -> None:
    """Taken for one, they could neither confirm the plan nor be planned from."""
    sheet = raised(0.18)
    found = read("high", sheet)
    plan = planned(found, settled=True)
    assert plan.status == "ask"
    dossiers.file(found, plan, files=(Source("high.csv", sheet),))
    dossiers.add(AddRequest((CORRECTED,), instrument=SERIAL))
    read_by_newest(dossiers, SERIAL)
    told = story(dossiers, SERIAL)
    assert stands(told) == ("Plan", "plan")
    assert told.second is None
    assert told.settled == (plan.part == "whole")
    assert Shop(dossiers).exploration(told).plan(Wishes(), recommended=True).status == "ask"


@pytest.mark.slow
def test_readings_before_the_work_is_reported_are_no_readings_after_it(dossiers: Dossiers) -> None:
    settled = read("settled")
    dossiers.file(settled, planned(settled, settled=True))
    dossiers.file(read("after"))
    told = story(dossiers, SERIAL)
    assert stands(told) == ("Plan", "plan")
    assert "newer readings than the plan" in say(told.said)
    assert not told.settled


@pytest.mark.slow
def test_a_plan_that_asks_for_readings_leads_back_to_them(dossiers: Dossiers) -> None:
    value = re.search(rb"crown_top,3,9,([0-9.]+)", content("before"))
    assert value is not None
    slipped = b"crown_top,3,9,%.3f" % (float(value[1]) + 0.2)
    found = read("slipped", content("before").replace(value[0], slipped))
    plan = planned(found)
    assert plan.status == "read-again"
    dossiers.file(found, plan)
    assert stands(story(dossiers, SERIAL)) == ("Readings", "measure")


def raised(by_mm: float, more_mm: float = 0.0) -> bytes:
    """Return readings with fret 9 higher under every string; the second time each crown differs."""
    lines = content("settled").decode().splitlines()
    for number, line in enumerate(lines):
        cells = line.split(",")
        if cells[0] == "crown_top":
            string, fret = int(cells[1]), int(cells[2])
            lift = by_mm * (fret == 9) + more_mm * (-1) ** (string + fret)
            cells[3] = f"{float(cells[3]) + lift:.3f}"
            lines[number] = ",".join(cells)
    return "\n".join(lines).encode()


@pytest.mark.slow
def test_a_second_reading_confirms_what_a_plan_asks_for(dossiers: Dossiers) -> None:
    from evenfall.web.shop import Shop

    found = read("high", raised(0.18))
    plan = planned(found, settled=True)
    assert plan.status == "ask"
    dossiers.file(found, plan)
    told = story(dossiers, SERIAL)
    assert stands(told) == ("Readings", "measure")
    assert say(told.headline) == "Read a second time"
    dossiers.file(read("again", raised(0.18, 0.002)))
    told = story(dossiers, SERIAL)
    assert stands(told) == ("Plan", "plan")
    assert told.second is not None
    assert told.settled == (plan.part == "whole")
    confirmed = Shop(dossiers).exploration(told).plan(Wishes(), recommended=True)
    assert confirmed.confirmation is not None
    assert confirmed.measurement.content_hash == found.content_hash
    assert confirmed.status != "ask"


def test_a_typed_sheet_is_read_as_the_same_sheet_on_paper() -> None:
    rows = [line.split(",") for line in content("before").decode().splitlines()[2:]]
    values = {f"{row[0]}:{row[1]}:{row[2]}": row[3].replace(".", ",") for row in rows}
    sheet = TypedSheet(values, "mm", "0,004")
    checked = check_typed(sheet, SPECIFICATION, serial=SERIAL)
    assert checked.measured is not None
    assert not checked.lacking
    on_paper = read("before")
    typed = checked.measured.measurement
    assert (typed.crown_top_mm == on_paper.crown_top_mm).all()
    assert checked.wanted  # the first crown once more, and those that the program chooses
    assert all(key.startswith("crown_again:") for key in checked.wanted)
    neck, beside = places(checked.measured.specification)
    assert {one.key for one in neck} | {one.key for one in beside} >= values.keys()
    assert TypedSheet.of(sheet.source()) == sheet
    assert TypedSheet.of(TypedSheet().source()) is None  # nothing was typed
    found = TypedSheet.of(Source.invented("tesquil-before.csv"))
    assert found is not None
    assert (found.uncertainty, len(found.values)) == ("0.004", len(values))
    finer = replace(sheet, finer={next(iter(sheet.values)): "0.001"})
    assert TypedSheet.of(finer.source()) == finer
    noted = replace(sheet, air="45% 21C")
    assert TypedSheet.of(noted.source()) == noted
    of_air = check_typed(noted, SPECIFICATION).measured
    assert of_air is not None
    air = of_air.measurement
    assert (air.humidity_percent, air.temperature_celsius) == (45.0, 21.0)
    (slip, *_) = check_typed(replace(sheet, air="dry"), SPECIFICATION).findings
    assert 'The state "strung dry" is not known' in slip.sentence


def test_several_sheets_are_typed_on_as_one_and_a_scan_stays_a_file(tmp_path: Path) -> None:
    spec = open_specification(SPECIFICATION)[0]
    whole = Source.invented("tesquil-before.csv")
    lines = content("before").decode().splitlines()
    heads, rows = lines[:2], lines[2:]
    halves = tuple(
        Source(f"half {n}.csv", "\n".join((*heads, *part)).encode())
        for n, part in enumerate((rows[:90], rows[90:]))
    )
    one, two = typed_of((whole,), spec), typed_of(halves, spec)
    assert one is not None
    assert two is not None
    assert {key: float(text) for key, text in one.values.items()} == {
        key: float(text) for key, text in two.values.items()
    }
    assert (one.uncertainty, one.unit, one.strung) == (two.uncertainty, two.unit, two.strung)
    noted = {
        humidity: tuple(
            Source(one.name, one.text().replace(",strung", f",strung {h}% 21C").encode())
            for one, h in zip(halves, (44, humidity), strict=True)
        )
        for humidity in (46, 60)
    }
    of_air = typed_of(noted[46], spec)
    assert of_air is not None
    air = workshop.measure(MeasureRequest(noted[46], SPECIFICATION, serial=SERIAL)).measurement
    typed = workshop.measure(MeasureRequest((of_air.source(),), SPECIFICATION, serial=SERIAL))
    assert 44.0 < air.humidity_percent < 46.0
    assert typed.measurement.humidity_percent == pytest.approx(air.humidity_percent, abs=1e-3)
    assert typed.measurement.temperature_celsius == 21.0
    assert typed_of(noted[60], spec) is None  # one place for the air would hide that it changed
    assert typed_of((*halves, Source("scan.ply", b"ply\n")), spec) is None
    assert typed_of((whole, Source("again.csv", halves[0].content or b"")), spec) is None  # twice
    made = workshop.measure(MeasureRequest(halves, SPECIFICATION, serial=SERIAL))
    with workshop.archive(str(tmp_path / "archive"), make=True) as dossiers:
        dossiers.file(made.measurement, files=halves)
        kept = readings_files(dossiers, dossiers.named(SERIAL))
        assert [(source.name, source.read(10**6)) for source in kept] == [
            (source.name, source.content) for source in halves
        ]
        dossiers.file(read("after"))  # what it came in was not filed
        assert readings_files(dossiers, dossiers.named(SERIAL)) == ()


def test_a_slip_on_a_typed_sheet_names_its_field_and_a_gap_is_no_slip() -> None:
    checked = check_typed(TypedSheet({"crown_top:2:7": "21.5", "saddle:1:": "x"}), SPECIFICATION)
    assert checked.measured is None
    assert checked.keys == (("saddle:1:",),)
    begun = check_typed(TypedSheet({"crown_top:2:7": "21.5"}), SPECIFICATION)
    assert not begun.findings
    assert begun.lacking
    assert check_typed(TypedSheet({}), SPECIFICATION).findings == ()


@pytest.mark.parametrize("key", ["crown_top", "evil:1:1", "crown_top:1:1:1", "crown_top:-1:1", ""])
def test_a_place_that_is_none_is_refused(key: str) -> None:
    with pytest.raises(RequestError, match="no such place"):
        check_typed(TypedSheet({key: "1"}), SPECIFICATION)


@pytest.mark.slow
def test_what_is_asked_for_may_go_to_and_fro(dossiers: Dossiers) -> None:
    source = Source("a.measurement.json", json_file(read("settled").as_dict()))
    warm = Exploration(PlanRequest(source, settled=True))
    first = warm.look(Wishes(), "mm")
    for other in (
        Wishes(attack_share=0.8),
        Wishes(action_change_mm=0.2),
        Wishes(relief_mm=0.1),
        Wishes(budget_mm=0.5),
        Wishes("level"),
    ):
        seen = warm.look(other, "mm")
        assert seen != first
        assert seen["may_take"] == other.specified
    assert warm.look(Wishes(), "mm") == first
    assert warm.plan(Wishes()).metal_mm == pytest.approx(first["metal_mm"], abs=1e-9)
    assert warm.look(Wishes(attack_share=0.5), "mm")["metal_mm"] < first["metal_mm"]


@pytest.mark.slow
def test_a_budget_is_looked_at_the_same_whatever_was_looked_at_before() -> None:
    source = Source("a.measurement.json", json_file(read("settled").as_dict()))
    moved = Exploration(PlanRequest(source, settled=True))
    moved.spans(Wishes())  # makes ready what a budget may buy
    budgets = (0.1, 0.6, 0.3, 0.32, 0.0)
    seen = [moved.look(Wishes(budget_mm=one), "mm") for one in budgets]
    moved.look(Wishes(attack_share=0.8, budget_mm=0.3), "mm")
    seen.append(moved.look(Wishes(budget_mm=0.3), "mm"))
    for budget, found in zip((*budgets, 0.3), seen, strict=True):
        fresh = Exploration(PlanRequest(source, settled=True))
        assert fresh.look(Wishes(budget_mm=budget), "mm") == found


@pytest.mark.slow
def test_what_takes_longer_gives_way_to_a_look() -> None:
    source = Source("a.measurement.json", json_file(read("settled").as_dict()))
    warm = Exploration(PlanRequest(source, settled=True))
    warm._looks = 1  # as if somebody waited
    assert warm.spans(Wishes()) == {}
    with pytest.raises(GivesWay):
        warm.plan(Wishes(attack_share=0.9), gives_way=True)
    warm._looks = 0
    assert warm.spans(Wishes()).keys() == {"attack", "action", "relief"}


def test_a_shelf_makes_a_thing_once_and_lets_the_longest_unused_go() -> None:
    shelf: Shelf[int] = Shelf(2)
    made: list[int] = []

    def make(number: int) -> int:
        time.sleep(0.05)
        made.append(number)
        return number

    threads = [threading.Thread(target=shelf.get, args=(1, lambda: make(1))) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert made == [1]
    shelf.get(2, lambda: make(2))
    shelf.get(1, lambda: make(-1))
    shelf.get(3, lambda: make(3))
    shelf.get(1, lambda: make(-1))
    shelf.get(2, lambda: make(22))
    assert made == [1, 2, 3, 22]


def test_what_could_not_be_made_is_tried_again() -> None:
    shelf: Shelf[int] = Shelf(2)
    with pytest.raises(ZeroDivisionError):
        shelf.get(1, lambda: 1 // 0)
    assert shelf.get(1, lambda: 7) == 7
