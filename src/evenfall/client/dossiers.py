"""The dossiers of a server's archive, with the verbs of `evenfall.Dossiers`."""

from __future__ import annotations

import io
import json
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal
from urllib.parse import quote, unquote, urlencode
from zipfile import ZipFile

from evenfall.client.connection import whole
from evenfall.errors import At, Progress, RequestError, silent
from evenfall.files import write_together
from evenfall.workshop import AddRequest, NoteRequest, Source
from evenfall.workshop.archive_readings import MOST_READINGS, Filed
from evenfall.workshop.archive_tasks import FORMS, SeenWhole, Sent

if TYPE_CHECKING:
    from evenfall.client.connection import Connection
    from evenfall.codec import FileContent
    from evenfall.records.entries import ChartAct, LotAnswer
    from evenfall.records.extracts import Form
    from evenfall.units import LengthUnit
    from evenfall.workshop import ChartRequest, GaugeRequest, JudgeRequest
    from evenfall.workshop.archive_views import Added, History, Line, Shown, Told
    from evenfall.workshop.daily_report import DailyReport
    from evenfall.workshop.gauges import Gauge
    from evenfall.workshop.kept_charts import Act, Kept
    from evenfall.workshop.kept_lots import KeptLots
    from evenfall.workshop.lot_reports import KeptLotOutcome

_LISTED = 20
_AT_ONCE = 200


class ThereDossiers:
    """The dossiers of an archive that a server keeps: one method for each verb."""

    def __init__(self, there: Connection) -> None:
        self._there = there

    def __enter__(self) -> ThereDossiers:
        return self

    def __exit__(self, *_error: object) -> None:
        """Nothing is to be let go of: the server keeps the archive open."""

    # ---- filing ----------------------------------------------------------------------------------

    def add(self, request: AddRequest) -> Added:
        """File documents and files into the dossier of their instrument, opened if need be."""
        body, _ = self._there.written(request)
        made: Added = whole(self._there.ask("POST", "/dossiers?form=whole", body))
        return made

    def file(
        self,
        *made: FileContent,
        files: Iterable[Source] = (),
        instrument: str = "",
        person: str = "",
        done: str = "",
    ) -> Added:
        """File documents that were made just now, after the files that they were made from."""
        papers = [
            Source(f"{one.KIND}.json", json.dumps(one.as_dict(), allow_nan=False).encode())
            for one in made
        ]
        asked = AddRequest((*files, *papers), instrument=instrument, person=person, done=done)
        return self.add(asked)

    def note(self, request: NoteRequest) -> Told:
        """Write a note, a step of work, a calibration or a check reading into a dossier."""
        body, _ = self._there.written(replace(request, instrument=""))
        body.pop("instrument", None)
        place = f"{_at(request.instrument)}/notes?form=whole"
        made: Told = whole(self._there.ask("POST", place, body))
        return made

    # ---- lots ------------------------------------------------------------------------------------

    def lots(self) -> tuple[KeptLots, ...]:
        """Return the lots that were judged, by supplier and model, and where inspection stands."""
        made: tuple[KeptLots, ...] = self._whole("/judged")
        return made

    def next_sample(self, request: JudgeRequest) -> KeptLotOutcome:
        """Say which sample the next lot needs; nothing is filed."""
        return self._judged("/judged/samples", request)

    def judge(self, request: JudgeRequest) -> KeptLotOutcome:
        """Judge a lot by what was found of its sample, and keep it, signed."""
        return self._judged("/judged", request)

    def _judged(self, place: str, request: JudgeRequest) -> KeptLotOutcome:
        body, _ = self._there.written(request)
        made: KeptLotOutcome = whole(self._there.ask("POST", f"{place}?form=whole", body))
        return made

    def shared(self, *, own: bool = False) -> list[dict[str, Any]]:
        """Return the lots that are shared with partners; `own`, as a partner, those shared with it.

        Values as `GET /shared` and `GET /lots` give them: `key` names a lot in the other calls.
        """
        told: list[dict[str, Any]] = self._told("GET", _side(own))["lots"]
        return told

    def shared_lot(self, key: str, *, own: bool = False) -> dict[str, Any]:
        """Return a lot as both sides see it: verdicts, decision, state of inspection, answer."""
        return self._told("GET", _lot(key, own=own))

    def sent(self, key: str, *, own: bool = False) -> bytes:
        """Return a lot as a signed file for the partner's own archive."""
        return self._there.ask("GET", f"{_lot(key, own=own)}/sent.zip").content

    def share(
        self,
        partner: str,
        names: Sequence[str] = (),
        *,
        lot: str = "",
        kept: str = "",
        since: str = "",
    ) -> dict[str, Any]:
        """Share a lot with a partner: `kept` as DOSSIER:ENTRY, or instruments alone under a name.

        With `since`, the version of what is shared, it is refused where somebody changed that.
        """
        body = {"partner": partner, "lot": lot, "names": list(names), "kept": kept}
        return self._told("POST", "/shared", body, since)

    def withdraw(self, key: str, *, since: str = "") -> None:
        """Let a partner see a lot no more."""
        self._there.ask("POST", f"{_lot(key, own=False)}/withdraw", None, _match(since))

    def answer(
        self,
        key: str,
        says: LotAnswer,
        *,
        reason: str = "",
        since: str = "",
    ) -> dict[str, Any]:
        """Accept a lot as its partner, ask that it be read again, or send it back; say why."""
        body = {"says": says, "reason": reason}
        return self._told("POST", f"{_lot(key, own=True)}/answer", body, since)

    def certificate(self, key: str, dossier: str, kind: Literal["pdf", "html"] = "pdf") -> bytes:
        """Return the certificate of an instrument of a lot that is shared with who asks."""
        place = f"{_lot(key, own=True)}/{quote(dossier, safe='')}/certificate.{kind}"
        return self._there.ask("GET", place).content

    # ---- gauges, charts, the report of a day -----------------------------------------------------

    def gauges(self) -> tuple[Gauge, ...]:
        """Return the gauges, what is due first before the rest, then by name."""
        made: tuple[Gauge, ...] = self._whole("/gauges")
        return made

    def gauge(self, name: str) -> Gauge:
        """Return one gauge by name or id."""
        made: Gauge = self._whole(f"/gauges/{quote(name, safe='')}")
        return made

    def file_study(
        self, gauge: str, study: GaugeRequest, *, person: str = "", done: str = ""
    ) -> None:
        """Judge a study of a gauge, and file it in its dossier."""
        body, _ = self._there.written(study)
        place = f"/gauges/{quote(gauge, safe='')}/studies"
        self._there.ask("POST", place, {"study": body, "person": person, "done": done})

    def filed(self, *, since: str = "", until: str = "", most: int = MOST_READINGS) -> Filed:
        """Return the readings that the archive holds, as charts and capability take for a sheet.

        From one time on, before another (ISO 8601), and of those the newest `most`.
        """
        there: Any = self._there  # the server puts its own archive here
        return Filed(there, since, until, most)

    def charts(self) -> tuple[Kept, ...]:
        """Return the charts that people have worked on, by their names."""
        made: tuple[Kept, ...] = self._whole("/charts")
        return made

    def acts(self, chart: str) -> tuple[Act, ...]:
        """Return what was done to a chart, named by its dossier, and stands."""
        made: tuple[Act, ...] = self._whole(f"/charts/{quote(chart, safe='')}")
        return made

    def act_on_chart(
        self, request: ChartRequest, act: ChartAct, point: str, reason: str, *, since: str = ""
    ) -> None:
        """Freeze the limits of a chart over the archive, begin new ones, or leave a point out.

        With `since` it is refused where the chart no longer has that version.
        """
        chart, _ = self._there.written(request)
        body = {"chart": chart, "act": act, "point": point, "reason": reason}
        body["person"] = request.person
        self._there.ask("POST", "/charts/acts", body, _match(since))

    def take_back(
        self, chart: str, entry: str, reason: str, *, person: str = "", since: str = ""
    ) -> None:
        """Take back what was done to a chart, with the reason."""
        place = f"/charts/{quote(chart, safe='')}/acts/{quote(entry, safe='')}/back"
        self._there.ask("POST", place, {"reason": reason, "person": person}, _match(since))

    def report(self, day: str) -> DailyReport:
        """Return the report of a day, as 2026-03-31, by the server's clock."""
        made: DailyReport = self._whole(f"/reports/{quote(day, safe='')}")
        return made

    # ---- looking ---------------------------------------------------------------------------------

    def find(self, words: str, limit: int = _LISTED) -> tuple[Line, ...]:
        """Return the dossiers in which every word begins a name, number or code of a paper.

        Without words, the dossiers in which something was filed last.
        """
        found: list[Line] = []
        after = ""
        while len(found) < limit:
            count = min(limit - len(found), _AT_ONCE)
            lines, after = self._whole("/dossiers", words=words, limit=count, cursor=after)
            found += lines
            if not after:
                break
        return tuple(found)

    def newest(self, limit: int = _LISTED) -> tuple[Line, ...]:
        """Return the dossiers in which something was filed last, the newest first."""
        return self.find("", limit)

    def named(self, name: str) -> str:
        """Return the one dossier that goes by a number, name or id, given as a whole."""
        return self.show(name).line.dossier

    def show(self, name: str) -> Shown:
        """Return a whole dossier, every entry in words."""
        made: Shown = self._whole(_at(name))
        return made

    def history(self, name: str) -> History:
        """Return relief, action, lowest crown and fret life over the years."""
        made: History = self._whole(f"{_at(name)}/history")
        return made

    def latest(self, name: str, kind: str, *, ahead: bool = False) -> Source:
        """Return the newest document of a kind in a dossier, as a source to work from.

        With `ahead` it is refused where the work that it is for has been done.
        """
        return self._document(name, kind, {"ahead": "true"} if ahead else {})

    def document(self, name: str, what: str) -> Source:
        """Return one document or file of a dossier."""
        return self._document(name, what, {})

    def _document(self, name: str, what: str, how: dict[str, str]) -> Source:
        place = f"{_at(name)}/documents/{quote(what, safe='')}"
        answer = self._there.ask("GET", f"{place}?{urlencode(how)}" if how else place)
        _, _, named = answer.headers.get("content-disposition", "").partition("''")
        return Source(unquote(named) or what, answer.content)

    def since(self, name: str, version: str) -> tuple[Told, ...]:
        """Return what was filed into a dossier since a version; everything if it never had it."""
        made: tuple[Told, ...] = self._whole(f"{_at(name)}/entries", since=version)
        return made

    def papers(self, name: str) -> tuple[str, ...]:
        """Return the papers and pictures that a dossier can be given as now."""
        return tuple(self._told("GET", f"{_at(name)}/papers")["papers"])

    def paper(self, name: str, paper: str, *, unit: LengthUnit | None = None) -> bytes:
        """Return a paper or picture of a dossier, as "certificate.pdf"; `papers` lists them."""
        asked = f"?{urlencode({'unit': unit})}" if unit else ""
        return self._there.ask("GET", f"{_at(name)}/papers/{quote(paper, safe='')}{asked}").content

    # ---- exchange and keeping --------------------------------------------------------------------

    def export(
        self, names: Sequence[str], to: Path, *, shown: str = "all", progress: Progress = silent
    ) -> tuple[int, int]:
        """Write dossiers (all, if none is named) into one signed file.

        Return how many entries it holds, and how many of them it shows in full.
        """
        told, content = self._export(names, "dossiers", shown, progress)
        write_together({to: content})
        return told["entries"], told["in_full"]

    def extract(
        self, names: Sequence[str], to: Path, form: Form, *, progress: Progress = silent
    ) -> dict[str, int]:
        """Write dossiers (all, if none is named) as tables with their dictionary into a new folder.

        Return how many rows each table has.
        """
        told, content = self._export(names, form, "all", progress)
        with ZipFile(io.BytesIO(content)) as tables:
            held = [one for one in tables.infolist() if not one.is_dir()]
            if any(Path(one.filename).name != one.filename for one in held):
                raise RequestError("The server sent files with folders in their names.")
            if to.is_dir() and any(to.iterdir()):
                text = "There are files in this folder already; name a new one."
                raise RequestError(text, at=At(file=str(to)))
            made = {to / one.filename: tables.read(one) for one in held}
        write_together(made, folders=[to])
        rows: dict[str, int] = told["rows"]
        return rows

    def backup(self, to: str, progress: Progress = silent) -> dict[str, Any]:
        """Copy the archive into a new folder of the server; return how many entries it holds."""
        return self._done("backups", {"to": to}, progress)[1]

    def results(self, names: Sequence[str], progress: Progress = silent) -> bytes:
        """Return the newest proofs of dossiers (all, if none is named) as a QIF document."""
        return self._export(names, "qif", "all", progress)[1]

    def _export(
        self, names: Sequence[str], form: str, shown: str, progress: Progress
    ) -> tuple[dict[str, Any], bytes]:
        body = {"names": list(names), "form": form, "shown": shown}
        task, told = self._done("exports", body, progress)
        return told, self._there.ask("GET", f"/tasks/{task}/files/{FORMS[form]}").content

    def look(self, source: Source, *, progress: Progress = silent) -> Sent:
        """Say what a partner's file holds and what filing it would come to; nothing is filed."""
        return self._taken(source, "looks", {}, progress)

    def import_(self, source: Source, *, trust_key: str = "", progress: Progress = silent) -> Sent:
        """File what a partner sent, if their key is trusted; whatever is known stays as it is."""
        return self._taken(source, "imports", {"trust_key": trust_key}, progress)

    def _taken(self, source: Source, verb: str, how: dict[str, str], progress: Progress) -> Sent:
        upload = self._there.upload({0: (source.name, source.read(10**9))})
        return Sent.from_dict(self._done(verb, {"upload": upload, **how}, progress)[1])

    def verify(self, *, sign: bool = False, progress: Progress = silent) -> SeenWhole:
        """Look at every byte that was filed; with `sign`, sign what is sound and not signed yet."""
        return SeenWhole.from_dict(self._done("verifications", {"sign": sign}, progress)[1])

    def contents(self) -> Any:
        """Count what the archive holds, and say when it was last verified and copied."""
        return self._whole("/archive")

    # ---- how it is asked -------------------------------------------------------------------------

    def _whole(self, place: str, **asked: str | int) -> Any:
        """Return what a place gives, as it is here."""
        return whole(self._there.ask("GET", f"{place}?{urlencode({**asked, 'form': 'whole'})}"))

    def _told(
        self, method: str, place: str, body: dict[str, Any] | None = None, since: str = ""
    ) -> dict[str, Any]:
        """Return an answer as plain values."""
        told: dict[str, Any] = self._there.ask(method, place, body, _match(since)).json()
        return told

    def _done(
        self, verb: str, body: dict[str, Any], progress: Progress
    ) -> tuple[str, dict[str, Any]]:
        """Have work done on the archive: the task that it was, and what came of it."""
        task = str(self._told("POST", f"/archive/{verb}", body)["id"])
        self._there.watch(task, progress)
        return task, self._told("GET", f"/tasks/{task}/result")


def _side(own: bool) -> str:
    return "/lots" if own else "/shared"


def _lot(key: str, *, own: bool) -> str:
    return f"{_side(own)}/{quote(key, safe='')}"


def _match(since: str) -> dict[str, str]:
    return {"if-match": f'"{since}"'} if since else {}


def _at(name: str) -> str:
    return f"/dossiers/{quote(name, safe='')}"
