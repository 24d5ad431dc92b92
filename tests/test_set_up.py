"""`dev.py` says in one line why it cannot go on, and does not do twice what is done."""

from __future__ import annotations

import ast
import importlib.util
import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import pytest

SCRIPT = Path(__file__).resolve().parent.parent / "dev.py"


@pytest.fixture
def dev(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """Return dev.py as a module that works in an empty folder of its own."""
    spec = importlib.util.spec_from_file_location("dev_under_test", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    for name, place in {"ROOT": ".", "BOOT": ".boot", "VENV": ".venv"}.items():
        monkeypatch.setattr(module, name, tmp_path / place)
    monkeypatch.setattr(module, "STAMP", tmp_path / ".venv" / "stamp")
    (tmp_path / "uv.lock").write_text("version = 1\n", encoding="utf-8")
    (tmp_path / "pyproject.toml").write_text("[project]\n", encoding="utf-8")
    return module


def test_an_old_python_can_read_as_far_as_the_version_check() -> None:
    tree = ast.parse(SCRIPT.read_text(encoding="utf-8"), feature_version=(3, 7))
    kinds = [type(node) for node in tree.body]
    check = next(n for n, node in enumerate(tree.body) if "version_info" in ast.unparse(node))
    assert set(kinds[1:check]) == {ast.Import, ast.ImportFrom, ast.Assign}


@pytest.mark.parametrize(
    ("output", "sign"),
    [
        ("  cause: dns error\n  cause: Temporary failure in name resolution", "no connection"),
        ("NewConnectionError('Failed to establish a new connection: [Errno -3]", "no connection"),
        ("SSLError(SSLCertVerificationError(1, 'certificate verify failed'))", "not trusted"),
        ("  cause: invalid peer certificate: UnknownIssuer", "not trusted"),
        ("OSError: [Errno 28] No space left on device", "disk is full"),
        ("error: The lockfile at `uv.lock` needs to be updated, but", "uv.lock does not match"),
        ("something\n\nerror: nobody thought of this\n", "error: nobody thought of this"),
        ("", "gave no reason"),
    ],
)
def test_the_reason_of_a_failure_is_one_plain_line(dev: ModuleType, output: str, sign: str) -> None:
    reason = dev.reason_of_failure(output)
    assert sign in reason
    assert "\n" not in reason


def test_a_python_without_ensurepip_is_told_which_package_to_install(
    dev: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        dev.importlib.util, "find_spec", lambda name: None if name == "ensurepip" else object()
    )
    with pytest.raises(dev.StopError, match="apt-get install python3-venv"):
        dev.set_up_installer()


def test_programs_are_found_where_each_system_puts_them(
    dev: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = Path("x")
    monkeypatch.setattr(dev.os, "name", "nt")
    assert dev.program(folder, "uv") == folder / "Scripts" / "uv.exe"
    monkeypatch.setattr(dev.os, "name", "posix")
    assert dev.program(folder, "uv") == folder / "bin" / "uv"


def test_set_up_runs_again_only_when_something_changed(
    dev: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[list[str]] = []

    def install(command: list[str], _: dict[str, str], *, follow: bool) -> tuple[bool, str]:
        python = dev.program(dev.VENV, "python")
        python.parent.mkdir(parents=True, exist_ok=True)
        python.touch()
        synced.append(command)
        return follow, ""

    monkeypatch.setattr(dev, "set_up_installer", lambda: None)
    monkeypatch.setattr(dev, "run", install)

    def syncs_after(*, tools: bool) -> int:
        dev.set_up(tools=tools)
        return len(synced)

    assert syncs_after(tools=False) == 1
    assert syncs_after(tools=False) == 1, "nothing changed"
    assert syncs_after(tools=True) == 2, "the tools are new"
    assert syncs_after(tools=False) == 2, "the tools include the program"
    (tmp_path / "uv.lock").write_text("version = 2\n", encoding="utf-8")
    assert syncs_after(tools=True) == 3, "the lock file changed"
    monkeypatch.setattr(dev, "ROOT", tmp_path / ".." / tmp_path.name)
    assert syncs_after(tools=True) == 4, "the folder moved"
    assert all("--locked" in command for command in synced)
    assert ["--no-dev" in command for command in synced] == [True, False, False, False]


@pytest.mark.quick(2)
@pytest.mark.parametrize(
    ("arguments", "status", "output"),
    [
        (["--help"], 0, "usage: python3 dev.py JOB"),
        ([], 2, "usage: python3 dev.py JOB"),
        (["polish"], 1, "there is no job 'polish'"),
        (["docs", "--help"], 1, "docs does not take '--help'"),
    ],
)
def test_jobs_are_listed_and_unknown_ones_refused(
    arguments: list[str], status: int, output: str
) -> None:
    environment = {name: value for name, value in os.environ.items() if name != "VIRTUAL_ENV"}
    done = subprocess.run(
        [sys.executable, SCRIPT, *arguments],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == status
    assert output in done.stdout + done.stderr
    assert "Traceback" not in done.stderr


def test_the_lock_installs_what_the_program_needs() -> None:
    """A lock whose list of what is required was edited by hand passes the installer's own check."""
    root = SCRIPT.parent
    project = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    locked = tomllib.loads((root / "uv.lock").read_text(encoding="utf-8"))["package"]
    installed = next(package for package in locked if package["name"] == project["name"])
    needed = {re.split(r"[^\w.-]", text)[0] for text in project["dependencies"]}
    assert needed == {dependency["name"] for dependency in installed["dependencies"]}
