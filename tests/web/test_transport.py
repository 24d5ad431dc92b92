"""How the pages travel: TLS beyond this machine, behind a proxy, from several processes."""

from __future__ import annotations

import http.client
import json
import re
import signal
import socket
import ssl
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from urllib.parse import urlencode

import pytest
from cryptography import x509
from fastapi.testclient import TestClient

import evenfall as ef
from evenfall import workshop
from evenfall.errors import RequestError
from evenfall.records import audit
from evenfall.records.accounts import Accounts
from evenfall.web.application import application
from evenfall.web.certificates import CERTIFICATE_DAYS, ends_soon, own_certificate
from evenfall.web.command import placed
from evenfall.web.place import Place
from evenfall.web.transport import context, is_own, kept_fresh, listen, own_names
from served import serving, started

PASSWORD = "four words of a test"  # noqa: S105
FORM = {"content-type": "application/x-www-form-urlencoded"}


@pytest.fixture(autouse=True)
def settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "settings"
    monkeypatch.setenv("EVENFALL_SETTINGS", str(folder))
    return folder


@contextmanager
def served(tmp_path: Path, *more: str) -> Iterator[tuple[str, list[str]]]:
    """Yield the address of pages that a process serves, and what it printed."""
    server, place = started(str(tmp_path / "archive"), more=more)
    assert server.stdout is not None
    lines = []
    while not lines or not lines[-1].startswith("Stop with"):
        lines.append(server.stdout.readline())
        assert lines[-1], "the server stopped"
    try:
        yield place, lines
    finally:
        server.send_signal(signal.SIGTERM)
        server.communicate(timeout=30)


def code_of(lines: list[str]) -> str:
    (code,) = re.findall(r"/join\?code=([\w-]+)", "".join(lines))
    return str(code)


def joining(code: str) -> str:
    given = {"code": code, "name": "Q. Ulbrenq", "password": PASSWORD, "again": PASSWORD}
    return urlencode(given)


# ---- what is refused -----------------------------------------------------------------------------


OWN = ("127.0.0.1", "127.8.8.8", "::1", "localhost")
OTHERS = ("0.0.0.0", "192.0.2.7", "::", "team.example")  # noqa: S104


@pytest.mark.parametrize("host", [*OWN, *OTHERS])
def test_which_addresses_are_of_this_machine_alone(host: str) -> None:
    assert is_own(host) == (host in OWN)
    if host in OWN:
        place, speaking = placed(host)
        assert (place.secure, place.accounts, speaking) == (False, False, None)
    else:
        with pytest.raises(RequestError, match="over TLS only"):
            placed(host)
        with pytest.raises(RequestError, match="over TLS only"):  # nor does a proxy excuse it
            placed(host, ("team.example",), behind="192.0.2.9")


def test_what_does_not_go_together_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RequestError, match="not both"):
        placed("127.0.0.1", tls=(tmp_path, tmp_path), own=True)
    with pytest.raises(RequestError, match="how a browser calls the proxy"):
        placed("127.0.0.1", behind="127.0.0.1")


def test_names_are_those_that_a_browser_sends() -> None:
    place, _ = placed("127.0.0.1", ("Team.Example", "BENCH:8443"), behind="127.0.0.1")
    assert place.hosts == ("team.example", "bench:8443")


@pytest.mark.parametrize(
    "name", ["a@b", "b\u00e4nk", "https://team.example", "", "-team", "two words"]
)
def test_a_name_that_no_browser_can_call_is_one_sentence(name: str) -> None:
    with pytest.raises(RequestError, match="not a name that a browser can call"):
        placed("127.0.0.1", ("team.example", name), behind="127.0.0.1")


def test_an_address_of_another_machine_is_one_sentence() -> None:
    with pytest.raises(RequestError, match="not an address of this machine"):
        listen(0, "192.0.2.7")


def test_files_that_are_no_certificate_are_one_sentence(tmp_path: Path) -> None:
    certificate, key, _ = own_certificate(tmp_path / "one", ["team.example"])
    _, other, _ = own_certificate(tmp_path / "two", ["team.example"])
    assert isinstance(context(certificate, key), ssl.SSLContext)
    with pytest.raises(RequestError, match="do not belong together"):
        context(certificate, other)
    with pytest.raises(RequestError, match="no such file"):
        context(tmp_path / "none.pem", key)
    text = tmp_path / "text.pem"
    text.write_text("no certificate")
    with pytest.raises(RequestError, match="not a PEM file"):
        context(text, key)


def test_the_names_of_all_addresses_are_this_machine_s() -> None:
    assert own_names("192.0.2.7") == ("192.0.2.7",)
    assert socket.gethostname().lower() in own_names("0.0.0.0")  # noqa: S104


# ---- a certificate of our own --------------------------------------------------------------------


def loaded(path: Path) -> x509.Certificate:
    return x509.load_pem_x509_certificate(path.read_bytes())


def test_our_certificate_vouches_for_its_names_alone(tmp_path: Path) -> None:
    names = ["team.example", "192.0.2.7"]
    certificate, key, authority = own_certificate(tmp_path, names)
    assert {path.stat().st_mode & 0o777 for path in (key, tmp_path / "authority.key")} == {0o600}
    made, above = loaded(certificate), x509.load_pem_x509_certificate(authority)
    made.verify_directly_issued_by(above)
    limits = above.extensions.get_extension_for_class(x509.NameConstraints)
    assert limits.critical
    assert {str(one.value) for one in limits.value.permitted_subtrees or ()} == {
        *("team.example", "192.0.2.7/32")
    }
    lasting = made.not_valid_after_utc - datetime.now(UTC)
    assert CERTIFICATE_DAYS - 1 <= lasting.days <= CERTIFICATE_DAYS
    again = own_certificate(tmp_path, names)
    assert (loaded(again[0]), again[2]) == (made, authority)
    fewer = own_certificate(tmp_path, names[:1])
    assert loaded(fewer[0]) != made
    assert fewer[2] == authority  # no tablet has to be told again
    other = own_certificate(tmp_path, ["bench.example"])
    assert other[2] != authority


def test_a_certificate_that_soon_ends_is_made_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("evenfall.web.certificates.CERTIFICATE_DAYS", 20)
    certificate, _, authority = own_certificate(tmp_path, ["team.example"])
    first = loaded(certificate)
    monkeypatch.undo()
    certificate, _, same = own_certificate(tmp_path, ["team.example"])
    assert loaded(certificate).not_valid_after_utc > first.not_valid_after_utc
    assert same == authority


def test_a_certificate_that_was_renewed_is_taken_into_use_without_a_restart(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("evenfall.web.certificates.CERTIFICATE_DAYS", 20)
    certificate, key, _ = own_certificate(tmp_path, ["team.example"])
    assert ends_soon(certificate)
    monkeypatch.undo()
    first, made = loaded(certificate), context(certificate, key)
    asked = ssl.create_default_context(cafile=tmp_path / "authority.crt")

    def shown() -> x509.Certificate:
        """Return what somebody who calls now is shown."""
        here, there = (ssl.MemoryBIO() for _ in range(2))
        server = made.wrap_bio(here, there, server_side=True)
        client = asked.wrap_bio(there, here, server_hostname="team.example")
        for end in (client, server, client, server):
            with suppress(ssl.SSLWantReadError):
                end.do_handshake()
        return x509.load_der_x509_certificate(client.getpeercert(binary_form=True) or b"")

    assert shown() == first
    stop = threading.Event()
    renew = partial(own_certificate, tmp_path, ["team.example"])
    watching = partial(kept_fresh, made, (certificate, key), renew, every_s=0.01, stop=stop)
    thread = threading.Thread(target=watching)
    thread.start()
    end = time.monotonic() + 30
    while shown() == first and time.monotonic() < end:
        time.sleep(0.02)
    stop.set()
    thread.join()
    assert shown() == loaded(certificate) != first
    assert not ends_soon(certificate)


def test_names_that_no_certificate_can_hold_are_left_out_or_one_sentence(
    settings: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("socket.gethostname", lambda: "bänk_1")
    place, speaking = placed("0.0.0.0", own=True)  # noqa: S104
    assert speaking is not None
    assert place.hosts
    assert "bänk_1" not in place.hosts
    with pytest.raises(RequestError, match="not a name that a browser can call"):
        placed("bänk", own=True)
    long, short = (
        placed("::1", (name,), own=True)[0] for name in ("2001:DB8:0:0::7", "2001:db8::7")
    )
    assert long == short  # and the authority is the same: no tablet has to be told again


# ---- from outside --------------------------------------------------------------------------------


def test_the_pages_speak_tls_with_who_trusts_them_and_nothing_else(
    tmp_path: Path, settings: Path
) -> None:
    place, speaking = placed("0.0.0.0", ("127.0.0.1",), own=True)  # noqa: S104
    with serving(tmp_path / "archive", place=place, speaking=speaking) as address:
        port = int(address.rpartition(":")[2])
        plain = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
        plain.request("GET", "/health")
        with pytest.raises((http.client.HTTPException, OSError)), closing(plain):
            plain.getresponse()
        stranger = http.client.HTTPSConnection("127.0.0.1", port, timeout=30)
        with pytest.raises(ssl.SSLCertVerificationError), closing(stranger):
            stranger.request("GET", "/")
        trusting = ssl.create_default_context(cafile=settings / "tls" / "authority.crt")
        client = http.client.HTTPSConnection("127.0.0.1", port, context=trusting, timeout=30)
        with closing(client):
            client.request("GET", "/instruments")
            answer = client.getresponse()
            assert (answer.status, answer.version) == (401, 11)
            assert answer.headers["strict-transport-security"]


@pytest.mark.slow
def test_a_client_from_outside_comes_in_by_tls_alone(tmp_path: Path, settings: Path) -> None:
    name = socket.gethostname().lower()
    more = ("--host", "0.0.0.0", "--own-certificate", "--name", name)  # noqa: S104
    with served(tmp_path, *more, "--name", "127.0.0.1") as (place, lines):
        assert place.startswith(f"https://{name}:")
        port = int(place.rstrip("/").rpartition(":")[2])
        plain = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
        plain.request("GET", "/health")
        with pytest.raises((http.client.HTTPException, OSError)), closing(plain):
            plain.getresponse()
        stranger = http.client.HTTPSConnection("127.0.0.1", port)
        with pytest.raises(ssl.SSLCertVerificationError):
            stranger.request("GET", "/")
        trusting = ssl.create_default_context(cafile=settings / "tls" / "authority.crt")
        for old in (ssl.TLSVersion.TLSv1, ssl.TLSVersion.TLSv1_1):
            speaking = ssl.create_default_context(cafile=settings / "tls" / "authority.crt")
            speaking.set_ciphers("ALL:@SECLEVEL=0")
            with pytest.warns(DeprecationWarning, match="deprecated"):
                speaking.minimum_version = speaking.maximum_version = old
            with pytest.raises((ssl.SSLError, OSError)):
                http.client.HTTPSConnection("127.0.0.1", port, context=speaking).request("GET", "/")
        client = http.client.HTTPSConnection("127.0.0.1", port, context=trusting, timeout=60)

        def asked(
            method: str, path: str, body: str = "", **headers: str
        ) -> http.client.HTTPResponse:
            client.request(method, path, body or None, FORM | headers)
            answer = client.getresponse()
            answer.body = answer.read()  # type: ignore[attr-defined]
            return answer

        assert asked("GET", "/instruments").status == 401
        shown = asked("GET", "/trust")
        figures = lines[2].removeprefix("Its figures there: ").strip()
        assert figures.encode() in shown.body  # type: ignore[attr-defined]
        given = asked("GET", "/trust/evenfall.crt")
        authority = (settings / "tls" / "authority.crt").read_bytes()
        assert given.body == authority  # type: ignore[attr-defined]
        joined = asked("POST", "/join", joining(code_of(lines)))
        assert joined.status == 303
        cookie = joined.headers["set-cookie"]
        assert cookie.startswith("__Host-evenfall=")
        flags = {part.strip().lower() for part in cookie.split(";")[1:]}
        assert {"secure", "httponly", "samesite=lax", "path=/"} <= flags
        assert not any(flag.startswith("domain") for flag in flags)
        assert joined.headers["strict-transport-security"]
        key = cookie.partition(";")[0]
        people = asked("GET", "/people", cookie=key)
        assert people.status == 200
        (mark,) = re.findall(rb'name="csrf" content="(\w+)"', people.body)  # type: ignore[attr-defined]
        wanted = f"name=script&scope=look&days=30&csrf={mark.decode()}"
        made = asked("POST", "/tokens", wanted, cookie=key)
        (token,) = re.findall(rb'class="secret">([^<]+)<', made.body)  # type: ignore[attr-defined]
        here = f"https://127.0.0.1:{port}"
        with pytest.raises(RequestError, match="cannot be reached"):
            ef.connect(here, token.decode()).archive().newest()
        trusted = settings / "tls" / "authority.crt"
        with ef.connect(here, token.decode(), certificate=trusted) as there:
            assert there.archive().newest() == ()
        other = f"http://127.0.0.1:{port}"
        sent = asked("POST", "/log-in", "name=x&password=y", origin=other)
        assert sent.status == 403
        client.close()


@pytest.mark.slow
def test_a_proxy_says_who_asks_and_that_it_was_tls(tmp_path: Path) -> None:
    with listen(0) as free:
        port = free.getsockname()[1]
    more = ("--behind", "127.0.0.1", "--name", "team.example", "--port", str(port))
    calling = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    with served(tmp_path, *more) as (place, lines), closing(calling) as client:
        assert place == "https://team.example/"
        through = {
            "host": "team.example",
            "x-forwarded-for": "198.51.100.7",
            "x-forwarded-proto": "https",
        }

        def asked(method: str, path: str, body: str, headers: dict[str, str]) -> int:
            client.request(method, path, body or None, FORM | headers)
            answer = client.getresponse()
            answer.read()
            return answer.status

        assert asked("GET", "/health", "", {}) == 200
        assert asked("GET", "/ready", "", {}) == 200
        assert asked("GET", "/log-in", "", through) == 200
        assert asked("GET", "/log-in", "", through | {"x-forwarded-proto": "http"}) == 403
        assert asked("GET", "/log-in", "", through | {"host": "evil.example"}) == 421
        same = through | {"origin": "https://team.example"}
        assert asked("POST", "/join", joining(code_of(lines)), same) == 303
    with workshop.archive(str(tmp_path / "archive")) as dossiers:
        told = audit.lines(dossiers.archive)
        assert [(line.what, line.address) for line in told] == [
            ("joined", "198.51.100.7"),
            ("code made", ""),
        ]


@pytest.mark.slow
def test_several_processes_behind_one_proxy_share_log_ins_and_what_was_filed(
    tmp_path: Path,
) -> None:
    place = Place(hosts=("team.example",), secure=True, accounts=True)
    with (
        workshop.archive(str(tmp_path / "a"), make=True) as one,
        workshop.archive(str(tmp_path / "a"), make=True) as two,
    ):
        accounts = Accounts(one.archive)
        accounts.join(accounts.invite("Q. Ulbrenq", "manager"), PASSWORD)
        apps = [application(each, port=8417, place=place) for each in (one, two)]
        first, second = (TestClient(app, base_url="https://team.example") for app in apps)
        form = {"name": "Q. Ulbrenq", "password": PASSWORD}
        assert first.post("/log-in", data=form, follow_redirects=False).status_code == 303
        second.cookies = first.cookies
        (csrf,) = re.findall(r'name="csrf" content="(\w+)"', second.get("/settings").text)
        new = {"kind": "ukulele", "serial": "WB-9 (invented)", "csrf": csrf}
        made = first.post("/new", data=new, follow_redirects=False).headers["location"]
        assert "WB-9 (invented)" in second.get(made).text  # made warm again where it was not
        assert "WB-9 (invented)" in second.get("/instruments").text
        task = {"files": [{"name": "a.csv", "size": 3}]}
        begun = first.post("/uploads", json=task, headers={"x-csrf": csrf}).json()["task"]
        assert json.loads(second.get(f"/uploads/{begun}").text)["received"] == [0]
        assert second.post("/log-out", data={"csrf": csrf}, follow_redirects=False).is_redirect
        assert first.get("/settings").status_code == 401
        for app in apps:
            app.state.shop.leave()
