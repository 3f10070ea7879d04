"""`deploy/dev.py` without a network: stamps, command lines, what is said when something is missing."""

import importlib.util
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture
def dev(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """The script, with a made-up checkout in place of this one."""
    spec = importlib.util.spec_from_file_location("dev", ROOT / "deploy" / "dev.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    checkout = tmp_path / "check out"
    (checkout / ".venv").mkdir(parents=True)
    for name in ("pyproject.toml", "requirements.lock", "requirements-dev.lock"):
        (checkout / name).write_text(name, encoding="utf-8")
    monkeypatch.setattr(module, "ROOT", checkout)
    monkeypatch.setattr(module, "VENV", checkout / ".venv")
    monkeypatch.setattr(module, "STAMP", checkout / ".venv" / "frostshift-stamp")
    return module


@pytest.fixture
def steps(dev: ModuleType, monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """The set-up's steps, written down instead of run; the environment counts as there afterwards."""
    taken: list[list[str]] = []

    def take(command: list[str]) -> None:
        taken.append(command)
        dev.tool("python").parent.mkdir(parents=True, exist_ok=True)
        dev.tool("python").touch()

    monkeypatch.setattr(dev, "run_step", take)
    monkeypatch.setattr(dev, "environment_serves", lambda needs_pip: True)
    return taken


def locks_taken(steps: list[list[str]]) -> list[str]:
    return [word for step in steps for word in step if word.endswith(".lock")]


def test_the_second_call_does_nothing(dev: ModuleType, steps: list[list[str]]) -> None:
    dev.make_ready("run")
    assert locks_taken(steps) == ["requirements.lock"]
    taken = len(steps)
    dev.make_ready("run")
    assert len(steps) == taken


def test_demo_is_content_with_what_test_installed(dev: ModuleType, steps: list[list[str]]) -> None:
    dev.make_ready("run")
    dev.make_ready("dev")
    dev.make_ready("run")
    assert locks_taken(steps) == ["requirements.lock", "requirements-dev.lock"]


@pytest.mark.parametrize("changed", ["pyproject.toml", "requirements-dev.lock"])
def test_a_changed_pin_installs_again_and_takes_nothing_back(
    dev: ModuleType, steps: list[list[str]], changed: str
) -> None:
    dev.make_ready("dev")
    (dev.ROOT / changed).write_text("changed", encoding="utf-8")
    dev.make_ready("run")
    assert locks_taken(steps) == ["requirements-dev.lock", "requirements-dev.lock"]


def test_a_moved_checkout_installs_again(dev: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    before = dev.fingerprint("run")
    moved = dev.ROOT.rename(dev.ROOT.parent / "elsewhere")
    monkeypatch.setattr(dev, "ROOT", moved)
    assert dev.fingerprint("run") != before


def test_a_step_that_fails_leaves_no_stamp(
    dev: ModuleType, steps: list[list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    dev.make_ready("run")

    def fail(command: list[str]) -> None:
        raise dev.SetUpError("no")

    monkeypatch.setattr(dev, "run_step", fail)
    with pytest.raises(dev.SetUpError):
        dev.make_ready("dev")
    assert dev.stamped() == ("", "")


@pytest.mark.parametrize("uv", [None, "uv"])
def test_every_package_is_installed_by_hash(
    dev: ModuleType, steps: list[list[str]], monkeypatch: pytest.MonkeyPatch, uv: str | None
) -> None:
    monkeypatch.setattr(dev.shutil, "which", lambda name: uv)
    dev.make_ready("dev")
    pins, itself = steps
    assert "--require-hashes" in pins
    assert {"--no-deps", "--no-build-isolation"} < set(itself)
    assert {"--offline", "--no-index"} & set(itself)


def test_words_of_the_demo(dev: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    ran: list[list[str]] = []
    monkeypatch.setattr(dev, "make_ready", lambda kind: ran.append([kind]))
    monkeypatch.setattr(dev, "run_on", lambda command: ran.append(command) or 7)
    data = str(dev.ROOT / "data" / "demo")
    assert dev.main(["demo", "--no-serve", "--port", "8123"]) == 7
    assert ran == [["run"], [str(dev.tool("frostshift")), "demo", "--data", data, "--no-serve", "--port", "8123"]]


def test_what_follows_test_goes_to_pytest(dev: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    ran: list[list[str]] = []
    monkeypatch.setattr(dev, "make_ready", lambda kind: ran.append([kind]))
    monkeypatch.setattr(dev, "run_on", lambda command: ran.append(command) or 5)
    assert dev.main(["test", "-k", "gas", "--help", "-x"]) == 5
    assert ran == [["dev"], [str(dev.tool("python")), "-m", "pytest", "-k", "gas", "--help", "-x"]]


def test_exit_code_of_the_program_is_passed_on(dev: ModuleType) -> None:
    assert dev.run_on([sys.executable, "-c", "raise SystemExit(3)"]) == 3


def test_no_ensurepip_names_the_package(dev: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    dev.VENV.rmdir()
    monkeypatch.setattr(dev.importlib.util, "find_spec", lambda name: None if name == "ensurepip" else object())
    with pytest.raises(dev.SetUpError, match=r"lacks its module ensurepip: apt-get install python3-venv"):
        dev.make_environment(None)


def test_a_foreign_folder_is_left_alone(dev: ModuleType) -> None:
    (dev.VENV / "thesis.txt").write_text("precious", encoding="utf-8")
    with pytest.raises(dev.SetUpError, match="is in the way"):
        dev.make_environment(None)
    assert (dev.VENV / "thesis.txt").exists()


@pytest.mark.parametrize(
    "output",
    [  # as pip 23 to 25 and uv 0.9 to 0.13 print it without a network
        "Failed to establish a new connection: [Errno -3] Temporary failure in name resolution",
        "error: Failed to fetch\n  Caused by: error sending request\n  Caused by: dns error: failed to lookup address",
        "  Caused by: client error (Connect)",
    ],
)
def test_no_network_is_said_in_one_line(dev: ModuleType, output: str) -> None:
    said = dev.why_failed(["pip", "install"], output)
    assert "\n" not in said
    assert "is there a network?" in said


def test_any_other_failure_shows_what_was_printed(dev: ModuleType) -> None:
    with pytest.raises(dev.SetUpError, match=r"(?s)disk full\nThis step failed: .*python"):
        dev.run_step([sys.executable, "-c", "print('disk full'); raise SystemExit(1)"])


def test_another_pythons_packages_stay_out(dev: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTHONPATH", "elsewhere")
    assert "PYTHONPATH" not in dev.clean_environ()


@pytest.mark.parametrize("name", ["requirements.lock", "requirements-dev.lock"])
def test_locks_pin_by_hash_and_hold_no_address(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    assert "/" not in text
    assert "#" not in text
    assert "@" not in text
    for entry in re.split(r"\n(?=\S)", text.strip()):
        assert re.match(r"[a-z0-9.-]+==\S+ .*\\\n", entry), entry
        assert re.search(r"--hash=sha256:[0-9a-f]{64}", entry), entry


def pins(name: str) -> dict[str, list[str]]:
    """Versions by package; more than one where they differ by Python version or platform."""
    found: dict[str, list[str]] = {}
    for package, version in re.findall(r"^([a-z0-9.-]+)==(\S+)", (ROOT / name).read_text("utf-8"), re.MULTILINE):
        found.setdefault(package, []).append(version)
    return found


def test_the_tests_lock_holds_all_that_running_needs() -> None:
    run, dev = pins("requirements.lock"), pins("requirements-dev.lock")
    assert run.items() <= dev.items()
    assert not {"pytest", "mypy", "ruff"} & run.keys()


def test_the_locks_hold_what_the_project_asks_for() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    asked = project["project"]["dependencies"] + project["dependency-groups"]["build"]
    for extra in project["project"]["optional-dependencies"].values():
        asked += extra
    asked_by_tests = [line for line in project["dependency-groups"]["dev"] if isinstance(line, str)]
    for lock, lines in (("requirements.lock", asked), ("requirements-dev.lock", asked + asked_by_tests)):
        pinned = pins(lock)
        for requirement in map(Requirement, lines):
            versions = pinned.get(canonicalize_name(requirement.name), [])
            assert versions, f"{lock} does not hold {requirement}: make the locks anew"
            assert all(requirement.specifier.contains(v) for v in versions), f"{lock}: {versions}, asked {requirement}"


def test_an_older_python_is_told_so_before_anything_else() -> None:
    source = (ROOT / "deploy" / "dev.py").read_text(encoding="utf-8")
    older = "import sys; sys.version_info = (3, 8, 0); exec(compile(sys.stdin.read(), 'dev.py', 'exec'))"
    done = subprocess.run([sys.executable, "-c", older], input=source, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert done.stderr == "frostshift needs Python 3.11 or newer; this is 3.8.\n"
