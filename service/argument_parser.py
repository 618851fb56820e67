"""A parser of arguments that lets options stand anywhere among the others."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from typing import Any


class ArgumentParser(argparse.ArgumentParser):
    """Takes ``show --revision 2 NAME`` as well as ``show NAME --revision 2``.

    The standard library's parser gives an argument that may be missing up at
    the first option, and then complains of it.

    >>> parser = ArgumentParser(prog="example")
    >>> _ = parser.add_argument("action"), parser.add_argument("what", nargs="*")
    >>> _ = parser.add_argument("--side")
    >>> parser.parse_args(["show", "--side", "white", "a", "b"]).what
    ['a', 'b']
    """

    _inside = False

    def parse_known_args(  # type: ignore[override]
        self, args: Sequence[str] | None = None, namespace: Any = None
    ) -> tuple[Any, list[str]]:
        """What is known, and the arguments that are left."""
        # What follows a sub-command is all the sub-command's.
        has_commands = any(action.nargs == argparse.PARSER for action in self._actions)
        # The library forgets about two dashes when it mixes.
        words = list(sys.argv[1:] if args is None else args)
        if self._inside or has_commands or "--" in words:
            return super().parse_known_args(words, namespace)
        # The library's way of doing this calls here again, twice.
        self._inside = True
        try:
            return self.parse_known_intermixed_args(words, namespace)
        finally:
            self._inside = False
