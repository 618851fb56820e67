"""Breaks as tables: a page for a coach, CSV and JSON Lines.

CSV and JSON Lines hold a row for every outcome of every break. ``state`` is
empty for a bare skeleton and ``lines`` to ``reached`` are empty without a
repertoire.
"""

from __future__ import annotations

import csv
import io
import json
import textwrap
from collections.abc import Iterator, Sequence
from typing import Any

import chess

from pawnlore.service.exports.line_text import Naming, family_name, line_text
from pawnlore.structures.break_on_board import ILLEGAL, IN_THE_WAY, LATER, NEXT, NOW, OnBoard
from pawnlore.structures.breaks import Branch, BreakTree, Prospect
from pawnlore.structures.pawn_levers import CAPTURE, LEVER, PIECE
from pawnlore.structures.recaptures import STANDS
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.skeleton import placement, squares_in_words
from pawnlore.structures.verdict import Verdict

COLUMNS = (
    "side",
    "break",
    "kind",
    "moves",
    "hits",
    "backed_by",
    "state",
    "reason",
    "lines",
    "played",
    "structure_lines",
    "structure_played",
    "outcome",
    "ending",
    "legal",
    "reached",
    "structure",
    "holder",
    "probability",
    "second",
    "second_holder",
    "second_probability",
    "changes",
    "pawns",
)
"""``outcome`` is in words; ``pawns`` is the placement field of a FEN."""

_WIDTH = 100
_LIKELY = 0.15
"""A runner-up is named where no structure is and it is at least as likely."""


def csv_rows(tree: BreakTree, book: Repertoire | None = None) -> Iterator[str]:
    """The table as CSV (RFC 4180, with line feeds)."""
    yield ",".join(COLUMNS) + "\n"
    for row in _rows(tree):
        line = io.StringIO()
        csv.writer(line, lineterminator="\n").writerow([_cell(row[name]) for name in COLUMNS])
        yield line.getvalue()


def json_lines(tree: BreakTree, book: Repertoire | None = None) -> Iterator[str]:
    """The table as JSON Lines: an object a row, null where CSV has nothing."""
    for row in _rows(tree):
        yield json.dumps(row, ensure_ascii=False) + "\n"


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.4f}" if isinstance(value, float) else str(value)


def _rows(tree: BreakTree) -> Iterator[dict[str, Any]]:
    for prospect in tree.prospects:
        told, board = prospect.pawn_break, prospect.board
        for branch in prospect.branches:
            verdict = branch.verdict
            yield {
                "side": told.side,
                "break": told.text,
                "kind": told.kind,
                "moves": told.moves,
                "hits": _squares(told.hits),
                "backed_by": _squares(prospect.backing),
                "state": None if board is None else board.state,
                "reason": (board.reason or None) if board is not None else None,
                "lines": tree.lines,
                "played": prospect.played,
                "structure_lines": tree.structure_lines,
                "structure_played": prospect.structure_played,
                "outcome": branch.outcome.text,
                "ending": branch.outcome.ending,
                "legal": branch.legal,
                "reached": branch.lines,
                "structure": verdict.structure,
                "holder": verdict.holder,
                "probability": round(verdict.probability, 4),
                "second": verdict.second,
                "second_holder": verdict.second_holder,
                "second_probability": round(verdict.second_probability, 4),
                "changes": branch.changes,
                "pawns": placement(branch.outcome.skeleton),
            }


def digest(
    tree: BreakTree, book: Repertoire | None = None, name_of: Naming = family_name
) -> Iterator[str]:
    """The page for a coach: what stands, each side's breaks, and where they lead."""
    yield from _heading(tree, name_of)
    if not tree.prospects:
        yield "\nNeither side has a pawn break within two moves.\n"
        return
    yield from _table(tree)
    yield "\nWhere they lead\n"
    for prospect in tree.prospects:
        yield from _branches(tree, prospect, book, name_of)


def _heading(tree: BreakTree, name_of: Naming) -> Iterator[str]:
    to_move = ""
    if tree.board is not None:
        to_move = f" {'White' if tree.board.turn else 'Black'} to move."
    yield f"{_sentence(structure_text(tree.verdict, name_of))}.{to_move}\n"
    white = squares_in_words(tree.skeleton.white) or "no pawns"
    black = squares_in_words(tree.skeleton.black) or "no pawns"
    yield f"White: {white}. Black: {black}.\n"
    if tree.lines is None:
        return
    verb = "passes" if tree.lines == 1 else "pass"
    told = f"In the repertoire, {count_of(tree.lines, 'line')} {verb} exactly these pawns"
    if tree.structure_lines is not None:
        told += f", {tree.structure_lines:,} this structure"
    yield f"{told}.\n"


def _table(tree: BreakTree) -> Iterator[str]:
    counted = tree.lines is not None
    head = ["break", "moves", "hits", "backed by"]
    head += ["on the board"] if tree.board is not None else []
    if counted:
        head += ["played from these pawns"]
        head += ["from this structure"] if tree.structure_lines is not None else []
    rows = [tuple(head)]
    side = ""
    for prospect in tree.prospects:
        told = prospect.pawn_break
        if told.side != side:
            side = told.side
            rows.append((side.capitalize(), *[""] * (len(head) - 1)))
        row = [
            f"  {told.text}",
            str(told.moves),
            _hits(prospect),
            _squares(prospect.backing) or "-",
        ]
        if prospect.board is not None:
            row.append(state_text(prospect.board))
        if counted:
            row.append(_share(prospect.played, tree.lines))
            if tree.structure_lines is not None:
                row.append(_share(prospect.structure_played, tree.structure_lines))
        rows.append(tuple(row))
    yield "\n"
    yield from _aligned(rows)


def _hits(prospect: Prospect) -> str:
    told = prospect.pawn_break
    if told.kind == PIECE:
        return f"takes a piece on {_squares(told.hits)}"
    if told.kind == CAPTURE:
        return f"takes {_squares(told.hits)}"
    if told.kind == LEVER:
        return _squares(told.hits)
    return "goes past" if told.leaves_tension else "-"


def state_text(state: OnBoard) -> str:
    """Whether a break can be played, in words."""
    if state.state in (IN_THE_WAY, ILLEGAL):
        return f"no: {state.reason}"
    return {
        NOW: "now",
        NEXT: "when it is their turn",
        LATER: "in two moves",
    }[state.state]


def _branches(
    tree: BreakTree, prospect: Prospect, book: Repertoire | None, name_of: Naming
) -> Iterator[str]:
    told = prospect.pawn_break
    what = f" hits {_squares(told.hits)}" if told.kind == LEVER else ""
    blocked = ""
    if prospect.board is not None and prospect.board.reason:
        blocked = f" (not now: {prospect.board.reason})"
    yield f"\n  {told.text}{what}{blocked}\n"
    for branch in _shown(prospect):
        lines = [structure_text(branch.verdict, name_of, short=tree.verdict)]
        if branch.changes:
            lines.append(branch.changes)
        if branch.lines:
            lines.append(f"{count_of(branch.lines, 'line')} of the repertoire")
        head = branch.outcome.text
        if branch.outcome.ending == STANDS:
            head = "the tension stays" if told.kind == LEVER else "then"
        yield from wrapped(f"{head}: {'. '.join(lines)}", 4)
    if prospect.example is not None and book is not None:
        yield from wrapped(f"seen in {line_text(book, prospect.example)}", 4)


def _shown(prospect: Prospect) -> list[Branch]:
    """Where the break can be played at once, only what is legal as things stand."""
    if prospect.board is not None and prospect.board.playable:
        return [branch for branch in prospect.branches if branch.legal]
    return list(prospect.branches)


def structure_text(
    verdict: Verdict, name_of: Naming = family_name, *, short: Verdict | None = None
) -> str:
    """A verdict in words: its name, whose it is and how sure.

    With ``short``, a structure that is the same as that one is told as such.
    """
    if not verdict.settled:
        told = f"no structure settles ({verdict.probability:.0%})"
        if verdict.second_probability >= _LIKELY:
            told += f", perhaps {_owned(name_of(verdict.second), verdict.second_holder)}"
            told += f" ({verdict.second_probability:.0%})"
        return told
    sure = f"({verdict.probability:.0%})"
    if short is not None and (short.structure, short.holder) == (verdict.structure, verdict.holder):
        return f"the same structure {sure}"
    return f"{_owned(name_of(verdict.structure), verdict.holder)} {sure}"


def _owned(name: str, holder: str) -> str:
    whose = {"white": ", White's", "black": ", Black's"}.get(holder, "")
    return f"{name}{whose}"


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _squares(squares: Sequence[int]) -> str:
    return " ".join(chess.square_name(square) for square in squares)


def _share(part: int | None, whole: int | None) -> str:
    return f"{part} of {whole}" if whole else "-"


def count_of(number: int, what: str) -> str:
    """A number with its noun: ``1 line``, ``2 lines``."""
    return f"{number:,} {what}{'' if number == 1 else 's'}"


def wrapped(text: str, indent: int) -> Iterator[str]:
    """Text in lines of the page's width, later ones two columns further in."""
    for line in textwrap.wrap(
        text,
        _WIDTH,
        initial_indent=" " * indent,
        subsequent_indent=" " * (indent + 2),
        break_on_hyphens=False,
        break_long_words=False,
    ):
        yield line + "\n"


def _aligned(rows: Sequence[tuple[str, ...]]) -> Iterator[str]:
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        yield "  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip() + "\n"
