"""The systemd unit, as systemd itself reads and scores it. Nothing is started: that takes a running systemd."""

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from frostshift_service import cli
from frostshift_service.settings import PREFIX, SECRETS, Settings

FOLDER = Path(__file__).resolve().parents[2] / "deploy" / "systemd"
UNIT = (FOLDER / "frostshift.service").read_text("utf-8")
SECRETS_CONF = (FOLDER / "frostshift.service.d" / "secrets.conf").read_text("utf-8")
BACKUP_FOLDER = FOLDER.parent / "backup"
BACKUP = (BACKUP_FOLDER / "frostshift-backup.service").read_text("utf-8")
README = (FOLDER.parent / "README.md").read_text("utf-8")
EXPOSURE = 15
"""In tenths, of 100; 12 as it stands with systemd 252."""


def values(text: str, key: str) -> list[str]:
    return re.findall(rf"^{key}=(.*)$", text, re.MULTILINE)


@pytest.fixture
def analyze() -> str:
    found = shutil.which("systemd-analyze")
    if found is None:
        (pytest.fail if os.environ.get("FROSTSHIFT_CI") == "1" else pytest.skip)("no systemd-analyze on the PATH")
    return found


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """The unit as it is installed, with a program that is there."""
    shutil.copytree(FOLDER, tmp_path, dirs_exist_ok=True)
    found = tmp_path / "frostshift.service"
    found.write_text(re.sub(r"^ExecStart=\S+", "ExecStart=/bin/true", UNIT, flags=re.MULTILINE), "utf-8")
    return found


def test_systemd_reads_every_line(analyze: str, unit: Path) -> None:
    done = subprocess.run([analyze, "verify", "--man=no", unit], capture_output=True, text=True, timeout=60)
    said = [line for line in done.stderr.splitlines() if "frostshift" in line]
    assert (done.returncode, said) == (0, [])


def test_systemd_reads_every_line_of_the_backup(analyze: str, tmp_path: Path) -> None:
    shutil.copytree(BACKUP_FOLDER, tmp_path, dirs_exist_ok=True)
    shutil.copytree(FOLDER / "frostshift.service.d", tmp_path / "frostshift-backup.service.d")
    found = tmp_path / "frostshift-backup.service"
    found.write_text(re.sub(r"^ExecStart=\S+", "ExecStart=/bin/true", BACKUP, flags=re.MULTILINE), "utf-8")
    done = subprocess.run([analyze, "verify", "--man=no", found], capture_output=True, text=True, timeout=60)
    said = [line for line in done.stderr.splitlines() if "frostshift" in line]
    assert (done.returncode, said) == (0, [])


def environment(text: str) -> dict[str, str]:
    return dict(one.split("=", 1) for line in values(text, "Environment") for one in line.split())


def test_the_backup_runs_on_the_data_and_the_settings_of_the_service() -> None:
    for key in ("User", "EnvironmentFile"):
        assert values(BACKUP, key) == values(UNIT, key)
    here, there = environment(BACKUP), environment(UNIT)
    assert here["FROSTSHIFT_DATA_DIR"] == there["FROSTSHIFT_DATA_DIR"]
    assert here["BACKUP_COMMAND"] == values(UNIT, "ExecStart")[0].split()[0]
    script, folder, _days = values(BACKUP, "ExecStart")[0].split()
    assert {folder, here["FROSTSHIFT_DATA_DIR"]} == set(values(BACKUP, "ReadWritePaths")[0].split())
    steps = (BACKUP_FOLDER / "README.md").read_text("utf-8")
    assert re.search(rf"install -m 0755 deploy/backup/backup.sh {script}$", steps, re.MULTILINE)
    assert f" {folder}\n" in steps
    assert "/etc/systemd/system/frostshift-backup.service.d/" in steps, "a database address in a file is for it, too"


def test_the_command_lines_of_the_readme_run_on_the_data_and_the_settings_of_the_service() -> None:
    plain, with_database = re.findall(r"^systemd-run(?:.*\\\n)*.*", README, re.MULTILINE)
    for line in (plain, with_database):
        for key in ("User", "EnvironmentFile"):
            assert re.findall(rf"-p {key}=(\S+)", line) == values(UNIT, key)
        assert re.findall(r"-E FROSTSHIFT_DATA_DIR=(\S+)", line) == [environment(UNIT)["FROSTSHIFT_DATA_DIR"]]
        assert values(UNIT, "ExecStart")[0].split()[0] in line.split()
    # Not `%d`: systemd-run hands on what it is told as it stands.
    [unit_name] = re.findall(r"--unit=(\S+)", with_database)
    [(file, loaded)] = re.findall(r"-p LoadCredential=(\w+):(\S+)", with_database)
    assert f"LoadCredential={file}:{loaded}\n" in SECRETS_CONF
    assert f"-E FROSTSHIFT_{file.upper()}_FILE=/run/credentials/{unit_name}.service/{file}" in with_database


def test_its_walls_are_no_lower_than_they_were(analyze: str, unit: Path) -> None:
    command = [analyze, "security", "--offline=true", "--no-pager", f"--threshold={EXPOSURE}", unit]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stdout[-400:]
    assert "Overall exposure level" in done.stdout


def test_it_starts_the_command_and_waits_long_enough_for_its_end() -> None:
    [start] = values(UNIT, "ExecStart")
    assert start.split()[-1] == "serve"
    assert int(values(UNIT, "TimeoutStopSec")[0]) > cli.STOP_WITHIN_S
    assert values(UNIT, "Restart") == ["on-failure"]
    assert "WatchdogSec" not in UNIT, "nothing feeds a watchdog"


def test_it_runs_as_the_user_that_is_made_for_it() -> None:
    [user] = values(UNIT, "User")
    assert (FOLDER / "frostshift.sysusers.conf").read_text("utf-8").split()[:2] == ["u", user]


def test_its_settings_are_ours_and_its_secrets_are_in_files() -> None:
    named = set(re.findall(rf"{PREFIX}[A-Z_]+", UNIT))
    assert named <= {PREFIX + name.upper() for name in Settings.model_fields}
    assert not named & {PREFIX + name.upper() for name in SECRETS}
    loaded = re.findall(r"LoadCredential=(\w+):\S+\n(?:# )?Environment=(\w+)=%d/(\w+)", SECRETS_CONF)
    assert loaded
    for name, variable, file in loaded:
        assert (variable, file) == (f"{PREFIX}{name.upper()}_FILE", name)
        assert name in SECRETS
