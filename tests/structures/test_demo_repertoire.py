"""The invented repertoire and its plan notes: sound as files, and what their README promises.

Outside sources: python-chess reads and replays every move; the order of the
seven tags, the set-up tags and the range of the glyphs are those of the PGN
standard of 1994 (from memory); TOML headers are read by the standard library.
"""

from __future__ import annotations

import io
import tomllib
from collections import Counter, defaultdict
from collections.abc import Iterator
from functools import cache
from importlib.resources import files
from typing import Any

import chess
import chess.pgn
import pytest

from pawnlore.structures.catalogue import shipped_catalogue
from pawnlore.structures.matcher import shipped_matcher
from pawnlore.structures.skeleton import skeletons_from_boards
from pawnlore.structures.verdict import HOLDERS, NONE

DEMO = files("pawnlore.labelled_demo")
SEVEN_TAGS = ["Event", "Site", "Date", "Round", "White", "Black", "Result"]
NOTE_KEYS = {
    "structure", "holder", "side", "title", "when", "squares", "moves", "model_line", "chapter",
}  # fmt: skip
WHEN_KEYS = {"queens", "castling", "pawn", "file", "bishops", "moves", "chapter"}

CONTRADICTION = "rnbqkb1r/pp1p1ppp/4pn2/2p5/2PP4/2N5/PP2PPPP/R1BQKBNR w KQkq -"
STOPS_SHORT = "rnbq1rk1/p4ppp/1p2pn2/8/1bBP4/2N2N2/PP3PPP/R1BQ1RK1 w - -"
UNREACHED_NOTE = "symmetrical-benoni"
OWED = ("closed-benoni", "triangle-tension", "dutch-centre", "doubled-c-pawns", "accepted-centre")


@cache
def games() -> tuple[tuple[str, chess.pgn.Game], ...]:
    """Every game with the name of its file, in reading order."""
    found: list[tuple[str, chess.pgn.Game]] = []
    for entry in sorted(DEMO.joinpath("repertoire").iterdir(), key=lambda e: e.name):
        if not entry.name.endswith(".pgn"):
            continue
        stream = io.StringIO(entry.read_text(encoding="utf-8"))
        while (game := chess.pgn.read_game(stream)) is not None:
            found.append((entry.name, game))
    return tuple(found)


@cache
def notes() -> tuple[tuple[str, dict[str, Any], str], ...]:
    """Every note: file name, header, text."""
    found: list[tuple[str, dict[str, Any], str]] = []
    for entry in sorted(DEMO.joinpath("notes").iterdir(), key=lambda e: e.name):
        if entry.name.endswith(".md"):
            before, header, text = entry.read_text(encoding="utf-8").split("+++\n", 2)
            assert before == "", entry.name
            found.append((entry.name, tomllib.loads(header), text.strip()))
    return tuple(found)


def nodes() -> Iterator[chess.pgn.GameNode]:
    """Every node of every game, starting positions included."""
    for _, game in games():
        pending: list[chess.pgn.GameNode] = [game]
        while pending:
            node = pending.pop()
            yield node
            pending.extend(reversed(node.variations))


def way(node: chess.pgn.GameNode) -> tuple[str, ...]:
    """The moves that lead to a node, from its game's starting position."""
    moves: list[str] = []
    current: chess.pgn.GameNode | None = node
    while current is not None and current.parent is not None:
        assert current.move is not None
        moves.append(current.move.uci())
        current = current.parent
    return tuple(reversed(moves))


def line_boards(leaf: chess.pgn.GameNode) -> list[chess.Board]:
    """The positions of one line, from the starting position to the leaf."""
    boards: list[chess.Board] = []
    current: chess.pgn.GameNode | None = leaf
    while current is not None:
        boards.append(current.board())
        current = current.parent
    return boards[::-1]


def runs(boards: list[chess.Board]) -> list[tuple[str, str, int]]:
    """The cores that a line passes: family, holder and number of half-moves held."""
    match = shipped_matcher().match(skeletons_from_boards(boards))
    ids = shipped_catalogue().ids
    out: list[tuple[str, str, int]] = []
    for family, holder in zip(match.family.tolist(), match.holder.tolist(), strict=True):
        name = "" if family == NONE else ids[family]
        if out and out[-1][:2] == (name, HOLDERS[holder]):
            out[-1] = (name, HOLDERS[holder], out[-1][2] + 1)
        else:
            out.append((name, HOLDERS[holder], 1))
    return [run for run in out if run[0]]


@cache
def held() -> Counter[tuple[str, str]]:
    """How many lines hold each family and holder for at least four half-moves."""
    found: Counter[tuple[str, str]] = Counter()
    for node in nodes():
        if not node.variations:
            found.update({(f, h) for f, h, length in runs(line_boards(node)) if length >= 4})
    return found


def test_every_game_reads_without_an_error() -> None:
    assert 3 <= len({name for name, _ in games()}) <= 5
    for name, game in games():
        assert game.errors == [], (name, game.headers["Event"], game.errors)
        assert list(game.headers)[:7] == SEVEN_TAGS
        assert game.headers["Result"] == "*" and game.headers["Site"] == "?"
        assert game.headers["Annotator"]
    chapters = [game.headers["Event"] for _, game in games()]
    assert len(set(chapters)) == len(chapters), "a chapter's name is used twice"


def test_size_depth_and_annotations() -> None:
    everything = list(nodes())
    assert len(everything) >= 400
    assert sum(bool(node.comment) for node in everything) >= 60
    glyphs = Counter(glyph for node in everything for glyph in node.nags)
    assert {1, 2, 5, 6} <= set(glyphs) and all(0 <= glyph <= 139 for glyph in glyphs)
    nested = [node for node in everything if _variation_depth(node) >= 2]
    assert nested, "no variation inside a variation"


def _variation_depth(node: chess.pgn.GameNode) -> int:
    depth = 0
    while node.parent is not None:
        depth += node.parent.variations[0] is not node
        node = node.parent
    return depth


def test_one_chapter_starts_from_a_set_up_position() -> None:
    set_up = [game for _, game in games() if game.headers.get("SetUp") == "1"]
    assert len(set_up) == 1
    assert chess.Board(set_up[0].headers["FEN"]).is_valid()


def test_at_least_eight_middlegame_types_are_held() -> None:
    assert len({family for family, _ in held()}) >= 8


def test_real_transpositions() -> None:
    ways: dict[str, set[tuple[str, ...]]] = defaultdict(set)
    for node in nodes():
        ways[node.board().epd()].add(way(node))
    assert sum(len(found) > 1 for found in ways.values()) >= 10


def test_the_planted_contradiction_is_the_only_one() -> None:
    answers: dict[str, set[str]] = defaultdict(set)
    for node in nodes():
        board = node.board()
        if board.turn == chess.WHITE:
            answers[board.epd()] |= {board.san(child.move) for child in node.variations}
    several = {position: moves for position, moves in answers.items() if len(moves) > 1}
    assert several == {CONTRADICTION: {"Nf3", "d5"}}


def test_the_planted_line_that_stops_short_is_the_only_one() -> None:
    stops = [node.board().epd() for node in nodes()
             if not node.variations and node.turn() == chess.WHITE]  # fmt: skip
    assert stops == [STOPS_SHORT]
    goes_on = {
        node.board().san(child.move)
        for node in nodes() if node.board().epd() == STOPS_SHORT
        for child in node.variations
    }  # fmt: skip
    assert goes_on == {"Bg5"}


def test_pointers_are_as_many_as_the_readme_says() -> None:
    goes_on = {node.board().epd() for node in nodes() if node.variations}
    pointers = [node for node in nodes()
                if not node.variations and node.turn() == chess.BLACK
                and node.board().epd() in goes_on]  # fmt: skip
    assert len(pointers) == 19
    assert sum(bool(node.comment) for node in pointers) >= 15


def test_marked_mistakes_have_their_refutation() -> None:
    mistakes = [node for node in nodes() if chess.pgn.NAG_MISTAKE in node.nags]
    assert mistakes
    assert all(node.variations for node in mistakes)


@pytest.mark.parametrize(("name", "header", "text"), notes(), ids=lambda v: v if isinstance(v, str)
                         and v.endswith(".md") else "")  # fmt: skip
def test_note(name: str, header: dict[str, Any], text: str) -> None:
    assert text and set(header) <= NOTE_KEYS and NOTE_KEYS - set(header) <= {"when"}
    assert header["structure"] in shipped_catalogue().ids
    assert header["holder"] in {"white", "black", "any"}
    assert header["side"] in {"holder", "foe"}
    assert set(header.get("when", {})) <= WHEN_KEYS
    assert header["squares"] and all(s in chess.SQUARE_NAMES for s in header["squares"])
    assert header["moves"] and all(isinstance(move, str) for move in header["moves"])
    assert header["chapter"] in {game.headers["Event"] for _, game in games()}
    line = chess.pgn.read_game(io.StringIO(header["model_line"] + " *"))
    assert line is not None and line.errors == [] and line.next() is not None
    # The model line ends in the structure that the note is about.
    family, holder, _ = runs([line.end().board()])[0]
    assert family == header["structure"]
    assert header["holder"] in {holder, "any"}


def test_the_readme_names_what_is_owed_and_what_is_not_reached() -> None:
    noted = {header["structure"] for _, header, _ in notes()}
    passed = {
        family for node in nodes() if not node.variations
        for family, _, _ in runs(line_boards(node))
    }  # fmt: skip
    assert noted - passed == {UNREACHED_NOTE}
    readme = DEMO.joinpath("README.md").read_text(encoding="utf-8")
    held_families = {family for family, _ in held()}
    for family in OWED:
        assert family in held_families and family not in noted
        assert f"`{family}`" in readme
    for planted in (CONTRADICTION, STOPS_SHORT, f"`{UNREACHED_NOTE}`"):
        assert planted in readme
