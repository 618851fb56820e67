"""Lines of several games merged into one tree, move by move.

Moves that several games have in common become one node; what is said there is
kept from all of them, each thing once. Lines that meet by transposition stay
apart, since a tree of moves cannot join again.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from pawnlore.structures.pgn_headers import starting_board
from pawnlore.structures.repertoire import Comment, Game, Repertoire
from pawnlore.structures.transpositions import NoPositions


@dataclass(frozen=True)
class MergedTree:
    """A repertoire of the merged lines: a game for each starting position.

    ``sources`` holds, for every node of ``book``, the nodes that became one.
    ``place`` tells the other way about, for every source node.
    """

    book: Repertoire
    sources: tuple[tuple[int, ...], ...]
    place: dict[int, int]


def merged_tree(
    book: Repertoire, leaves: Iterable[int], headers: Sequence[tuple[str, str]] = ()
) -> MergedTree:
    r"""Merge some lines of a repertoire, each whole from its game's start.

    ``leaves`` are the lines' last nodes. The games have ``headers``, and what
    tells their starting position. Of several moves at one node the one that
    comes first in reading order goes on. A comment before a variation goes
    behind the move above it where that variation is now the main line.

    >>> import io
    >>> from pawnlore.structures.pgn_reader import read_repertoire
    >>> text = "1. d4 d5 2. c4 *\n\n1. d4 {again} Nf6 2. c4 (2. Nf3 d5) *\n"
    >>> book = read_repertoire([io.StringIO(text)], with_keys=True)
    >>> merged = merged_tree(book, book.leaves.tolist())
    >>> merged.book.moves, merged.sources[1]
    (['', 'd4', 'd5', 'Nf6', 'c4', 'Nf3', 'd5', 'c4'], (1, 5))
    """
    if book.positions is None:
        raise NoPositions("read the repertoire with position keys first")
    groups, children, roots = _merge(book, leaves)
    merged = Repertoire(files=book.files)
    if book.fens is not None:
        merged.fens = []
    merged.positions = array("i")
    order: list[int] = []
    for number, root in enumerate(roots, 1):
        game = book.game_of(groups[root][0])
        first = len(order)
        order += _reading_order(root, children)
        merged.games.append(
            Game(
                file=game.file,
                number=number,
                chapter=dict(headers).get("Event", game.chapter),
                headers=(*headers, *_start(game)),
                result="*",
                first=first,
                count=len(order) - first,
                fen=game.fen,
                preamble=_preamble(book, groups[root]),
            )
        )
    sources = tuple(tuple(groups[one]) for one in order)
    place = {node: new for new, nodes in enumerate(sources) for node in nodes}
    _fill(merged, book, sources, place)
    _annotate(merged, book, sources)
    return MergedTree(merged, sources, place)


def _merge(
    book: Repertoire, leaves: Iterable[int]
) -> tuple[list[list[int]], list[list[int]], list[int]]:
    """Source nodes and children by merged node, and the merged starts."""
    assert book.positions is not None
    parent, positions = book.parent, book.positions
    wanted: set[int] = set()
    for leaf in leaves:
        node = leaf
        while node >= 0 and node not in wanted:
            wanted.add(node)
            node = parent[node]
    groups: list[list[int]] = []
    children: list[list[int]] = []
    roots: list[int] = []
    known: dict[tuple[object, ...], int] = {}
    place: dict[int, int] = {}
    for node in sorted(wanted):
        above = parent[node]
        # From one position, different moves lead to different positions.
        key: tuple[object, ...] = (
            _start(book.game_of(node)) if above < 0 else (place[above], positions[node])
        )
        new = known.get(key)
        if new is None:
            new = known[key] = len(groups)
            groups.append([])
            children.append([])
            (roots if above < 0 else children[place[above]]).append(new)
        groups[new].append(node)
        place[node] = new
    return groups, children, roots


def _reading_order(root: int, children: list[list[int]]) -> list[int]:
    """The nodes of a tree as a PGN has them: a move, its variations, what follows it."""
    order = [root]
    # A node with its moves still to come, and whether it is written already.
    left = [(root, True)]
    while left:
        node, written = left.pop()
        if not written:
            order.append(node)
        moves = children[node]
        if moves:
            order.append(moves[0])
            left.append((moves[0], True))
            left += [(move, False) for move in reversed(moves[1:])]
    return order


def _start(game: Game) -> tuple[tuple[str, str], ...]:
    """The headers that tell a game's starting position."""
    found = []
    if game.fen and starting_board(list(game.headers))[0].chess960:
        found.append(("Variant", "Chess960"))
    if game.fen:
        found += [("SetUp", "1"), ("FEN", game.fen)]
    return tuple(found)


def _preamble(book: Repertoire, starts: Iterable[int]) -> tuple[Comment, ...]:
    """What stands before the headers of the merged games, each comment once."""
    said = dict.fromkeys(comment for start in starts for comment in book.game_of(start).preamble)
    return tuple(said)


def _fill(
    merged: Repertoire,
    book: Repertoire,
    sources: tuple[tuple[int, ...], ...],
    place: dict[int, int],
) -> None:
    assert book.positions is not None and merged.positions is not None
    for nodes in sources:
        node = nodes[0]
        above = book.parent[node]
        merged.parent.append(place[above] if above >= 0 else -1)
        merged.ply.append(book.ply[node])
        merged.moves.append(book.moves[node])
        merged.pawns.extend(book.pawns[2 * node : 2 * node + 2])
        merged.positions.append(book.positions[node])
        if merged.fens is not None and book.fens is not None:
            merged.fens.append(book.fens[node])


def _annotate(merged: Repertoire, book: Repertoire, sources: tuple[tuple[int, ...], ...]) -> None:
    """Glyphs and comments of all source nodes, each once, in reading order."""
    goes_on: set[int] = set()
    said: dict[int, dict[Comment, None]] = {}
    introduced: dict[int, dict[Comment, None]] = {}
    seen_above: set[int] = set()
    for new, nodes in enumerate(sources):
        above = merged.parent[new]
        if above not in seen_above:
            seen_above.add(above)
            goes_on.add(new)
        glyphs = dict.fromkeys(glyph for node in nodes for glyph in book.glyphs.get(node, ()))
        if glyphs:
            merged.glyphs[new] = list(glyphs)
        for node in nodes:
            for comment in book.comments.get(node, ()):
                # Its place among the variations has changed; its move has not.
                plain = comment._replace(closed=0)
                if not comment.before:
                    said.setdefault(new, {})[plain] = None
                elif new in goes_on and above >= 0:
                    introduced.setdefault(above, {})[plain._replace(before=False)] = None
                else:
                    said.setdefault(new, {})[plain._replace(before=above >= 0)] = None
    for new in sorted(said.keys() | introduced.keys()):
        merged.comments[new] = list({**said.get(new, {}), **introduced.get(new, {})})
