"""Movetext: one game's moves, variations, comments and glyphs, into columns.

The rules of chess are python-chess's; the scanner is ours, because
python-chess's own drops comments after a semicolon, spaces around comments and
the order of glyphs. Nothing here recurses: open variations stand on a list.
"""

from __future__ import annotations

import sys
from typing import NamedTuple

import chess

from pawnlore.structures.pgn_headers import HEADER_START, NEXT_HEADER
from pawnlore.structures.pgn_reading import Reading, shortened
from pawnlore.structures.pgn_tokens import (
    GLYPH,
    MARK,
    MOVE,
    MOVE_LIKE,
    NEW_GAME,
    NUMBER,
    RESULT,
    SILENT,
    TOKEN,
    glyph_number,
    is_regular,
    numbered,
    tidy_move,
)
from pawnlore.structures.repertoire import Comment

_TRIM_EVERY = 1024


class _Frame(NamedTuple):
    """What to go back to when a variation closes."""

    board: chess.Board
    node: int
    ply: int
    closed: int
    first: int


class Movetext:
    """Reads the moves of one game after another."""

    def __init__(self, reading: Reading) -> None:
        self.reading = reading
        self.tried = False
        """Whether the game read last tried to make a move, be it a bad one."""

    def read(self, text: str, board: chess.Board, node: int, ply: int) -> tuple[str, str]:
        """Read movetext from ``text`` on; give back the result and what follows.

        One long function, because it runs once a token and calls cost more
        than all the bookkeeping.
        """
        reading = self.reading
        book, limits, sans = reading.book, reading.limits, reading.sans
        problem, next_line = reading.problem, reading.next_line
        comments, glyphs = book.comments, book.glyphs
        add_parent, add_ply = book.parent.append, book.ply.append
        add_pawns, add_move = book.pawns.extend, book.moves.append
        extra = book.fens is not None or book.positions is not None
        token_at = TOKEN.match
        parse, push, colours = board.parse_san, board.push, board.occupied_co

        root = node
        count = len(book)
        end = min(count + limits.game_nodes - 1, limits.nodes)
        stack: list[_Frame] = []
        first = -1  # the first node of the variation we are in
        waiting = False  # a variation is open, its first move not read yet
        varied = nested = -1
        before: list[Comment] = []
        early: list[int] = []  # glyphs before a variation's first move
        closed = 0
        skip = 0  # brackets to pass before reading goes on
        skip_frame = False  # whether the last of them closes a frame of ours
        result = ""
        blank = False
        junk = 0
        position = 0
        fresh = True
        follows = ""
        self.tried = False

        while text:
            if fresh:
                fresh = False
                start = text[0]
                if start == "%":
                    text = next_line()
                    fresh = True
                    continue
                if start in "[ \t\n\r\v\f" or blank or result:
                    if text.isspace():
                        blank = True
                        text = next_line()
                        fresh = True
                        continue
                    if HEADER_START.match(text):
                        follows = text
                        break
                    if result and blank:
                        follows = text
                        break
                    if blank and not stack and NEW_GAME.match(text):
                        follows = text
                        break
                blank = False
                position = 0

            match = token_at(text, position)
            if match is None:
                if reading.cut:
                    follows = reading.skip_game(next_line())
                    break
                text = next_line()
                fresh = True
                continue
            begin, position = position, match.end()
            kind = match.lastindex

            if kind == MOVE:
                if skip:
                    continue
                if result and not stack:
                    if NEW_GAME.match(text, begin):
                        follows = reading.rest(text, begin)
                        break
                    problem(
                        f"moves follow the result {result}; they are read as the same game",
                        warning=True,
                    )
                    result = ""
                token = match[MOVE]
                self.tried = True
                try:
                    san = sans.get(token)
                    if san is not None:
                        move = parse(san)
                    else:
                        move, san = self._first_seen(board, token)
                except ValueError as error:
                    problem(_why_not(error), move=numbered(ply, token))
                    skip, skip_frame = 1, True
                    continue
                if count >= end:
                    self._too_many_nodes(ply, token)
                    follows = "" if reading.full else reading.skip_game(text[position:] or "\n")
                    break
                push(move)
                add_parent(node)
                node = count
                count += 1
                ply += 1
                add_ply(ply)
                pawns = board.pawns
                add_pawns((pawns & colours[True], pawns & colours[False]))
                add_move(san)
                closed = 0
                if not count % _TRIM_EVERY:
                    # Only the last move is ever taken back.
                    board = board.copy(stack=1)
                    parse, push, colours = board.parse_san, board.push, board.occupied_co
                if extra:
                    reading.keep_position(board)
                if waiting:
                    waiting = False
                    first = node
                    if nested >= 0:
                        book.varies[node] = nested
                    if before:
                        comments[node] = before
                        before = []
                    if early:
                        glyphs[node] = early
                        early = []

            elif kind == MARK:
                mark = match[MARK]
                if mark == "{":
                    comment, text, position = reading.brace_comment(text, position)
                    # Where a comment was never closed, the next game's first
                    # line is here already.
                    fresh = position == 0
                    if skip:
                        pass
                    elif waiting:
                        before.append(Comment(comment, False, True))
                    elif node in comments:
                        comments[node].append(Comment(comment, False, False, closed))
                    else:
                        comments[node] = [Comment(comment, False, False, closed)]
                    if fresh and reading.cut:
                        follows = reading.skip_game(next_line())
                        break
                elif mark == "(":
                    if skip:
                        skip += 1
                    elif waiting or node == root:
                        problem("a variation stands before any move; it is left out")
                        skip, skip_frame = 1, False
                    elif len(stack) >= limits.depth:
                        problem(
                            f"variations are nested more than {limits.depth} deep; "
                            "this one is left out"
                        )
                        skip, skip_frame = 1, False
                    else:
                        stack.append(_Frame(board, node, ply, closed, first))
                        board = board.copy(stack=1)
                        board.pop()
                        parse, push, colours = board.parse_san, board.push, board.occupied_co
                        varied = node
                        nested = node if node == first else -1
                        node = book.parent[node]
                        ply -= 1
                        waiting = True
                elif mark == ")":
                    if skip > 1 or (skip and not (skip_frame and stack)):
                        if skip > 1 or not skip_frame:
                            skip -= 1
                        continue
                    skip = 0
                    if not stack:
                        problem("a ')' closes nothing; it is left out")
                        continue
                    board, node, ply, closed, first = stack.pop()
                    parse, push, colours = board.parse_san, board.push, board.occupied_co
                    if waiting:
                        waiting = False
                        early = []
                        for comment_before in before:
                            comments.setdefault(varied, []).append(
                                comment_before._replace(before=False, closed=closed)
                            )
                        before = []
                    else:
                        closed += 1
                elif mark == ";":
                    if not skip:
                        said = Comment(text[position:].rstrip("\r\n"), True, waiting, closed)
                        if waiting:
                            before.append(said._replace(closed=0))
                        else:
                            comments.setdefault(node, []).append(said)
                    position = len(text)
                elif not skip:
                    problem("a '}' closes nothing; it is left out")

            elif kind == GLYPH:
                if skip:
                    continue
                number = glyph_number(match[GLYPH])
                if number is None:
                    problem(f"the glyph {shortened(match[GLYPH])} is unknown; it is left out")
                elif waiting:
                    early.append(number)
                elif node in glyphs:
                    glyphs[node].append(number)
                else:
                    glyphs[node] = [number]

            elif kind == RESULT:
                if stack:
                    if not skip:
                        problem(
                            f"the result {match[RESULT]} stands inside a variation; it is left out"
                        )
                elif skip > 1:
                    pass
                elif result:
                    problem(f"a second result, {match[RESULT]}, is left out")
                else:
                    result = "1/2-1/2" if match[RESULT] == "1/2" else match[RESULT]
                    if NEXT_HEADER.match(text, position) or NEW_GAME.match(text, position):
                        follows = reading.rest(text, position)
                        break

            elif kind != NUMBER and not skip:
                word = match[match.lastindex or 0]
                if MOVE_LIKE.search(word):
                    self.tried = True
                    problem(
                        "this is no move in English notation (K, Q, R, B, N and the squares "
                        "a1 to h8); what follows it in this variation is left out",
                        move=numbered(ply, shortened(word, quoted=False)),
                    )
                    skip, skip_frame = 1, True
                elif word not in SILENT:
                    junk += 1
                    if junk == 1:
                        problem(f"{shortened(word)} is no part of a game; it is left out")

        if junk > 1:
            problem(f"{junk - 1} more words that are no part of a game are left out")
        if stack:
            problem(f"{_variations(len(stack))} not closed at the game's end; taken to end there")
            if waiting and before:
                comments.setdefault(varied, []).extend(
                    comment._replace(before=False, closed=stack[-1].closed) for comment in before
                )
        return result, follows

    def _first_seen(self, board: chess.Board, token: str) -> tuple[chess.Move, str]:
        """The move of a token that is met for the first time or spelt irregularly."""
        if is_regular(token):
            move = board.parse_san(token)
            return move, self.reading.sans.setdefault(token, sys.intern(token))
        tidy = tidy_move(token)
        move = board.parse_san(tidy)
        return move, sys.intern("--" if tidy == "--" else board.san(move))

    def _too_many_nodes(self, ply: int, token: str) -> None:
        reading = self.reading
        limits = reading.limits
        if len(reading.book) >= limits.nodes:
            reading.run_is_full(numbered(ply, token))
            return
        message = f"the game has {limits.game_nodes:,} nodes, the limit; its rest is left out"
        reading.problem(message, move=numbered(ply, token))


def _variations(count: int) -> str:
    return "a variation is" if count == 1 else f"{count} variations are"


def _why_not(error: ValueError) -> str:
    rest = "what follows it in this variation is left out"
    if isinstance(error, chess.AmbiguousMoveError):
        return f"several pieces can make this move; {rest}"
    if isinstance(error, chess.IllegalMoveError):
        return f"the move is illegal here; {rest}"
    return f"this cannot be read as a move; {rest}"
