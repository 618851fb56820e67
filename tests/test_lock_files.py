"""The lock files cover what pyproject.toml asks for, with hashes, and name no host."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement

REPOSITORY = Path(__file__).resolve().parent.parent
SETTINGS = tomllib.loads((REPOSITORY / "pyproject.toml").read_text(encoding="utf-8"))
EXTRAS = SETTINGS["project"]["optional-dependencies"]
RUN = SETTINGS["project"]["dependencies"]
BUILD = SETTINGS["build-system"]["requires"]

COVERED = {
    "requirements-build.lock": BUILD,
    "requirements.lock": RUN + EXTRAS["train"] + EXTRAS["serve"] + EXTRAS["postgres"],
    "requirements-test.lock": RUN + [wanted for extra in EXTRAS.values() for wanted in extra],
}


def _pins(name: str) -> dict[str, list[str]]:
    """The locked versions by package: more than one where they differ by platform."""
    pins: dict[str, list[str]] = {}
    text = (REPOSITORY / name).read_text(encoding="utf-8")
    for package, version in re.findall(
        r"^([A-Za-z0-9._-]+)(?:\[[^]]*\])?==([^\s;\\]+)", text, re.M
    ):
        pins.setdefault(package.lower(), []).append(version)
    return pins


@pytest.mark.parametrize("name", COVERED)
def test_a_lock_file_pins_what_the_project_asks_for(name: str) -> None:
    pins = _pins(name)
    for text in COVERED[name]:
        wanted = Requirement(text)
        versions = pins.get(wanted.name.lower(), [])
        assert versions, f"{name} lacks {wanted.name}; run .ci/lock"
        assert all(wanted.specifier.contains(v) for v in versions), (text, versions)


@pytest.mark.parametrize("name", COVERED)
def test_every_pin_has_a_hash_and_nothing_names_a_host(name: str) -> None:
    text = (REPOSITORY / name).read_text(encoding="utf-8")
    joined = text.replace("\\\n", " ")
    pins = [line for line in joined.splitlines() if line and not line.lstrip().startswith("#")]
    assert pins
    assert all(re.search(r" --hash=sha256:[0-9a-f]{64}", line) for line in pins)
    assert "://" not in text


def test_the_lock_files_agree() -> None:
    run, test = _pins("requirements.lock"), _pins("requirements-test.lock")
    assert {package: test.get(package) for package in run} == run
    assert test["setuptools"] == _pins("requirements-build.lock")["setuptools"]
