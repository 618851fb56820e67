"""The limits on what the PGN reader takes from a file, all in one place."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Limits:
    """How much one file, game, line or comment may hold.

    What goes beyond a limit is named and left out; all that was read before it
    is kept. The columns take 32 bytes a node; to that come the comments and
    glyphs, and one line of the file.
    """

    line: int = 4 * 1024 * 1024
    """Characters in one line of a file."""
    pieces: int = 1000
    """Games, headers and comments outside games that may share one line."""
    comment: int = 1024 * 1024
    """Characters in one comment."""
    depth: int = 200
    """Variations nested in one another."""
    headers: int = 1000
    """Headers of one game."""
    game_nodes: int = 1_000_000
    """Nodes of one game."""
    nodes: int = 5_000_000
    """Nodes of one run, all files together."""
    problems: int = 10_000
    """Problems that are kept in words; further ones are counted."""


FEN_LENGTH = 200
"""Characters in a FEN; the longest legal one is far shorter."""

MOVE_NUMBER = 10_000
"""The highest move number that a FEN may start from."""
