"""Days, weeks and shifts by the clock on the wall, wherever it hangs."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator

import pytest

from evenfall.errors import RequestError
from evenfall.workshop import Source
from evenfall.workshop.daily_report import ReportRequest
from evenfall.workshop.quality import ReadingsRequest, series_of

CENTRAL_EUROPE = "CET-1CEST,M3.5.0,M10.5.0/3"
INDIA = "IST-5:30"


@pytest.fixture
def zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], None]]:
    """Return what sets the clock of this machine to a time zone (POSIX), until the test ends."""
    with monkeypatch.context() as patched:

        def put(name: str) -> None:
            patched.setenv("TZ", name)
            time.tzset()

        yield put
    time.tzset()


def gathered(by: str, *times: str) -> tuple[str, ...]:
    """Return the subgroups of readings of these times."""
    rows = "".join(f"0.2,mm,{at}\n" for at in times)
    source = Source("relief.csv", f"value,unit,time\n{rows}".encode())
    request = ReadingsRequest(source, subgroup=(by,))
    return series_of(request.read(), request)[1].labels


@pytest.mark.parametrize(
    ("day", "hours"),
    [
        ("2026-03-28", ("2026-03-27T23", "2026-03-28T23")),
        ("2026-03-29", ("2026-03-28T23", "2026-03-29T22")),  # 23 hours long
        ("2026-10-25", ("2026-10-24T22", "2026-10-25T23")),  # 25 hours long
    ],
)
def test_a_day_ends_where_the_next_one_begins(
    zone: Callable[[str], None], day: str, hours: tuple[str, str]
) -> None:
    zone(CENTRAL_EUROPE)
    assert ReportRequest(day).hours == tuple(f"{hour}:00:00.000000Z" for hour in hours)


def test_midnight_may_lie_within_an_hour_of_another_clock(zone: Callable[[str], None]) -> None:
    zone(INDIA)  # 23:40 and 00:20
    assert gathered("day", "2026-03-02T18:10Z", "2026-03-02T18:50Z") == ("2026-03-02", "2026-03-03")


def test_a_clock_may_have_gone_back_a_minute_after_midnight(zone: Callable[[str], None]) -> None:
    """Newfoundland's did until 2011 (IANA time zones): from 00:01 to 23:01 of the day before."""
    zone("NST3:30NDT2:30,M3.2.0/0:01,M11.1.0/0:01")
    days = gathered("day", "2010-11-07T02:30:30Z", "2010-11-07T02:31:30Z")
    assert days == ("2010-11-07", "2010-11-06")


def test_the_same_hour_of_two_clocks_is_not_the_same_time(zone: Callable[[str], None]) -> None:
    zone("UTC0")  # 10:30 and 21:30
    times = ("2026-03-02T12:30+02:00", "2026-03-02T12:30-09:00")
    assert gathered("shift", *times) == ("2026-03-02 06:00", "2026-03-02 14:00")


def test_a_night_shift_belongs_to_the_day_on_which_it_began(zone: Callable[[str], None]) -> None:
    zone("UTC0")
    times = ("2026-03-01T23:00", "2026-03-02T05:59", "2026-03-02T06:00")
    assert gathered("shift", *times) == ("2026-03-01 22:00", "2026-03-02 06:00")
    assert gathered("week", *times) == ("2026-W09", "2026-W10")
    with pytest.raises(RequestError, match="The times are not days"):
        gathered("shift", "0001-01-01T05:00")
