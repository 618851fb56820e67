"""The wheel holds all that the program needs, and runs far from the source tree."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import sysconfig
import tomllib
import urllib.request
import venv
import zipfile
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parent.parent
FOLDERS = ("structures", "models", "service", "labelled_demo")
NEEDED_AT_THE_TOP = ("pyproject.toml", "README.md", "LICENSE")

pytestmark = pytest.mark.slow


def _source_files() -> list[Path]:
    """Every file of the code folders, relative to the top, without what Python leaves."""
    return sorted(
        path.relative_to(REPOSITORY)
        for folder in FOLDERS
        for path in (REPOSITORY / folder).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts and not path.name.startswith(".")
    )


def _run(*command: str | Path, cwd: Path, text: str = "") -> subprocess.CompletedProcess[str]:
    clean = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "PYTHONHOME")}
    return subprocess.run(
        [str(part) for part in command],
        cwd=cwd,
        input=text,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=600,
        check=False,
        env={**clean, "PAWNLORE_HOME": str(cwd / "home"), "PYTHONIOENCODING": "utf-8"},
    )


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built from a copy: a build leaves files beside its source."""
    copy = tmp_path_factory.mktemp("source")
    out = tmp_path_factory.mktemp("wheel")
    for name in NEEDED_AT_THE_TOP:
        shutil.copy(REPOSITORY / name, copy)
    for path in _source_files():
        (copy / path).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(REPOSITORY / path, copy / path)
    options = ("--no-deps", "--no-build-isolation", "--no-index", "--wheel-dir", out)
    built = _run(sys.executable, "-m", "pip", "wheel", *options, copy, cwd=copy)
    assert built.returncode == 0, built.stdout + built.stderr
    (found,) = out.glob("*.whl")
    return found


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The programs' folder of a new environment that has the wheel installed.

    The dependencies are lent by the environment that runs the tests; the
    project itself comes from the wheel, because its own site-packages is first.
    """
    place = tmp_path_factory.mktemp("environment")
    venv.create(place, with_pip=False)
    names = {"base": str(place), "platbase": str(place)}
    target = Path(sysconfig.get_path("purelib", "venv", names))
    scripts = Path(sysconfig.get_path("scripts", "venv", names))
    interpreter = scripts / Path(sys.executable).name
    if not interpreter.exists():
        interpreter = scripts / ("python.exe" if os.name == "nt" else "python")
    done = _run(
        *(sys.executable, "-m", "pip", "--python", interpreter, "install"),
        *("--no-deps", "--no-index", wheel),
        cwd=place,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    (target / "lent.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    return scripts


def test_every_source_file_is_in_the_wheel(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        inside = {name for name in archive.namelist() if name.startswith("pawnlore/")}
    assert inside == {f"pawnlore/{path.as_posix()}" for path in _source_files()}


def test_the_wheel_puts_one_name_into_site_packages(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        tops = {name.split("/")[0] for name in archive.namelist()}
    assert {top for top in tops if not top.endswith(".dist-info")} == {"pawnlore"}


def test_the_wheel_says_who_may_use_it_and_carries_the_licence(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        names = archive.namelist()
        (metadata,) = (name for name in names if name.endswith(".dist-info/METADATA"))
        head = archive.read(metadata).decode("utf-8")
    assert "License-Expression: GPL-3.0-or-later" in head.splitlines()
    assert any(name.endswith("/licenses/LICENSE") for name in names)


def test_every_package_folder_is_named_in_pyproject() -> None:
    settings = tomllib.loads((REPOSITORY / "pyproject.toml").read_text(encoding="utf-8"))
    mapping = settings["tool"]["setuptools"]["package-dir"]
    folders = {path.parent.as_posix() for path in _source_files() if path.name == "__init__.py"}
    assert set(mapping.values()) == folders
    assert set(mapping) == set(settings["tool"]["setuptools"]["packages"])
    assert all(name == "pawnlore." + path.replace("/", ".") for name, path in mapping.items())


def test_the_installed_project_is_the_wheel(installed: Path, tmp_path: Path) -> None:
    program = (
        "import pawnlore.structures as s, pawnlore.service as v; print(s.__file__, v.__file__)"
    )
    shown = _run(installed / "python", "-c", program, cwd=tmp_path)
    assert shown.returncode == 0, shown.stderr
    assert shown.stdout.count(str(installed.parent)) == 2
    assert str(REPOSITORY) not in shown.stdout


def test_the_installed_command_classifies_from_an_unrelated_folder(
    installed: Path, tmp_path: Path
) -> None:
    fen = "r1bqk2r/pp3ppp/2n1pn2/8/1b1P4/2N2N2/PP3PPP/R1BQKB1R w KQkq - 0 8"
    ran = _run(installed / "pawnlore", "classify", "--format", "csv", cwd=tmp_path, text=fen + "\n")
    assert ran.returncode == 0, ran.stderr
    header, row = ran.stdout.splitlines()
    assert header.split(",")[:3] == ["fen", "structure", "holder"]
    # White's lone d-pawn with no pawn beside it and Black's e-pawn before it:
    # the isolani, by the core in the catalogue.
    assert row.split(",")[1:3] == ["isolated-queen-pawn", "white"]


def test_the_installed_command_runs_the_demo_from_an_unrelated_folder(
    installed: Path, tmp_path: Path
) -> None:
    ran = _run(installed / "pawnlore", "demo", cwd=tmp_path)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    written = [path for path in tmp_path.rglob("*") if path.is_file()]
    assert written, "the demo wrote nothing into the folder it was run from"


def test_the_installed_command_serves_its_pages(installed: Path, tmp_path: Path) -> None:
    clean = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "PYTHONHOME")}
    serving = subprocess.Popen(
        [str(installed / "pawnlore"), "serve", "--port", "0"],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env={**clean, "PAWNLORE_HOME": str(tmp_path / "home")},
    )
    try:
        assert serving.stdout is not None
        address = re.search(r"http://[^/]+", serving.stdout.readline())
        assert address is not None
        with urllib.request.urlopen(f"{address[0]}/look-up?moves=d4", timeout=60) as answer:
            page = answer.read().decode("utf-8")
        assert "No settled structure" in page
        links = re.findall(r'(?:href|src)="(/static/[^"]+)"', page)
        assert {link.rpartition("/")[2] for link in links} >= {"book.css", "look_up.js"}
        for link in links:
            with urllib.request.urlopen(address[0] + link, timeout=60) as answer:
                assert answer.status == 200 and answer.read()
    finally:
        serving.terminate()
        serving.communicate(timeout=60)
