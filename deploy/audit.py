"""Asks the public database of advisories about every package that is pinned in requirements.lock.

Says plainly how many packages it was told about. It fails for a known weakness alone: a database that cannot be
reached, or that does not know the packages, is said and is no failure, and never a pass either.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import venv
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
LOCK = ROOT / "requirements.lock"
TOOL = "pip-audit==2.10.1"
SERVICES = ("pypi", "osv")
WITHIN_S = 180


@dataclass(frozen=True)
class Found:
    """What one service said: packages it knows, those it does not, and a line for each weakness."""

    known: int
    unknown: int
    weaknesses: tuple[str, ...]


def read_report(report: str) -> Found:
    """The tool's report (its JSON); ValueError where it is none."""
    packages: list[dict[str, Any]] = json.loads(report)["dependencies"]
    known = [one for one in packages if "skip_reason" not in one]
    lines = [
        f"{one['name']} {one['version']}: {weakness['id']}, mended in {', '.join(weakness['fix_versions']) or 'none'}"
        for one in known
        for weakness in one.get("vulns", [])
    ]
    return Found(len(known), len(packages) - len(known), tuple(lines))


def verdict(found: Found) -> tuple[str, int]:
    """What is said of it, and the exit code."""
    if found.weaknesses:
        return "\n".join(("Known weaknesses in what is pinned:", *found.weaknesses)), 1
    if not found.known:
        return f"NOT AUDITED: the database knows none of the {found.unknown} packages.", 0
    if found.unknown:
        return f"AUDITED IN PART: nothing known of {found.known} packages; {found.unknown} it does not know.", 0
    return f"Audited: no weakness is known of {found.known} packages.", 0


def _last_line(text: str) -> str:
    lines = [line for line in text.splitlines() if line.strip()]
    return lines[-1][:200] if lines else "it said nothing"


def _ask(tool: Path, service: str) -> Found | str:
    """What a service said, or why it said nothing."""
    asked = [tool, "-r", LOCK, "--require-hashes", "--disable-pip", "-s", service, "-f", "json"]
    try:
        done = subprocess.run(
            [*map(str, asked), "--progress-spinner", "off"],
            capture_output=True,
            text=True,
            timeout=WITHIN_S,
            check=False,
        )
        return read_report(done.stdout)
    except subprocess.TimeoutExpired:
        return f"no answer within {WITHIN_S} s"
    except (ValueError, KeyError):
        return _last_line(done.stderr)


def main() -> int:
    """Make the tool's own environment, ask, say."""
    with tempfile.TemporaryDirectory() as folder:
        venv.create(folder, with_pip=True)
        tools = Path(folder) / ("Scripts" if sys.platform == "win32" else "bin")
        installed = subprocess.run(
            [str(tools / "python"), "-m", "pip", "install", "-q", "--disable-pip-version-check", TOOL],
            capture_output=True,
            text=True,
            check=False,
        )
        if installed.returncode:
            print(f"NOT AUDITED: {TOOL} cannot be installed here: {_last_line(installed.stderr)}")
            return 0
        best = Found(0, 0, ())
        for service in SERVICES:
            found = _ask(tools / "pip-audit", service)
            if isinstance(found, str):
                print(f"{service}: not reached: {found}")
                continue
            print(f"{service}: knows {found.known} of {found.known + found.unknown} packages")
            best = max(best, found, key=lambda one: (len(one.weaknesses), one.known, one.unknown))
            if not found.unknown:
                break
    said, code = verdict(best)
    print(said)
    return code


if __name__ == "__main__":
    sys.exit(main())
