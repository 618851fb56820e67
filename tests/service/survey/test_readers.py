"""The two readers of collections agree with python-chess, and with each other on ugly text."""

from __future__ import annotations

import io
import random
from importlib.resources import files

import chess.pgn
import numpy as np
import pytest
from survey_games import pgn, random_games

from pawnlore.service.survey.game_batch import GameBatch
from pawnlore.service.survey.game_keys import IDENTITY
from pawnlore.service.survey.read_games import find_games, read_games
from pawnlore.service.survey.skipped import (
    BAD_START,
    NO_GAME,
    NO_MOVES,
    RUN_ON,
    VARIANT,
    Account,
)
from pawnlore.structures.pgn_reader import read_repertoire

pytest.importorskip("rust_pgn_reader_python_binding")

FIELDS = tuple(GameBatch.__dataclass_fields__)


def read(text: str | bytes, *, careful: bool = False) -> tuple[GameBatch, Account]:
    account = Account()
    data = text.encode() if isinstance(text, str) else text
    return read_games(find_games(data, IDENTITY, final=True), account, careful=careful), account


def by_number(batch: GameBatch) -> list[tuple[object, ...]]:
    """All that a batch says of each game, in the order of the text."""
    games = []
    for game in range(len(batch)):
        moves = slice(batch.move_offsets[game], batch.move_offsets[game + 1])
        events = slice(batch.event_offsets[game], batch.event_offsets[game + 1])
        games.append(
            (
                int(batch.number[game]),
                int(batch.first_ply[game]),
                bool(batch.whole[game]),
                int(batch.result[game]),
                batch.moves[moves].tolist(),
                *(
                    getattr(batch, name)[events].tolist()
                    for name in ("ply", "white", "black", "taken", "start", "end")
                ),
            )
        )
    return sorted(games)


@pytest.mark.parametrize("wild", [False, True], ids=["plain", "annotated"])
def test_every_position_is_that_of_python_chess(wild: bool) -> None:
    dice = random.Random(7) if wild else None
    boards = random_games(3, 200)
    text = "".join(pgn(board, dice=dice) for board in boards)
    batch, account = read(text)
    assert account.skipped == {} and len(batch) == len(boards)
    order = np.argsort(batch.number)
    stream = io.StringIO(text)
    promoted = passed = castled = 0
    for index, board in enumerate(boards):
        game = int(order[index])
        theirs = chess.pgn.read_game(stream)
        assert theirs is not None and not theirs.errors
        replay = theirs.board()
        wanted = [
            (replay.pawns & replay.occupied_co[True], replay.pawns & replay.occupied_co[False])
        ]
        for move in theirs.mainline_moves():
            promoted += move.promotion is not None
            passed += replay.is_en_passant(move)
            castled += replay.is_castling(move)
            replay.push(move)
            wanted.append(
                (replay.pawns & replay.occupied_co[True], replay.pawns & replay.occupied_co[False])
            )
        assert [tuple(row) for row in batch.skeletons(game).tolist()] == wanted
        assert int(batch.first_ply[game]) == theirs.board().ply()
        assert list(theirs.mainline_moves()) == board.move_stack
    # The games must hold what is worth testing.
    assert promoted > 10 and passed > 10 and castled > 10


def test_the_careful_reader_says_the_same() -> None:
    dice = random.Random(11)
    text = "".join(pgn(board, dice=dice) for board in random_games(5, 80))
    assert by_number(read(text)[0]) == by_number(read(text, careful=True)[0])


def test_the_demo_repertoire_reads_alike() -> None:
    folder = files("pawnlore.labelled_demo") / "repertoire"
    for path in sorted(folder.iterdir(), key=lambda entry: entry.name):
        if not path.name.endswith(".pgn"):
            continue
        text = path.read_text(encoding="utf-8")
        batch, account = read(text)
        careful, _ = read(text, careful=True)
        assert by_number(batch) == by_number(careful)
        book = read_repertoire([io.StringIO(text)])
        assert len(batch) + account.skipped.get(NO_MOVES, 0) == len(book.games)
        for row in range(len(batch)):
            game = book.games[int(batch.number[row])]
            nodes = [game.first]
            while children := book.children(nodes[-1]):
                nodes.append(children[0])
            assert batch.skeletons(row).tolist() == book.masks[nodes].tolist()


_SPOILERS = 'exd5 O-O {;%()[]}$*\n\r1-0/2 Nf3 -- e8Q 0-0 \u2026é"\\'


def test_spoilt_text_reads_alike_whoever_reads_it() -> None:
    """What the fast reader lets pass is what the careful one would have read."""
    dice = random.Random(17)
    odd = cut = 0
    for board in random_games(19, 200):
        text = list(pgn(board, dice=dice if dice.random() < 0.5 else None))
        begin = "".join(text).index("\n\n")
        for _ in range(dice.randrange(1, 4)):
            place = dice.randrange(begin, len(text))
            if dice.random() < 0.4:
                del text[place]
            else:
                text.insert(place, dice.choice(_SPOILERS))
        spoilt = "".join(text)
        fast, told = read(spoilt)
        careful, told_too = read(spoilt, careful=True)
        assert by_number(fast) == by_number(careful), spoilt
        assert told.skipped == told_too.skipped
        odd += told.careful
        cut += told.cut_short
    assert odd > 25 and cut > 10


@pytest.mark.parametrize(
    ("text", "games", "reasons"),
    [
        ("", 0, {}),
        ("\n\n  \n", 0, {}),
        ("no chess at all", 0, {NO_GAME: 1}),
        ("1. e4 e5 1-0\n\n1. d4 d5 0-1\n", 2, {}),
        ("1. e4 * 1. d4 *\n", 1, {RUN_ON: 1}),
        ('[Event "a"]\n[Event "b"]\n\n1. e4 *\n', 1, {NO_MOVES: 1}),
        ('[Event "a"]\n\n*\n\n[Event "b"]\n\n1. e4 *\n', 1, {NO_MOVES: 1}),
        ('[Variant "Atomic"]\n\n1. e4 *\n', 0, {VARIANT: 1}),
        ('[Event "a"]\n[Site "b"]\n\n[Site "c"]\n\n1. e4 *\n', 1, {}),
        ('[Site "b"]\n\n[Site "c"]\n\n', 0, {NO_MOVES: 1}),
        ('[Event "a"]\n[FEN "8/8/8/8/8/8/8/8 w - - 0 1"]\n\n1. e4 *\n', 0, {BAD_START: 1}),
        ('[Event "a"]\n\n1. e4 {never closed\n\n[Event "b"]\n\n1. d4 *\n', 2, {}),
        ('[Event "a"]\r\n[Site "b"]\r\n\r\n1. e4\r\ne5 *\r\n\r\n[Event "c"]\r\n\r\n1. c4 *', 2, {}),
        ('[Event "a"]\n\n1. e4 {\n[Site "in a comment"]\n} e5 *\n', 1, {}),
        ('[Site "no event"]\n\n1. e4 *\n\n[Site "nor here"]\n\n1. d4 *\n', 2, {}),
    ],
)
def test_where_games_begin_and_why_some_are_left_out(
    text: str, games: int, reasons: dict[str, int]
) -> None:
    batch, account = read(text)
    assert (len(batch), account.skipped) == (games, reasons)
    assert account.seen == games + sum(reasons.values())
    other, told = read(text, careful=True)
    assert (by_number(other), told.skipped) == (by_number(batch), reasons)


def test_a_bad_move_costs_what_follows_it_and_no_more() -> None:
    batch, account = read('[Event "a"]\n\n1. e4 e5 2. Qz9 d6 1-0\n\n[Event "b"]\n\n1. d4 *\n')
    assert sorted(zip(batch.plies.tolist(), batch.whole.tolist(), strict=True)) == [
        (1, True),
        (2, False),
    ]
    assert account.cut_short == 1 and account.games == 2


def test_a_null_move_is_read_as_the_tagger_reads_it() -> None:
    batch, _ = read("1. e4 -- 2. d4 d5 3. exd5 *")
    assert batch.moves.tolist()[1] == 0 and int(batch.plies[0]) == 5
    assert batch.taken.tolist()[-1] == chess.D5


def test_header_values_survive_quotes_and_letters() -> None:
    text = '[Event "x"]\n[White "A \\"B\\" Müller"]\n\n1. e4 *\n\n[Event "y"]\n\n1. d4 *\n'
    found = find_games(text.encode(), ("White",), final=True)
    assert found.column("White").to_pylist() == ['A "B" Müller', None]


_FRAGMENTS = (
    *("\n\n", '[Event "', '[FEN "8/8/8/8/8/8/8/8 w - - 0 1"]\n', '[Variant "Chess960"]\n', '"]'),
    *("\\", "{", "}", "(", ")", ";", "%", "1-0", "*", "1/2", "\r\n", "\r", "é", "[", "1. e4 e5"),
    *(
        "--",
        "$",
        "O-O",
        "xd5",
        "e8=Q",
        "\ufeff",
        '[Result "0-1"]\n',
        "\n\n1. d4 d5 *\n\n",
        "\n%x\n",
    ),
)


def test_spoilt_files_read_alike_whoever_reads_them() -> None:
    """Several games in a file, spoilt anywhere: in headers, between games, cut off."""
    dice = random.Random(43)
    pool = [
        pgn(board, dice=dice if dice.random() < 0.5 else None) for board in random_games(47, 40)
    ]
    games = 0
    for _ in range(250):
        text = list("".join(dice.sample(pool, dice.randrange(1, 4))))
        for _ in range(dice.randrange(1, 6)):
            place, turn = dice.randrange(len(text) + 1), dice.random()
            if turn < 0.4:
                del text[place : place + dice.choice((1, 1, 1, 3, 40))]
            elif turn < 0.9:
                text.insert(place, dice.choice(_FRAGMENTS))
            else:
                del text[place:]
        spoilt = "".join(text)
        fast, told = read(spoilt)
        careful, told_too = read(spoilt, careful=True)
        assert by_number(fast) == by_number(careful), spoilt
        assert told.seen == told_too.seen, spoilt
        games += len(fast)
    assert games > 300


@pytest.mark.parametrize(
    ("headers", "plies"),
    [
        ('[Event "a"]\n[FEN "8/P6k/8/3pP3/8/8/p6K/8 w - d6 0 40"]\n\n', 2),
        ('[FEN "8/P6k/8/3pP3/8/8/p6K/8 w - d6 0 40"]\n[SetUp "1"]\n{why} ', 2),
        ('[Event "a \\"b\\" \\\\"]\n[Variant "Standard"]\n\n  ', 0),
        ('[Event "a"]\n', 0),
        ("", 0),
    ],
)
def test_only_headers_that_matter_reach_the_fast_reader(headers: str, plies: int) -> None:
    """The position that a game begins with does; a game without headers is read too."""
    text = f"{headers}1. exd6 Kg6 1-0\n\n"
    other = '[Event "b"]\n\n1. d4 d5 *\n\n[Event "none"]\n\n'
    for whole in (text, text + other, other + text):
        account = Account()
        found = find_games(whole.encode(), ("Event",), final=True)
        batch = read_games(found, account)
        careful = read_games(found, Account(), careful=True)
        assert account.games == (plies > 0) + (other in whole)
        assert sorted(batch.plies.tolist()) == [2] * len(batch)
        for name in ("number", "moves", "ply", "white", "black", "taken", "start", "end"):
            assert np.array_equal(getattr(batch, name), getattr(careful, name)), name


def test_an_escaped_value_is_told_as_it_was_meant() -> None:
    text = (
        '[Event "a \\"b\\" \\\\"]\n\n1. d4 *\n\n[Event "c"]\n[Site "\\"x\\""]\n\n1. e4 *\n\n1. c4 *'
    )
    found = find_games(text.encode(), ("Event", "Site"), final=True)
    assert found.column("Event").to_pylist() == ['a "b" \\', "c", None]
    assert found.column("Site").to_pylist() == [None, '"x"', None]
