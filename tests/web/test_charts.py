"""The pages of charts and capability: verdict, signals, what a person decides, hostile readings."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator, Sequence
from html import unescape
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from click.testing import CliRunner, Result
from fastapi.testclient import TestClient

from evenfall import workshop
from evenfall.cli import main
from evenfall.errors import RequestError
from evenfall.production.charts import ControlChart, Panel
from evenfall.records import Filing
from evenfall.units import LengthUnit
from evenfall.web.application import application
from evenfall.web.charts import _beside_limit, _level
from evenfall.web.view import View
from evenfall.wording import Sentence, say
from evenfall.workshop.archive_readings import Filed
from evenfall.workshop.archives import Dossiers

PORT = 8419
STEADY = np.round(0.2 + 0.01 * np.random.default_rng(0).normal(size=30), 4).tolist()


@pytest.fixture
def dossiers(tmp_path: Path) -> Iterator[Dossiers]:
    with workshop.archive(str(tmp_path), make=True) as made:
        yield made


@pytest.fixture
def client(dossiers: Dossiers) -> Iterator[TestClient]:
    app = application(dossiers, port=PORT)
    base = f"http://127.0.0.1:{PORT}"
    headers = {"accept": "text/html", "origin": base}
    with TestClient(app, base_url=base, headers=headers) as made:
        yield made


def prove(
    dossiers: Dossiers, reliefs_mm: Sequence[float], *, first: int = 0, station: str = "bench 1"
) -> None:
    for number, relief_mm in enumerate(reliefs_mm, start=first):
        facts = {"content_hash": f"{number:064x}", "schema": "evenfall/proof@1"}
        done = f"2026-{number // 8 % 12 + 1:02}-{number % 8 + 1:02}T09:00Z"
        figures = {"specification": "", "relief_mm": relief_mm, "done": done}
        dossiers.archive.file(
            None,
            [
                Filing("opened", {"subject": "instrument", "name": "Tesquil (invented)"}),
                Filing("alias", {"sort": "serial", "value": f"QC-{number:04}"}),
                Filing("step", {"work": "Levelled.", "station": station}),
                Filing("proof", {**facts, **figures}),
            ],
        )


def text(client: TestClient, address: str, status: int = 200) -> str:
    answer = client.get(address)
    assert answer.status_code == status, answer.text[:2000]
    return unescape(re.sub(r"<svg.*?</svg>", "", answer.text, flags=re.DOTALL))


def test_a_verdict_of_a_partner_that_says_nothing_is_listed(
    dossiers: Dossiers, client: TestClient
) -> None:
    prove(dossiers, [0.2])  # without its status, as an entry of another program may be
    assert "QC-0000" in text(client, "/instruments")


def test_without_figures_the_page_says_what_to_do(client: TestClient) -> None:
    assert "Nothing to chart yet" in text(client, "/charts")
    assert "Nothing to judge yet" in text(client, "/charts/capability")


def test_a_stable_process_goes_on_and_a_shift_stops_it(
    dossiers: Dossiers, client: TestClient
) -> None:
    prove(dossiers, STEADY[:8])
    few = text(client, "/charts")
    assert "Too few points to tell: go on, and watch." in few
    assert "None of 8 points signals, but limits from 8 points tell little" in few
    assert "process is stable" not in few
    assert 'value="frozen"' not in few
    assert "with 20 points or more, freeze them" in few
    sent = {"asked": "quantity=relief", "act": "frozen", "point": "QC-0007", "reason": "well"}
    refused = client.post("/charts", data=sent)
    assert refused.status_code == 422
    assert "Limits are frozen from 20 points or more, and up to QC-0007 there are 8" in refused.text
    few = text(client, "/charts/capability?quantity=relief&lower=-3&upper=3")
    assert "Not sure yet whether it keeps well enough within its limits." in few
    assert "so few tell little of whether the process is stable" in few
    prove(dossiers, STEADY[8:], first=8)
    shown = text(client, "/charts")
    assert "In control: go on." in shown
    assert 'value="frozen"' in shown
    assert re.search(r'name="point" maxlength', shown)  # nothing is filled in
    assert "none of 30 points signals" in shown
    assert "stopped for nothing once in" in shown
    prove(dossiers, [0.31, *STEADY[:10]], first=30)
    assert "In control now: go on." in text(client, "/charts")
    assert "none of the newest 9" in text(client, "/charts")
    prove(dossiers, [0.31], first=41)
    shown = text(client, "/charts?quantity=relief")
    assert "Not in control: stop" in shown
    (line,) = dossiers.lines(dossiers.archive.named("QC-0041"))
    assert f'<a href="/instruments/{line.dossier}">QC-0041</a>' in shown


ASKED = "quantity=relief&document=proof"


def done(client: TestClient, act: str, point: str, **more: str) -> int:
    sent = {"asked": ASKED, "act": act, "point": point, "reason": f"{act} at {point}", **more}
    return client.post("/charts", data=sent, follow_redirects=False).status_code


def test_what_two_people_decide_leaves_a_chart_to_take_it_back_from(
    dossiers: Dossiers, client: TestClient
) -> None:
    """Limits that began again at two points side by side left one point between, and no chart."""
    prove(dossiers, STEADY[:8])
    for point in ("QC-0004", "QC-0005", "QC-0007", "2"):
        assert done(client, "begun", point) == 303
    shown = text(client, f"/charts?{ASKED}")
    assert shown.count("Take back") == 4 + 1
    # those of the one point go by the limits before it; from the fourth on they are its own
    assert "begun at QC-0005" in shown.partition("Limits and points")[0]
    # as days go by, all but one point of the first limits are out of sight
    assert text(client, f"/charts?{ASKED}&since=2026-01-04").count("Take back") == 4 + 1
    prove(dossiers, [0.4, 0.5], first=8, station="bench 2")
    only = f"{ASKED}&station=bench+2"
    sent = {"asked": only, "act": "left out", "point": "QC-0008", "reason": "dropped"}
    refused = client.post("/charts", data=sent)
    assert refused.status_code == 422
    assert "The limits need two points in a row or more; 1 point will not do." in refused.text


def limits(dossiers: Dossiers) -> tuple[ControlChart, list[float]]:
    """Return the chart of all readings, with the centre that holds at each of its points."""
    asks = workshop.ChartRequest(Filed(dossiers.archive), "relief", {"document": "proof"})
    made = workshop.chart(asks).chart
    return made, made.panels[0].centre.tolist()


def test_no_limits_come_from_the_points_of_another_stretch_that_is_too_short_for_its_own(
    dossiers: Dossiers, client: TestClient
) -> None:
    prove(dossiers, [0.6, *STEADY[:8], 0.6, *STEADY[10:18]])
    for point in ("QC-0001", "QC-0009", "QC-0010"):  # the first and the tenth stand alone
        assert done(client, "begun", point) == 303
    made, centre = limits(dossiers)
    assert centre[0] == centre[9] == pytest.approx(np.mean(STEADY[:8]))
    assert centre[-1] == pytest.approx(np.mean(STEADY[10:18]))
    assert made.hit == (10,)  # the second is not judged by its step from the first


def test_limits_are_frozen_from_their_own_points_whatever_else_is_in_sight(
    dossiers: Dossiers, client: TestClient
) -> None:
    """One point of the stretch before was in sight, and counted."""
    prove(dossiers, [*[0.6, 0.5] * 4, *STEADY])
    assert done(client, "begun", "QC-0008") == 303
    asked = f"{ASKED}&since=2026-01-08"  # QC-0007 and after
    assert done(client, "frozen", "QC-0031", asked=asked) == 303
    made, centre = limits(dossiers)
    assert centre[-1] == pytest.approx(np.mean(STEADY[:24]))
    assert made.phases[-1].known_points == 24


def test_limits_of_a_later_stretch_are_frozen_with_one_point_of_frozen_ones_in_sight(
    dossiers: Dossiers, client: TestClient
) -> None:
    prove(dossiers, STEADY + STEADY)
    for act, point in (("frozen", "QC-0023"), ("begun", "QC-0024")):
        assert done(client, act, point) == 303
    asked = f"{ASKED}&since=2026-03-08"  # QC-0023 and after
    assert done(client, "frozen", "QC-0050", asked=asked) == 303
    assert [phase.known_points for phase in limits(dossiers)[0].phases] == [24, 27]


def test_limits_that_began_again_out_of_sight_are_not_those_frozen_before(
    dossiers: Dossiers, client: TestClient
) -> None:
    prove(dossiers, STEADY)
    assert done(client, "frozen", "QC-0024") == 303
    assert done(client, "begun", "QC-0026") == 303
    assert "as they were frozen" in text(client, f"/charts?{ASKED}")
    later = text(client, f"/charts?{ASKED}&since=2026-04-04")  # QC-0027 and after
    assert "as they were frozen" not in later


def test_a_number_of_a_page_that_is_stale_is_not_taken_for_another_point(
    dossiers: Dossiers, client: TestClient
) -> None:
    prove(dossiers, STEADY[1:9], first=1)
    (counted,) = re.findall(r'name="counted" value="(\w+)"', text(client, f"/charts?{ASKED}"))
    prove(dossiers, STEADY[9:10], first=9)  # the newest: numbers stand as they did
    assert done(client, "left out", "4", counted=counted) == 303
    assert done(client, "left out", "9", counted=counted) == 412  # that page had eight
    prove(dossiers, STEADY[:1])  # filed late: it is the first by its day
    assert done(client, "left out", "3", counted=counted) == 412
    assert done(client, "left out", "QC-0003", counted=counted) == 303
    (counted,) = re.findall(r'name="counted" value="(\w+)"', text(client, f"/charts?{ASKED}"))
    assert done(client, "left out", "11", counted=counted) == 422  # there is none, as there was
    assert done(client, "left out", "6", counted=counted) == 303
    assert "left out at 6" in text(client, f"/charts?{ASKED}")


@pytest.mark.slow
def test_frozen_limits_hold_when_more_comes_in_and_are_taken_back(
    dossiers: Dossiers, client: TestClient
) -> None:
    prove(dossiers, STEADY)
    form = {"asked": "quantity=relief&document=proof", "by": "Q. Ulbrenq"}
    sent = {**form, "act": "frozen", "point": "QC-0029", "reason": "runs as it should"}
    assert client.post("/charts", data=sent, follow_redirects=False).status_code == 303
    prove(dossiers, [value + 0.04 for value in STEADY], first=30)
    shown = text(client, "/charts?quantity=relief&document=proof")
    assert "Not in control" in shown
    held = "From point 1 on the limits hold as they were frozen: runs as it should"
    assert f"{held}, noted by Q. Ulbrenq." in shown
    # the textbook's mean ± 2.66 mean moving ranges
    mean, moving = float(np.mean(STEADY)), float(np.mean(np.abs(np.diff(STEADY))))
    limits = f"limits {mean - 2.66 * moving:.3f} mm to {mean + 2.66 * moving:.3f} mm"
    assert limits in shown
    # and when the points that they came from are out of sight
    later = text(client, "/charts?quantity=relief&document=proof&since=2026-04-20")
    assert limits in later
    entry = re.findall(r'name="entry" value="([0-9a-f]{64})"', shown)[0]
    back = {**form, "entry": entry, "reason": "another rod"}
    assert client.post("/charts/back", data=back, follow_redirects=False).status_code == 303
    assert "as they were frozen" not in text(client, "/charts?quantity=relief&document=proof")
    assert client.post("/charts/back", data=back).status_code == 422


@pytest.mark.slow
def test_a_point_is_left_out_with_its_reason_alone(dossiers: Dossiers, client: TestClient) -> None:
    prove(dossiers, [*STEADY, 0.31])
    form = {"asked": "quantity=relief&document=proof", "act": "left out", "point": "QC-0030"}
    refused = client.post("/charts", data=form)
    assert refused.status_code == 422
    assert "Write the reason" in refused.text
    assert client.post("/charts", data={**form, "reason": "dropped"}).status_code == 200
    shown = text(client, "/charts?quantity=relief&document=proof")
    assert "In control" in shown
    assert "Point 31 is left out: dropped." in shown


@pytest.mark.slow
def test_subgroups_of_a_shift_and_station_hold_what_was_read_between_each_other(
    dossiers: Dossiers, client: TestClient
) -> None:
    for number in range(32):
        prove(dossiers, [STEADY[number % 30]], first=number // 4, station=f"bench {number % 2}")
    shown = text(client, "/charts?quantity=relief&gather=day+station")
    assert "16 points" in shown
    assert "2026-01-01 bench 0" in shown


@pytest.mark.slow
def test_capability_says_stability_first(dossiers: Dossiers, client: TestClient) -> None:
    prove(dossiers, STEADY)
    asked = "/charts/capability?quantity=relief"
    assert "Choose the limits" in text(client, asked)
    shown = text(client, f"{asked}&lower=0.1&upper=0.3")
    assert "keeps within its limits with room to spare" in shown
    assert "Cpk" in shown
    assert "No answer yet" not in shown
    prove(dossiers, [0.9], first=30)
    assert "No answer yet: the process is not stable" in text(client, f"{asked}&lower=0.1&upper=2")


@pytest.mark.slow
def test_typed_limits_keep_their_unit_and_a_percentage_has_none(
    dossiers: Dossiers, client: TestClient
) -> None:
    prove(dossiers, STEADY)
    asked = "/charts/capability?quantity=relief&lower=0.1&upper=0.3"
    assert 'name="unit" value="mm"' in client.get(asked).text
    assert "room to spare" in text(client, asked)
    assert "room to spare" not in text(client, f"{asked}&unit=in")  # 2.54 to 7.62 mm
    assert "Upper limit, in<" in client.get(f"{asked}&unit=in").text
    assert _level("20", "%") == 20.0
    assert _level("0.1", "in") == pytest.approx(2.54)


@pytest.mark.slow
def test_a_chart_is_of_one_cutter(dossiers: Dossiers, client: TestClient) -> None:
    prove(dossiers, STEADY)
    assert 'No reading has cutter "C-9".' in text(client, "/charts?quantity=relief&cutter=C-9", 422)
    shown = text(client, "/charts?quantity=relief&station=bench+9", 422)
    assert 'No reading has station "bench 9"; there are "bench 1".' in shown
    shown = text(client, "/charts?quantity=relief&person=Nobody", 422)
    assert 'No reading has person "Nobody".' in shown
    assert "none of 30 points signals" not in text(client, "/charts?serial=QC-0001", 422)
    assert 'name="cutter"' in client.get("/charts?quantity=relief").text


HOSTILE = {
    "steady": (
        STEADY,
        [
            ("&model=Nobody", 422, "No reading has model"),
            ("&since=tomorrow", 422, "Write a day"),
            ("&since=2199-01-01", 422, "No reading of relief"),
            ("&most=1", 200, "newest 2"),
            (f"&most={'9' * 5000}", 200, "relief"),
            ("&kind=<script>", 422, "is not known"),
        ],
    ),
    "constant": ([0.2] * 25, [("", 422, "The readings do not vary")]),
    "one": ([0.2], [("", 422, "two points")]),
}


@pytest.mark.quick(1)
@pytest.mark.parametrize("case", HOSTILE)
def test_hostile_readings_get_one_sentence(
    dossiers: Dossiers, client: TestClient, case: str
) -> None:
    values, wishes = HOSTILE[case]
    prove(dossiers, values)
    for asked, status, said in wishes:
        assert said in text(client, f"/charts?quantity=relief{asked}", status)
        turned = client.get(f"/charts/capability?quantity=relief&lower=0.3&upper=0.1{asked}")
        assert turned.status_code == 422


TIMES = "value,time,unit,size\n"
COUNTS = [3, 1, 2, 0, 1]


def sheet(values: Sequence[object], sizes: Sequence[object] = ()) -> dict[str, str]:
    pairs = zip(values, sizes or [""] * len(values), strict=True)
    rows = [f"{v},2026-03-{n + 1:02},,{size}" for n, (v, size) in enumerate(pairs)]
    return {"name": "q.csv", "text": TIMES + "\n".join(rows)}


@pytest.mark.slow
def test_hostile_sheets_get_one_sentence_from_programs_too(client: TestClient) -> None:
    fifty = [50] * 5
    limits = {"tolerance": {"lower_level": 0.1, "upper_level": 0.3}}
    for path, values, sizes, more, said in (
        ("chart", [0.2] * 25, (), {}, "The readings do not vary"),
        ("chart", [0.2], (), {}, "two points in a row or more"),
        ("chart", [0.2, "nan"], (), {}, '"nan" is not a number'),
        ("chart", [0.2, "1e400"], (), {}, '"1e400" is not a number'),
        ("chart", [], (), {}, "No row holds a value"),
        *(
            ("chart", values, sizes, {"kind": kind}, said)
            for kind in ("p", "np", "c", "u")
            for values, sizes, said in (
                ([3, -1, 2, 0, 1], fifty, "Point 2: a count is 0, 1, 2"),
                ([3, 1.5, 2, 0, 1], fifty, "Point 2: a count is 0, 1, 2"),
                (COUNTS, [50, 50, 0, 50, 50], "Point 3: a count is 0, 1, 2"),
                ([0] * 5, fifty, "The readings do not vary"),
            )
        ),
        ("chart", COUNTS, [50, 20, 50, 50, 50], {"kind": "np"}, "use p for changing ones"),
        ("chart", COUNTS, [50, 20, 50, 50, 50], {"kind": "c"}, "use u for changing ones"),
        ("chart", STEADY, (), {"known": {"sigma_level": 0}}, "more than zero, not 0"),
        ("chart", STEADY, (), {"size": -1}, "A subgroup of −1 cannot be taken"),
        ("capability", [0.2] * 25, (), limits, "The readings do not vary"),
        ("capability", [0.2], (), limits, "One reading says nothing about the spread"),
        ("capability", STEADY, (), {}, "Give a lower limit, an upper limit or both"),
        ("causes", [0.2] * 25, (), {}, "No factor with two values or more"),
    ):
        asked = {"source": sheet(values, sizes), **more}
        answer = client.post(f"/api/v1/{path}", json=asked)
        assert answer.status_code == 422, answer.text[:500]
        assert said in str(answer.json()["error"]), (path, more, answer.text[:500])
    large = {"name": "q.csv", "text": "value\n" + "0.2\n" * 2_000_000}
    assert client.post("/api/v1/chart", json={"source": large}).status_code == 413
    outside = {"tolerance": {"lower_level": 0.5, "upper_level": 0.9}}
    answer = client.post("/api/v1/capability", json={"source": sheet(STEADY), **outside}).json()
    assert answer["verdict"] == "not capable"
    assert "Stop until that is done: most instruments lie outside" in str(answer["findings"])


@pytest.mark.slow
@pytest.mark.parametrize(
    ("values", "wishes"),
    [
        (
            STEADY,
            {
                "&factor=batch": "No factor with two values or more",
                "&model=Nobody": "No reading has model",
                "&since=tomorrow": "Write a day",
            },
        ),
        ([0.2] * 25, {"": "All readings are the same"}),
        ([0.2], {"": "No factor with two values or more"}),
    ],
    ids=["steady", "constant", "one"],
)
def test_hostile_readings_get_one_sentence_on_the_page_of_causes(
    dossiers: Dossiers, client: TestClient, values: list[float], wishes: dict[str, str]
) -> None:
    prove(dossiers, values[: len(values) // 2], station="bench 1")
    prove(dossiers, values[len(values) // 2 :], first=len(values) // 2, station="bench 2")
    for asked, said in wishes.items():
        shown = text(client, f"/charts/causes?quantity=relief{asked}", 422)
        assert said in shown
        assert shown.count('role="alert"') == 1


@pytest.mark.slow
def test_the_report_of_a_day_leads_to_its_charts_and_to_paper(
    dossiers: Dossiers, client: TestClient
) -> None:
    prove(dossiers, [*STEADY, 0.34])
    shown = text(client, "/charts/report?day=2026-04-07")
    assert "thing to act on" in shown
    # the name is not broken at its hyphen
    said = 'not in control. 1 point of this day signals: <span class="whole">QC-0030</span>. Stop'
    assert said in shown
    place = re.findall(r'<a href="(/charts\?[^"]+)">See the chart', shown)[0]
    assert "Not in control" in text(client, place)
    paper = client.get("/charts/report.pdf?day=2026-04-07")
    assert paper.content.startswith(b"%PDF")
    assert "is not a day" in text(client, "/charts/report?day=tomorrow", 422)


def by_station(dossiers: Dossiers, apart_mm: float, count: int = 60) -> None:
    for number in range(count):
        station = number // 2 % 2
        relief_mm = STEADY[number % 30] + apart_mm * station
        prove(dossiers, [relief_mm], first=number, station=f"bench {station}")


@pytest.mark.slow
def test_the_page_of_causes_says_what_the_command_says(
    dossiers: Dossiers, client: TestClient, tmp_path: Path
) -> None:
    assert "Nothing to compare yet" in text(client, "/charts/causes")
    by_station(dossiers, 0.03)
    shown = text(client, "/charts/causes?quantity=relief")
    assert "The relief goes with station." in shown
    assert "batch, cutter, cutter uses, humidity and temperature are recorded with none" in shown
    assert "its control chart says that" in shown
    bars, rest = shown.index("Each factor"), shown.index("What the answer rests on")
    assert bars < shown.index("are recorded with none of these readings") < rest
    done = CliRunner().invoke(
        main,
        ["quality", "causes", "--archive", str(tmp_path), "--quantity", "relief"],
    )
    told = [line.strip(" !") for line in done.output.splitlines()[1:]]
    assert sum(line in shown for line in told if line) >= 3, done.output
    only = text(client, "/charts/causes?quantity=relief&factor=station&factor=model")
    assert "shift" not in only[only.index("Each factor") :]
    bad = "/charts/causes?quantity=relief&factor=batch"
    assert "No answer" in text(client, bad, 422)


@pytest.mark.slow
def test_a_station_that_is_called_by_a_number_is_a_name(
    dossiers: Dossiers, client: TestClient
) -> None:
    for number in range(60):  # stations in the middle are off, the others not: no trend over them
        station = number % 12 + 1
        relief_mm = STEADY[number % 30] + (0.06 if station in (5, 6) else 0.0)
        prove(dossiers, [relief_mm], first=number, station=str(station))
    address = "/charts/causes?quantity=relief&factor=station"
    taken = text(client, address)
    assert "The relief goes with station." not in taken
    assert "say so by the field Numbers that are names." in taken
    named = text(client, f"{address}&levels=station&levels=nothing")
    assert "The relief goes with station." in named
    assert 'name="levels" value="station" checked' in named


@pytest.mark.slow
def test_factors_that_always_go_together_are_named_before_anything_is_changed(
    dossiers: Dossiers, client: TestClient
) -> None:
    for number in range(60):
        station = number // 2 % 2
        relief_mm = STEADY[number % 30] + 0.03 * station
        facts = {"content_hash": f"{number:064x}", "schema": "evenfall/proof@1"}
        opened = {"subject": "instrument", "name": f"M {station}"}
        filings = [
            Filing("opened", opened),
            Filing("step", {"work": "Levelled.", "station": f"bench {station}"}),
            Filing("proof", {**facts, "specification": "", "relief_mm": relief_mm}),
        ]
        dossiers.archive.file(None, filings)
    shown = text(client, "/charts/causes?quantity=relief")
    verdict = shown[shown.index('id="verdict"') : shown.index("Each factor")]
    assert "always go together, so nobody can tell" in verdict


@pytest.mark.slow
def test_the_air_has_its_unit_and_what_cannot_be_told_has_no_share(
    dossiers: Dossiers, client: TestClient
) -> None:
    for number in range(60):
        facts = {"content_hash": f"{number:064x}", "specification": ""}
        read = {**facts, "content_hash": f"{number + 100:064x}", "schema": "evenfall/measurement@1"}
        humidity = 40.0 + number % 13
        temperature = 15.0 + humidity / 8.0 + 0.01 * (number % 2)  # goes along with the humidity
        air = {"humidity_percent": humidity, "temperature_celsius": temperature}
        relief_mm = STEADY[number % 30] + 0.002 * (number % 13)
        filings = [
            Filing("opened", {"subject": "instrument", "name": "Tesquil (invented)"}),
            Filing("measurement", {**read, **air}),
            Filing("proof", {**facts, "schema": "evenfall/proof@1", "relief_mm": relief_mm}),
        ]
        dossiers.archive.file(None, filings)
    shown = text(client, "/charts/causes?quantity=relief&factor=humidity")
    assert "The relief goes with humidity." in shown
    assert "from 40 % to 52 % it goes up by" in shown
    shown = text(client, "/charts/causes?quantity=relief&factor=humidity&factor=temperature")
    assert "These readings cannot tell whether temperature moves relief" in shown
    assert "mm. 0 % of the variance is left" not in shown
    assert "; of temperature and humidity these readings cannot tell." in shown
    row = shown[shown.index('<th scope="row">temperature') :]
    assert 'cannot be told</td><td data-label="share">–</td>' in row[: row.index("</tr>")]


@pytest.mark.slow
def test_causes_over_many_readings_go_on_beside_the_pages(
    dossiers: Dossiers, client: TestClient
) -> None:
    by_station(dossiers, 0.03)
    asked = "quantity=relief&document=proof&most=100000"
    assert "more than a page waits for" in text(client, f"/charts/causes?{asked}")
    answer = client.post("/charts/causes", data={"asked": asked}, follow_redirects=False)
    place = answer.headers["location"]
    again = client.post("/charts/causes", data={"asked": asked}, follow_redirects=False)
    assert again.headers["location"] == place
    deadline = time.monotonic() + 60.0
    while "The relief goes with station." not in (shown := text(client, place)):
        assert time.monotonic() < deadline, shown
        time.sleep(0.2)
    assert "<svg" in client.get(place).text
    listed = text(client, "/under-way")
    assert "Looking for causes" in listed


def test_what_somebody_says_of_the_work_is_a_factor(tmp_path: Path) -> None:
    with workshop.archive(str(tmp_path), make=True) as dossiers:
        dossiers.add(workshop.AddRequest(serial="UY-0417", name="Tesquil"))

    def note(*more: str) -> Result:
        words = ["archive", "note", "UY-0417", "Filed.", "--archive", str(tmp_path)]
        return CliRunner().invoke(main, [*words, *more])

    done = note("--station", "bench 2", "--cutter", "file 3", "--cutter-uses", "14")
    assert "cutter file 3 (14 uses)" in done.output
    assert note("--cutter-uses", "-1").exit_code == 2
    with workshop.archive(str(tmp_path)) as dossiers:
        for uses in (1.5, "14", -1):
            facts = {"cutter_uses": uses}
            with pytest.raises(RequestError, match="a whole number of times"):
                dossiers.note(workshop.NoteRequest("UY-0417", "Filed.", facts=facts))


def test_a_figure_that_reads_as_its_limit_has_the_digits_to_tell_them_apart() -> None:
    values = np.array([0.1908, 0.2154, 0.25])
    low, middle, high = (np.full(3, level) for level in (0.1911, 0.203, 0.2151))
    panel = Panel("value", "mm", values, middle, low, high, ("outside-limits",), 370.0)

    def shown(unit: LengthUnit) -> list[str]:
        def told(said: Sentence) -> str:
            return say(said, unit)

        view = cast(View, SimpleNamespace(unit=unit, say=told))
        return [_beside_limit(panel, point, view) for point in (1, 2, 3)]

    assert shown("mm") == [
        "0.1908 mm, under the lower limit of 0.1911 mm",
        "0.2154 mm, over the upper limit of 0.2151 mm",
        "0.250 mm",
    ]
    assert shown("in")[0] == "0.007512 in, under the lower limit of 0.007524 in"
