"""How a command reads the position that somebody asks about."""

from __future__ import annotations

import argparse

from pawnlore.service.cli import CannotStart
from pawnlore.service.position_lines import LINE_LIMIT
from pawnlore.structures.query_position import QueryPosition, query_position
from pawnlore.structures.skeleton import SkeletonError


def query_from_args(args: argparse.Namespace) -> QueryPosition:
    """The position of ``args.fen``.

    Raises `CannotStart` for one that cannot be read, and where a FEN without
    quotes has fallen apart into several arguments.
    """
    if args.pgn and args.pgn[0] in ("w", "b"):
        raise CannotStart("put the FEN in quotes, so that it stays one argument")
    if len(args.fen) > LINE_LIMIT:
        raise CannotStart(f"the position is longer than {LINE_LIMIT} characters")
    try:
        return query_position(args.fen)
    except SkeletonError as error:
        shown = args.fen if len(args.fen) <= 80 else args.fen[:80] + "…"
        hint = "; the position comes first, then the PGN files" if _like_a_file(args.fen) else ""
        raise CannotStart(f"{shown!r} is no position: {error}{hint}") from None


def _like_a_file(text: str) -> bool:
    return text.lower().endswith((".pgn", ".epd", ".txt"))
