"""Structure paths: their definition, published model games, random repertoires."""

from __future__ import annotations

import io

import chess.pgn
import numpy as np
import pytest
from hypothesis import given
from repertoires import core_paths, core_verdicts, demo, random_texts, read

from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.structure_paths import (
    HELD,
    LinePath,
    Structure,
    carry_exchanges,
    structure_codes,
    structure_paths,
)
from pawnlore.structures.verdict import NONE, Verdicts

# Model games, as published; all moves are quoted from memory. Botvinnik's game
# with Vidmar is in Alekhine's tournament book of Nottingham 1936, Taimanov's
# with Najdorf in Bronstein's of Zürich 1953, Nimzowitsch's with Salwe in his own
# "My System". The others are known from match and tournament reports; no book
# is named for them. The structure's name is in each case common practice.
GAMES = {
    "Botvinnik-Vidmar, Nottingham 1936": (
        """1. c4 e6 2. Nf3 d5 3. d4 Nf6 4. Bg5 Be7 5. Nc3 O-O 6. e3 Nbd7 7. Bd3 c5 8. O-O cxd4
        9. exd4 dxc4 10. Bxc4 Nb6 11. Bb3 Bd7 12. Qd3 Nbd5 13. Ne5 Bc6 14. Rad1 Nb4 15. Qh3 Bd5
        16. Nxd5 Nbxd5 17. f4 Rc8 18. f5 exf5 19. Rxf5 Qd6 20. Nxf7 Rxf7 21. Bxf6 Bxf6
        22. Rxd5 Qc6 23. Rd6 Qe8 24. Rd7 1-0""",
        ("isolated-queen-pawn", "white"),
        "dxc4",
    ),
    "Botvinnik-Keres, USSR championship 1952": (
        """1. d4 Nf6 2. c4 e6 3. Nc3 d5 4. cxd5 exd5 5. Bg5 Be7 6. e3 O-O 7. Bd3 Nbd7 8. Qc2 Re8
        9. Nge2 Nf8 10. O-O c6 11. Rab1 Bd6 12. Kh1 Ng6 13. f3 Be7 14. Rbe1 Nd7 15. Bxe7 Rxe7
        16. Ng3 Nf6 17. Qf2 Be6 18. Nf5 Bxf5 19. Bxf5 Qb6 20. e4 dxe4 21. fxe4 Rd8 22. e5 Nd5
        23. Ne4 *""",
        ("carlsbad", "white"),
        "exd5",
    ),
    "Taimanov-Najdorf, Zürich 1953": (
        """1. d4 Nf6 2. c4 g6 3. Nc3 Bg7 4. e4 d6 5. Nf3 O-O 6. Be2 e5 7. O-O Nc6 8. d5 Ne7 9. Ne1
        Nd7 10. Be3 f5 11. f3 f4 12. Bf2 g5 13. Nd3 Nf6 14. c5 Ng6 15. Rc1 Rf7 16. Rc2 Bf8
        17. cxd6 cxd6 18. Qd2 g4 19. Rfc1 g3 20. hxg3 fxg3 21. Bxg3 Nh5 22. Bh2 Be7 23. Nb1
        Bd7 24. Qe1 Bg5 *""",
        ("kings-indian-chain", "white"),
        "d5",
    ),
    "Spassky-Fischer, Reykjavik 1972, third game": (
        """1. d4 Nf6 2. c4 e6 3. Nf3 c5 4. d5 exd5 5. cxd5 d6 6. Nc3 g6 7. Nd2 Nbd7 8. e4 Bg7
        9. Be2 O-O 10. O-O Re8 11. Qc2 Nh5 12. Bxh5 gxh5 13. Nc4 Ne5 14. Ne3 Qh4 15. Bd2 Ng4
        16. Nxg4 hxg4 17. Bf4 Qf6 18. g3 Bd7 19. a4 b6 20. Rfe1 a6 21. Re2 b5 *""",
        ("modern-benoni", "white"),
        "d6",
    ),
    "Spassky-Fischer, Siegen 1970": (
        """1. d4 Nf6 2. c4 g6 3. Nc3 d5 4. cxd5 Nxd5 5. e4 Nxc3 6. bxc3 Bg7 7. Bc4 c5 8. Ne2 Nc6
        9. Be3 O-O 10. O-O Qc7 11. Rc1 Rd8 12. h3 b6 13. f4 e6 14. Qe1 Na5 15. Bd3 f5 16. g4
        fxe4 17. Bxe4 Bb7 18. Ng3 Nc4 *""",
        ("grunfeld-centre", "white"),
        "bxc3",
    ),
    "Karpov-Korchnoi, Moscow 1974, second game": (
        """1. e4 c5 2. Nf3 d6 3. d4 cxd4 4. Nxd4 Nf6 5. Nc3 g6 6. Be3 Bg7 7. f3 Nc6 8. Qd2 O-O
        9. Bc4 Bd7 10. h4 Rc8 11. Bb3 Ne5 12. O-O-O Nc4 13. Bxc4 Rxc4 14. h5 Nxh5 15. g4 Nf6
        16. Nde2 Qa5 17. Bh6 Bxh6 18. Qxh6 Rfc8 19. Rd3 R4c5 20. g5 Rxg5 21. Rd5 Rxd5 22. Nxd5
        Re8 23. Nef4 Bc6 24. e5 Bxd5 25. exf6 exf6 26. Qxh7+ Kf8 27. Qh8+ 1-0""",
        ("dragon", "white"),
        "g6",
    ),
    "Smyslov-Rudakovsky, Moscow 1945": (
        """1. e4 c5 2. Nf3 e6 3. d4 cxd4 4. Nxd4 Nf6 5. Nc3 d6 6. Be2 Be7 7. O-O O-O 8. Be3 Nc6
        9. f4 Qc7 10. Qe1 Nxd4 11. Bxd4 e5 12. Be3 Be6 13. f5 Bc4 14. Bxc4 Qxc4 15. Bg5 Rfe8
        16. Bxf6 Bxf6 17. Nd5 Bd8 18. c3 b5 19. b3 Qc5+ 20. Kh1 Rc8 21. Rf3 Kh8 22. f6 gxf6
        23. Qh4 Rg8 24. Nxf6 *""",
        ("boleslavsky-hole", "white"),
        "e5",
    ),
}


def only_line(text: str) -> tuple[Repertoire, LinePath]:
    book = read(text)
    (path,) = core_paths(book)
    return book, path


@pytest.mark.parametrize("name", GAMES)
def test_published_model_games(name: str) -> None:
    text, structure, settles = GAMES[name]
    game = chess.pgn.read_game(io.StringIO(text))
    assert game is not None
    assert not game.errors, "the quotation is not legal"
    book, path = only_line(text)
    assert path.middlegame == structure
    assert path.settles_at is not None
    assert book.moves[path.settles_at] == settles


def test_hanging_pawns_of_a_match_game() -> None:
    # Fischer-Spassky, Reykjavik 1972, sixth game, quoted from memory. White plays
    # against the hanging pawns c5 and d5 from move 15 until 19 Nxe6 fxe6.
    text = """1. c4 e6 2. Nf3 d5 3. d4 Nf6 4. Nc3 Be7 5. Bg5 O-O 6. e3 h6 7. Bh4 b6 8. cxd5 Nxd5
    9. Bxe7 Qxe7 10. Nxd5 exd5 11. Rc1 Be6 12. Qa4 c5 13. Qa3 Rc8 14. Bb5 a6 15. dxc5 bxc5
    16. O-O Ra7 17. Be2 Nd7 18. Nd4 Qf8 19. Nxe6 fxe6 20. e4 d4 *"""
    game = chess.pgn.read_game(io.StringIO(text))
    assert game is not None
    assert not game.errors
    book, path = only_line(text)
    (span,) = [span for span in path.spans if span.structure == ("hanging-pawns", "black")]
    assert span.held
    assert book.moves[span.first] == "bxc5"
    assert book.ply[span.first] == 30


def test_a_chain_that_is_given_up() -> None:
    # Nimzowitsch-Salwe, Carlsbad 1911 ("My System"), quoted from memory: the
    # chain stands from 3 e5 until White himself takes on c5.
    text = """1. e4 e6 2. d4 d5 3. e5 c5 4. c3 Nc6 5. Nf3 Qb6 6. Bd3 Bd7 7. dxc5 Bxc5 8. O-O f6
    9. b4 Be7 10. Bf4 fxe5 11. Nxe5 Nxe5 12. Bxe5 Nf6 13. Nd2 O-O *"""
    book, path = only_line(text)
    first = next(span for span in path.spans if span.held)
    assert first.structure == ("advance-chain", "white")
    assert (book.moves[first.first], book.moves[first.last]) == ("e5", "Bd7")


# The definition, on lines made for it ---------------------------------------------------

EXCHANGE = "1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5"


def test_an_exchange_carries_the_structure_across() -> None:
    book, path = only_line(EXCHANGE + " 5. Bg5 c6 6. e3 *")
    assert [span.structure.structure for span in path.spans] == [
        "queens-gambit-tension",
        "carlsbad",
    ]
    tension, carlsbad = path.spans
    assert book.moves[tension.last] == "cxd5"
    assert book.moves[carlsbad.first] == "exd5"
    assert path.changes == (tension.first, carlsbad.first)


def test_a_capture_that_is_the_new_structure_is_not_carried() -> None:
    # 9 dxc5 leaves Black with the isolani at once; 9...Bxc5 only takes back.
    book, path = only_line(
        "1. d4 d5 2. c4 e6 3. Nc3 c5 4. cxd5 exd5 5. Nf3 Nc6 6. g3 Nf6 7. Bg2 Be7 8. O-O O-O "
        "9. dxc5 Bxc5 10. Na4 Be7 *"
    )
    assert path.ending == ("isolated-queen-pawn", "black")
    last = path.spans[-1]
    assert book.moves[last.first] == "dxc5"


def test_a_gambit_is_no_exchange() -> None:
    # Nobody takes back on c4, so 2...dxc4 is the change.
    book, path = only_line("1. d4 d5 2. c4 dxc4 3. Nf3 Nf6 4. e3 *")
    assert path.middlegame == ("held-c4-pawn", "white")
    assert book.moves[path.settles_at or 0] in ("dxc4", "e3")


def test_a_branch_keeps_the_verdict_where_not_every_line_takes_back() -> None:
    book = read(EXCHANGE.replace("exd5", "exd5 (4... Bb4)") + " *")
    raw = structure_codes(core_verdicts(book))
    carried = carry_exchanges(book, raw)
    taken = book.moves.index("cxd5")
    if raw[taken] >= 0:
        assert carried[taken] == raw[taken]
    else:
        assert carried[taken] == raw[book.parent[taken]]


def test_held_to_the_end_of_the_line_counts() -> None:
    _, path = only_line(EXCHANGE + " *")
    assert path.ending == ("carlsbad", "white")
    assert path.spans[-1].held
    assert path.spans[-1].first == path.spans[-1].last == path.leaf


def test_a_line_with_no_structure_names_the_families_that_it_passed() -> None:
    # Albin's counter-gambit: e4-d4 against d5 for two half-moves only.
    _, path = only_line(
        "1. d4 d5 2. c4 e5 3. dxe5 d4 4. Nf3 Nc6 5. g3 Be6 6. Nbd2 Qd7 7. Bg2 O-O-O *"
    )
    assert path.middlegame is None
    assert path.settles_at is None
    assert path.ending is None
    assert path.passed == tuple(span.structure.structure for span in path.spans)


def test_an_empty_repertoire_has_no_lines() -> None:
    book = read("")
    assert len(core_paths(book)) == 0
    assert list(core_paths(book)) == []


def test_a_place_in_the_columns_by_the_last_node() -> None:
    book = read("1. d4 (1. e4 e5) d5 *")
    paths = core_paths(book)
    assert [paths.index(leaf) for leaf in paths.leaves.tolist()] == [0, 1]
    with pytest.raises(KeyError):
        paths.index(0)


def test_structures_and_codes_are_each_others_inverse() -> None:
    paths = core_paths(demo())
    for code in set(paths.carried.tolist()) - {-1}:
        structure = paths.structure(code)
        assert structure is not None
        assert paths.code(*structure) == code
    assert paths.structure(-1) is None


# Against the definition, computed line by line -----------------------------------------


def plain(book: Repertoire, codes: list[int], leaf: int) -> tuple[int, int, int, int]:
    """Middlegame, ending, node where it settles and half-moves held, the slow way."""
    nodes = book.line(leaf)
    spans: list[tuple[int, int, int]] = []
    for node in nodes:
        if spans and spans[-1][0] == codes[node]:
            code, first, count = spans[-1]
            spans[-1] = (code, first, count + 1)
        else:
            spans.append((codes[node], node, 1))
    held = [
        span
        for place, span in enumerate(spans)
        if span[0] >= 0 and (span[2] >= HELD or place == len(spans) - 1)
    ]
    if not held:
        return -1, -1, -1, 0
    order = list(dict.fromkeys(code for code, _, _ in held))
    total = {code: sum(n for c, _, n in held if c == code) for code in order}
    best = max(order, key=lambda code: total[code])
    first = next(first for code, first, _ in held if code == best)
    return best, held[-1][0], first, total[best]


def check(book: Repertoire) -> None:
    paths = core_paths(book)
    assert paths.leaves.tolist() == book.leaves.tolist()
    codes = paths.carried.tolist()
    for index, path in enumerate(paths):
        middlegame, ending, settles, dwell = plain(book, codes, path.leaf)
        assert path.middlegame == paths.structure(middlegame)
        assert path.ending == paths.structure(ending)
        assert (path.settles_at if path.settles_at is not None else -1) == settles
        assert paths.dwell[index] == dwell
        assert list(path.nodes) == book.line(path.leaf)
        # The spans cover each node with a structure once, and no other.
        covered = [
            node for span in path.spans for node in path.nodes if span.first <= node <= span.last
        ]
        assert covered == [node for node in path.nodes if codes[node] >= 0]
        assert [paths.structure(code) for code in paths.held[index]] == list(
            dict.fromkeys(span.structure for span in path.spans if span.held)
        )


@given(random_texts)
def test_columns_agree_with_the_definition(text: str) -> None:
    check(read(text))


def test_columns_agree_with_the_definition_on_the_demo() -> None:
    check(demo())


def test_verdicts_that_change_all_the_time() -> None:
    """Many spans on one line: 4 half-moves of each of three families in turn."""
    moves = ["Nf3", "Nf6", "Ng1", "Ng8"]
    words = [moves[ply % 4] for ply in range(400)]
    book = read(" ".join(words) + " *")
    count = len(book)
    family = np.array([(node // 4) % 3 for node in range(count)], dtype=np.int16)
    zeros = np.zeros(count)
    verdicts = Verdicts(
        ("a", "b", "c"),
        family,
        np.ones(count, dtype=np.int8),
        zeros,
        np.zeros(count, dtype=bool),
        np.full(count, NONE, dtype=np.int16),
        np.zeros(count, dtype=np.int8),
        zeros,
    )
    (path,) = structure_paths(book, verdicts)
    assert len(path.spans) == 101
    assert path.middlegame == Structure("a", "white")
    assert path.settles_at == 0
    assert path.ending == Structure("b", "white")
