"""Conditions on a position: when a plan note applies.

They stand in a note's header as the table ``when``. All that are given must
hold:

============ ============================== =====================================
key          value                          holds when
============ ============================== =====================================
``queens``   ``"on"``, ``"off"``            both queens are on the board, or none
``castling`` ``"same"``, ``"opposite"``,    the kings have gone to one wing, to
             ``"not-yet"``                  different wings, or one of them has not
``pawn``     ``["white h4"]``               each of these pawns stands there
``file``     ``["e open",``                 each of these files is without pawns, or
             ``"c half-open white"]``       has none of that side but one of the other
``bishops``  ``["white light"]``            each of these bishops is on the board
``moves``    ``[8, 25]``                    the number of the move to be played lies
                                            between the two, both included
``chapter``  ``"..."``                      the line belongs to that chapter
============ ============================== =====================================

A king counts as gone to a wing when it stands on the files a to c or f to h
and its side can castle no more, whether it castled or walked.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import chess

KEYS = ("queens", "castling", "pawn", "file", "bishops", "moves", "chapter")
"""The keys that ``when`` may hold."""

CHAPTER_LENGTH = 500
"""Characters in a chapter's name."""

_QUEENS = ("on", "off")
_CASTLING = ("same", "opposite", "not-yet")
_PAWN = re.compile(r"(white|black) ([a-h][2-7])")
_FILE = re.compile(r"([a-h]) (?:(open)|half-open (white|black))")
_BISHOP = re.compile(r"(white|black) (light|dark)")
_MOST_OF_A_KIND = 64
_MOST_MOVES = 10_000
_CASTLING_WORDS = {
    "same": "the kings have gone to the same wing",
    "opposite": "the kings have gone to different wings",
    "not-yet": "a king has not castled yet",
}


class ConditionError(ValueError):
    """Conditions that cannot be read; ``messages`` tells people every reason."""

    def __init__(self, messages: list[str]) -> None:
        super().__init__("; ".join(messages))
        self.messages = tuple(messages)


@dataclass(frozen=True, slots=True)
class Conditions:
    """The conditions of one note, as they were given; empty where none are."""

    queens: str = ""
    castling: str = ""
    pawns: tuple[str, ...] = ()
    files: tuple[str, ...] = ()
    bishops: tuple[str, ...] = ()
    moves: tuple[int, int] | None = None
    chapter: str = ""

    def __len__(self) -> int:
        """How many single conditions there are: the more, the more specific."""
        single = (self.queens, self.castling, self.moves, self.chapter)
        groups = (self.pawns, self.files, self.bishops)
        return sum(bool(value) for value in single) + sum(len(group) for group in groups)

    @property
    def need_board(self) -> bool:
        """Whether pawns and chapter are not enough to tell."""
        return bool(self.queens or self.castling or self.bishops or self.moves)

    def unmet_by_pawns(self, white: int, black: int) -> str | None:
        """The first condition on pawns or files that a skeleton does not meet.

        >>> parse_conditions({"file": ["e open"]}).unmet_by_pawns(1 << 12, 0)
        'the e-file is open'
        """
        for text in self.pawns:
            side, square = text.split()
            mask = white if side == "white" else black
            if not mask >> chess.parse_square(square) & 1:
                return _pawn_words(text)
        for text in self.files:
            column = chess.BB_FILES[chess.FILE_NAMES.index(text[0])]
            side = text.rpartition(" ")[2]
            own, other = (white, black) if side == "white" else (black, white)
            open_file = not (white | black) & column
            met = open_file if side == "open" else not own & column and bool(other & column)
            if not met:
                return _file_words(text)
        return None

    def unmet(
        self,
        board: chess.Board | None,
        chapter: str = "",
        pawns: tuple[int, int] | None = None,
    ) -> str | None:
        """The first condition that does not hold, in words; none where all hold.

        Without a board, a condition that speaks of one does not hold; those on
        pawns and files are told by ``pawns``, White's mask and Black's, if given.

        >>> parse_conditions({"queens": "off"}).unmet(chess.Board())
        'queens are off'
        >>> parse_conditions({"file": ["e open"]}).unmet(None, pawns=(1 << 27, 1 << 35)) is None
        True
        """
        if self.chapter and _plain(self.chapter) != _plain(chapter):
            return self._chapter_words()
        if len(self) == bool(self.chapter):
            return None
        if board is None:
            if pawns is None or self.need_board:
                return "there is a full position to look at"
            return self.unmet_by_pawns(*pawns)
        white, black = board.occupied_co[chess.WHITE], board.occupied_co[chess.BLACK]
        by_pawns = self.unmet_by_pawns(board.pawns & white, board.pawns & black)
        if by_pawns is not None:
            return by_pawns
        if self.queens and not _queens_are(self.queens, board):
            return _queens_words(self.queens)
        if self.castling and self.castling != castling_state(board):
            return _CASTLING_WORDS[self.castling]
        for text in self.bishops:
            side, shade = text.split()
            squares = chess.BB_LIGHT_SQUARES if shade == "light" else chess.BB_DARK_SQUARES
            if not board.bishops & squares & (white if side == "white" else black):
                return _bishop_words(text)
        if self.moves and not self.moves[0] <= board.fullmove_number <= self.moves[1]:
            return self._moves_words()
        return None

    def words(self) -> tuple[str, ...]:
        """Every condition in words, in the order of the table above.

        >>> parse_conditions({"queens": "on", "pawn": ["white h4"], "moves": [8, 25]}).words()
        ('queens are on', 'White has a pawn on h4', 'the move is between 8 and 25')
        """
        found = []
        if self.queens:
            found.append(_queens_words(self.queens))
        if self.castling:
            found.append(_CASTLING_WORDS[self.castling])
        found += [_pawn_words(text) for text in self.pawns]
        found += [_file_words(text) for text in self.files]
        found += [_bishop_words(text) for text in self.bishops]
        if self.moves:
            found.append(self._moves_words())
        if self.chapter:
            found.append(self._chapter_words())
        return tuple(found)

    def _moves_words(self) -> str:
        assert self.moves is not None
        return f"the move is between {self.moves[0]} and {self.moves[1]}"

    def _chapter_words(self) -> str:
        return f"the chapter is “{self.chapter}”"


NO_CONDITIONS = Conditions()
"""What holds everywhere."""


def castling_state(board: chess.Board) -> str:
    """``same``, ``opposite`` or ``not-yet``.

    >>> castling_state(chess.Board("2kr4/8/8/8/8/8/8/5RK1 w - - 0 20"))
    'opposite'
    """
    wings = [_wing(board, colour) for colour in chess.COLORS]
    if None in wings:
        return "not-yet"
    return "same" if wings[0] == wings[1] else "opposite"


def parse_conditions(table: Mapping[str, Any]) -> Conditions:
    r"""Read the table ``when``.

    Raises `ConditionError` with every fault: unknown keys by name, and values
    of the wrong kind with what is expected.

    >>> try:
    ...     parse_conditions({"queens": "gone", "castle": "same"})
    ... except ConditionError as error:
    ...     print(*error.messages, sep="\n")
    'castle' is no condition; there are queens, castling, pawn, file, bishops, moves, chapter
    queens must be "on" or "off", not 'gone'
    """
    faults = [
        f"{_short(key)} is no condition; there are {', '.join(KEYS)}"
        for key in table
        if key not in KEYS
    ]
    given = Conditions(
        queens=_choice(table, "queens", _QUEENS, faults),
        castling=_choice(table, "castling", _CASTLING, faults),
        pawns=_entries(table, "pawn", _PAWN, '"white h4"', faults),
        files=_entries(table, "file", _FILE, '"e open" or "c half-open white"', faults),
        bishops=_entries(table, "bishops", _BISHOP, '"white light"', faults),
        moves=_moves(table, faults),
        chapter=_chapter(table, faults),
    )
    if faults:
        raise ConditionError(faults)
    return given


def _choice(table: Mapping[str, Any], key: str, choices: tuple[str, ...], faults: list[str]) -> str:
    value = table.get(key, "")
    if key in table and value not in choices:
        quoted = [f'"{choice}"' for choice in choices]
        faults.append(
            f"{key} must be {', '.join(quoted[:-1])} or {quoted[-1]}, not {_short(value)}"
        )
        return ""
    return str(value)


def _entries(
    table: Mapping[str, Any], key: str, form: re.Pattern[str], example: str, faults: list[str]
) -> tuple[str, ...]:
    value = table.get(key, [])
    if not isinstance(value, list) or (key in table and not value):
        faults.append(f"{key} must be a list such as [{example.split(' or ')[0]}]")
        return ()
    if len(value) > _MOST_OF_A_KIND:
        faults.append(f"{key} has {len(value)} entries; at most {_MOST_OF_A_KIND} are read")
        return ()
    bad = [entry for entry in value if not isinstance(entry, str) or not form.fullmatch(entry)]
    faults += [f"{key}: {_short(entry)} is not of the form {example}" for entry in bad]
    # An entry given twice is one condition.
    return () if bad else tuple(dict.fromkeys(value))


def _moves(table: Mapping[str, Any], faults: list[str]) -> tuple[int, int] | None:
    if "moves" not in table:
        return None
    match table["moves"]:
        # `bool` is an `int` in Python, but true is no move number.
        case [int() as first, int() as last] if not isinstance(first, bool):
            if not isinstance(last, bool) and 1 <= first <= last <= _MOST_MOVES:
                return first, last
    faults.append(
        "moves must be two move numbers, the lower one first, such as [8, 25], "
        f"from 1 to {_MOST_MOVES:,}"
    )
    return None


def _chapter(table: Mapping[str, Any], faults: list[str]) -> str:
    if "chapter" not in table:
        return ""
    value = table["chapter"]
    if not isinstance(value, str) or not value.strip() or len(value) > CHAPTER_LENGTH:
        faults.append(f"chapter must be a chapter's name, of at most {CHAPTER_LENGTH} characters")
        return ""
    if holds_control_character(value):
        faults.append("chapter holds a control character, which no name has")
        return ""
    return value


def _queens_are(state: str, board: chess.Board) -> bool:
    white = bool(board.queens & board.occupied_co[chess.WHITE])
    black = bool(board.queens & board.occupied_co[chess.BLACK])
    return (white and black) if state == "on" else not (white or black)


def _wing(board: chess.Board, colour: chess.Color) -> str | None:
    king = board.king(colour)
    if king is None or board.has_castling_rights(colour):
        return None
    file = chess.square_file(king)
    return "queen" if file <= 2 else "king" if file >= 5 else None


_side: Callable[[str], str] = str.capitalize


def _queens_words(state: str) -> str:
    return f"queens are {state}"


def _pawn_words(text: str) -> str:
    side, square = text.split()
    return f"{_side(side)} has a pawn on {square}"


def _file_words(text: str) -> str:
    file, _, state = text.partition(" ")
    if state == "open":
        return f"the {file}-file is open"
    return f"the {file}-file is half-open for {_side(state.split()[1])}"


def _bishop_words(text: str) -> str:
    side, shade = text.split()
    return f"{_side(side)} has a {shade}-squared bishop"


def holds_control_character(text: str) -> bool:
    r"""Whether a text holds a control character other than a tab, such as NUL.

    TOML lets one be written as an escape. PostgreSQL keeps no NUL, and nobody
    can see the others.

    >>> holds_control_character("a\x00b"), holds_control_character("é\t–")
    (True, False)
    """
    return any(unicodedata.category(sign) == "Cc" for sign in text if sign != "\t")


def _plain(chapter: str) -> str:
    """Space at the ends and between words is no difference between chapters."""
    return " ".join(chapter.split())


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
