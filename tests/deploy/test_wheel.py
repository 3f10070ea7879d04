"""The wheel, built from what git has, installed without a network into a new environment, and started elsewhere.

The environment sees what `requirements.lock` pins and nothing else of ours: what the wheel lacks, or needs beside the
lock, is missed here. That the pins can be fetched by their hashes is what every run of `deploy/dev.py` shows.
"""

import os
import re
import signal
import socket
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

import httpx
import pytest

ROOT = Path(__file__).resolve().parents[2]

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="links, and a SIGTERM")


def clean_environ(**more: str) -> dict[str, str]:
    """Without our settings, and without what would show the new environment another one's packages."""
    others = ("FROSTSHIFT_", "PYTHON", "VIRTUAL_ENV")
    return {name: value for name, value in os.environ.items() if not name.startswith(others)} | more


def run(*command: str | Path, cwd: Path) -> str:
    done = subprocess.run(command, cwd=cwd, env=clean_environ(), capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"
    return done.stdout


@pytest.fixture(scope="module")
def sources(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What a fresh clone holds, with what is changed and not committed yet."""
    folder = tmp_path_factory.mktemp("clone")
    names = run("git", "ls-files", "-z", cwd=ROOT).split("\0")
    for name in filter(None, names):
        if (ROOT / name).is_file() and name.startswith(("rules/", "service/", "pyproject", "README", "LICENSE")):
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_bytes((ROOT / name).read_bytes())
    return folder


@pytest.fixture(scope="module")
def wheel(sources: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("dist")
    run(sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", out, cwd=sources)
    [made] = out.glob("*.whl")
    return made


@pytest.fixture(scope="module")
def frostshift(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The command of a new environment that holds the wheel and what `requirements.lock` pins."""
    venv = tmp_path_factory.mktemp("installed") / "venv"
    run(sys.executable, "-m", "venv", venv, cwd=venv.parent)
    [packages] = venv.glob("lib/python*/site-packages")
    for name in re.findall(r"^([a-z0-9.-]+)==", (ROOT / "requirements.lock").read_text("utf-8"), re.MULTILINE):
        try:
            found = distribution(name)
        except PackageNotFoundError:  # of another platform
            continue
        for top in {file.parts[0] for file in found.files or ()} - {"..", "__pycache__"}:
            if not (packages / top).exists():
                (packages / top).symlink_to(Path(str(found.locate_file(top))))
    pip = [venv / "bin" / "python", "-m", "pip", "--disable-pip-version-check"]
    run(*pip, "install", "--no-index", wheel, cwd=venv.parent)  # with its requirements: refused where one is missing
    return venv / "bin" / "frostshift"


def test_the_wheel_holds_every_file_of_both_packages(sources: Path, wheel: Path) -> None:
    held = {name for name in zipfile.ZipFile(wheel).namelist() if ".dist-info/" not in name}
    kept = {
        path.relative_to(sources / package).as_posix()
        for package in ("rules", "service")
        for path in (sources / package / f"frostshift_{package}").rglob("*")
        if path.is_file()
    }
    assert held == kept
    kinds = ("tables/", "templates/", "static/", "migrations/versions/", "demo/schedule.csv")
    assert [kind for kind in kinds if not any(kind in name for name in held)] == []


@pytest.fixture
def demo(frostshift: Path, tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    """The demo, served from another directory."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    process = subprocess.Popen(
        [frostshift, "demo"],
        cwd=tmp_path,
        env=clean_environ(FROSTSHIFT_DATA_DIR=str(tmp_path / "data"), FROSTSHIFT_PORT=str(port)),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


def test_the_installed_demo_answers(demo: subprocess.Popen[str]) -> None:
    assert demo.stdout is not None
    links = (re.fullmatch(r"Open, once: (http://\S+)/enter\?token=(\S+)\n", line) for line in demo.stdout)
    link = next(filter(None, links), None)
    assert link is not None, demo.stderr.read() if demo.stderr else ""
    base, token = link.groups()
    with httpx.Client(trust_env=False, base_url=base, timeout=60) as browser:
        entered = browser.post("/enter", data={"token": token}, headers={"sec-fetch-site": "same-origin"})
        assert entered.status_code == 303
        page = browser.get("/sites/lynx-fork/morning")
        assert page.status_code == 200
        style = re.search(r'href="(/static/app\.css[^"]*)"', page.text)
        assert style is not None
        assert browser.get(style[1]).status_code == 200
        assert browser.get("/openapi.json").json()["info"]["title"] == "Frostshift"
        assert browser.get("/tables/aws_d1_1_2015_t3_3").status_code == 200
    demo.send_signal(signal.SIGTERM)
    _, said = demo.communicate(timeout=60)
    assert (demo.returncode, said) == (0, "")


def test_the_installed_command_serves_an_empty_store(frostshift: Path, tmp_path: Path) -> None:
    told = subprocess.run(
        [frostshift, "sign-in"],
        cwd=tmp_path,
        env=clean_environ(FROSTSHIFT_DATA_DIR=str(tmp_path / "data")),
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert told.returncode == 0, told.stderr
    assert "/enter?token=" in told.stdout
    assert (tmp_path / "data" / "frostshift.db").is_file()
