"""The recipes are whole: they parse, name only what is there, and their start script starts."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import typer.main
import yaml

from budvision.cli.main import app
from budvision.errors import UsageError
from budvision.recipes import RECIPES, write_recipes
from budvision.store.session import Season
from budvision.web import create_app
from budvision.web.serving import MOST_DRAIN_S

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_recipes(tmp_path / "server")
    return tmp_path / "server"


@pytest.fixture
def compose(folder: Path) -> dict[str, Any]:
    found = yaml.safe_load((folder / "compose.yaml").read_text(encoding="utf-8"))
    assert isinstance(found, dict)
    return found


def test_every_file_is_written_once_and_never_over_another(folder: Path) -> None:
    written = {path.name for path in folder.iterdir()}
    beside = {path.name for path in (ROOT / "budvision" / "recipes").iterdir()}
    assert written == set(RECIPES) == beside - {"__init__.py", "__pycache__"}
    assert os.access(folder / "start.sh", os.X_OK)
    with pytest.raises(UsageError, match=r"README\.md is there already; expected a folder without"):
        write_recipes(folder)


@pytest.mark.parametrize(("shell", "name"), [("sh", "start.sh"), ("bash", "propose.sbatch")])
def test_scripts_parse_and_stop_at_the_first_failure(folder: Path, shell: str, name: str) -> None:
    subprocess.run([shell, "-n", str(folder / name)], check=True)
    text = (folder / name).read_text(encoding="utf-8")
    assert text.startswith(f"#!/bin/{shell}\n")
    assert re.search(r"^set -eu", text, re.M)
    for code in re.findall(r"python -c '([^']+)'", text):
        compile(code, name, "exec")


def test_services_name_only_what_is_there(folder: Path, compose: dict[str, Any]) -> None:
    services = compose["services"]
    text = (folder / "compose.yaml").read_text(encoding="utf-8")
    asked = set(re.findall(r"\$\{(\w+)", text))
    given = set(re.findall(r"^(\w+)=", (folder / "env.example").read_text("utf-8"), re.M))
    assert asked == given
    mounted: set[str] = set()
    for service in services.values():
        assert re.search(r":[^:]*\d|^budvision$", service["image"]), "a version, not the newest"
        for place in service.get("volumes", ()):
            source = place.partition(":")[0]
            if source.startswith("./"):
                assert (folder / source).is_file()
            else:
                mounted.add(source)
        needs = service.get("depends_on", {})
        assert set(needs) <= set(services)
        for name, how in needs.items() if isinstance(needs, dict) else ():
            assert how["condition"] != "service_healthy" or "healthcheck" in services[name]
    assert mounted == set(compose["volumes"])
    assert [name for name, one in services.items() if "ports" in one] == ["proxy"]
    hosts = re.findall(r"(?:@|//)([a-z]+)[:/]", text + (folder / "README.md").read_text("utf-8"))
    proxied = re.findall(r"reverse_proxy (\w+):8765", (folder / "Caddyfile").read_text("utf-8"))
    assert proxied == ["pages"]
    assert set(hosts) - {"winter", "lab"} == {"database", "store", "scheduler"}
    start = (folder / "start.sh").read_text(encoding="utf-8")
    known = set(services["pages"]["environment"]) | {"BUDVISION_SEASON"}
    assert set(re.findall(r"\$\{?(BUDVISION_\w+)", start)) <= known


def test_the_image_is_small_fixed_and_nobodys_root(folder: Path) -> None:
    text = re.sub(r"\\\n", " ", (folder / "Dockerfile").read_text(encoding="utf-8"))
    steps = [line.split(maxsplit=1) for line in text.splitlines() if line and line[0] != "#"]
    words = [word for word, _ in steps]
    assert set(words) <= {"FROM", "RUN", "COPY", "USER", "WORKDIR", "EXPOSE", "HEALTHCHECK",
                          "ENTRYPOINT"}  # a VOLUME would leave a nameless one for each worker
    said = dict(steps)
    assert re.fullmatch(r"python:3\.1[123]-slim-bookworm", said["FROM"])
    assert words.index("USER") > max(i for i, word in enumerate(words) if word == "RUN")
    assert said["USER"] != "root"
    packages = next(text for word, text in steps if word == "RUN" and "apt-get" in text)
    assert "--no-install-recommends" in packages
    assert "rm -rf /var/lib/apt/lists/*" in packages
    ci = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    for name in re.findall(r" (lib\S+)", packages.partition("&&")[2].partition("&&")[0]):
        assert name in ci
    copied = [text.split()[0] for word, text in steps if word == "COPY"]
    assert copied == ["wheels/", "start.sh"]  # the first is made by the first step of README
    assert "-w wheels" in (folder / "README.md").read_text(encoding="utf-8")
    extras = re.search(r"\[([\w,]+)\]", next(text for word, text in steps if "pip" in text))
    assert extras
    project = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    assert all(re.search(rf"^{name} = \[", project, re.M) for name in extras[1].split(","))
    assert "/health" in said["HEALTHCHECK"]


def test_of_several_wheels_the_newest_is_installed(folder: Path, tmp_path: Path) -> None:
    text = (folder / "Dockerfile").read_text(encoding="utf-8")
    asked = re.search(r'^RUN pip install \S+ (".*")$', text, re.M)
    assert asked
    (tmp_path / "wheels").mkdir()
    for version in ("0.9.0", "0.10.0", "0.10.0rc1"):
        (tmp_path / "wheels" / f"budvision-{version}-py3-none-any.whl").touch()
    told = subprocess.run(["sh", "-c", f"echo {asked[1].replace('/wheels', f'{tmp_path}/wheels')}"],
                          check=True, capture_output=True, text=True).stdout
    assert told == f"{tmp_path}/wheels/budvision-0.10.0-py3-none-any.whl[postgres,stores,cluster]\n"


def test_containers_are_well_when_they_are_and_end_in_order(compose: dict[str, Any]) -> None:
    services = compose["services"]
    # the image of PostgreSQL makes the database with a server that listens on a socket alone
    assert "--host 127.0.0.1 " in " ".join(services["database"]["healthcheck"]["test"])
    for service in services.values():
        if service["image"] == "budvision" and "entrypoint" in service:  # it serves no pages
            assert service["healthcheck"] == {"disable": True}
    assert float(services["pages"]["stop_grace_period"].removesuffix("s")) > MOST_DRAIN_S + 10


def _commands(folder: Path) -> list[list[str]]:
    """Return the words after `budvision`, or after the container that runs it."""
    found = []
    for name in RECIPES:
        text = (folder / name).read_text(encoding="utf-8").replace("\\\n", " ")
        found += re.findall(r"(?:^\s*|exec |pages |`)budvision ([a-z][^\n`>]*)", text, re.M)
        found += re.findall(r"run --rm pages ([^`\n]*)", text)
    return [shlex.split(one) for one in found if "were written" not in one]


def test_every_command_in_them_is_one_of_ours(folder: Path) -> None:
    found = _commands(folder)
    assert len(found) >= 8
    for words in found:
        command: Any = typer.main.get_command(app)
        rest = list(words)
        while hasattr(command, "commands"):
            assert rest[0] in command.commands, words
            command = command.commands[rest.pop(0)]
        options = {name for one in command.params for name in one.opts}
        assert {word for word in rest if word.startswith("--")} <= options, words


def test_every_option_of_the_cluster_is_one_of_its_own(
    folder: Path, compose: dict[str, Any]
) -> None:
    from distributed.cli import dask_scheduler, dask_worker

    known = {"scheduler": dask_scheduler.main, "worker": dask_worker.main}
    asked = [compose["services"][name]["entrypoint"] for name in known]
    asked += [shlex.split(line) for line in re.findall(
        r"(?:^|srun )(dask [^&\n]+)&", (folder / "propose.sbatch").read_text("utf-8"), re.M)]
    assert len(asked) == 4
    for words in asked:
        options = {name for one in known[words[1]].params
                   for name in (*one.opts, *one.secondary_opts)}
        assert {word for word in words if word.startswith("--")} <= options, words


KEYS = {
    "": {"name", "services", "volumes"},
    "service": {"build", "command", "depends_on", "deploy", "entrypoint", "environment",
                "healthcheck", "image", "ports", "profiles", "restart", "stop_grace_period",
                "volumes"},
    "healthcheck": {"test", "interval", "timeout", "retries", "start_period", "disable"},
    "deploy": {"replicas"},
}
"""Those keys of the Compose specification that we use."""


def test_every_key_is_one_of_the_specification(compose: dict[str, Any]) -> None:
    assert set(compose) <= KEYS[""]
    for service in compose["services"].values():
        assert set(service) <= KEYS["service"]
        assert service.get("restart", "no") in {"no", "always", "on-failure", "unless-stopped"}
        for part in ("healthcheck", "deploy"):
            assert set(service.get(part, {})) <= KEYS[part]
        needs = service.get("depends_on", {})
        assert {how["condition"] for how in needs.values()} <= {
            "service_started", "service_healthy"} if isinstance(needs, dict) else needs
        for value in service.get("environment", {}).values():
            assert isinstance(value, str)  # a bare False or number is written otherwise


def test_the_port_and_the_watchdogs_path_are_the_servers(folder: Path, season: Season) -> None:
    text = "".join((folder / name).read_text("utf-8")
                   for name in ("Dockerfile", "Caddyfile", "start.sh"))
    ports = re.findall(r"(?:EXPOSE |127\.0\.0\.1:|pages:|--port )(\d+)", text)
    assert ports == ["8765"] * 4
    path = re.search(r"127\.0\.0\.1:8765(/\w+)", text)
    assert path
    with create_app(season.folder).test_client() as client:
        assert client.get(path[1]).status_code == 200


@pytest.mark.slow
@pytest.mark.postgres
def test_the_start_script_makes_the_season_once_and_runs_what_is_asked(
    folder: Path, tmp_path: Path, postgres_url: str
) -> None:
    named = os.environ | {
        "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}",
        "BUDVISION_SEASON": str(tmp_path / "season"), "BUDVISION_DATABASE": postgres_url,
        "BUDVISION_PHOTOS": f"file://{tmp_path}/photographs/winter", "BUDVISION_NAME": "x.example"}
    for words, code in ((["people", "list"], 0), (["check"], 0), ([], 2)):
        done = subprocess.run([str(folder / "start.sh"), *words], env=named, capture_output=True,
                              text=True, timeout=120, check=False)
        assert done.returncode == code, done.stderr
    assert "nobody has a password yet" in done.stderr
    with Season.open(tmp_path / "season") as season:
        assert season.engine.dialect.name == "postgresql"
        assert season.photos.address == f"file://{tmp_path}/photographs/winter"
