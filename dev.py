#!/usr/bin/env python3
"""One command for every job: it sets itself up, then does the job.

It needs Python 3.11 or newer, git and, the first time, a network connection; nothing else has to
be installed. The set-up lives in two folders of this checkout: `.boot` holds the installer, `.venv`
the packages in exactly the versions that `uv.lock` names. Remove both to start afresh.
"""

import hashlib
import importlib.util
import os
import shutil
import ssl
import subprocess
import sys
from pathlib import Path

OLDEST_PYTHON = (3, 11)
if sys.version_info < OLDEST_PYTHON:
    sys.exit(
        "dev.py: needs Python 3.11 or newer, but this is Python {}.{}; "
        "start it with a newer one, for example: python3.12 dev.py".format(*sys.version_info)
    )

ROOT = Path(__file__).resolve().parent
BOOT = ROOT / ".boot"
VENV = ROOT / ".venv"
STAMP = VENV / "evenfall-set-up"
OLDEST_UV = (0, 13)

USAGE = """usage: python3 dev.py JOB [ARGUMENTS]

  serve [...]          open the pages with invented instruments in the browser of this machine;
                       the arguments go to evenfall serve
  demo [DIR]           run the whole job once on an invented instrument, pictures included, and
                       make an archive of three invented years
  test [--all] [...]   run the tests; the rest goes to pytest. --all adds the slow ones: every
                       example of each property instead of the first 3, every case of the long
                       lists, nearly all roads through the pages in a browser, whole necks played
                       and scanned, the reference interpreter of programs on every plan, the
                       second unit, end and neck of a family, every archive on PostgreSQL too,
                       checks by many draws, a small part of each study, and dear tests that a
                       quicker one backs up
  lint                 check style, format, layers and reference pages
  types                check types
  docs                 write the reference, quotes and drawings of the pages from the program
  bench [...]          measure speed; the arguments go to pytest, a path in place of all
  study NAME           answer a question over many invented necks and write its page in
                       docs/studies; --count N for a smaller run, --seed S for other necks
  setup                only set up"""


class StopError(Exception):
    """A reason to stop, in one line for the person at the keyboard."""


def say(step: str) -> None:
    """Print one step of what is being done."""
    print(f"dev.py: {step}", flush=True)


def program(folder: Path, name: str) -> Path:
    """Return the path of a program inside a virtual environment, on any system."""
    return folder / "Scripts" / f"{name}.exe" if os.name == "nt" else folder / "bin" / name


def clean_environment() -> dict[str, str]:
    """Return this process's environment without what would lead the installers elsewhere.

    Nor with what keeps Python from storing the compiled packages in `.venv`: every start of the
    program, and the tests start it often, would compile NumPy again.
    """
    stray = {"VIRTUAL_ENV", "PYTHONHOME", "PYTHONPATH", "UV_PROJECT_ENVIRONMENT", "UV_PYTHON"}
    stray |= {"PYTHONDONTWRITEBYTECODE"}
    return {name: value for name, value in os.environ.items() if name not in stray}


def run(command: list[str], environment: dict[str, str], *, follow: bool) -> tuple[bool, str]:
    """Run an installer and return whether it succeeded, and its output.

    `follow` passes on what is being fetched and built, for steps that can take minutes.
    """
    lines = []
    with subprocess.Popen(
        command,
        cwd=ROOT,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        encoding="utf-8",
        errors="replace",
    ) as process:
        for line in process.stdout or ():
            lines.append(line)
            if follow and not line.startswith((" + ", " - ", " ~ ")):  # the list of packages
                print("  " + line, end="", flush=True)
    return process.returncode == 0, "".join(lines)


def reason_of_failure(output: str) -> str:
    """Return in plain words why an installer failed, judged by its output."""
    text = output.lower()
    if "certificate" in text:
        return (
            "the package server's certificate is not trusted here; "
            "name your network's certificate file in SSL_CERT_FILE and run again"
        )
    no_network = (
        "dns error",
        "name resolution",
        "getaddrinfo failed",
        "nodename nor servname",
        "connection refused",
        "network is unreachable",
        "failed to establish a new connection",
        "timed out",
    )
    if any(sign in text for sign in no_network):
        return "no connection to the package server; connect to the network and run again"
    if "no space left" in text:
        return "the disk is full; the set-up needs about 1 GB"
    if "lockfile" in text and "needs to be updated" in text:
        return (
            "uv.lock does not match pyproject.toml; run `.boot/bin/uv lock` and commit the result"
        )
    last = [line.strip() for line in output.splitlines() if line.strip()][-1:]
    return last[0] if last else "the installer gave no reason"


def uv_version() -> tuple[int, ...]:
    """Return the version of the uv in `.boot`, or an empty tuple if there is none that runs."""
    try:
        answer = subprocess.run(
            [program(BOOT, "uv"), "--version"], capture_output=True, text=True, check=True
        ).stdout
        return tuple(int(part) for part in answer.split()[1].split(".")[:2])
    except (OSError, subprocess.CalledProcessError, ValueError, IndexError):
        return ()


def set_up_installer() -> None:
    """Put uv into `.boot`, unless it is there and new enough."""
    if uv_version() >= OLDEST_UV:
        return
    if importlib.util.find_spec("venv") is None or importlib.util.find_spec("ensurepip") is None:
        raise StopError(
            "this Python cannot make virtual environments; install the package that adds them "
            "(Debian and Ubuntu: apt-get install python3-venv) and run again"
        )
    environment = clean_environment()
    say("making .boot, a small environment for the installer")
    made, output = run(
        [sys.executable, "-m", "venv", "--clear", str(BOOT)], environment, follow=False
    )
    if not made:
        raise StopError(f"could not make .boot: {reason_of_failure(output)}")

    wanted = "uv>={}.{},<1".format(*OLDEST_UV)
    say(f"installing {wanted} into .boot")
    pip = [str(program(BOOT, "python")), "-m", "pip", "--disable-pip-version-check", "--retries=2"]
    install = ["install", "--quiet", wanted]
    done, output = run([*pip, *install], environment, follow=False)
    store = ssl.get_default_verify_paths().cafile
    if not done and store and "CERTIFICATE_VERIFY_FAILED" in output:
        # Older pips trust only the certificates they carry, not those of this machine.
        say(f"trying again with the certificates of this machine ({store})")
        done, output = run([*pip, f"--cert={store}", *install], environment, follow=False)
    if not done:
        raise StopError(f"could not install uv: {reason_of_failure(output)}")


def set_up(*, tools: bool) -> None:
    """Bring `.venv` to what `uv.lock` says, unless it is there already.

    `tools` adds what development needs (tests, linters) to what the program itself needs.
    """
    content = (ROOT / "uv.lock").read_bytes() + (ROOT / "pyproject.toml").read_bytes()
    digest = hashlib.sha256(content).hexdigest()
    stamp = STAMP.read_text(encoding="utf-8").splitlines() if STAMP.is_file() else []
    old_digest, old_kind, old_place = stamp if len(stamp) == 3 else ("", "", str(ROOT))
    if old_place != str(ROOT):
        say(f"removing .venv, which was made when this folder was {old_place}")
        shutil.rmtree(VENV)
    has_python = program(VENV, "python").exists()
    if has_python and old_digest == digest and (old_kind == "tools" or not tools):
        return
    set_up_installer()
    say("installing the packages that uv.lock names into .venv")
    command = [str(program(BOOT, "uv")), "sync", "--locked", "--no-progress"]
    if not tools:
        command += ["--no-dev", "--inexact"]  # inexact: tools that are there already stay
    if not has_python:
        command += ["--python", sys.executable]
    environment = clean_environment()
    # uv trusts only the certificates it carries, unless told to ask the machine.
    environment.setdefault("UV_SYSTEM_CERTS", "true")
    done, output = run(command, environment, follow=True)
    if not done:
        raise StopError(f"could not install the packages: {reason_of_failure(output)}")
    STAMP.write_text(f"{digest}\n{'tools' if tools else 'program'}\n{ROOT}\n", encoding="utf-8")


def call(name: str, *arguments: str, environment: dict[str, str] | None = None) -> int:
    """Run one program of `.venv` in the checkout and return its exit status."""
    say(" ".join([name, *arguments]))
    command = [str(program(VENV, name)), *arguments]
    return subprocess.call(command, cwd=ROOT, env=environment or clean_environment())


def call_all(*commands: list[str]) -> int:
    """Run every command, even after one fails, and return the first exit status that is not 0."""
    statuses = [call(*command) for command in commands]
    return next((status for status in statuses if status), 0)


def demo(arguments: list[str]) -> int:
    """Run the whole job once on an invented instrument."""
    set_up(tools=False)
    if sys.stdout.isatty() and not any(a.startswith("-") for a in arguments):
        arguments = [*arguments, "--open"]  # somebody is watching: show the picture
    say(" ".join(["evenfall", "demo", *arguments]))
    # In the caller's folder, so that a relative DIR means what it says.
    evenfall = str(program(VENV, "evenfall"))
    code = subprocess.call([evenfall, "demo", *arguments], env=clean_environment())
    named = [argument for argument in arguments if not argument.startswith("-")]
    archive = Path(named[0] if named else "evenfall-demo") / "archive"
    if code or archive.exists() or arguments[:1] in (["-h"], ["--help"]):
        return code
    say(f"evenfall archive example {archive}")
    return subprocess.call([evenfall, "archive", "example", str(archive)], env=clean_environment())


def serve(arguments: list[str]) -> int:
    """Open the pages in the browser, over an archive that begins with invented instruments."""
    set_up(tools=False)
    archive = [] if "--archive" in arguments else ["--archive", str(ROOT / "evenfall-demo/archive")]
    return call("evenfall", "serve", "--example", "--open", *archive, *arguments)


def test(arguments: list[str]) -> int:
    """Run the tests: all of them side by side, a chosen few one after the other."""
    set_up(tools=True)
    chosen = [argument for argument in arguments if argument != "--all"]
    # each worker reads all tests first, which takes it as long as a twelfth of the quick ones
    workers = str(min(os.cpu_count() or 1, 8 if "--all" in arguments else 4))
    side_by_side = [] if chosen else ["-n", workers, "--dist", "worksteal"]
    environment = clean_environment()
    # the workers fill all processors; threads of each that wait for work would only use them up
    environment.setdefault("OPENBLAS_NUM_THREADS", "1")
    pytest = ["python", "-m", "pytest", "-p", "no:benchmark"]
    return call(*pytest, *side_by_side, *arguments, environment=environment)


def lint(_: list[str]) -> int:
    """Check style, format, layers and that the reference pages match the program."""
    set_up(tools=True)
    return call_all(
        ["ruff", "check"],
        ["ruff", "format", "--check"],
        ["lint-imports", "--no-logo"],
        ["python", "docs/reference/generate.py", "--check"],
    )


def types(_: list[str]) -> int:
    """Check types, strictly."""
    set_up(tools=True)
    # benchmarks less strictly: that names and arguments are there, so that none rots between runs
    loosely = (
        *("--allow-untyped-calls", "--allow-untyped-defs", "--allow-incomplete-defs"),
        *("--no-warn-unused-ignores", "--no-warn-return-any", "--no-strict-optional"),
        *("--ignore-missing-imports", "--follow-imports=silent", "--disable-error-code=type-arg"),
    )
    mypy = ["python", "-m", "mypy"]
    return call_all(mypy, [*mypy, "dev.py"], [*mypy, "benchmarks", *loosely])


def docs(arguments: list[str]) -> int:
    """Write the reference from the program, and what the other pages quote and show of it."""
    set_up(tools=True)
    if "--check" in arguments:
        return call("python", "docs/reference/generate.py", *arguments)
    return call_all(
        ["python", "docs/reference/generate.py", *arguments],
        ["python", "docs/img/generate.py"],
        ["python", "docs/rehearse.py"],
    )


def bench(arguments: list[str]) -> int:
    """Measure speed against the baselines named in each benchmark."""
    set_up(tools=True)
    named = any((ROOT / one.partition("::")[0]).exists() for one in arguments)
    return call("python", "-m", "pytest", *([] if named else ["benchmarks"]), *arguments)


def study(arguments: list[str]) -> int:
    """Run one study over seeded invented necks, and write its page."""
    set_up(tools=True)
    return call("python", "tests/studies/run.py", *arguments)


def setup(_: list[str]) -> int:
    """Set up and stop."""
    set_up(tools=True)
    say("ready")
    return 0


JOBS = {job.__name__: job for job in (serve, demo, test, lint, types, docs, bench, study, setup)}
#: What jobs take that hand no arguments on.
TAKES: dict[str, tuple[str, ...]] = {"lint": (), "types": (), "docs": ("--check",), "setup": ()}


def main(arguments: list[str]) -> int:
    """Do the job that the first argument names."""
    if not arguments or arguments[0] in ("-h", "--help"):
        print(USAGE)
        return 0 if arguments else 2
    name, *rest = arguments
    if name not in JOBS:
        raise StopError(f"there is no job {name!r}; choose one of {', '.join(JOBS)}")
    for one in rest:
        if one not in TAKES.get(name, rest):
            raise StopError(f"{name} does not take {one!r}; see python3 dev.py --help")
    return JOBS[name](rest)


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except StopError as reason:
        sys.exit(f"dev.py: {reason}")
    except KeyboardInterrupt:
        sys.exit(130)
