"""What the tests of the API share: an empty database on either kind of server."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent / "store"))

from postgres_server import PostgresServer, postgres_server

KINDS = [
    pytest.param("sqlite", id="sqlite"),
    pytest.param("postgresql", id="postgresql", marks=pytest.mark.postgres),
]


@pytest.fixture(scope="session")
def start_postgres() -> Iterator[Callable[[], PostgresServer]]:
    """Starts a server the first time that one is asked for."""
    with ExitStack() as stack:
        running: list[PostgresServer] = []

        def start() -> PostgresServer:
            if not running:
                running.append(stack.enter_context(postgres_server()))
            return running[0]

        yield start


@pytest.fixture(params=KINDS)
def database(
    request: pytest.FixtureRequest, tmp_path: Path, start_postgres: Callable[[], PostgresServer]
) -> str:
    """The URL of an empty database, of each kind."""
    if request.param == "postgresql":
        return start_postgres().new_database()
    return f"sqlite:///{tmp_path / 'store.sqlite'}"
