"""Charts over an archive that a person has worked on: limits frozen, begun again, points left out.

What is done to a chart is an entry of a dossier of its own, named by the readings that it is of. It
names a point by its time and name, never by its number, which changes as readings arrive; frozen
limits are kept as numbers, so that they hold when their points are long out of sight.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from operator import and_
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from evenfall.errors import At, ChangedError, RequestError
from evenfall.production import Excluded, Phase, Series
from evenfall.production.chart_kinds import Known
from evenfall.records import Filing
from evenfall.records.archive import NOTHING, Archive
from evenfall.records.entries import ChartAct, Entry, canonical, legible, sha256

if TYPE_CHECKING:
    from evenfall.sheets.tidy import TidyTable
    from evenfall.workshop.quality import ReadingsRequest

_LONGEST_NAME = 200


@dataclass(frozen=True, slots=True)
class Act:
    """What a person did to a chart."""

    entry: str  # its hash, to take it back by
    act: ChartAct
    point: str  # name of the point
    at: str  # time of its first reading
    reason: str
    person: str
    filed_at: str
    known: Known
    points: int  # that the frozen limits came from


def chart_name(quantity: str, document: str, request: ReadingsRequest) -> str:
    """Return what the readings of a chart are called, the same for the same readings."""
    only = {name: value for name, value in request.only.items() if name != "document"}
    parts = [f"{quantity} ({document})"]
    parts += [f"{name} {value}" for name, value in sorted(only.items())]
    if request.subgroup:
        parts.append(f"by {' and '.join(request.subgroup)}")
    elif request.size > 1:
        parts.append(f"{request.size} in a row")
    name = ", ".join(parts)
    if len(name) <= _LONGEST_NAME:
        return name
    mark = f" … {sha256(name)[:8]}"  # two long names may begin alike
    return name[: _LONGEST_NAME - len(mark)] + mark


def asked_of(quantity: str, document: str, request: ReadingsRequest) -> str:
    """Return which readings a chart is of, as the JSON that is kept with what is done to it."""
    return canonical(
        {
            "quantity": quantity,
            "only": {**request.only, "document": document},
            "subgroup": list(request.subgroup),
            "size": request.size,
        }
    )


@dataclass(frozen=True, slots=True)
class Kept:
    """A chart that a person has worked on."""

    dossier: str
    name: str
    asked: dict[str, Any]  # fields of the request for its readings
    since: str  # time from which its limits are frozen; empty where they are not


def kept_charts(archive: Archive) -> Iterator[Kept]:
    """Yield the charts on which something stands that a person did, by their names.

    One whose question cannot be read, as a damaged one of a partner, is left out.
    """
    for dossier in archive.beginning("chart "):
        entries = archive.entries(dossier)
        opened = entries[0].values
        acts = [one.values for one in legible(entries, "on chart")]
        asked = next((one["asked"] for one in reversed(acts) if one.get("asked")), "")
        wanted = _wanted(asked)
        if opened.get("subject") != "chart" or wanted is None:
            continue
        frozen = [one["at"] for one in acts if one["act"] == "frozen"]
        yield Kept(dossier, opened["name"], wanted, max(frozen, default=""))


def _wanted(asked: str) -> dict[str, Any] | None:
    """Return the fields of a request from what `asked_of` wrote; None where it wrote nothing."""
    try:
        made = json.loads(asked)
        return {
            "quantity": str(made["quantity"]),
            "only": {name: str(value) for name, value in made["only"].items()},
            "subgroup": tuple(str(name) for name in made["subgroup"]),
            "size": int(made["size"]),
        }
    except (ValueError, TypeError, KeyError, AttributeError, OverflowError, RecursionError):
        return None


def query_of(asked: Mapping[str, Any]) -> str:
    """Return which readings a chart is of as the end of the address of its page."""
    size = int(asked.get("size", 0))
    gather = " ".join(asked.get("subgroup", ())) or (str(size) if size > 1 else "")
    told = {"quantity": asked["quantity"], **asked["only"], "gather": gather}
    return urlencode({name: value for name, value in told.items() if value})


def acts_on(archive: Archive, name: str) -> tuple[Act, ...]:
    """Return what was done to a chart and stands, the oldest first."""
    dossier = _dossier(archive, name)
    return tuple(_acts(archive, archive.entries(dossier))) if dossier else ()


def act_on(
    archive: Archive,
    name: str,
    act: Mapping[str, object],
    *,
    person: str = "",
    takes_back: str = "",
    since: str = "",
) -> None:
    """File what a person does to a chart; `takes_back` names an act that no longer stands.

    With `since` it is refused where the chart no longer has that version.
    """
    if not str(act.get("reason", "")).strip():
        raise RequestError("Write the reason; whoever sees the chart reads it.", at=At("reason"))
    filings = [Filing("on chart", act, person)]
    if takes_back:
        words = {"words": f"Taken back: {act['reason']}"}
        filings = [Filing("note", words, person, corrects=takes_back)]
    opened = Filing("opened", {"subject": "chart", "name": name}, person)
    while True:
        label = f"chart {name}"
        looked = archive.named(label)
        dossier = _of_name(archive, looked, name)
        try:
            if dossier is None:
                archive.file(None, [opened, *filings], since=since, looked={label: looked})
            else:
                archive.file(dossier, filings, since=since)
        except ChangedError:
            if since:
                raise
            # the first act on this chart is somebody else's, of just now
        else:
            return


def version_of_chart(archive: Archive, name: str) -> str:
    """Return what changes whenever somebody does something to a chart."""
    dossier = _dossier(archive, name)
    return archive.version(dossier) if dossier else NOTHING


def begun_at(acts: tuple[Act, ...], table: TidyTable, series: Series) -> dict[int, Act]:
    """Return the points in view from which limits begin again, each with the newest act."""
    times = [table.time[n] for n in series.starts.tolist()]
    begun: dict[int, Act] = {}
    for one in sorted((one for one in acts if one.act == "begun"), key=lambda one: one.at):
        first = next((n for n, at in enumerate(times, start=1) if at >= one.at), 0)
        begun |= {first: one} if first else {}
    return begun


def stretches(
    acts: tuple[Act, ...], table: TidyTable, series: Series
) -> tuple[tuple[Phase, ...], tuple[Excluded, ...]]:
    """Return the phases of a chart by what was done to it, and the points that none is for.

    One of which too little is in view for limits of its own, and that has no frozen ones, is judged
    by those of the phase before it, which do not come from its points; before the first phase
    there are no limits to judge it by.
    """
    begun = begun_at(acts, table, series)
    out = {one.point for one in left_out(acts, table, series)}
    firsts = sorted({1, *begun})
    made: list[Phase] = []
    before: list[Excluded] = []
    for first, after in zip(firsts, [*firsts[1:], series.point_count + 1], strict=True):
        start = begun[first].at if first in begun else ""  # the first may have begun out of sight
        end = begun[after].at if after in begun else "~"
        frozen = [one for one in acts if one.act == "frozen" and start <= one.at < end]
        last = frozen[-1] if frozen else None
        inside = range(first, after)
        used = [n not in out for n in inside]
        told = [one for one in (begun.get(first) if first > 1 else None, last) if one is not None]
        reasons = [one.reason for one in told]
        person = told[-1].person if told else ""
        if last is None and not any(map(and_, used, used[1:])):
            if not made:
                before += [Excluded(n, "the limits began again after it") for n in inside]
            elif not (made[-1].brought or made[-1].frozen_at):
                reason = "; ".join(filter(None, [made[-1].reason, *reasons]))
                made[-1] = replace(made[-1], frozen_at=first - 1, reason=reason, person=person)
            continue
        made.append(
            Phase(
                first if made else 1,
                0,
                "; ".join(reasons),
                person,
                last.known if last else Known(),
                last.points if last else 0,
            )
        )
    if not made:
        return (Phase(1),), ()
    return tuple(made), tuple(one for one in before if one.point not in out)


def left_out(acts: tuple[Act, ...], table: TidyTable, series: Series) -> tuple[Excluded, ...]:
    """Return the points that a person left out."""
    out = {(one.at, one.point): one.reason for one in acts if one.act == "left out"}
    if not out:
        return ()
    found = []
    for point, start in enumerate(series.starts.tolist(), start=1):
        if reason := out.get((table.time[start], series.label(point))):
            found.append(Excluded(point, reason))
    return tuple(found)


def _dossier(archive: Archive, name: str) -> str | None:
    return _of_name(archive, archive.named(f"chart {name}"), name)


def _of_name(archive: Archive, found: Sequence[str], name: str) -> str | None:
    """Return the dossier of a chart among those that its label finds."""
    for dossier in found:
        if archive.entries(dossier)[0].values.get("name") == name:
            return dossier
    return None


def _acts(archive: Archive, entries: tuple[Entry, ...]) -> Iterator[Act]:
    stand = legible(entries, "on chart")
    people = archive.people({entry.person for entry in stand} - {""})
    for entry in stand:
        facts = entry.values
        levels = [math.nan if facts.get(n) is None else float(facts[n]) for n in _LEVELS]
        person = people.get(entry.person)
        yield Act(
            entry.hash,
            facts["act"],
            facts["point"],
            facts["at"],
            facts["reason"],
            person.name if person else "",
            entry.at,
            Known(*levels),
            facts.get("points", 0),
        )


_LEVELS = ("centre_level", "sigma_level")
