"""The PGN writer: a repertoire back into the text that authors exchange.

What survives reading and writing: moves, variations and how they are nested,
comments of either kind with their text and place, glyphs and their order,
headers and their order, results. Lines are filled to 80 columns, as the
standard's export format has it; only a comment may make a line longer, since
breaking it would change its text.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from pawnlore.structures.pgn_headers import escape
from pawnlore.structures.repertoire import Comment, Game, Repertoire

COLUMNS = 80
"""The width of a line of movetext."""

_RESULTS = frozenset(("1-0", "0-1", "1/2-1/2", "*"))
_NO_COMMENTS: tuple[Comment, ...] = ()
_NO_GLYPHS: tuple[int, ...] = ()

Comments = Mapping[int, Iterable[Comment]]
"""Comments by node."""


def write_repertoire(book: Repertoire, comments: Comments | None = None) -> Iterator[str]:
    r"""The text of every game in turn, with a blank line after each.

    ``comments`` takes the place of the repertoire's own.

    >>> import io
    >>> from pawnlore.structures.pgn_reader import read_repertoire
    >>> text = "1. d4 d5 (1... Nf6 $5 {the other way}) 2. c4 *\n\n"
    >>> "".join(write_repertoire(read_repertoire([io.StringIO(text)]))) == text
    True
    """
    for game in book.games:
        yield game_text(book, game, comments)


def game_text(book: Repertoire, game: Game, comments: Comments | None = None) -> str:
    """One game's headers and moves, with a blank line at the end."""
    page = _Page()
    for comment in game.preamble:
        page.comment(comment)
    page.end_line()
    for name, value in game.headers:
        page.line(f'[{name} "{escape(value)}"]')
    if game.headers:
        page.line("")
    _movetext(page, book, game, book.comments if comments is None else comments)
    page.word(_result(game))
    page.end_line()
    page.line("")
    return page.text()


def _result(game: Game) -> str:
    if game.result:
        return game.result
    header = game.header("Result") or ""
    return header if header in _RESULTS else "*"


class _Page:
    """Words set into lines."""

    def __init__(self) -> None:
        self._lines: list[str] = []
        self._words: list[str] = []
        self._width = 0
        self._opening = ""

    def text(self) -> str:
        """All lines."""
        return "\n".join(self._lines) + "\n"

    def line(self, text: str) -> None:
        """A line of its own."""
        self._lines.append(text)

    def end_line(self) -> None:
        """Begin a new line."""
        if self._words:
            self._lines.append(" ".join(self._words))
            self._words, self._width = [], 0

    def open(self) -> None:
        """An opening bracket sticks to the word after it."""
        self._opening += "("

    def close(self) -> None:
        """A closing bracket sticks to the word before it."""
        if self._words and self._width < COLUMNS:
            self._words[-1] += ")"
            self._width += 1
        else:
            self.word(")")

    def word(self, text: str) -> None:
        """Something that must not be broken."""
        text, self._opening = self._opening + text, ""
        # The last line of a comment decides how full the line is.
        first, newline, _ = text.partition("\n")
        if self._words and self._width + 1 + len(first) > COLUMNS:
            self.end_line()
        self._words.append(text)
        self._width += (len(self._words) > 1) + len(first)
        if newline:
            self._width = len(text) - text.rfind("\n") - 1

    def comment(self, comment: Comment) -> None:
        """A comment of either kind."""
        text = comment.text
        if not comment.semicolon and "}" not in text:
            self.word("{" + text + "}")
            return
        # A closing brace can only stand in a comment of the other kind, which
        # goes to the end of its line.
        for part in text.split("\n"):
            self.word(";" + part)
            self.end_line()


class _Open:
    """A line of play that is being written: the game's or an open variation's."""

    __slots__ = ("closed", "later", "node")

    def __init__(self) -> None:
        self.node = -1
        self.closed = 0
        self.later: list[Comment] = []

    def move(self, page: _Page, node: int, glyphs: Iterable[int], said: Iterable[Comment]) -> bool:
        """Write what follows a move; true where that calls for a move number."""
        self.node, self.closed = node, 0
        for glyph in glyphs:
            page.word(f"${glyph}")
        self.later = [comment for comment in said if not comment.before]
        return self.speak(page)

    def speak(self, page: _Page, *, to_the_end: bool = False) -> bool:
        """Write the comments whose turn has come; true where there was one."""
        spoken = 0
        for comment in self.later:
            if comment.closed > self.closed and not to_the_end:
                break
            page.comment(comment)
            spoken += 1
        del self.later[:spoken]
        return spoken > 0


def _movetext(page: _Page, book: Repertoire, game: Game, comments: Comments) -> None:
    """Write the moves in reading order, which is the order of the columns."""
    parent, ply, moves = book.parent, book.ply, book.moves
    line = _Open()
    stack = [line]
    line.move(page, game.first, book.glyphs.get(game.first, ()), comments.get(game.first, ()))
    numbered = True
    goes_on: dict[int, int] = {}
    for node in game.nodes[1:]:
        above = parent[node]
        said = comments.get(node, ())
        if above in goes_on:
            # A variation on the move that goes on from its parent, unless it
            # stands inside another variation on that move.
            _close(page, stack, book.varies.get(node, goes_on[above]))
            page.open()
            stack.append(_Open())
            for comment in said:
                if comment.before:
                    page.comment(comment)
            numbered = True
        else:
            goes_on[above] = node
            if _close(page, stack, above):
                numbered = True
            if stack[-1].speak(page, to_the_end=True):
                numbered = True
        half = ply[above]
        if half % 2 == 0:
            page.word(f"{half // 2 + 1}. {moves[node]}")
        elif numbered:
            page.word(f"{half // 2 + 1}... {moves[node]}")
        else:
            page.word(moves[node])
        numbered = stack[-1].move(page, node, book.glyphs.get(node, ()), said)
    _close(page, stack, None)
    stack[0].speak(page, to_the_end=True)


def _close(page: _Page, stack: list[_Open], home: int | None) -> bool:
    """Close variations until a line stands at a node (or all); true where one closed."""
    closed = False
    while len(stack) > 1 and stack[-1].node != home:
        stack.pop().speak(page, to_the_end=True)
        page.close()
        stack[-1].closed += 1
        stack[-1].speak(page)
        closed = True
    return closed
