"""What each role may, and what each route needs: one table, deny by default.

A route that is not in `NEEDS` answers nobody; a test walks all routes of the application and holds
them against it. `web.access` is what acts on it.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, get_args

from fastapi import Request

from evenfall.records.accounts import Role
from evenfall.workshop.calls import use_cases

Right = Literal["anyone", "own", "look", "measure", "plan", "release", "keep", "people", "lots"]

ROLE_RIGHTS: Mapping[Role, frozenset[Right]] = {
    "bench": frozenset({"own", "look", "measure"}),
    "engineer": frozenset({"own", "look", "measure", "plan"}),
    "manager": frozenset({"own", "look", "measure", "plan", "release", "keep", "people"}),
    "partner": frozenset({"own", "lots"}),
}
"""What each role may."""
SCOPES: Mapping[Right, str] = {
    "look": "read instruments, plans, verdicts, gauges and charts",
    "measure": "file readings, work done and gauge checks",
    "plan": "file plans, specifications and machine programs",
    "release": "file verdicts",
    "keep": "look after the archive",
    "lots": "read and answer the lots that are shared with a partner",
}
"""What a token may be given, and how a page says so: a token never changes who may come in."""
FILING: frozenset[Right] = frozenset({"measure", "plan", "release", "keep", "lots"})
"""Rights whose use is told in the audit log."""
SAFE = {"GET", "HEAD"}

NEEDS: Mapping[str, Right] = {
    # nobody has to be logged in
    "GET /health": "anyone",
    "GET /ready": "anyone",
    "GET /static/inks.css": "anyone",
    "GET /log-in": "anyone",
    "POST /log-in": "anyone",
    "GET /join": "anyone",
    "POST /join": "anyone",
    "GET /trust": "anyone",
    "GET /trust/evenfall.crt": "anyone",
    # what is somebody's own
    "GET /": "own",
    "POST /log-out": "own",
    "GET /settings": "own",
    "POST /settings": "own",
    "POST /view": "own",
    "GET /tokens": "own",
    "POST /tokens": "own",
    "POST /tokens/{token}/end": "own",
    # instruments
    "GET /instruments": "look",
    "POST /example": "plan",
    "GET /instruments/{name}": "look",
    "GET /instruments/{name}/line": "look",
    "GET /instruments/{name}/changes": "look",
    "GET /instruments/{name}/label": "look",
    "GET /new": "measure",
    "POST /new": "measure",
    # readings
    "GET /instruments/{name}/measure": "look",
    "POST /instruments/{name}/measure/check": "look",
    "POST /instruments/{name}/measure/file": "measure",
    "GET /instruments/{name}/measure/sheet.{kind}": "look",
    "POST /instruments/{name}/measure/typed": "measure",
    "POST /instruments/{name}/measure/upload": "measure",
    "GET /instruments/{name}/measure/seen/{task}": "look",
    "POST /instruments/{name}/measure/filed": "measure",
    "POST /uploads": "measure",
    "GET /uploads/{task}": "measure",
    "PATCH /uploads/{task}/{number}": "measure",
    "GET /instruments/{name}/scan/{of}": "look",
    "GET /instruments/{name}/target": "look",
    "GET /instruments/{name}/play": "look",
    "POST /instruments/{name}/play": "measure",
    # plans and specifications
    "GET /instruments/{name}/plan": "look",
    "POST /instruments/{name}/plan/look": "look",
    "POST /instruments/{name}/plan/spans": "look",
    "GET /instruments/{name}/plan/methods": "look",
    "POST /instruments/{name}/plan/side": "look",
    "POST /instruments/{name}/plan/crown": "look",
    "POST /instruments/{name}/plan/take": "plan",
    "GET /specifications": "look",
    "GET /specifications/new": "look",
    "GET /specifications/{dossier}": "look",
    "POST /specifications/check": "look",
    "POST /specifications/form": "look",
    "POST /specifications/ideal": "look",
    "POST /specifications/edit": "look",
    "POST /specifications/save": "plan",
    "GET /instruments/{name}/specification": "look",
    "GET /instruments/{name}/specification.toml": "look",
    "POST /instruments/{name}/specification/again": "plan",
    # work and proof
    "GET /instruments/{name}/work": "look",
    "GET /instruments/{name}/sheet.{kind}": "look",
    "POST /instruments/{name}/done": "measure",
    "GET /instruments/{name}/program": "look",
    "POST /instruments/{name}/program/upload": "plan",
    "GET /instruments/{name}/program/{task}": "look",
    "POST /instruments/{name}/program/{task}/filed": "plan",
    "GET /instruments/{name}/proof": "look",
    "POST /instruments/{name}/proof": "release",
    "GET /instruments/{name}/certificate.{kind}": "look",
    # charts
    "GET /charts": "look",
    "GET /charts/capability": "look",
    "GET /charts/causes": "look",
    "POST /charts/causes": "look",
    "GET /charts/report": "look",
    "GET /charts/report.pdf": "look",
    "POST /charts": "plan",
    "POST /charts/back": "plan",
    # lots that are judged
    "GET /judged": "look",
    "POST /judged": "release",
    "POST /judged/{dossier}/{entry}/answer": "release",
    "GET /judged/{dossier}/{entry}.{kind}": "look",
    # gauges
    "GET /gauges": "look",
    "POST /gauges": "measure",
    "GET /gauges/{dossier}": "look",
    "POST /gauges/{dossier}/check": "measure",
    "GET /gauges/{dossier}/study": "look",
    "POST /gauges/{dossier}/study": "measure",
    "POST /gauges/{dossier}/calibrated": "plan",
    # what is under way; work on the archive needs `keep` besides, see `under_way`
    "GET /under-way": "look",
    "GET /under-way/{name}": "look",
    "GET /under-way/{name}/events": "look",
    "POST /under-way/{name}/stop": "measure",
    "POST /under-way/{name}/again": "measure",
    "GET /under-way/{name}/file/{file}": "look",
    # the archive, and who may come in
    "GET /archive": "keep",
    "GET /archive/held": "keep",
    "POST /archive/verify": "keep",
    "POST /archive/backup": "keep",
    "POST /archive/erase": "keep",
    "POST /archive/export": "keep",
    "POST /archive/sent/upload": "keep",
    "POST /archive/task/{name}/file": "keep",
    "GET /archive/task/{name}": "keep",
    "GET /people": "keep",
    "POST /people": "people",
    "POST /people/{account}/role": "people",
    "POST /people/{account}/again": "people",
    "POST /people/{account}/end": "people",
    "GET /audit": "keep",
    # lots: shared by a manager, seen by the partner of each
    "GET /shared": "keep",
    "POST /shared": "keep",
    "GET /shared/{lot}": "keep",
    "GET /shared/{lot}/report.{kind}": "keep",
    "GET /shared/{lot}/sent.zip": "keep",
    "POST /shared/{lot}/withdraw": "keep",
    "GET /lots": "lots",
    "GET /lots/{lot}": "lots",
    "GET /lots/{lot}/report.{kind}": "lots",
    "GET /lots/{lot}/sent.zip": "lots",
    "GET /lots/{lot}/{dossier}/certificate.{kind}": "lots",
    "POST /lots/{lot}/answer": "lots",
    # other programs: a use case files nothing; what they file needs more by its kind, see `api`
    "GET /api/v1": "anyone",
    "GET /api/v1/openapi.json": "anyone",
    **{f"POST /api/v1/{name.replace('_', '-')}": "look" for name in use_cases()},
    "GET /api/v1/dossiers": "look",
    "POST /api/v1/dossiers": "measure",
    "GET /api/v1/dossiers/{name}": "look",
    "GET /api/v1/dossiers/{name}/entries": "look",
    "GET /api/v1/dossiers/{name}/papers": "look",
    "GET /api/v1/dossiers/{name}/papers/{paper}": "look",
    "GET /api/v1/dossiers/{name}/history": "look",
    "GET /api/v1/dossiers/{name}/story": "look",
    "GET /api/v1/dossiers/{name}/documents/{what}": "look",
    "POST /api/v1/dossiers/{name}/notes": "measure",
    "GET /api/v1/archive": "keep",
    "POST /api/v1/archive/verifications": "keep",
    "POST /api/v1/archive/backups": "keep",
    "POST /api/v1/archive/exports": "keep",
    "POST /api/v1/archive/looks": "keep",
    "POST /api/v1/archive/imports": "keep",
    "GET /api/v1/gauges": "look",
    "GET /api/v1/gauges/{name}": "look",
    "POST /api/v1/gauges/{name}/studies": "measure",
    "GET /api/v1/charts": "look",
    "GET /api/v1/charts/{chart}": "look",
    "POST /api/v1/charts/acts": "plan",
    "POST /api/v1/charts/{chart}/acts/{entry}/back": "plan",
    "GET /api/v1/judged": "look",
    "GET /api/v1/judged/{dossier}": "look",
    "GET /api/v1/judged/{dossier}/{entry}/report.{kind}": "look",
    "POST /api/v1/judged/samples": "look",
    "POST /api/v1/judged": "release",
    "GET /api/v1/reports/{day}": "look",
    "GET /api/v1/reports/{day}/report.{kind}": "look",
    "GET /api/v1/lots": "lots",
    "GET /api/v1/lots/{lot}": "lots",
    "GET /api/v1/lots/{lot}/sent.zip": "lots",
    "GET /api/v1/lots/{lot}/{dossier}/certificate.{kind}": "lots",
    "POST /api/v1/lots/{lot}/answer": "lots",
    "GET /api/v1/shared": "keep",
    "GET /api/v1/shared/{lot}": "keep",
    "GET /api/v1/shared/{lot}/sent.zip": "keep",
    "POST /api/v1/shared": "keep",
    "POST /api/v1/shared/{lot}/withdraw": "keep",
    "GET /api/v1/tasks": "look",
    "GET /api/v1/tasks/{task}": "look",
    "GET /api/v1/tasks/{task}/events": "look",
    "POST /api/v1/tasks/{task}/stop": "measure",
    "POST /api/v1/tasks/{task}/again": "measure",
    "GET /api/v1/tasks/{task}/result": "look",
    "GET /api/v1/tasks/{task}/files/{file}": "look",
    "POST /api/v1/uploads": "measure",
    "GET /api/v1/uploads/{task}": "measure",
    "PATCH /api/v1/uploads/{task}/{number}": "measure",
}
"""Method and path of every route, and the right that it needs. A POST that needs `look` files
nothing."""


@dataclass(frozen=True, slots=True)
class Who:
    """Who asks."""

    account: str = ""  # "" for nobody, and where there are no accounts
    name: str = ""
    role: Role | None = None
    rights: frozenset[Right] = frozenset()
    partner: str = ""  # name of the partner's firm; "" for the other roles
    token: str = ""  # by which token; "" for a person at a page
    key: str = ""  # of the log-in; "" for a token

    def may(self, right: Right) -> bool:
        """Say whether they have a right."""
        return right == "anyone" or right in self.rights

    def person(self, typed: str) -> str:
        """Return the name that is filed: the account's, or what was typed where there are none."""
        return self.name if self.account else typed.strip()

    @property
    def mark(self) -> str:
        """What a form of theirs carries, and no page of another site knows; "" without log-in."""
        return hmac.new(self.key.encode(), b"csrf", hashlib.sha256).hexdigest() if self.key else ""


NOBODY = Who()
LONE = Who(rights=frozenset(get_args(Right)) - {"lots"})
"""Who works at a bench without accounts."""


def who_of(request: Request) -> Who:
    """Return who asks."""
    who: Who = request.scope.get("state", {}).get("who", NOBODY)
    return who


def filed_by(request: Request, typed: str) -> str:
    """Return under which name this request files: see `Who.person`."""
    return who_of(request).person(typed)
