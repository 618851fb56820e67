"""What one run of the PGN reader carries from file to file and game to game."""

from __future__ import annotations

import re

import chess

from pawnlore.structures.fen import FenWriter
from pawnlore.structures.pgn_headers import HEADER_START, LOST_COMMENT
from pawnlore.structures.pgn_limits import Limits
from pawnlore.structures.pgn_problem import ReadProblem
from pawnlore.structures.pgn_source import PgnLines, Progress
from pawnlore.structures.pgn_tokens import NEW_GAME
from pawnlore.structures.position_key import position_key
from pawnlore.structures.repertoire import Repertoire

_OPENER = re.compile("[{;]")
_SHOWN = 40


def shortened(text: str, *, quoted: bool = True) -> str:
    """Some input, short enough to stand in a message.

    >>> shortened("foo "), len(shortened("x" * 1000, quoted=False))
    ("'foo'", 40)
    """
    text = text.strip()
    if len(text) > _SHOWN:
        text = text[: _SHOWN - 1] + "…"
    if quoted:
        return repr(text)
    # A terminal obeys control characters, so none may pass from a file into a message.
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)


class Reading:
    """The columns that are being filled, and the file that fills them."""

    def __init__(self, book: Repertoire, limits: Limits, progress: Progress | None) -> None:
        self.book = book
        self.limits = limits
        self.progress = progress
        self.file = ""
        self.game = 0
        self.before_game = False
        """Whether the next game's headers are being read, so that `game` is still the last."""
        self.lines: PgnLines | None = None
        self.full = False
        """Whether the run has as many nodes as it may have."""
        self.sans: dict[str, str] = {}
        """Every regular spelling met so far, so that equal moves share one string."""
        self._pieces_of = self._pieces = 0
        self._fen = FenWriter().fen
        self._positions: dict[bytes, int] = {}

    def problem(self, message: str, *, move: str = "", warning: bool = False) -> None:
        """Note what is wrong, with the place that was read last."""
        book = self.book
        if len(book.problems) >= self.limits.problems:
            book.unnamed_problems += 1
            return
        game = self.game + self.before_game
        book.problems.append(ReadProblem(self.file, game, self.lines_read, move, message, warning))

    def run_is_full(self, move: str = "") -> None:
        """Read nothing more: the run has as many nodes as it may have."""
        self.full = True
        self.problem(
            f"the run has {self.limits.nodes:,} nodes, the limit; nothing more is read", move=move
        )

    def next_line(self) -> str:
        """The next line of the file, or an empty string at its end."""
        return self.lines.next() if self.lines is not None else ""

    @property
    def lines_read(self) -> int:
        """The number of the line that was read last, from 1; 0 before the first."""
        return self.lines.number if self.lines is not None else 0

    def rest(self, text: str, position: int) -> str:
        """What is left of a line after one of several games, headers or comments in it.

        Each time the rest is copied, so that may happen only so often a line.
        """
        if self._pieces_of != self.lines_read:
            self._pieces_of, self._pieces = self.lines_read, 0
        self._pieces += 1
        if self._pieces > self.limits.pieces:
            self.problem("too many games, headers or comments in one line; its rest is left out")
            return "\n"
        return text[position:]

    @property
    def cut(self) -> bool:
        """Whether the rest of the line read last is gone."""
        return self.lines is not None and self.lines.cut

    def keep_position(self, board: chess.Board) -> None:
        """Fill the columns that are there only when asked for."""
        book = self.book
        if book.fens is not None:
            book.fens.append(self._fen(board))
        if book.positions is not None:
            key = position_key(board)
            book.positions.append(self._positions.setdefault(key, len(self._positions)))

    def brace_comment(self, text: str, start: int) -> tuple[str, str, int]:
        """Read the comment whose text begins at ``start``.

        Gives back its text, the line in which it ends, and the place after
        it; that place is 0 where the comment was never closed, and the line is
        then one that is still to be read (or empty at the file's end, or where
        the line was cut).
        """
        limit = self.limits.comment
        end = text.find("}", start)
        if end >= 0 and end - start <= limit:
            return text[start:end], text, end + 1
        opened = self.lines_read
        parts: list[str] = []
        room = limit
        part = text[start:]
        while True:
            end = part.find("}")
            kept = part if end < 0 else part[:end]
            if room >= 0:
                parts.append(kept[:room])
                room -= len(kept)
                if room < 0:
                    self.problem(
                        f"the comment is longer than {limit:,} characters; its rest is left out"
                    )
            if end >= 0:
                return "".join(parts), part, end + 1
            if self.cut:
                return "".join(parts).rstrip(), "", 0
            part = self.next_line()
            if not part or LOST_COMMENT.match(part):
                self.problem(
                    f"the comment that begins in line {opened} is never closed; "
                    "it is taken to end here"
                )
                return "".join(parts).rstrip(), part, 0

    def skip_game(self, text: str) -> str:
        """Pass over the rest of a game; give back the next game's first line."""
        fresh, blank = True, False
        while text:
            if fresh and (HEADER_START.match(text) or (blank and NEW_GAME.match(text))):
                return text
            blank = text.isspace()
            opened = _open_comment(text)
            if opened and not self.cut:
                _, text, position = self.brace_comment(text, opened)
                fresh = position == 0
                if text:
                    text = text[position:]
                    continue
            text = self.next_line()
            fresh = True
        return ""


def _open_comment(text: str) -> int:
    """Where the text of a brace comment begins that this line leaves open, or 0."""
    position = 0
    while (match := _OPENER.search(text, position)) is not None and match[0] == "{":
        end = text.find("}", match.end())
        if end < 0:
            return match.end()
        position = end + 1
    return 0
