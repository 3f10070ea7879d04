#!/usr/bin/env python3
r"""Two commands for a fresh machine: see the demo, run the tests. Needs Python 3.11 or newer and nothing else.

    python3 deploy/dev.py demo [--no-serve] [--port N]
    python3 deploy/dev.py test [pytest arguments]

(On Windows: `py deploy\dev.py demo`.) Either one makes `.venv` in the checkout from the hash-pinned requirements
beside `pyproject.toml`, with uv where that is on the PATH, else with venv and pip. A stamp in `.venv` says what it
holds, so that the next call starts at once; `demo` is content with what `test` has installed.
"""

import argparse
import hashlib
import importlib.util
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

# The check stands before everything that an older Python cannot evaluate; it can read this file from 3.6 on.
if sys.version_info < (3, 11):  # noqa: UP036
    sys.exit("frostshift needs Python 3.11 or newer; this is {}.{}.".format(*sys.version_info[:2]))

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
STAMP = VENV / "frostshift-stamp"
# The whole suite on every processor, a file on one; files in our order, the long ones first (see tests/conftest.py).
SIDE_BY_SIDE = ["-n", "auto", "--dist", "loadfile", "--no-loadscope-reorder"]
LOCKS = {"run": "requirements.lock", "dev": "requirements-dev.lock"}
NO_ANSWER = (  # words of pip and uv when nobody answers
    "name resolution",
    "NameResolutionError",
    "getaddrinfo",
    "dns error",
    "Failed to establish a new connection",
    "NewConnectionError",
    "ConnectTimeout",
    "ProxyError",
    "client error (Connect)",
    "tcp connect error",
    "Network is unreachable",
    "Network connectivity is disabled",
)


class SetUpError(Exception):
    """Something is missing; the message is one line for people."""


def main(argv: list[str]) -> int:
    """Run one of the two commands; returns the exit code of what it ran."""
    parser = argparse.ArgumentParser(prog="dev.py", description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    commands = parser.add_subparsers(dest="command", required=True)
    demo = commands.add_parser("demo", help="load the demo site, print the next shifts, serve the pages on loopback")
    demo.add_argument("--no-serve", action="store_true", help="stop after printing")
    demo.add_argument("--port", type=int, help="port of the pages")
    commands.add_parser("test", help="run the tests; what follows goes to pytest", add_help=False)
    if argv[:1] == ["test"]:  # pytest's own options are none of argparse's business
        kind, command = "dev", [str(tool("python")), "-m", "pytest", *(argv[1:] or SIDE_BY_SIDE)]
    else:
        kind, command = "run", demo_command(parser.parse_args(argv))
    try:
        make_ready(kind)
    except SetUpError as error:
        say(str(error))
        return 1
    return run_on(command)


def demo_command(options: argparse.Namespace) -> list[str]:
    """The command line of the demo."""
    command = [str(tool("frostshift")), "demo", "--data", str(ROOT / "data" / "demo")]
    if options.no_serve:
        command.append("--no-serve")
    if options.port is not None:
        command += ["--port", str(options.port)]
    return command


def say(line: str) -> None:
    """One line per step, at once."""
    print(line, flush=True)


def tool(name: str) -> Path:
    """Where a program of the environment is."""
    return VENV / "Scripts" / f"{name}.exe" if os.name == "nt" else VENV / "bin" / name


def fingerprint(kind: str) -> str:
    """What the environment hangs on: pinned requirements, the project's file, and where the checkout is."""
    digest = hashlib.sha256(str(ROOT).encode())
    for name in (LOCKS[kind], "pyproject.toml"):
        digest.update(hashlib.sha256((ROOT / name).read_bytes()).digest())
    return digest.hexdigest()


def stamped() -> tuple[str, str]:
    """Kind and fingerprint of what `.venv` holds; empty where it was not made by this script, or not to the end."""
    try:
        kind, _, held_print = STAMP.read_text(encoding="utf-8").strip().partition(" ")
    except OSError:
        return "", ""
    return (kind, held_print) if kind in LOCKS else ("", "")


def kind_to_hold(wanted: str, held: str) -> str:
    """`dev` holds all of `run`, so it is never taken back."""
    return "dev" if "dev" in (wanted, held) else "run"


def make_ready(wanted: str) -> None:
    """Bring `.venv` to what is wanted; nothing to do where the stamp says so.

    Raises:
        SetUpError: something is missing.
    """
    held, held_print = stamped()
    kind = kind_to_hold(wanted, held)
    if held == kind and held_print == fingerprint(kind) and tool("python").exists():
        return
    uv = shutil.which("uv")
    make_environment(uv)
    STAMP.unlink(missing_ok=True)
    say(f"Installing what {LOCKS[kind]} pins, with {'uv' if uv else 'pip'} (about a minute) ...")
    python = str(tool("python"))
    if uv:
        run_step([uv, "pip", "sync", "--quiet", "--python", python, "--require-hashes", LOCKS[kind]])
        itself = [uv, "pip", "install", "--quiet", "--python", python, "--offline"]
    else:
        pip = [python, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--no-input"]
        run_step([*pip, "--require-hashes", "-r", LOCKS[kind]])
        itself = [*pip, "--no-index"]
    say("Installing frostshift itself ...")
    run_step([*itself, "--no-deps", "--no-build-isolation", "--editable", "."])
    STAMP.write_text(f"{kind} {fingerprint(kind)}\n", encoding="utf-8")


def make_environment(uv: str | None) -> None:
    """Make `.venv` where there is none that serves.

    Raises:
        SetUpError: Python cannot make one, or something that is no environment is in the way.
    """
    if environment_serves(needs_pip=uv is None):
        return
    if VENV.exists():
        if not (VENV / "pyvenv.cfg").is_file():
            raise SetUpError(f"{VENV} is in the way and is no Python environment: move it away.")
        if Path(sys.prefix) == VENV:
            raise SetUpError("The environment in .venv has to be made anew: start this with a Python outside it.")
        say("Removing an environment in .venv that does not serve ...")
        shutil.rmtree(VENV)
    say(f"Making .venv with {'uv' if uv else 'venv'}, Python {sys.version.split()[0]} ...")
    if uv:
        run_step([uv, "venv", "--quiet", "--python", sys.executable, str(VENV)])
        return
    for module in ("venv", "ensurepip"):
        if importlib.util.find_spec(module) is None:
            raise SetUpError(
                f"This Python lacks its module {module}: apt-get install python3-venv on Debian, or put uv on the PATH."
            )
    run_step([sys.executable, "-m", "venv", str(VENV)])


def environment_serves(needs_pip: bool) -> bool:
    """Whether `.venv` has a Python that starts and is new enough, with pip where pip is to be used."""
    check = "import sys; assert sys.version_info >= (3, 11)" + ("; import pip" if needs_pip else "")
    try:
        return subprocess.run([tool("python"), "-c", check], env=clean_environ(), capture_output=True).returncode == 0
    except OSError:
        return False


def clean_environ() -> dict[str, str]:
    """The environment variables without those that would mix another Python's packages in."""
    return {key: value for key, value in os.environ.items() if key not in ("PYTHONPATH", "PYTHONHOME", "VIRTUAL_ENV")}


def run_step(command: list[str]) -> None:
    """One step of the set-up, silent unless it fails.

    Raises:
        SetUpError: it failed; says in one line why, as far as that can be told.
    """
    done = subprocess.run(
        command, cwd=ROOT, env=clean_environ(), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, errors="replace"
    )
    if done.returncode:
        raise SetUpError(why_failed(command, done.stdout))


def why_failed(command: list[str], output: str) -> str:
    """One line for people from what a failed step printed; the rest goes before it where the cause is not plain."""
    if any(words in output for words in NO_ANSWER):
        return "No answer from the package index: is there a network? (An index of your own: settings of pip or uv.)"
    return f"{output.strip()}\nThis step failed: {' '.join(command)}"


def run_on(command: list[str]) -> int:
    """Run a program to its end in our terminal; an interrupt is its own to handle, and it gets our SIGTERM."""
    process = subprocess.Popen(command, cwd=ROOT, env=clean_environ())
    signal.signal(signal.SIGTERM, lambda *_: process.terminate())
    while True:
        try:
            return process.wait()
        except KeyboardInterrupt:  # the terminal has sent it to the program too
            continue


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
