"""A connection to a server: what is asked goes there, what comes back is as if made here."""

from __future__ import annotations

import base64
import ipaddress
import json
import secrets
import ssl
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

import httpx2

from evenfall.client.errors import error_of
from evenfall.codec.forms import Plain
from evenfall.codec.whole import unpacked
from evenfall.errors import At, Cancelled, Progress, RequestError, silent
from evenfall.files import read_bytes
from evenfall.workshop import Source
from evenfall.workshop.asking import plain_request
from evenfall.workshop.calls import VERSION_HEADER, use_cases

if TYPE_CHECKING:
    from evenfall.client.dossiers import ThereDossiers

ROOT = "/api/v1"
INLINE_BYTES = 1_000_000
"""Files of a call that together are larger go piece by piece before it."""
_PIECE_BYTES = 4_000_000
_LARGEST_BYTES = 400_000_000
_TRIES = 4
_WAIT_S = 0.25
_TIMEOUT_S = 120.0
_REACHED_S = 10.0
_SILENT_S = 30.0
"""After which a server that tells of a task, and says it is alive each second, is gone."""


class Connection:
    """The use cases, carried out by a server.

    Parameters
    ----------
    address, token, certificate, timeout_s
        As of `connect`.
    http
        How the server is called, where that is to be set up otherwise.

    Examples
    --------
    >>> from evenfall.client import Connection
    >>> there = Connection("http://127.0.0.1:9")
    >>> there.plan
    <bound method Connection.call of plan at http://127.0.0.1:9>
    """

    def __init__(
        self,
        address: str,
        token: str = "",
        *,
        certificate: str | Path = "",
        timeout_s: float = _TIMEOUT_S,
        http: httpx2.Client | None = None,
    ) -> None:
        self.address = address.rstrip("/")
        url = _url(self.address)
        own = _own(url.host)
        headers = {"authorization": f"Bearer {token}"} if token else {}
        if token and url.scheme == "http" and not own:
            raise RequestError(
                "A token is not sent without TLS, where others can read it; give the address as "
                "https://{place}.",
                place=self.address.partition("://")[2],
            )
        self._timeout_s = timeout_s
        self._http = http or httpx2.Client(
            timeout=httpx2.Timeout(timeout_s, connect=min(timeout_s, _REACHED_S)),
            verify=_trusting(certificate) if certificate else True,
            trust_env=not (own and url.scheme == "http"),  # no proxy on the way to oneself
        )
        self._http.base_url = url
        self._http.headers.update({"accept": "application/json", **headers})

    def __enter__(self) -> Connection:
        return self

    def __exit__(self, *_error: object) -> None:
        self._http.close()

    def __getattr__(self, name: str) -> Callable[..., Any]:
        if name.startswith("_") or name not in use_cases():
            raise AttributeError(f"a connection has no use case {name!r}")
        return _Call(self, name)

    def archive(self) -> ThereDossiers:
        """Return the dossiers of the server's archive."""
        from evenfall.client.dossiers import ThereDossiers

        return ThereDossiers(self)

    # ---- calls -----------------------------------------------------------------------------------

    def call(self, name: str, request: Any, progress: Progress = silent) -> Any:
        """Return what a use case makes of a request."""
        body, _ = self.written(request)
        prefer = {} if progress is silent else {"prefer": "respond-async"}
        address = f"/{name.replace('_', '-')}?form=whole"
        answer = self.ask("POST", address, body, prefer)
        if answer.status_code == httpx2.codes.ACCEPTED:
            task = self.watch(answer.json()["id"], progress)
            answer = self.ask("GET", f"/tasks/{task['id']}/result")
        return whole(answer)

    def written(self, request: Any) -> tuple[Plain, str]:
        """Return a request as it is sent, and the task of its files that were sent before it."""
        sources: list[Source] = []

        def take(source: Source) -> Plain:
            sources.append(source)
            return {}

        plain_request(request, take)
        contents = [_content(source) for source in sources]
        numbers = {id(source): number for number, source in enumerate(sources)}
        task = ""
        if sum(map(len, contents)) > INLINE_BYTES:
            names = [source.name for source in sources]
            task = self.upload(dict(enumerate(zip(names, contents, strict=True))))

        def send(source: Source) -> Plain:
            number = numbers[id(source)]
            if task:
                return {"upload": f"{task}/{number}"}
            return _inline(source.name, contents[number])

        return plain_request(request, send), task

    def upload(self, files: Mapping[int, tuple[str, bytes]]) -> str:
        """Send files piece by piece, each going on where a lost connection left it."""
        announced = [{"name": name, "size": len(content)} for name, content in files.values()]
        made = self.ask("POST", "/uploads", {"files": announced})
        task = str(made.json()["task"])
        for number, (_, content) in files.items():
            there, tries = 0, _TRIES
            while there < len(content):
                try:
                    answer = self._http.patch(
                        f"{ROOT}/uploads/{task}/{number}",
                        content=content[there : there + _PIECE_BYTES],
                        headers={"upload-offset": str(there)},
                    )
                except httpx2.TransportError as error:
                    tries -= 1
                    if not tries:
                        raise self._lost(error) from None
                    time.sleep(_WAIT_S)
                    kept = int(self.ask("GET", f"/uploads/{task}").json()["received"][number])
                    tries = _TRIES if kept > there else tries
                    there = kept
                    continue
                if answer.status_code not in (httpx2.codes.OK, httpx2.codes.CONFLICT):
                    _refuse(answer)
                there, tries = int(_json(answer)["received"]), _TRIES
        return task

    def watch(self, task: str, progress: Progress = silent) -> Plain:
        """Wait for a task and return it; a refusal is raised, and `Cancelled` stops it."""
        try:
            for known in self._events(task):
                progress(known["doing"] or "Waiting", known["share"])
                if known["state"] == "refused":
                    raise error_of(known["error"])
                if known["state"] == "stopped":
                    raise Cancelled
                if known["state"] == "done":
                    return known
        except (Cancelled, KeyboardInterrupt):
            with suppress(RequestError):  # whoever wanted to stop stops, whatever is heard there
                self.ask("POST", f"/tasks/{task}/stop")
            raise
        raise AssertionError

    def _events(self, task: str) -> Iterator[Plain]:
        """Yield how a task stands, again and again, by server-sent events, until it ended."""
        left = _TRIES
        known: Plain = {}
        patience = httpx2.Timeout(_SILENT_S, connect=_REACHED_S)
        while True:
            try:
                place = f"{ROOT}/tasks/{task}/events"
                with self._http.stream("GET", place, timeout=patience) as answer:
                    told = answer.status_code == httpx2.codes.OK
                    if not told or VERSION_HEADER not in answer.headers:
                        answer.read()
                        _refuse(answer)
                    for line in answer.iter_lines():
                        left = _TRIES
                        if line.startswith("data:"):
                            known = json.loads(line.removeprefix("data:"))
                        if known:
                            yield known
            except httpx2.TransportError as error:
                left -= 1
                if not left:
                    raise self._lost(error) from None
            time.sleep(_WAIT_S)

    def ask(
        self,
        method: str,
        address: str,
        body: Plain | None = None,
        headers: Mapping[str, str] | None = None,
    ) -> httpx2.Response:
        """Return an answer that is no refusal; what a lost connection swallowed is sent again."""
        sent = dict(headers or {})
        if method == "POST":
            sent["idempotency-key"] = secrets.token_hex(16)
        for left in reversed(range(_TRIES)):
            try:
                answer = self._http.request(method, ROOT + address, json=body, headers=sent)
            except httpx2.ReadTimeout:
                raise RequestError(
                    "The server at {address} gave no answer within {seconds:.0f} s. See whether it "
                    "was done; then give it more time (timeout_s), or a progress, which makes it "
                    "a task.",
                    address=self.address,
                    seconds=self._timeout_s,
                ) from None
            except httpx2.TransportError as error:
                if left:
                    time.sleep(_WAIT_S)
                    continue
                raise self._lost(error) from None
            again = left < _TRIES - 1  # sent before, and still under way there
            if again and left and answer.status_code == httpx2.codes.CONFLICT:
                time.sleep(_WAIT_S)
                continue
            if answer.status_code >= httpx2.codes.BAD_REQUEST:
                _refuse(answer)
            if VERSION_HEADER not in answer.headers:  # a page to log in to a network, for example
                raise _no_answer(answer)
            return answer
        raise AssertionError

    def _lost(self, error: Exception) -> RequestError:
        why = str(error) or type(error).__name__
        return RequestError(
            "The server at {address} cannot be reached ({why}); check address and network.",
            address=self.address,
            why=why[:200],
        )


class _Call:
    """One use case of a connection."""

    def __init__(self, there: Connection, name: str) -> None:
        self._there, self._name = there, name

    def __call__(self, request: Any, progress: Progress = silent) -> Any:
        return self._there.call(self._name, request, progress)

    def __repr__(self) -> str:
        return f"<bound method Connection.call of {self._name} at {self._there.address}>"


def connect(
    address: str, token: str = "", *, certificate: str | Path = "", timeout_s: float = _TIMEOUT_S
) -> Connection:
    """Connect to a server, whose functions are those of this package.

    Parameters
    ----------
    address
        Where the server is, as https://NAME:PORT.
    token
        Token that the server gave; empty where it asks for none. It is sent over TLS alone, or to
        this machine itself.
    certificate
        File of the authority that vouches for the server, where that is none that every program
        knows; a server with a certificate of its own hands it out at /trust.
    timeout_s
        How long an answer may take [s].

    Raises
    ------
    RequestError
        This is no address, or a token would go without TLS.

    Examples
    --------
    >>> import evenfall as ef
    >>> there = ef.connect("http://127.0.0.1:9")
    >>> isinstance(there, ef.Connection), there.address
    (True, 'http://127.0.0.1:9')
    """
    return Connection(address, token, certificate=certificate, timeout_s=timeout_s)


def _url(address: str) -> httpx2.URL:
    """Return an address of a server: scheme, host, port and at most a path."""
    try:
        url = httpx2.URL(address)
    except (httpx2.InvalidURL, ValueError):
        url = httpx2.URL("")
    whole = url.scheme in ("http", "https") and url.host and address.isprintable()
    if not whole or url.userinfo or url.query or url.fragment or any(map(str.isspace, address)):
        raise RequestError(
            "{address:quoted} is not an address of a server; give one as https://NAME:PORT.",
            address=address,
        )
    return url


def _own(host: str) -> bool:
    """Say whether a host is this machine itself."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _trusting(certificate: str | Path) -> ssl.SSLContext:
    """Return how TLS is spoken with a server that an authority of its own vouches for."""
    try:
        return ssl.create_default_context(cafile=str(certificate))
    except (OSError, ssl.SSLError):
        raise RequestError(
            "This is not a certificate of an authority; take it from the page /trust of the "
            "server.",
            at=At(file=str(certificate)),
        ) from None


def whole(answer: httpx2.Response) -> Any:
    """Return what an answer holds whole, if a program of the same version gave it."""
    given = _json(answer)
    here = version("evenfall")
    there = given.get("version", here)
    if there != here:
        raise _other_version(str(there))
    if "whole" not in given:
        raise _no_answer(answer)
    return unpacked(given["whole"])


def _other_version(there: str) -> RequestError:
    return RequestError(
        "The server has version {there} and this program {here}; bring both to the same.",
        there=there[:40],
        here=version("evenfall"),
    )


def _refuse(answer: httpx2.Response) -> None:
    given = _json(answer).get("error")
    if not isinstance(given, Mapping):
        raise _no_answer(answer)
    there = answer.headers.get(VERSION_HEADER, "")
    misread = answer.status_code in (404, 405, 422)  # what the other version knows nothing of
    if there not in ("", version("evenfall")) and misread:
        raise _other_version(there) from error_of(given)
    raise error_of(given)


def _json(answer: httpx2.Response) -> Plain:
    try:
        made = answer.json()
    except (json.JSONDecodeError, UnicodeDecodeError):
        raise _no_answer(answer) from None
    if not isinstance(made, dict):
        raise _no_answer(answer)
    return made


def _no_answer(answer: httpx2.Response) -> RequestError:
    return RequestError(
        "What answers at {address} is not this program (status {status}); check the address.",
        address=str(answer.url)[:200],
        status=answer.status_code,
    )


def _content(source: Source) -> bytes:
    if source.content is not None:
        return source.content
    return read_bytes(source.on_disk, limit_bytes=_LARGEST_BYTES)


def _inline(name: str, content: bytes) -> Plain:
    try:
        return {"name": name, "text": content.decode("utf-8")}
    except UnicodeDecodeError:
        return {"name": name, "base64": base64.b64encode(content).decode()}
