"""Structures that books teach, reached by the openings that they say lead there.

Each book is one on pawn structures or on the opening of that structure. Which
opening leads where is told from memory of the books and not quoted; that a book
treats a structure is meant, not that it gives these very moves. The moves are
common practice of the named opening. They are played from the usual starting
position, so they are legal and the pawns stand where the game puts them.
"""

from __future__ import annotations

import re
from typing import NamedTuple

import chess
import pytest

from pawnlore.models.classifier import shipped_classifier
from pawnlore.structures.skeleton import mirror_batch, skeleton_from_board, skeletons_from_boards

SOLTIS = "Andrew Soltis, Pawn Structure Chess (1976)"
FLORES = "Mauricio Flores Rios, Chess Structures: A Grandmaster Guide (2015)"
MAROVIC = "Drazen Marović, Dynamic Pawn Play in Chess (2001)"
KMOCH = "Hans Kmoch, Pawn Power in Chess (1959)"
NIMZOWITSCH = "Aron Nimzowitsch, My System (1925)"
BABURIN = "Alexander Baburin, Winning Pawn Structures (1998)"
SHIPOV = "Sergey Shipov, The Complete Hedgehog (2009)"
STEAN = "Michael Stean, Simple Chess (1978)"
BENONI = "John Watson, The Gambit Guide to the Modern Benoni (2001)"
FRENCH = "John Watson, Play the French (1984)"
KOSTEN = "Tony Kosten, The Dynamic English (1999)"
BRONSTEIN = "David Bronstein, Zurich International Chess Tournament 1953 (1956, in English 1979)"
ROWSON = "Jonathan Rowson, Understanding the Grünfeld (1999)"
KRASENKOW = "Mikhail Krasenkow, The Open Spanish (1995)"
MARIN = "Mihail Marin, A Spanish Repertoire for Black (2007)"
SADLER = "Matthew Sadler, The Slav (1997)"
LENINGRAD = "Neil McDonald, Play the Dutch (2010)"


class Case(NamedTuple):
    """A structure, whose it is, who teaches it, and an opening that leads there."""

    family: str
    holder: str
    book: str
    opening: str
    moves: str


CASES = (
    Case(
        "carlsbad",
        "white",
        STEAN,
        "Queen's Gambit Declined, Exchange: the minority attack",
        "1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 Be7 6. e3 c6 7. Bd3 Nbd7 "
        "8. Qc2 O-O 9. Nf3 Re8",
    ),
    Case(
        "carlsbad",
        "black",
        FLORES,
        "Caro-Kann, Exchange: the same structure for the other side",
        "1. e4 c6 2. d4 d5 3. exd5 cxd5 4. Bd3 Nc6 5. c3 Nf6 6. Bf4 e6 7. Nf3 Bd6",
    ),
    Case(
        "open-c-file",
        "both",
        SADLER,
        "Slav, Exchange",
        "1. d4 d5 2. c4 c6 3. cxd5 cxd5 4. Nc3 Nf6 5. Nf3 Nc6 6. Bf4 Bf5 7. e3 e6",
    ),
    Case(
        "open-e-file",
        "both",
        FRENCH,
        "French, Exchange",
        "1. e4 e6 2. d4 d5 3. exd5 exd5 4. Bd3 Bd6 5. Nf3 Nf6 6. O-O O-O",
    ),
    Case(
        "advance-chain",
        "white",
        NIMZOWITSCH,
        "French, Advance: the pawn chain",
        "1. e4 e6 2. d4 d5 3. e5 c5 4. c3 Nc6 5. Nf3 Qb6",
    ),
    Case(
        "advance-chain",
        "white",
        FRENCH,
        "French, Winawer",
        "1. e4 e6 2. d4 d5 3. Nc3 Bb4 4. e5 c5 5. a3 Bxc3+ 6. bxc3 Ne7 7. Nf3 Nbc6",
    ),
    Case(
        "d4-e4-tension",
        "white",
        FRENCH,
        "French, Classical",
        "1. e4 e6 2. d4 d5 3. Nc3 Nf6 4. Bg5 Be7",
    ),
    Case(
        "e5-wedge",
        "white",
        NIMZOWITSCH,
        "French, the d-pawn given up so that a piece holds d4",
        "1. e4 e6 2. d4 d5 3. e5 c5 4. Nf3 Nc6 5. dxc5 Bxc5 6. Bd3 Nge7 7. O-O",
    ),
    Case(
        "isolated-queen-pawn",
        "white",
        BABURIN,
        "Queen's Gambit Accepted",
        "1. d4 d5 2. c4 dxc4 3. Nf3 Nf6 4. e3 e6 5. Bxc4 c5 6. O-O cxd4 7. exd4 Be7 8. Nc3 O-O",
    ),
    Case(
        "isolated-queen-pawn",
        "black",
        NIMZOWITSCH,
        "Tarrasch Defence",
        "1. d4 d5 2. c4 e6 3. Nc3 c5 4. cxd5 exd5 5. Nf3 Nc6 6. g3 Nf6 7. Bg2 Be7 8. O-O O-O "
        "9. dxc5 Bxc5",
    ),
    Case(
        "isolated-queen-pawn",
        "white",
        SOLTIS,
        "Caro-Kann, Panov Attack, Black takes on c4",
        "1. e4 c6 2. d4 d5 3. exd5 cxd5 4. c4 Nf6 5. Nc3 e6 6. Nf3 Be7 7. Bd3 dxc4 8. Bxc4 O-O",
    ),
    Case(
        "isolani-tension",
        "white",
        SOLTIS,
        "Caro-Kann, Panov Attack, before anything is taken",
        "1. e4 c6 2. d4 d5 3. exd5 cxd5 4. c4 Nf6 5. Nc3 e6 6. Nf3 Be7",
    ),
    Case(
        "c5-wedge",
        "white",
        SOLTIS,
        "Caro-Kann, Panov Attack with c5: a queenside majority",
        "1. e4 c6 2. d4 d5 3. exd5 cxd5 4. c4 Nf6 5. Nc3 e6 6. Nf3 Be7 7. c5 O-O",
    ),
    Case(
        "isolated-pawn-couple",
        "white",
        BABURIN,
        "Semi-Tarrasch, a knight taken on c3",
        "1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. Nf3 c5 5. cxd5 Nxd5 6. e3 cxd4 7. exd4 Be7 8. Bd3 Nxc3 "
        "9. bxc3",
    ),
    Case(
        "hanging-pawns",
        "black",
        BABURIN,
        "Queen's Gambit Declined, Tartakower: ...c5 and both exchanges",
        "1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. Bg5 Be7 5. e3 O-O 6. Nf3 h6 7. Bh4 b6 8. cxd5 Nxd5 "
        "9. Bxe7 Qxe7 10. Nxd5 exd5 11. Rc1 Be6 12. Qa4 c5 13. Qa3 Rc8 14. dxc5 bxc5",
    ),
    Case(
        "stonewall",
        "black",
        KMOCH,
        "Dutch, Stonewall",
        "1. d4 f5 2. c4 Nf6 3. g3 e6 4. Bg2 d5 5. Nf3 c6 6. O-O Bd6",
    ),
    Case(
        "stonewall",
        "white",
        SOLTIS,
        "Stonewall Attack",
        "1. d4 d5 2. e3 Nf6 3. Bd3 c5 4. c3 Nc6 5. f4 e6 6. Nf3 Bd6",
    ),
    Case(
        "grunfeld-centre",
        "white",
        ROWSON,
        "Grünfeld, Exchange",
        "1. d4 Nf6 2. c4 g6 3. Nc3 d5 4. cxd5 Nxd5 5. e4 Nxc3 6. bxc3 Bg7 7. Nf3 c5 8. Rb1 O-O",
    ),
    Case(
        "central-duo",
        "white",
        MAROVIC,
        "Grünfeld, Exchange, after the exchange on d4",
        "1. d4 Nf6 2. c4 g6 3. Nc3 d5 4. cxd5 Nxd5 5. e4 Nxc3 6. bxc3 Bg7 7. Bc4 c5 8. Ne2 O-O "
        "9. O-O cxd4 10. cxd4",
    ),
    Case(
        "maroczy-bind",
        "white",
        STEAN,
        "Sicilian, Accelerated Dragon with c4",
        "1. e4 c5 2. Nf3 Nc6 3. d4 cxd4 4. Nxd4 g6 5. c4 Nf6 6. Nc3 d6 7. Be2 Bg7",
    ),
    Case(
        "hedgehog",
        "black",
        SHIPOV,
        "English, Symmetrical, and White's e4",
        "1. c4 c5 2. Nf3 Nf6 3. Nc3 e6 4. g3 b6 5. Bg2 Bb7 6. O-O a6 7. d4 cxd4 8. Qxd4 d6 9. e4",
    ),
    Case(
        "scheveningen",
        "white",
        FLORES,
        "Sicilian, Scheveningen",
        "1. e4 c5 2. Nf3 d6 3. d4 cxd4 4. Nxd4 Nf6 5. Nc3 e6 6. Be2 Be7 7. O-O O-O",
    ),
    Case(
        "dragon",
        "white",
        SOLTIS,
        "Sicilian, Dragon",
        "1. e4 c5 2. Nf3 d6 3. d4 cxd4 4. Nxd4 Nf6 5. Nc3 g6 6. Be3 Bg7 7. f3 O-O",
    ),
    Case(
        "boleslavsky-hole",
        "white",
        SOLTIS,
        "Sicilian, Boleslavsky's ...e5",
        "1. e4 c5 2. Nf3 d6 3. d4 cxd4 4. Nxd4 Nf6 5. Nc3 Nc6 6. Be2 e5 7. Nb3 Be7",
    ),
    Case(
        "d5-against-d6-e5",
        "white",
        FLORES,
        "Sicilian, Najdorf with ...e5, pieces exchanged on d5",
        "1. e4 c5 2. Nf3 d6 3. d4 cxd4 4. Nxd4 Nf6 5. Nc3 a6 6. Be2 e5 7. Nb3 Be7 8. O-O O-O "
        "9. Be3 Be6 10. Nd5 Bxd5 11. exd5",
    ),
    Case(
        "paulsen",
        "white",
        SOLTIS,
        "Sicilian, Paulsen",
        "1. e4 c5 2. Nf3 e6 3. d4 cxd4 4. Nxd4 a6 5. Bd3 Nf6 6. O-O Qc7",
    ),
    Case(
        "closed-sicilian",
        "white",
        SOLTIS,
        "Closed Sicilian",
        "1. e4 c5 2. Nc3 Nc6 3. g3 g6 4. Bg2 Bg7 5. d3 d6 6. f4 e6 7. Nf3 Nge7",
    ),
    Case(
        "english-triangle",
        "white",
        KOSTEN,
        "English, Botvinnik's triangle",
        "1. c4 c5 2. Nc3 Nc6 3. g3 g6 4. Bg2 Bg7 5. e4 d6 6. Nge2 Nf6 7. d3 O-O",
    ),
    Case(
        "kings-indian-chain",
        "white",
        BRONSTEIN,
        "King's Indian, closed by d5",
        "1. d4 Nf6 2. c4 g6 3. Nc3 Bg7 4. e4 d6 5. Nf3 O-O 6. Be2 e5 7. O-O Nc6 8. d5 Ne7",
    ),
    Case(
        "kings-indian-tension",
        "white",
        BRONSTEIN,
        "King's Indian, the tension kept",
        "1. d4 Nf6 2. c4 g6 3. Nc3 Bg7 4. e4 d6 5. g3 O-O 6. Bg2 Nbd7 7. Nf3 e5 8. O-O c6",
    ),
    Case(
        "modern-benoni",
        "white",
        BENONI,
        "Modern Benoni",
        "1. d4 Nf6 2. c4 c5 3. d5 e6 4. Nc3 exd5 5. cxd5 d6 6. e4 g6 7. Nf3 Bg7 8. Be2 O-O",
    ),
    Case(
        "closed-benoni",
        "white",
        KMOCH,
        "Czech Benoni: the full Benoni",
        "1. d4 Nf6 2. c4 c5 3. d5 e5 4. Nc3 d6 5. e4 Be7 6. Nf3 O-O",
    ),
    Case(
        "symmetrical-benoni",
        "white",
        FLORES,
        "King's Indian, Averbakh: White takes back with the e-pawn",
        "1. d4 Nf6 2. c4 g6 3. Nc3 Bg7 4. e4 d6 5. Be2 O-O 6. Bg5 c5 7. d5 e6 8. Qd2 exd5 9. exd5",
    ),
    Case(
        "benko",
        "black",
        FLORES,
        "Benko Gambit accepted",
        "1. d4 Nf6 2. c4 c5 3. d5 b5 4. cxb5 a6 5. bxa6 Bxa6 6. Nc3 d6 7. Nf3 g6 8. g3 Bg7",
    ),
    Case(
        "spanish-chain",
        "white",
        MARIN,
        "Spanish, Closed, Chigorin, closed by d5",
        "1. e4 e5 2. Nf3 Nc6 3. Bb5 a6 4. Ba4 Nf6 5. O-O Be7 6. Re1 b5 7. Bb3 d6 8. c3 O-O "
        "9. h3 Na5 "
        "10. Bc2 c5 11. d4 Qc7 12. Nbd2 Nc6 13. d5 Nd8",
    ),
    Case(
        "d4-e5-tension",
        "white",
        MARIN,
        "Spanish, Closed, Chigorin",
        "1. e4 e5 2. Nf3 Nc6 3. Bb5 a6 4. Ba4 Nf6 5. O-O Be7 6. Re1 b5 7. Bb3 d6 8. c3 O-O "
        "9. h3 Na5 "
        "10. Bc2 c5 11. d4 Qc7",
    ),
    Case(
        "e5-against-d5",
        "white",
        KRASENKOW,
        "Spanish, Open",
        "1. e4 e5 2. Nf3 Nc6 3. Bb5 a6 4. Ba4 Nf6 5. O-O Nxe4 6. d4 b5 7. Bb3 d5 "
        "8. dxe5 Be6 9. c3 Be7",
    ),
    Case(
        "crippled-majority",
        "white",
        NIMZOWITSCH,
        "Spanish, Exchange: the majority that cannot make a passed pawn",
        "1. e4 e5 2. Nf3 Nc6 3. Bb5 a6 4. Bxc6 dxc6 5. d4 exd4 6. Qxd4 Qxd4 7. Nxd4 Bd7",
    ),
    Case(
        "doubled-c-pawns",
        "white",
        NIMZOWITSCH,
        "Nimzo-Indian, Sämisch: the doubled complex",
        "1. d4 Nf6 2. c4 e6 3. Nc3 Bb4 4. a3 Bxc3+ 5. bxc3 c5 6. e3 Nc6 7. Bd3 d6",
    ),
    Case(
        "d4-against-c6-e6",
        "white",
        SOLTIS,
        "Caro-Kann, Classical",
        "1. e4 c6 2. d4 d5 3. Nc3 dxe4 4. Nxe4 Bf5 5. Ng3 Bg6 6. Nf3 Nd7 7. Bd3 e6",
    ),
    Case(
        "d4-against-c7-e6",
        "white",
        SOLTIS,
        "French, Rubinstein",
        "1. e4 e6 2. d4 d5 3. Nc3 dxe4 4. Nxe4 Nd7 5. Nf3 Ngf6 6. Nxf6+ Nxf6 7. Bd3 Be7",
    ),
    Case(
        "d4-e3-against-c6-e6",
        "white",
        SOLTIS,
        "Slav, Black gives up the centre",
        "1. d4 d5 2. c4 c6 3. Nf3 Nf6 4. Nc3 dxc4 5. a4 Bf5 6. e3 e6 7. Bxc4 Bb4 8. O-O O-O",
    ),
    Case(
        "triangle-tension",
        "white",
        SOLTIS,
        "Semi-Slav",
        "1. d4 d5 2. c4 c6 3. Nf3 Nf6 4. Nc3 e6 5. e3 Nbd7 6. Bd3 Bd6",
    ),
    Case(
        "dutch-centre",
        "white",
        LENINGRAD,
        "Dutch, Leningrad",
        "1. d4 f5 2. g3 Nf6 3. Bg2 g6 4. Nf3 Bg7 5. O-O O-O 6. c4 d6 7. Nc3 c6",
    ),
)


def played(case: Case) -> chess.Board:
    """The board after a case's moves; an illegal move raises."""
    board = chess.Board()
    for word in re.sub(r"\d+\.+", " ", case.moves).split():
        board.push_san(word)
    return board


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.opening)
def test_the_opening_leads_to_the_books_structure(case: Case) -> None:
    verdict = shipped_classifier().classify(skeletons_from_boards([played(case)]))[0]
    assert (verdict.structure, verdict.holder) == (case.family, case.holder)


def test_colours_reversed_the_structure_is_the_other_sides() -> None:
    masks = skeletons_from_boards(played(case) for case in CASES)
    verdicts = shipped_classifier().classify(mirror_batch(masks))
    other = {"white": "black", "black": "white", "both": "both"}
    found = [(verdicts.structure(i), verdicts[i].holder) for i in range(len(CASES))]
    assert found == [(case.family, other[case.holder]) for case in CASES]


def test_botvinniks_triangle_against_e5_is_named_second() -> None:
    """Kosten's main line: by the table the quiet centre seen from Black outranks the triangle."""
    moves = "c4 e5 Nc3 Nc6 g3 g6 Bg2 Bg7 d3 d6 e4 Nge7 Nge2 f5"
    board = played(Case("", "", KOSTEN, "English", moves))
    verdict = shipped_classifier().classify(skeletons_from_boards([board]))[0]
    assert (verdict.structure, verdict.holder) == ("quiet-e4-e5-c5", "black")
    assert (verdict.second, verdict.second_holder) == ("english-triangle", "white")


def test_many_families_and_several_books_are_asked() -> None:
    assert len({case.family for case in CASES}) >= 25
    assert len({case.book for case in CASES}) >= 10
    assert len({skeleton_from_board(played(case)) for case in CASES}) >= 40
