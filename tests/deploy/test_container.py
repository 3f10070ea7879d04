"""The container and compose files hold what they promise. No engine is needed, and none has run them here."""

import http.server
import importlib.util
import json
import re
import threading
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
import yaml

from frostshift_service import cli
from frostshift_service.settings import PREFIX, SECRETS, Settings

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "deploy" / "container"
COMPOSE: dict[str, Any] = yaml.safe_load((FOLDER / "compose.yaml").read_text("utf-8"))
SERVICES: dict[str, Any] = COMPOSE["services"]
APP, DATABASE = SERVICES["app"], SERVICES["database"]
KNOWN = {
    "image", "build", "user", "read_only", "cap_drop", "security_opt", "init", "tmpfs", "volumes", "environment",
    "secrets", "networks", "ports", "depends_on", "healthcheck", "stop_grace_period", "mem_limit", "restart",
    "shm_size",
}  # fmt: skip
SETTINGS = {PREFIX + name.upper() for name in Settings.model_fields}
FILES = {f"{PREFIX}{name.upper()}_FILE" for name in SECRETS}

Instruction = tuple[str, str]


def stages() -> list[list[Instruction]]:
    """The instructions of each stage as keyword and rest, long lines joined; first what is before FROM."""
    text = re.sub(r"^\s*#.*\n", "", (FOLDER / "Containerfile").read_text("utf-8"), flags=re.MULTILINE)
    lines = [line.split(maxsplit=1) for line in re.sub(r"\\\n\s*", " ", text).splitlines() if line.strip()]
    found: list[list[Instruction]] = [[]]
    for keyword, rest in lines:
        if keyword == "FROM":
            found.append([])
        found[-1].append((keyword, rest.strip()))
    return found


HEAD, BUILD, FINAL = stages()


def of(stage: list[Instruction], keyword: str) -> list[str]:
    return [rest for word, rest in stage if word == keyword]


def test_the_base_is_one_pinned_version() -> None:
    [base] = of(HEAD, "ARG")
    assert re.fullmatch(r"BASE=[a-z.]+/[a-z/]+:\d+\.\d+\.\d+-slim-[a-z]+", base)
    assert of(BUILD, "FROM") == ["${BASE} AS build"]
    assert of(FINAL, "FROM") == ["${BASE}"]


def test_every_instruction_is_one() -> None:
    words = {word for stage in (HEAD, BUILD, FINAL) for word, _ in stage}
    assert words <= {
        "ARG", "FROM", "WORKDIR", "COPY", "RUN", "ENV", "VOLUME", "EXPOSE", "USER", "HEALTHCHECK", "STOPSIGNAL",
        "ENTRYPOINT", "CMD",
    }  # fmt: skip


def test_packages_are_fetched_by_hash_once_and_never_after() -> None:
    pip = [json.loads(rest)[3:] for rest in of(BUILD, "RUN") if "pip" in json.loads(rest)]
    fetching = [command for command in pip if "--no-index" not in command]
    assert len(fetching) == 1
    assert {"--require-hashes", "requirements.lock"} <= set(fetching[0])
    assert "pip install" not in " ".join(of(FINAL, "RUN"))


def test_the_final_stage_holds_no_tools_and_runs_as_a_number() -> None:
    [user] = of(FINAL, "USER")
    assert re.fullmatch(r"[1-9]\d{3,}:[1-9]\d{3,}", user)
    words = [word for word, _ in FINAL]
    assert "RUN" not in words[words.index("USER") :]
    assert of(FINAL, "COPY")[0] == "--from=build /srv/frostshift /srv/frostshift"
    [run] = of(FINAL, "RUN")
    assert "pip uninstall -y" in run
    assert not re.search(r"gcc|build-essential|curl|wget|git\b", run)


def test_the_libraries_of_pdfs_are_those_of_the_tests() -> None:
    parts = re.search(r"for part in (.+?); do", (ROOT / ".ci" / "run").read_text("utf-8"))
    assert parts is not None
    [run] = of(FINAL, "RUN")
    assert [part for part in parts[1].split() if part not in run] == []


def test_it_starts_without_a_shell_so_that_a_stop_arrives() -> None:
    assert [json.loads(rest) for rest in of(FINAL, "ENTRYPOINT") + of(FINAL, "CMD")] == [["frostshift"], ["serve"]]
    assert of(FINAL, "STOPSIGNAL") == ["SIGTERM"]


def test_the_environment_of_the_image_is_of_settings() -> None:
    [rest] = of(FINAL, "ENV")
    found = dict(one.split("=", 1) for one in rest.split())
    assert {name for name in found if name.startswith(PREFIX)} <= SETTINGS
    assert found["PYTHONDONTWRITEBYTECODE"] == "1"
    assert json.loads(of(FINAL, "VOLUME")[0]) == [found["FROSTSHIFT_DATA_DIR"]]
    assert of(FINAL, "EXPOSE") == [str(Settings.model_fields["port"].default)]


def test_what_is_copied_is_there_and_gets_to_the_engine() -> None:
    sent = (ROOT / ".dockerignore").read_text("utf-8").split("\n")
    assert "*" in sent
    copied = [name for rest in of(BUILD, "COPY") + of(FINAL, "COPY")[1:] for name in rest.split()[:-1]]
    assert [name for name in copied if not (ROOT / name).exists() or f"!{name}" not in sent] == []
    assert {line[1:] for line in sent if line.startswith("!")} == set(copied)


@pytest.mark.parametrize("name", SERVICES)
def test_every_service_is_locked_up(name: str) -> None:
    service = SERVICES[name]
    assert service.keys() <= KNOWN
    assert re.fullmatch(r"[1-9]\d*:[1-9]\d*", service["user"])
    assert service["read_only"] is True
    assert service["cap_drop"] == ["ALL"]
    assert service["security_opt"] == ["no-new-privileges:true"]
    assert any(one.startswith("/tmp:") for one in service["tmpfs"])
    assert service["healthcheck"]["test"][0] == "CMD"
    assert re.search(r":\d+\.\d+", service["image"])
    assert service["restart"] == "unless-stopped"


def test_names_lead_somewhere() -> None:
    for service in SERVICES.values():
        assert set(service["networks"]) <= COMPOSE["networks"].keys()
        assert set(service["secrets"]) <= COMPOSE["secrets"].keys()
        assert {one.split(":")[0] for one in service["volumes"]} <= COMPOSE["volumes"].keys()
        said = [value for key, value in service["environment"].items() if key.endswith("_FILE")]
        assert [Path(value).name for value in said] == service["secrets"]
    assert (FOLDER / APP["build"]["context"]).resolve() == ROOT
    assert (ROOT / APP["build"]["dockerfile"]).is_file()


def test_the_database_is_for_the_app_alone() -> None:
    assert "ports" not in DATABASE
    assert DATABASE["networks"] == ["store"]
    assert COMPOSE["networks"]["store"] == {"internal": True}
    assert DATABASE["image"].startswith("docker.io/library/postgres:")
    assert APP["depends_on"] == {"database": {"condition": "service_healthy"}}


def test_the_app_is_reached_on_this_machine_alone() -> None:
    assert [one.startswith("127.0.0.1:") for one in APP["ports"]] == [True]


def test_no_secret_is_in_the_environment() -> None:
    for service in SERVICES.values():
        assert [key for key in service["environment"] if re.search("PASSWORD$|URL$|KEY$", key)] in (
            [],
            ["FROSTSHIFT_PAGES_URL"],
        )
    assert {key for key in APP["environment"] if key.startswith(PREFIX)} <= SETTINGS | FILES
    assert all(one["file"].startswith("secrets/") for one in COMPOSE["secrets"].values())


def test_an_engine_waits_longer_than_a_stop_takes() -> None:
    assert int(APP["stop_grace_period"].removesuffix("s")) > cli.STOP_WITHIN_S
    assert APP["user"] == of(FINAL, "USER")[0]


def test_both_files_check_health_alike() -> None:
    [check] = of(FINAL, "HEALTHCHECK")
    assert json.loads(check.partition("CMD ")[2]) == APP["healthcheck"]["test"][1:]


@pytest.fixture
def health() -> ModuleType:
    spec = importlib.util.spec_from_file_location("healthy", FOLDER / "healthy.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize(("status", "expected"), [(200, True), (503, False), (404, False)])
def test_the_health_check(health: ModuleType, status: int, expected: bool) -> None:
    asked: list[str] = []

    class Answers(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_response(status)
            self.end_headers()

        def log_message(self, format: str, *args: Any) -> None:
            pass

    with http.server.HTTPServer(("127.0.0.1", 0), Answers) as server:
        threading.Thread(target=server.handle_request, daemon=True).start()
        assert health.healthy(server.server_port) is expected
    assert asked == ["/healthz"]
    assert health.healthy(server.server_port) is False, "nobody there any more"


def test_the_image_alone_is_run_behind_the_proxy_as_with_the_compose_file() -> None:
    readme = (ROOT / "deploy" / "README.md").read_text("utf-8")
    [command] = re.findall(r"^docker run(?:.*\\\n)*.*", readme, re.MULTILINE)
    trusted = re.findall(r"-e FORWARDED_ALLOW_IPS='(.+?)'", command)
    assert trusted == [APP["environment"]["FORWARDED_ALLOW_IPS"]], "else everybody has the address of the bridge"
    ports = re.findall(r"-p (\S+)", command)
    assert ports == APP["ports"]
    assert all(port.startswith("127.0.0.1:") for port in ports), "whoever else reached it could say any address"
