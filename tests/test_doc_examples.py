"""Every example in a docstring is run."""

from __future__ import annotations

import doctest
import pkgutil
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parent.parent
PACKAGES = ("pawnlore.structures", "pawnlore.models", "pawnlore.service", "pawnlore.labelled_demo")


def _module_names() -> Iterator[str]:
    for package in PACKAGES:
        yield package
        for found in pkgutil.walk_packages(import_module(package).__path__, package + "."):
            yield found.name


NAMES = sorted(_module_names())
NOT_TO_BE_IMPORTED = {"pawnlore.service.store.migrations.env"}
"""Alembic runs this one itself; imported otherwise it has no migration to work on."""


def test_the_walk_finds_every_module() -> None:
    files = [
        path
        for folder in ("structures", "models", "service", "labelled_demo")
        for path in (REPOSITORY / folder).rglob("*.py")
    ]
    assert len(NAMES) == len(files)


def test_there_are_examples() -> None:
    finder = doctest.DocTestFinder(exclude_empty=True)
    module = import_module("pawnlore.structures.skeleton")
    assert sum(len(test.examples) for test in finder.find(module)) >= 5


@pytest.mark.parametrize("name", [name for name in NAMES if name not in NOT_TO_BE_IMPORTED])
def test_examples(name: str, empty_folder: Path) -> None:
    result = doctest.testmod(import_module(name), optionflags=doctest.ELLIPSIS)
    assert result.failed == 0, f"{result.failed} examples of {name} failed; see the output above"


def test_a_wrong_example_is_noticed() -> None:
    example = doctest.DocTestParser().get_doctest(">>> 1 + 1\n3\n", {}, "wrong", None, 0)
    assert doctest.DocTestRunner(verbose=False).run(example, out=lambda _: None).failed == 1
