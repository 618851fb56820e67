"""The PGN reader: repertoires as authors really have them, into columns.

Reading is lenient and loses nothing in silence: whatever is left out becomes a
`ReadProblem` with its file, game, line and move.
"""

from __future__ import annotations

import os
import sys
from array import array
from collections.abc import Iterable
from pathlib import Path
from typing import IO

from pawnlore.structures.pgn_headers import (
    HEADER,
    LOOSE_HEADER,
    BadStart,
    starting_board,
    unescape,
)
from pawnlore.structures.pgn_limits import Limits
from pawnlore.structures.pgn_movetext import Movetext
from pawnlore.structures.pgn_reading import Reading, shortened
from pawnlore.structures.pgn_source import PgnLines, Progress, RefusedFile
from pawnlore.structures.repertoire import Comment, Game, Repertoire

Source = str | os.PathLike[str] | IO[bytes] | IO[str]
"""A path, ``-`` for standard input, or an open stream."""


def read_repertoire(
    sources: Iterable[Source],
    *,
    with_fen: bool = False,
    with_keys: bool = False,
    progress: Progress | None = None,
    limits: Limits | None = None,
) -> Repertoire:
    """Read PGN files into one repertoire.

    ``with_fen`` keeps every node's FEN (that costs about as much as reading
    it); ``with_keys`` numbers equal positions alike. ``progress`` is told of
    bytes read. Nothing that is wrong with a file raises: see
    `Repertoire.problems`.

    >>> import io
    >>> book = read_repertoire([io.StringIO("1. d4 (1. e4 e5) d5 {a start} *")])
    >>> book.moves, book.parent.tolist(), book.comments[4][0].text
    (['', 'd4', 'e4', 'e5', 'd5'], [-1, 0, 0, 2, 1], 'a start')
    """
    book = Repertoire()
    if with_fen:
        book.fens = []
    if with_keys:
        book.positions = array("i")
    reader = _Reader(Reading(book, limits or Limits(), progress))
    for source in sources:
        reader.read(source)
    return book


class _Reader:
    """Reads one file after another into the same columns."""

    def __init__(self, reading: Reading) -> None:
        self.reading = reading
        self.book = reading.book
        self.movetext = Movetext(reading)
        self.headers: list[tuple[str, str]] = []
        self.pending: list[Comment] = []
        self.preamble: list[Comment] = []
        self.start_line = 0

    def read(self, source: Source) -> None:
        """Read one file, whatever it is."""
        reading = self.reading
        reading.game, reading.lines, reading.before_game = 0, None, False
        if not isinstance(source, (str, os.PathLike)):
            reading.file = str(getattr(source, "name", "") or "(stream)")
        else:
            reading.file = os.fspath(source)
        if reading.full:
            reading.problem("the file is not read: the run has all the nodes that it may have")
            return
        try:
            if not isinstance(source, (str, os.PathLike)):
                self._read_stream(source)
            elif source == "-":
                self._read_stream(sys.stdin.buffer)
            else:
                with Path(source).open("rb") as stream:
                    self._read_stream(stream)
        except IsADirectoryError:
            reading.problem("this is a folder; name the PGN files in it")
        except FileNotFoundError:
            reading.problem("there is no such file")
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            reading.problem(f"the file cannot be read: {reason}")

    def _read_stream(self, stream: IO[bytes] | IO[str]) -> None:
        reading, games = self.reading, len(self.book.games)
        self.book.files += 1
        try:
            reading.lines = PgnLines(stream, reading.limits.line, reading.problem, reading.progress)
        except RefusedFile as error:
            reading.problem(str(error))
            return
        self.pending = []
        text = reading.next_line()
        while text and not reading.full:
            reading.before_game = True
            text = self._read_headers(text)
            reading.before_game = False
            if not text and not self.headers:
                break
            text = self._read_game(text)
        if self.pending and len(self.book.games) > games:
            # Comments after the last game: they go with its last move.
            self._append_comments(self._last_main(self.book.games[-1]), self.pending)
        if reading.game == 0:
            reading.lines = None
            reading.problem("the file holds no game")

    def _last_main(self, game: Game) -> int:
        node, parent = game.first, self.book.parent
        for later in game.nodes:
            if parent[later] == node:
                node = later
        return node

    def _append_comments(self, node: int, comments: list[Comment]) -> None:
        known = self.book.comments.setdefault(node, [])
        closed = known[-1].closed if known else 0
        known.extend(comment._replace(closed=closed) for comment in comments)

    def _read_headers(self, text: str) -> str:
        """Read what stands before a game's moves; give back what follows.

        That is movetext, or the next game's first header where this game has
        no moves, or nothing at the file's end.
        """
        reading = self.reading
        self.headers = []
        self.preamble = []
        self.start_line = 0
        names: set[str] = set()
        blank = False
        while text:
            bare = text.lstrip()
            if not bare:
                blank = True
            elif text[0] == "%":
                pass
            elif bare[0] == ";":
                self.pending.append(Comment(bare[1:].rstrip("\r\n"), semicolon=True))
            elif bare[0] == "{":
                comment, text, position = reading.brace_comment(bare, 1)
                self.pending.append(Comment(comment))
                text = reading.rest(text, position) if position else text
                if text.strip():
                    continue
            elif bare[0] == "[":
                match = HEADER.match(bare) or LOOSE_HEADER.match(bare)
                if match is None:
                    reading.problem(f"the header {shortened(bare)} cannot be read; it is left out")
                else:
                    if match[1] in names and (blank or match[1] == "Event"):
                        return text
                    self.preamble += self.pending
                    self.pending = []
                    self.start_line = self.start_line or reading.lines_read
                    names.add(match[1])
                    self._add_header(match[1], unescape(match[2]))
                    blank = False
                    text = reading.rest(bare, match.end())
                    if text.strip():
                        continue
            else:
                return text
            text = reading.next_line()
        return ""

    def _add_header(self, name: str, value: str) -> None:
        limit = self.reading.limits.headers
        if len(self.headers) < limit:
            self.headers.append((name, value))
        else:
            self.reading.problem(
                f"the header {shortened(name)} is left out: the game has {limit:,} others"
            )

    def _read_game(self, text: str) -> str:
        """Read one game's moves; give back what follows the game."""
        reading, book = self.reading, self.book
        reading.game += 1
        opening, self.pending = self.pending, []
        start_line = self.start_line or reading.lines_read
        try:
            board, fen, warning = starting_board(self.headers)
        except BadStart as error:
            reading.problem(str(error))
            return reading.skip_game(text)
        if len(book) >= reading.limits.nodes:
            # A game without moves takes a node too, and a file may be full of them.
            reading.run_is_full()
            return ""
        if warning:
            reading.problem(warning, warning=True)
        first, ply = len(book), board.ply()
        if opening:
            book.comments[first] = opening
        book.parent.append(-1)
        book.ply.append(ply)
        white, black = board.occupied_co[True], board.occupied_co[False]
        book.pawns.extend((board.pawns & white, board.pawns & black))
        book.moves.append("")
        if book.fens is not None or book.positions is not None:
            reading.keep_position(board)
        result, text = self.movetext.read(text, board, first, ply)
        if not (self.headers or self.movetext.tried or first in book.comments):
            self._drop_last_node(result)
            return text
        book.games.append(
            Game(
                file=reading.file,
                number=reading.game,
                chapter=self._chapter(),
                headers=tuple(self.headers),
                result=result,
                first=first,
                count=len(book) - first,
                fen=fen,
                line=start_line,
                preamble=tuple(self.preamble),
            )
        )
        return text

    def _drop_last_node(self, result: str) -> None:
        """Take back a game that is none: no header, no move, no comment."""
        book = self.book
        book.glyphs.pop(len(book) - 1, None)
        for column in (book.parent, book.ply, book.moves, book.fens, book.positions):
            if column is not None:
                del column[-1]
        del book.pawns[-2:]
        self.reading.game -= 1
        if result:
            self.reading.problem(f"the result {result} belongs to no game; it is left out")
        else:
            self.reading.problem("this text holds no game; it is left out")

    def _chapter(self) -> str:
        event = ""
        for name, value in self.headers:
            if name == "Event":
                event = value.strip()
        if event and event != "?":
            return event
        file = self.reading.file
        return "standard input" if file == "-" else Path(file).name
