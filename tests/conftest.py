"""What holds for every test: its own data folder, seeds, and what this machine lacks.

A test that needs more than Python says so with a marker (`browser`,
`postgres`). Where the thing is missing, the test is skipped and the end of the
run lists it; with ``PAWNLORE_REQUIRE_ALL=1`` the lack is a failure instead.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import settings

# The same examples in every run, so that a red run can be repeated; no
# deadline, because a busy machine is no fault of the code.
settings.register_profile("pawnlore", derandomize=True, deadline=None)
settings.load_profile("pawnlore")

REPOSITORY = Path(__file__).resolve().parent.parent
SWITCH = "PAWNLORE_REQUIRE_ALL"


def _find_browser() -> bool:
    found = any(shutil.which(name) for name in ("chromium", "chromium-browser", "google-chrome"))
    return found and shutil.which("chromedriver") is not None


def _find_postgres() -> bool:
    # Debian keeps the server's programs out of the path.
    debian = Path("/usr/lib/postgresql")
    return shutil.which("initdb") is not None or any(debian.glob("*/bin/initdb"))


@dataclass(frozen=True)
class Need:
    """Something outside Python that a marked test needs."""

    what: str
    remedy: str
    present: Callable[[], bool]


NEEDS = {
    "browser": Need(
        "Chromium and its driver", "apt-get install chromium chromium-driver", _find_browser
    ),
    "postgres": Need("PostgreSQL", "apt-get install postgresql", _find_postgres),
}

_not_run: dict[str, list[str]] = defaultdict(list)


def _all_required() -> bool:
    return os.environ.get(SWITCH, "") not in ("", "0")


def pytest_configure(config: pytest.Config) -> None:
    """Give the run a data folder of its own, so that no test sees the user's."""
    _not_run.clear()
    home = tempfile.mkdtemp(prefix="pawnlore-tests-")
    before = os.environ.get("PAWNLORE_HOME")
    os.environ["PAWNLORE_HOME"] = home

    def restore() -> None:
        if before is None:
            os.environ.pop("PAWNLORE_HOME", None)
        else:
            os.environ["PAWNLORE_HOME"] = before
        shutil.rmtree(home, ignore_errors=True)

    config.add_cleanup(restore)


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip, or with the switch fail, a test whose needs this machine does not meet."""
    for name, need in NEEDS.items():
        if item.get_closest_marker(name) is None or need.present():
            continue
        _not_run[name].append(item.nodeid)
        lack = f"needs {need.what}, which was not found here ({need.remedy})"
        if _all_required():
            pytest.fail(f"{lack}, and {SWITCH} is set", pytrace=False)
        pytest.skip(lack)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """List at the end what this machine could not run."""
    if not _not_run:
        return
    terminalreporter.section("not run on this machine")
    for name, tests in sorted(_not_run.items()):
        need = NEEDS[name]
        terminalreporter.line(
            f"{len(tests)} marked '{name}': {need.what} was not found ({need.remedy})"
        )
        for test in tests:
            terminalreporter.line(f"    {test}")


@pytest.fixture(scope="session")
def repository() -> Path:
    """The top folder of the source tree."""
    return REPOSITORY


@pytest.fixture
def empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """An empty working folder, unrelated to the source tree."""
    monkeypatch.chdir(tmp_path)
    yield tmp_path
