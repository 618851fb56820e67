"""What was wrong with some input, and where, for people."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ReadProblem:
    """One thing that was wrong in a file.

    ``game`` counts from 1 in its file, ``line`` counts from 1; 0 stands for
    none. ``move`` is the move text with its number, where a move is at fault.
    A ``warning`` tells of something that was understood all the same, so that
    nothing was left out.

    >>> str(ReadProblem("book.pgn", 2, 17, "14... Nf9", "there is no such square"))
    'book.pgn, game 2, line 17, move 14... Nf9: there is no such square'
    """

    file: str
    game: int
    line: int
    move: str
    message: str
    warning: bool = False

    def __str__(self) -> str:
        where = [self.file]
        if self.game:
            where.append(f"game {self.game}")
        if self.line:
            where.append(f"line {self.line}")
        if self.move:
            where.append(f"move {self.move}")
        return f"{', '.join(where)}: {self.message}"
