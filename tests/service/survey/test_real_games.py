"""Real games: both readers read them alike, and the survey's verdicts are those of ``tag``."""

from __future__ import annotations

import csv
import io
import re
import sys
from pathlib import Path

import chess
import chess.pgn
import numpy as np
import pyarrow as pa
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))

pytest.importorskip("rust_pgn_reader_python_binding")

from real_games import EVERY, chosen, real_games_text

from pawnlore.models.classifier import shipped_classifier
from pawnlore.service.cli import main
from pawnlore.service.survey.game_batch import GameBatch
from pawnlore.service.survey.read_games import GameTexts, find_games, read_games
from pawnlore.service.survey.skeleton_verdicts import SkeletonVerdicts
from pawnlore.service.survey.skipped import Account
from pawnlore.service.survey.tables import Columns, survey_batch
from pawnlore.structures.skeleton import skeletons_from_boards


@pytest.fixture(scope="module")
def games() -> list[str]:
    """Each game's text."""
    return re.split(r"(?<=\n\n)(?=\[Event )", real_games_text())


def _found(text: str, careful: bool = False) -> tuple[GameTexts, GameBatch, Account]:
    account = Account()
    texts = find_games(text.encode(), Columns().wanted, final=True)
    return texts, read_games(texts, account, careful=careful), account


def test_the_compiled_reader_needs_no_help_with_any_of_them(games: list[str]) -> None:
    texts, batch, account = _found("".join(games))
    assert len(texts.scanned) == len(batch) == len(games) == 8095
    assert (account.careful, account.cut_short, account.skipped) == (0, 0, {})
    # Every game ends as its header says, and is as long as its numbers say.
    results = [re.search(r'\[Result "([^"]*)"', game)[1] for game in games]  # type: ignore[index]
    told = np.array([{"1-0": 1, "0-1": 2, "1/2-1/2": 3, "*": 4}[word] for word in results])
    assert np.array_equal(batch.result, told)
    last = [int(re.findall(r"(\d+)\.", game)[-1]) for game in games]
    assert np.array_equal((batch.plies + 1) // 2, last)


def test_both_readers_give_the_same_rows(games: list[str]) -> None:
    """All columns of all three tables; python-chess is slow, so it reads one game in twenty."""
    text = "".join(games[::20])
    verdicts = SkeletonVerdicts(shipped_classifier())
    rows = []
    for careful in (False, True):
        texts, batch, account = _found(text, careful)
        assert account.careful == (len(batch) if careful else 0)
        assert len(batch) == len(games[::20]) > 400
        rows.append(
            survey_batch(
                texts,
                batch,
                verdicts,
                Columns(),
                file="real.pgn",
                begins=texts.scanned.begins,
                first_game=0,
            )
        )
    fast, careful_rows = rows
    for table, wanted in careful_rows.items():
        assert pa.Table.from_batches([fast[table]]).to_pydict() == (
            pa.Table.from_batches([wanted]).to_pydict()
        ), table


def test_every_skeleton_is_that_of_python_chess(games: list[str]) -> None:
    some = games[7::80]
    _, batch, _ = _found("".join(some))
    for index, game in enumerate(some):
        theirs = chess.pgn.read_game(io.StringIO(game))
        assert theirs is not None and not theirs.errors
        board = theirs.board()
        boards = [board.copy(stack=False)]
        for move in theirs.mainline_moves():
            board.push(move)
            boards.append(board.copy(stack=False))
        assert np.array_equal(batch.skeletons(index), skeletons_from_boards(boards))


def test_verdicts_are_those_of_tag(games: list[str], tmp_path: Path) -> None:
    """Every position of some games, by the command that authors use."""
    some = games[3::160]
    (tmp_path / "some.pgn").write_text("".join(some), encoding="ascii")
    out = tmp_path / "some.csv"
    assert main(["tag", str(tmp_path / "some.pgn"), "--format", "csv", "-o", str(out)]) == 0
    with out.open(encoding="utf-8") as stream:
        told = list(csv.DictReader(stream))
    _, batch, _ = _found("".join(some))
    masks = np.concatenate([batch.skeletons(index) for index in range(len(batch))])
    assert len(masks) == len(told) > 3000
    verdicts = SkeletonVerdicts(shipped_classifier())
    white, black = (np.ascontiguousarray(masks[:, side]) for side in (0, 1))
    codes = verdicts.codes(white, black)
    probability, core = verdicts.in_full(white, black)
    names, holders = verdicts.classifier.names, ("both", "white", "black")
    for row, code, chance, is_core in zip(told, codes, probability, core, strict=True):
        family, holder = divmod(int(code), 3)
        mine = (names[family], holders[holder]) if family >= 0 else ("unsettled", "both")
        assert (row["structure"], row["holder"]) == mine
        assert row["core"] == ("yes" if is_core else "no")
        assert abs(float(row["probability"]) - chance) < 6e-4


def test_no_name_is_in_the_games(games: list[str]) -> None:
    names = {name for game in games for name in re.findall(r"^\[(\w+) ", game, re.M)}
    assert names == {"Event", "Round", "Date", "Result", "ECO"}
    for game in games:
        assert '[Event "Real games"]' in game
        _, _, moves = game.partition("\n\n")
        assert re.fullmatch(r"[a-hx1-8KQRBNO0-9+#=./*\-\s]+", moves)


def test_the_script_takes_every_so_manieth_game_and_leaves_names_out() -> None:
    game = '[Event "?"]\n[Site "Testville"]\n[Date "1951.??.??"]\n[White "M\xe4x"]\n[Result "*"]\n'
    taken = list(chosen((game + "\n1.e4 *\n\n").encode("latin-1") * 2 * EVERY, EVERY))
    assert len(taken) == 2
    assert taken[1] == (
        f'[Event "Real games"]\n[Round "{2 * EVERY}"]\n[Date "1951.??.??"]\n[Result "*"]\n'
        "\n1.e4 *\n\n"
    )
