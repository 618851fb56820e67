"""No command without help, none that the README leaves out."""

from __future__ import annotations

import argparse
import re
from importlib import import_module
from pathlib import Path

import pytest

from pawnlore.service.cli import COMMANDS, build_parser

README = (Path(__file__).resolve().parent.parent / "README.md").read_text(encoding="utf-8")


def _section(command: str) -> str:
    """The README's text on one command, up to the next heading of its level or above."""
    found = re.search(rf"^### `pawnlore {command}\b.*?(?=^#{{1,3}} |\Z)", README, re.M | re.S)
    return found.group(0) if found else ""


def _parsers() -> dict[str, argparse.ArgumentParser]:
    (commands,) = (
        action
        for action in build_parser()._actions
        if isinstance(action, argparse._SubParsersAction)
    )
    return dict(commands.choices)


def _options(parser: argparse.ArgumentParser) -> list[argparse.Action]:
    return [action for action in parser._actions if action.dest != "help"]


def test_the_parser_knows_exactly_the_commands() -> None:
    assert tuple(_parsers()) == COMMANDS


@pytest.mark.parametrize("command", COMMANDS)
def test_a_command_says_in_one_line_what_it_does(command: str) -> None:
    told = import_module(f"pawnlore.service.commands.{command.replace('-', '_')}").HELP
    assert told.strip() == told
    assert "\n" not in told
    assert len(told.split()) >= 3


@pytest.mark.parametrize("command", COMMANDS)
def test_every_option_of_a_command_has_help(command: str) -> None:
    silent = [action.dest for action in _options(_parsers()[command]) if not action.help]
    assert not silent, f"pawnlore {command}: no help for {silent}"


@pytest.mark.parametrize("command", COMMANDS)
def test_the_readme_has_a_section_for_a_command(command: str) -> None:
    assert len(_section(command).split()) > 20, f"README.md lacks '### `pawnlore {command} …`'"


@pytest.mark.parametrize("command", COMMANDS)
def test_the_readme_names_every_option_of_a_command(command: str) -> None:
    section = _section(command)
    missing = []
    for action in _options(_parsers()[command]):
        if not action.option_strings:
            continue
        name = max(action.option_strings, key=len)
        if not re.search(rf"(?<![\w-]){re.escape(name)}(?![\w-])", section):
            missing.append(name)
    assert not missing, f"README.md, section on 'pawnlore {command}': no word of {missing}"


def test_the_readme_has_no_section_for_a_command_that_is_gone() -> None:
    assert set(re.findall(r"^### `pawnlore (\S+?)[ `]", README, re.M)) <= set(COMMANDS)


def test_the_readme_explains_the_exit_statuses() -> None:
    for status in (0, 1, 2):
        assert re.search(rf"^\| {status} \|", README, re.M)
