"""A survey beside a repertoire: what students will meet, and what no line answers.

Games are followed from the first move on as long as their positions are in the
repertoire, transpositions among them. A game *leaves* where it makes a move
that no line has, or *stays* to where a line ends. Where the author's own side
made the other move, the game is none that a student of the course would play;
it is counted apart and tells nothing else.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from typing import Any

import chess
import numpy as np
import numpy.typing as npt

from pawnlore.service.survey.answers import Row, Tally
from pawnlore.service.survey.intervals import share
from pawnlore.service.survey.move_codes import coded_move, decoded_move
from pawnlore.service.survey.place import Place
from pawnlore.service.survey.survey_parts import SurveyPart, column, survey_parts
from pawnlore.service.workbook import Workbook
from pawnlore.structures.catalogue import UNSETTLED
from pawnlore.structures.line_text import line_text
from pawnlore.structures.pgn_headers import starting_board
from pawnlore.structures.position_key import position_key

_END = 0xFFFF
"""Stands in place of a move where a game, or what is kept of it, is over."""

_GONE, _OWN, _ENDED = -1, -2, -3
"""States of a game that is followed no longer: the opponent left it, the author's side did, or
it ended."""


@dataclass
class _Place:
    """A position of the repertoire: its first node, its chapters, and what lines play there."""

    node: int
    board: chess.Board
    own_move: bool
    games: set[int] = field(default_factory=set)
    onward: dict[int, int] = field(default_factory=dict)
    ends: bool = True


class _Map:
    """All positions of a repertoire that starts from the usual position."""

    def __init__(self, work: Workbook) -> None:
        self.work = work
        self.places: list[_Place] = []
        self.known: dict[bytes, int] = {}
        self.of_node: dict[int, int] = {}
        book = work.book
        for index, game in enumerate(book.games):
            if game.fen:
                continue
            own = work.side.of_game(index)
            boards: dict[int, chess.Board] = {}
            for node in game.nodes:
                above = book.parent[node]
                if above < 0:
                    board, _, _ = starting_board(list(game.headers))
                else:
                    board = boards[above].copy(stack=False)
                    move = board.parse_san(book.moves[node])
                    code = coded_move(board, move)
                    board.push(move)
                boards[node] = board
                place = self._place(node, board, own)
                self.of_node[node] = place
                self.places[place].games.add(index)
                if above >= 0:
                    before = self.places[self.of_node[above]]
                    before.onward[code] = place
                    before.ends = False

    def _place(self, node: int, board: chess.Board, own: str) -> int:
        key = position_key(board)
        if key not in self.known:
            self.known[key] = len(self.places)
            turn = "white" if board.turn else "black"
            self.places.append(_Place(node, board, own == turn))
        return self.known[key]

    def follow(self, at: int, code: int) -> int:
        """Where a move leads: another place, or one of the states of a game that has gone."""
        place = self.places[at]
        if code in place.onward:
            return place.onward[code]
        if code == _END or place.ends:
            return _ENDED
        board = place.board.copy(stack=False)
        move = decoded_move(code)
        if board.is_pseudo_legal(move):
            board.push(move)
            other = self.known.get(position_key(board))
            if other is not None:
                # Another move order of the repertoire's own.
                place.onward[code] = other
                return other
        return _OWN if place.own_move else _GONE


@dataclass
class Against:
    """A survey beside a repertoire; ``tables`` has the rows.

    ``followed`` of the ``games`` go with the author's side as long as they are
    in the repertoire.
    """

    games: int
    followed: int
    tables: dict[str, list[Row]]


class _Found:
    """What is counted while games are followed."""

    def __init__(self) -> None:
        self.games = self.followed = 0
        self.reached: Counter[int] = Counter()
        self.left: dict[tuple[int, int], Tally] = defaultdict(Tally)
        self.left_for: dict[tuple[int, int], Counter[tuple[str, str]]] = defaultdict(Counter)
        self.last: dict[int, Counter[tuple[str, str]]] = defaultdict(Counter)
        self.structures: dict[tuple[str, str], Tally] = defaultdict(Tally)


def against(place: Place, work: Workbook) -> Against:
    """Set a survey beside a repertoire that was read with position keys.

    Raises `NoSurvey` of `survey_parts`.
    """
    where = _Map(work)
    found = _Found()
    for part in survey_parts(place):
        _follow(part, where, found)
    return Against(
        found.games,
        found.followed,
        {
            "groups": _groups(work, found),
            "chapters": _chapters(work, where, found),
            "unanswered_structures": _unanswered_structures(work, found),
            "unanswered_moves": _unanswered_moves(work, where, found),
            "unplayed_lines": _unplayed(work, where, found),
        },
    )


def _follow(part: SurveyPart, where: _Map, found: _Found) -> None:
    games = part.games.num_rows
    if not games or not where.places:
        return
    usual = np.array([start is None for start in part.games.column("start").to_pylist()])
    moves = _matrix(part.games)
    points, decided = part.scores()
    middle = _middlegames(part)
    start = where.known.get(position_key(chess.Board()), _ENDED)
    at = np.full(games, start, dtype=np.int64)
    at[~usual] = _ENDED
    last = at.copy()
    exits = np.full(games, _END, dtype=np.int64)
    for depth in range(moves.shape[1] + 1):
        active = np.flatnonzero(at >= 0)
        if not active.shape[0]:
            break
        kinds, counts = np.unique(at[active], return_counts=True)
        for kind, count in zip(kinds.tolist(), counts.tolist(), strict=True):
            found.reached[kind] += count
        if depth == moves.shape[1]:
            break
        last[active] = at[active]
        code = moves[active, depth]
        packed = at[active] << 16 | code
        kinds, index = np.unique(packed, return_inverse=True)
        to = np.array([where.follow(kind >> 16, kind & 0xFFFF) for kind in kinds.tolist()])
        at[active] = to[index]
        exits[active] = code
    last = np.where(at >= 0, at, last)
    found.games += int(usual.sum())
    goes_with = usual & (at != _OWN)
    found.followed += int(goes_with.sum())
    for row in np.flatnonzero(goes_with).tolist():
        won, count = float(points[row]), int(decided[row])
        tally = (1, count, won * count, int(count and won == 0.5))
        found.structures[middle[row]].add(*tally)
        found.last[int(last[row])][middle[row]] += 1
        if at[row] == _GONE:
            key = (int(last[row]), int(exits[row]))
            found.left[key].add(*tally)
            found.left_for[key][middle[row]] += 1


def _matrix(games: Any) -> npt.NDArray[np.int64]:
    """The kept moves as (G, most), filled up with `_END`."""
    told = [np.frombuffer(codes, dtype="<u2") for codes in games.column("moves").to_pylist()]
    counts = np.array([len(codes) for codes in told])
    out = np.full((len(told), int(counts.max(initial=0))), _END, dtype=np.int64)
    out[np.arange(out.shape[1]) < counts[:, None]] = np.concatenate(told)
    return out


def _middlegames(part: SurveyPart) -> list[tuple[str, str]]:
    told = [(UNSETTLED, "both")] * part.games.num_rows
    table = part.structures
    middle = np.flatnonzero(column(table, "middlegame"))
    rows = part.row(column(table, "game"))
    structure, holder = table.column("structure").to_pylist(), table.column("holder").to_pylist()
    for index in middle.tolist():
        told[rows[index]] = (structure[index], holder[index])
    return told


def _groups(work: Workbook, found: _Found) -> list[Row]:
    rows = []
    for group in work.groups.groups:
        tally = found.structures.get((group.structure, group.holder), Tally())
        rows.append(
            {
                "structure": group.structure,
                "holder": group.holder,
                "stance": group.stance,
                "lines": len(group.lines),
                **_met(tally.games, found.followed),
                **tally.columns(black=work.side.side == "black"),
            }
        )
    return rows


def _met(games: int, whole: int) -> Row:
    met = share(games, whole)
    return {
        "in_a_hundred": 100 * met.value,
        "in_a_hundred_low": 100 * met.low,
        "in_a_hundred_high": 100 * met.high,
    }


def _chapters(work: Workbook, where: _Map, found: _Found) -> list[Row]:
    """What games come to whose last repertoire position stands in a chapter."""
    book = work.book
    by_chapter: dict[int, Counter[tuple[str, str]]] = defaultdict(Counter)
    for place, structures in found.last.items():
        chapters = where.places[place].games if place >= 0 else set()
        # A position that several chapters share belongs to none of them in particular.
        if len(chapters) == 1:
            by_chapter[next(iter(chapters))] += structures
    taught: dict[int, set[tuple[str, str]]] = defaultdict(set)
    firsts = [game.first for game in book.games]
    for group in work.groups.groups:
        for leaf in group.lines:
            taught[bisect_right(firsts, leaf) - 1].add((group.structure, group.holder))
    rows = []
    for index, game in enumerate(book.games):
        whole = sum(by_chapter[index].values())
        met = set(by_chapter[index]) | taught[index]
        for structure, holder in sorted(met, key=lambda k: (-by_chapter[index][k], k)):
            count = by_chapter[index][structure, holder]
            rows.append(
                {
                    "file": game.file,
                    "game": game.number,
                    "chapter": game.chapter,
                    "structure": structure,
                    "holder": holder,
                    "taught": (structure, holder) in taught[index],
                    "games": count,
                    "of": whole,
                    **_met(count, whole),
                }
            )
    return rows


def _unanswered_structures(work: Workbook, found: _Found) -> list[Row]:
    taught = {(group.structure, group.holder) for group in work.groups.groups}
    rows = []
    order = sorted(found.structures.items(), key=lambda item: (-item[1].games, item[0]))
    for (structure, holder), tally in order:
        if (structure, holder) not in taught and structure != UNSETTLED:
            rows.append(
                {
                    "structure": structure,
                    "holder": holder,
                    **_met(tally.games, found.followed),
                    **tally.columns(black=work.side.side == "black"),
                }
            )
    return rows


def _unanswered_moves(work: Workbook, where: _Map, found: _Found) -> list[Row]:
    book = work.book
    rows = []
    order = sorted(found.left.items(), key=lambda item: (-item[1].games, item[0]))
    for (at, code), tally in order:
        place = where.places[at]
        chapters = sorted(place.games)
        game = book.game_of(place.node)
        reached = found.reached[at]
        most = found.left_for[at, code].most_common(1)[0]
        (structure, holder), count = most
        rows.append(
            {
                "file": game.file,
                "game": game.number,
                "node": place.node - game.first,
                "chapters": "; ".join(book.games[index].chapter for index in chapters[:5])
                + ("; …" if len(chapters) > 5 else ""),
                "line": line_text(book, place.node),
                "move": _san(place.board, code),
                "answers": len(place.onward),
                "reached": reached,
                **_met(tally.games, reached),
                **tally.columns(black=place.board.turn),
                "structure": structure,
                "holder": holder,
                "structure_games": count,
            }
        )
    return rows


def _san(board: chess.Board, code: int) -> str:
    move = decoded_move(code)
    return board.san(move) if board.is_legal(move) else "--"


def _unplayed(work: Workbook, where: _Map, found: _Found) -> list[Row]:
    """Lines to whose end no game comes, and how far the games go along."""
    book = work.book
    rows = []
    for leaf in book.leaves.tolist():
        if leaf not in where.of_node or found.reached[where.of_node[leaf]]:
            continue
        line = book.line(leaf)
        games = [found.reached[where.of_node[node]] for node in line]
        met = max((place for place, count in enumerate(games) if count), default=0)
        game = book.game_of(leaf)
        rows.append(
            {
                "file": game.file,
                "game": game.number,
                "node": leaf - game.first,
                "chapter": game.chapter,
                "line": line_text(book, leaf),
                "half_moves": len(line) - 1,
                "played": met,
                "games": games[met] if games else 0,
            }
        )
    return rows
