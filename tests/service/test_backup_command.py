"""The commands, as somebody types them; and the script that a timer runs."""

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from tests.service.conftest import Said

from frostshift_service.store.retention import RULES

ROOT = Path(__file__).parents[2]


def test_backup_check_restore(
    run: Callable[..., Said], store_rows: Callable[[], object], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert run("backup", "a.backup").refused() == f"there is no database {tmp_path / 'data' / 'frostshift.db'}"
    assert not (tmp_path / "data").exists()
    run("site", "template", "site.toml").good()
    run("site", "load", "site.toml")
    said = run("backup", "a.backup").good()
    assert said.startswith("a.backup: ")
    assert " of 2027-01-14 20:50 UTC, from SQLite, version 0.1.0, schema 0" in said
    assert "It holds secrets: keep it safe." in said
    assert run("backup", "--check", "a.backup").good().startswith("a.backup is whole: ")
    assert run("backup", "a.backup").refused() == "a.backup is there already and stays as it is"
    before = store_rows()
    assert "in use" in run("restore", "a.backup").refused()
    assert store_rows() == before
    (tmp_path / "data").rename(tmp_path / "old")
    assert run("restore", "a.backup").good().startswith("Restored: ")
    assert store_rows() == before
    Path("bad.backup").write_bytes(Path("a.backup").read_bytes()[:-20])
    assert run("backup", "--check", "bad.backup").refused() == "bad.backup is cut off: it has no end"
    assert run("backup", "--check", "none.backup").refused().startswith("none.backup cannot be read: No such file")


def test_tidy_says_what_goes_and_why(run: Callable[..., Said]) -> None:
    said = run("tidy", "--dry-run").good().splitlines()
    assert [line.split()[0] for line in said[:-1]] == ["0"] * len(RULES)
    assert said[-1] == "Nothing was deleted."
    assert all(rule.what in line and rule.why in line for rule, line in zip(RULES, said, strict=False))
    assert run("tidy").good().splitlines()[-1] == "Those are gone."


def test_the_script_of_the_timer(run: Callable[..., Said], tmp_path: Path) -> None:
    run("site", "list")  # makes the store
    folder, command = tmp_path / "backups", tmp_path / "frostshift"
    folder.mkdir()
    command.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m frostshift_service.cli "$@"\n', encoding="utf-8")
    command.chmod(0o755)
    for name in ("frostshift-old.backup", "mine.txt", ".frostshift-x.part"):
        (folder / name).touch()
        os.utime(folder / name, (0, 0))
    script = ["sh", str(ROOT / "deploy" / "backup" / "backup.sh"), str(folder), "30"]
    environment = os.environ | {"BACKUP_COMMAND": str(command)}
    done = subprocess.run(script, env=environment, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    (made,) = folder.glob("frostshift-*.backup")
    assert sorted(one.name for one in folder.iterdir()) == sorted([made.name, "mine.txt"])
    (folder / "frostshift-old.backup").touch()
    os.utime(folder / "frostshift-old.backup", (0, 0))
    broken = environment | {"FROSTSHIFT_DATA_DIR": str(tmp_path / "nowhere")}
    failed = subprocess.run(script, env=broken, cwd=ROOT, capture_output=True, text=True, check=False)
    assert failed.returncode == 1
    assert "there is no database" in failed.stderr
    assert (folder / "frostshift-old.backup").exists(), "an old one stays while there is no new one"
