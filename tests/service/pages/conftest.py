"""The fixtures of all tests of pages."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from browsers import browser, empty_service, fresh, served

__all__ = ["browser", "empty_service", "served"]


@pytest.fixture(autouse=True)
def begin_anew(request: pytest.FixtureRequest) -> Iterator[None]:
    """A browser that is shared by tests begins each of them in the same state."""
    if "browser" in request.fixturenames:
        fresh(request.getfixturevalue("browser"))
    yield
