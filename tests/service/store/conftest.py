"""Every test of the store runs on SQLite and on PostgreSQL."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from postgres_server import PostgresServer, postgres_server

from pawnlore.service.store.store import Store, open_store

KINDS = [
    pytest.param("sqlite", id="sqlite"),
    pytest.param("postgresql", id="postgresql", marks=pytest.mark.postgres),
]


class Moments:
    """A clock that goes on by a second each time it is looked at."""

    def __init__(self) -> None:
        self.now = datetime(2024, 2, 29, 12, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now


@pytest.fixture(scope="session")
def server() -> Iterator[Callable[[], PostgresServer]]:
    """Starts a server the first time that one is asked for."""
    with ExitStack() as stack:
        running: list[PostgresServer] = []

        def start() -> PostgresServer:
            if not running:
                running.append(stack.enter_context(postgres_server()))
            return running[0]

        yield start


@pytest.fixture(params=KINDS)
def kind(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def new_url(kind: str, tmp_path: Path, server: Callable[[], PostgresServer]) -> Callable[[], str]:
    """Gives the URL of an empty database, another one at every call."""
    made: list[str] = []

    def make() -> str:
        if kind == "postgresql":
            made.append(server().new_database())
        else:
            made.append(f"sqlite:///{tmp_path / f'store {len(made)} % é.sqlite'}")
        return made[-1]

    return make


@pytest.fixture
def url(new_url: Callable[[], str]) -> str:
    return new_url()


@pytest.fixture
def store(url: str) -> Iterator[Store]:
    opened = open_store(url, clock=Moments())
    yield opened
    opened.close()
