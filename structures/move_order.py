"""Move order: what if two of the author's consecutive moves are swapped?

The repertoire plays *first*, a reply, *second*. The other order plays *second*
at once. What can then be said without calculating: that it is not possible;
that the opponent gets a pawn break or a capture that the repertoire's order
does not give, perhaps with another structure; that the reply makes no sense any
more; or that it comes to the same.

A capture counts where the exchange on its square does not lose material, a
break where the pawn cannot simply be taken: see
`pawnlore.structures.exchange_value`, which counts pieces and sees no tactics.
So this is a list of reasons to look at, not an opinion on a move.

This is a pass of its own: every node's position is set up once, and every pair
of moves costs a few more positions.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace

import chess
import numpy as np

from pawnlore.structures.distinct_verdicts import distinct_skeletons
from pawnlore.structures.exchange_value import VALUES, best_gain, exchange_value
from pawnlore.structures.line_text import Naming, family_name
from pawnlore.structures.pgn_headers import starting_board
from pawnlore.structures.position_key import position_key
from pawnlore.structures.repertoire import Game, Repertoire
from pawnlore.structures.repertoire_side import RepertoireSide
from pawnlore.structures.skeleton import Masks, Skeleton, skeleton_from_board
from pawnlore.structures.verdict import Classify, Verdict

ILLEGAL = "illegal"
"""The second move cannot be played first, or the first not second."""
STRUCTURE = "structure"
"""The other order can lead to another structure."""
ALLOWS = "allows"
"""The other order allows a break or a capture; the structure stays as it may be."""
REPLY = "reply"
"""The repertoire's reply is not possible any more; nothing else is known."""
OTHER = "other"
"""All three moves can be played, and the position is a different one."""
TRANSPOSES = "transposes"
"""The other order comes to the same."""

KINDS = (ILLEGAL, STRUCTURE, ALLOWS, REPLY, OTHER, TRANSPOSES)
"""What can come of a swap."""

SAME_PIECE, NEEDS_REPLY, NEEDS_FIRST, NOT_AFTER = "same-piece", "reply", "first", "not-after"
"""Why a swap is illegal: one piece makes both moves; the second move is there only
after the reply; only after the first move; the first one is not possible after the second."""

BREAK, CAPTURE = "break", "capture"
"""What an opponent's move that a swap allows can be."""

MOST_PAIRS = 200_000
"""Pairs of moves that are looked at."""

_NOT_THERE = -1000


@dataclass(frozen=True, slots=True)
class Allowed:
    """An opponent's move that only the other order allows.

    ``move`` is SAN. ``gain`` is what a capture wins in pawns, as the exchange
    is counted. ``verdict`` is there where the move changes the pawns.
    """

    move: str
    kind: str
    gain: int
    verdict: Verdict | None = None


@dataclass(frozen=True, slots=True)
class Swap:
    """What comes of playing ``second`` first.

    ``first``, ``reply`` and ``second`` are nodes. ``other`` is the second move
    as it would be written in its new place, empty where it is illegal or the
    order does not matter.
    ``needs`` tells why a swap is illegal. ``verdict`` is what the swapped order
    ends in, where that differs from the repertoire's. ``played`` is the first
    node of the position after the second move, if the repertoire goes that way too.
    ``obvious`` is true where nobody would ask: one of the moves takes back,
    answers a check, or takes the piece away that could be captured.
    """

    first: int
    reply: int
    second: int
    kind: str
    other: str = ""
    needs: str = ""
    allows: tuple[Allowed, ...] = ()
    verdict: Verdict | None = None
    played: int | None = None
    obvious: bool = False

    @property
    def worth_telling(self) -> bool:
        """Whether the order matters for a reason that has to be remembered."""
        return self.kind in (STRUCTURE, ALLOWS) and not self.obvious


@dataclass(frozen=True)
class MoveOrders:
    """All swaps, in reading order of the second move.

    Pairs that lead through the same positions are looked at once. ``left_out``
    counts the pairs beyond the limit.
    """

    swaps: tuple[Swap, ...]
    left_out: int = 0

    def of_kind(self, *kinds: str) -> list[Swap]:
        """The swaps of some kinds."""
        return [swap for swap in self.swaps if swap.kind in kinds]

    def worth_telling(self) -> list[Swap]:
        """The swaps that have to be remembered; one that several replies share stands once."""
        found: dict[tuple[int, str], Swap] = {}
        for swap in self.swaps:
            if swap.worth_telling:
                found.setdefault((swap.first, swap.other), swap)
        return list(found.values())

    def counts(self) -> dict[str, int]:
        """How many swaps there are of each kind, in the order of `KINDS`."""
        found = Counter(swap.kind for swap in self.swaps)
        return {kind: found[kind] for kind in KINDS}


def move_orders(
    book: Repertoire, classify: Classify, side: RepertoireSide, *, most: int = MOST_PAIRS
) -> MoveOrders:
    """Swap each pair of the author's consecutive moves.

    Games whose author's side is not known have no pairs, and null moves are in
    none. ``most`` pairs are looked at. The cost is linear in the nodes.
    """
    walk = _Walk(book, most)
    for index, game in enumerate(book.games):
        author = {"white": chess.WHITE, "black": chess.BLACK}.get(side.of_game(index))
        if author is not None:
            walk.game(game, author)
    return MoveOrders(tuple(_judged(walk, classify)), walk.left_out)


@dataclass(slots=True)
class _Raw:
    """A swap before the verdicts are known."""

    swap: Swap
    skeletons: list[Skeleton | None]
    """Behind each allowed move, where it changes the pawns."""
    end: Skeleton | None
    """At the end of the swapped order, where that is another skeleton."""
    key: bytes = b""


class _Walk:
    """Sets up every position once and swaps where three moves have been made."""

    def __init__(self, book: Repertoire, most: int) -> None:
        self.book = book
        self.most = most
        self.left_out = 0
        self.raw: list[_Raw] = []
        self.after_author: dict[bytes, int] = {}
        self._seen: set[tuple[int, ...]] = set()
        self._chances: dict[int, dict[chess.Move, int]] = {}

    def game(self, game: Game, author: chess.Color) -> None:
        """Go through one game's tree, each branch to its end."""
        book = self.book
        board, _, _ = starting_board(list(game.headers))
        path: list[int] = [game.first]
        parent = book.parent
        self._chances = {}
        pending = book.children(game.first)[::-1]
        while pending:
            node = pending.pop()
            while path[-1] != parent[node]:
                self._chances.pop(path.pop(), None)
                board.pop()
            board.push(board.parse_san(book.moves[node]))
            path.append(node)
            pending.extend(book.children(node)[::-1])
            if board.turn != author:
                key = position_key(board)
                self.after_author[key] = min(node, self.after_author.get(key, node))
                if len(path) > 3 and all(board.move_stack[-3:]):
                    self._pair(path, board)

    def _pair(self, path: list[int], board: chess.Board) -> None:
        places = tuple(path[-4:])
        positions = self.book.positions
        # Without position keys every pair is its own.
        way = tuple(positions[node] for node in places) if positions is not None else places
        if way in self._seen:
            return
        self._seen.add(way)
        if len(self._seen) > self.most:
            self.left_out += 1
            return
        self.raw.append(self._swapped(places[1], places[2], places[3], board))

    def _swapped(self, first: int, reply: int, second: int, board: chess.Board) -> _Raw:
        move, answer, later = board.move_stack[-3:]
        start = board.copy(stack=3)
        start.pop()
        prize = _worth(start, later)
        start.pop()
        start.pop()
        obvious = _answers(self.book, first) or _answers(self.book, second) or start.is_check()
        needs = _needs(start, move, answer, later, prize)
        if needs:
            swap = Swap(first, reply, second, ILLEGAL, needs=needs, obvious=obvious)
            return _Raw(swap, [], None)
        taken = _worth(start, later)
        start.push(later)
        key = position_key(start)
        new = self._new(first, start, board, taken, prize)
        allowed, skeletons = _told(start, new)
        kind, end = TRANSPOSES, None
        if not start.is_legal(answer):
            kind = REPLY
        else:
            start.push(answer)
            if not start.is_legal(move):
                kind, needs = ILLEGAL, NOT_AFTER
            else:
                start.push(move)
                if position_key(start) != position_key(board):
                    kind = OTHER
                    skeleton = skeleton_from_board(start)
                    end = skeleton if skeleton != skeleton_from_board(board) else None
        if allowed and kind != ILLEGAL:
            kind = ALLOWS
        other = "" if kind == TRANSPOSES else _before(board).san(later)
        # All that is allowed is to take the piece that the first move saves.
        obvious = obvious or {one.to_square for one, _ in new} == {move.from_square}
        swap = Swap(first, reply, second, kind, other, needs, tuple(allowed), obvious=obvious)
        return _Raw(swap, skeletons, end, key)

    def _new(
        self, first: int, swapped: chess.Board, board: chess.Board, taken: int, prize: int
    ) -> list[tuple[chess.Move, int]]:
        """The opponent's chances after the second move alone that no control gives.

        The controls: after the first move; after both; and after both where the
        opponent has passed, so that what the reply gave up is no fault of the swap.
        ``taken`` is what the second move takes at once, and ``prize`` what it
        takes in its place.
        """
        move, _, later = board.move_stack[-3:]
        new = chances(swapped, later.to_square, taken)
        if not new:
            return []
        start = _before(board)
        if first not in self._chances:
            worth = _worth(start, move)
            start.push(move)
            self._chances[first] = chances(start, move.to_square, worth)
            start.pop()
        new = _better(new, self._chances[first])
        if new:
            new = _better(new, chances(board, later.to_square, prize))
        if new:
            passed = _passed(start, move, later)
            if passed is not None:
                new = _better(new, chances(passed, later.to_square, taken))
        return sorted(new.items(), key=lambda item: (-item[1], item[0].uci()))


_Chances = dict[chess.Move, int]


def _better(some: _Chances, control: _Chances) -> _Chances:
    return {move: gain for move, gain in some.items() if gain > control.get(move, _NOT_THERE)}


def _told(
    board: chess.Board, moves: list[tuple[chess.Move, int]]
) -> tuple[list[Allowed], list[Skeleton | None]]:
    allowed: list[Allowed] = []
    skeletons: list[Skeleton | None] = []
    mine = skeleton_from_board(board)
    for move, gain in moves:
        kind = CAPTURE if board.is_capture(move) else BREAK
        allowed.append(Allowed(board.san(move), kind, gain))
        board.push(move)
        skeleton = skeleton_from_board(board)
        board.pop()
        skeletons.append(skeleton if skeleton != mine else None)
    return allowed, skeletons


def _before(board: chess.Board) -> chess.Board:
    """The position three half-moves before."""
    start = board.copy(stack=3)
    for _ in range(3):
        start.pop()
    return start


def _worth(board: chess.Board, move: chess.Move) -> int:
    """What a move takes, in pawns."""
    if board.is_en_passant(move):
        return VALUES[chess.PAWN]
    victim = board.piece_type_at(move.to_square)
    return VALUES[victim] if victim and board.is_capture(move) else 0


def _passed(start: chess.Board, move: chess.Move, later: chess.Move) -> chess.Board | None:
    """Both moves on the board and the opponent to move, if the opponent could pass."""
    board = start.copy(stack=False)
    board.push(move)
    if board.is_check():
        return None
    board.push(chess.Move.null())
    if not board.is_legal(later):
        return None
    board.push(later)
    return board


def chances(board: chess.Board, square: int = -1, taken: int = 0) -> dict[chess.Move, int]:
    """The sound captures and pawn breaks of the side to move, each with what it wins.

    What the move before took on ``square``, ``taken`` pawns' worth, is counted
    against whoever takes back there.

    >>> board = chess.Board("4k3/8/8/3p4/2P1P3/8/8/4K3 b - - 0 1")
    >>> {move.uci(): gain for move, gain in chances(board).items()}
    {'d5e4': 1, 'd5c4': 1}
    """
    found = {}
    side = board.turn
    for move in board.generate_legal_captures():
        gain = exchange_value(board, move) - (taken if move.to_square == square else 0)
        if gain >= 0:
            found[move] = gain
    pawns = board.pawns & board.occupied_co[side]
    contact = _levers(board.pawns & board.occupied_co[not side], side) & ~board.occupied
    if pawns and contact:
        for move in board.generate_legal_moves(pawns, contact):
            if board.is_en_passant(move) or move.promotion:
                continue
            occupied = board.occupied ^ chess.BB_SQUARES[move.from_square]
            occupied |= chess.BB_SQUARES[move.to_square]
            if not best_gain(board, move.to_square, 1, not side, occupied):
                found[move] = 0
    return found


def _levers(hostile: chess.Bitboard, side: chess.Color) -> chess.Bitboard:
    """The squares from which a pawn of a side attacks one of these pawns."""
    left, right = hostile & ~chess.BB_FILE_A, hostile & ~chess.BB_FILE_H
    if side == chess.WHITE:
        return left >> 9 | right >> 7
    return (left << 7 | right << 9) & chess.BB_ALL


def _answers(book: Repertoire, node: int) -> bool:
    """Whether a move takes back on the square on which the move before it took."""
    move, before = book.moves[node], book.moves[book.parent[node]]
    place, there = move.find("x"), before.find("x")
    return place > 0 and there > 0 and move[place + 1 : place + 3] == before[there + 1 : there + 3]


def _needs(
    start: chess.Board, move: chess.Move, answer: chess.Move, later: chess.Move, taken: int
) -> str:
    """Why the second move cannot be played first; empty where it can.

    A capture whose prey has yet to come is no move to play at once.
    """
    if start.is_legal(later):
        return NEEDS_REPLY if taken and not start.is_capture(later) else ""
    if later.from_square == move.to_square:
        return SAME_PIECE
    # Pass instead of the first move: does the reply alone make it possible?
    passed = start.copy(stack=False)
    passed.push(chess.Move.null())
    if not start.is_check() and passed.is_legal(answer):
        passed.push(answer)
        if passed.is_legal(later):
            return NEEDS_REPLY
    return NEEDS_FIRST


def _judged(walk: _Walk, classify: Classify) -> list[Swap]:
    """The swaps with their verdicts, which are asked for all at once."""
    wanted = [skeleton for raw in walk.raw for skeleton in (*raw.skeletons, raw.end) if skeleton]
    found = _verdicts(np.array(wanted, dtype=np.uint64).reshape(-1, 2), classify)
    asked = [raw for raw in walk.raw if raw.end or any(raw.skeletons)]
    nodes = sorted({node for raw in asked for node in _main(raw)})
    main = dict(zip(nodes, _verdicts(walk.book.masks[nodes], classify), strict=True))

    next_verdict = iter(found)
    swaps = []
    for raw in walk.raw:
        allows = tuple(
            replace(allowed, verdict=next(next_verdict)) if skeleton else allowed
            for allowed, skeleton in zip(raw.swap.allows, raw.skeletons, strict=True)
        )
        verdict = next(next_verdict) if raw.end else None
        here = {_named(main[node]) for node in _main(raw) if node in main}
        changes = any(
            allowed.verdict is not None
            and allowed.verdict.settled
            and _named(allowed.verdict) not in here
            for allowed in allows
        )
        if verdict is not None:
            if _named(verdict) == _named(main[raw.swap.second]):
                verdict = None
            else:
                changes = True
        swaps.append(
            replace(
                raw.swap,
                kind=STRUCTURE if changes and raw.swap.kind != ILLEGAL else raw.swap.kind,
                allows=allows,
                verdict=verdict,
                played=walk.after_author.get(raw.key),
            )
        )
    swaps.sort(key=lambda swap: swap.second)
    return swaps


def _main(raw: _Raw) -> tuple[int, int, int]:
    return raw.swap.first, raw.swap.reply, raw.swap.second


def _named(verdict: Verdict) -> tuple[str, str]:
    return verdict.structure, verdict.holder


def _verdicts(masks: Masks, classify: Classify) -> list[Verdict]:
    """The verdict of every row; equal skeletons are classified once."""
    if not len(masks):
        return []
    distinct, inverse = distinct_skeletons(np.ascontiguousarray(masks))
    verdicts = classify(distinct)
    known = [verdicts[row] for row in range(len(verdicts))]
    return [known[row] for row in inverse.tolist()]


def swap_words(book: Repertoire, swap: Swap, name_of: Naming = family_name) -> str:
    """What comes of a swap, in a sentence for people; ``name_of`` names structures."""
    first, second = numbered_move(book, swap.first), numbered_move(book, swap.second)
    reply = numbered_move(book, swap.reply)
    if swap.kind == ILLEGAL:
        return f"{first} must come before {second}: {_WHY[swap.needs].format(reply=reply)}."
    if swap.kind == REPLY:
        return f"{swap.other} before {first} leaves {reply} impossible."
    if swap.kind == OTHER:
        return f"{swap.other} before {first} leads to another position."
    if swap.kind == TRANSPOSES:
        return f"{first} and {second} can be played in either order."
    told = [_allowed_words(book, swap, allowed, name_of) for allowed in swap.allows]
    if swap.verdict is not None:
        told.append(f"it ends in {_structure_words(swap.verdict, name_of)}")
    return f"{first} first, only then {second}: {swap.other} at once {'; '.join(told)}."


_WHY = {
    SAME_PIECE: "one piece makes both moves",
    NEEDS_REPLY: "it needs {reply}",
    NEEDS_FIRST: "it is not possible sooner",
    NOT_AFTER: "the first is not possible afterwards",
}


def numbered_move(book: Repertoire, node: int) -> str:
    """A node's move with its number, such as ``12.a3`` or ``12...Ng6``."""
    half = book.ply[node] - 1
    return f"{half // 2 + 1}{'...' if half % 2 else '.'}{book.moves[node]}"


def _allowed_words(book: Repertoire, swap: Swap, allowed: Allowed, name_of: Naming) -> str:
    dots = "" if book.ply[swap.reply] % 2 else "..."
    text = f"allows {dots}{allowed.move}"
    if allowed.gain > 0:
        text += f", which wins {_PRIZE.get(allowed.gain, 'material')}"
    verdict = allowed.verdict
    if swap.kind == STRUCTURE and verdict is not None and verdict.settled:
        text += f" ({_structure_words(verdict, name_of)})"
    return text


_PRIZE = {1: "a pawn", 2: "two pawns' worth", 3: "a piece", 5: "a rook", 9: "the queen"}


def _structure_words(verdict: Verdict, name_of: Naming) -> str:
    if not verdict.settled:
        return "no settled structure"
    whose = "both sides" if verdict.holder == "both" else verdict.holder.capitalize()
    return f"{name_of(verdict.structure)}, held by {whose}"
