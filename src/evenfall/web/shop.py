"""What the pages keep while they run: the archive, warm instruments, strips that were drawn."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from evenfall.records.queue import Queue, Task
from evenfall.units import LengthUnit
from evenfall.web.pool import Pool
from evenfall.wording import Sentence
from evenfall.workshop import (
    DiagnoseRequest,
    PlanRequest,
    ProveRequest,
    diagnose,
    notices,
    prove,
)
from evenfall.workshop.exploring import Exploration, to_explore
from evenfall.workshop.proving import ProveOutcome, verdict_filed
from evenfall.workshop.story import Story, needed, story
from evenfall.workshop.tasks import basis

if TYPE_CHECKING:
    from markupsafe import Markup

    from evenfall.workshop.archives import Dossiers
    from evenfall.workshop.diagnosing import DiagnoseOutcome
    from evenfall.workshop.specifying import Written

MOST_WARM = 64
MOST_LINES = 2000
MOST_DIAGNOSES = 16
MOST_DRAWN = 512

Kept = TypeVar("Kept")


class Shelf(Generic[Kept]):
    """Things that take a while to make; the longest unused goes first."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: OrderedDict[object, Kept] = OrderedDict()
        self._lock = threading.Lock()
        self._making: dict[object, threading.Lock] = {}

    def clear(self) -> None:
        """Let everything go."""
        with self._lock:
            self._kept.clear()

    def get(self, key: object, make: Callable[[], Kept]) -> Kept:
        """Return what goes by a key, made once though several ask at a time."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
            own = self._making.setdefault(key, threading.Lock())
        with own:
            with self._lock:
                if key in self._kept:
                    return self._kept[key]
            try:
                made = make()
                with self._lock:
                    self._kept[key] = made
                    while len(self._kept) > self._most:
                        self._kept.popitem(last=False)
            finally:  # what cannot be made leaves nothing behind
                with self._lock:
                    self._making.pop(key, None)
            return made


class Shop:
    """What every page works with."""

    def __init__(self, dossiers: Dossiers) -> None:
        self.dossiers = dossiers
        self._warm: Shelf[Exploration] = Shelf(MOST_WARM)
        self._stories: Shelf[Story] = Shelf(MOST_WARM)
        self._diagnoses: Shelf[DiagnoseOutcome] = Shelf(MOST_DIAGNOSES)
        self._opened: dict[str, PlanRequest] = {}
        self.lines: Shelf[tuple[str, Sentence]] = Shelf(MOST_LINES)
        self._failing: Shelf[int] = Shelf(MOST_LINES)
        self._drawn: Shelf[Any] = Shelf(MOST_DRAWN)
        self.forms: Shelf[tuple[Written, Markup]] = Shelf(MOST_WARM)  # of specifications, by text
        self._proofs: Shelf[ProveOutcome] = Shelf(MOST_DIAGNOSES)
        self._erased = 0
        self._lock = threading.Lock()
        self._pool: Pool | None = None

    @property
    def pool(self) -> Pool:
        """Who works on what is under way, begun when it is first asked for."""
        return self.begin()

    def begin(self, **how: Any) -> Pool:
        """Begin to work on what is under way; `how` goes to `Pool`."""
        with self._lock:
            if self._pool is None:
                if notices.ways():
                    how.setdefault("look", notices.Looking(self.dossiers))
                self._pool = Pool(self.dossiers.archive, **how)
                self._pool.begin()
            return self._pool

    @property
    def queue(self) -> Queue:
        """What is under way."""
        return self.pool.queue

    def leaving(self) -> None:
        """Say that the server is about to stop, so that nobody goes on watching."""
        if self._pool is not None:
            self._pool.leaving = True

    def leave(self) -> None:
        """Let go of what is under way, before the server stops."""
        if self._pool is not None:
            self._pool.leave()

    def forget(self) -> None:
        """Drop everything that is warm: it may hold a name that was erased."""
        for shelf in (self._warm, self._stories, self._diagnoses, self._proofs, self._drawn):
            shelf.clear()
        self.lines.clear()
        self.forms.clear()
        self._opened.clear()

    def story(self, name: str) -> Story:
        """Return where the job on an instrument stands."""
        erased = self.dossiers.archive.erased()
        if erased != self._erased:  # here or by another program
            self._erased = erased
            self.forget()
        # pages name an instrument by its id: only of others is it asked what goes by the name
        entries = self.dossiers.archive.entries(name)
        dossier = name if entries else self.dossiers.named(name)
        entries = entries or self.dossiers.archive.entries(dossier)
        key = (dossier, len(entries), entries[-1].hash)
        return self._stories.get(key, lambda: story(self.dossiers, dossier))

    def diagnosis(self, told: Story) -> DiagnoseOutcome:
        """Return what is wrong with an instrument by its newest readings."""
        source = needed(told.measurement, "readings")
        return self._diagnoses.get(source.content, lambda: diagnose(DiagnoseRequest(source)))

    def failing(self, told: Story) -> int | None:
        """Return how many notes fail by the newest readings; None before there are any."""
        if told.measurement is None:
            return None
        key = told.measurement.content
        return self._failing.get(key, lambda: self.diagnosis(told).diagnosis.failing)

    def drawn(self, told: Story, what: str, unit: LengthUnit, make: Callable[[], Kept]) -> Kept:
        """Return a drawing of an instrument as it stands, made once until something is filed."""
        key = (told.line.dossier, told.version, what, unit)
        drawing: Kept = self._drawn.get(key, make)
        return drawing

    def proof(self, told: Story) -> ProveOutcome:
        """Return the verdict on the newest readings: as it was filed, or by the newest plan.

        A plan that is taken after a verdict was released changes nothing of it or its certificate.
        """
        after = needed(told.measurement, "readings")
        if told.judged is not None:
            filed, plan_then = told.judged

            def kept() -> ProveOutcome:
                source = self.dossiers.source_of
                return verdict_filed(source(filed, told.line), source(plan_then, told.line), after)

            return self._proofs.get((filed.hash, plan_then.hash), kept)
        plan = needed(told.plan, "plan")
        return self._proofs.get(
            (plan.content, after.content, told.worked),
            lambda: prove(ProveRequest(plan, after, worked=told.worked)),
        )

    def open_exploration(
        self, name: str, told: Story | None = None, accepted: tuple[str, ...] = (), by: str = ""
    ) -> Exploration:
        """Return the instrument of an open page; a drag asks the archive for nothing."""
        request = None if told is not None else self._opened.get(name)
        if request is None:
            request = to_explore(told or self.story(name), accepted, by)
            with self._lock:  # of two who open a page at once, one would look while it changes
                self._opened[name] = request
                while len(self._opened) > MOST_WARM:
                    self._opened.pop(next(iter(self._opened)))
        return self._explored(request)

    def exploration(self, told: Story, accepted: tuple[str, ...] = (), by: str = "") -> Exploration:
        """Return an instrument warm, to plan for, with some readings accepted as they are."""
        return self._explored(to_explore(told, accepted, by))

    def _explored(self, request: PlanRequest) -> Exploration:
        return self._warm.get(request, lambda: Exploration(request))

    def put(
        self, kind: str, asked: Mapping[str, Any], *, dossier: str = "", same: str = ""
    ) -> Task:
        """Have something done beside the pages; see `Queue.put`."""
        task = self.queue.put(kind, asked, dossier=dossier, same=same)
        self.pool.wake()
        return task

    def put_files(self, upload: str, kind: str, asked: Mapping[str, Any]) -> Task:
        """Have something done with files that came whole; see `Queue.ready`."""
        task = self.queue.ready(upload, kind, asked, "")
        self.pool.wake()
        return task

    def methods(self, told: Story) -> Task:
        """Return the comparison of all methods by the newest readings, begun if need be."""
        known = basis(told)
        task = self.put("methods", {"basis": known}, dossier=told.line.dossier, same=known)
        return self.pool.shown(task.id)

    def own_since(self, told: Story, seen: str, person: str) -> bool:
        """Say whether something was filed since a version, and all of it by one person.

        So it is where a button is pressed twice: what is asked for then is filed already.
        """
        filed = self.dossiers.since(told.line.dossier, seen) if seen else ()
        return bool(filed) and all(one.person == person for one in filed)

    def file_examples(self) -> None:
        """File invented instruments, if the archive is empty."""
        from evenfall.workshop.examples import file_examples

        if not self.dossiers.newest(1):
            file_examples(self.dossiers, at=now())


def now() -> str:
    """Return the time, as entries are dated."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
