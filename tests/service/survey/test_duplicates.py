"""Games that came twice, among the last ones: Python's own sets know which."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from survey_games import pgn, random_games

from pawnlore.models.classifier import shipped_classifier
from pawnlore.service.survey import shard_work, text_source
from pawnlore.service.survey.duplicates import RecentGames
from pawnlore.service.survey.fast_reader import kept_games
from pawnlore.service.survey.parquet_file import parquet_bytes
from pawnlore.service.survey.place import Place
from pawnlore.service.survey.read_games import find_games, read_games
from pawnlore.service.survey.run_survey import Options, survey
from pawnlore.service.survey.shards import look_at, plan
from pawnlore.service.survey.skeleton_verdicts import SkeletonVerdicts
from pawnlore.service.survey.skipped import DUPLICATE, Account
from pawnlore.service.survey.tables import Columns


@pytest.mark.parametrize("count", [1, 7, 40_000])
def test_what_was_met_is_known(count: int) -> None:
    dice = np.random.default_rng(count)
    # Keys that collide in the table and in either half.
    keys = dice.integers(1, max(4, count // 150), (count, 2)).astype(np.uint64) << np.uint64(40)
    known = RecentGames()
    seen: set[tuple[int, int]] = set()
    for part in np.array_split(keys, 5):
        found = known.are_new(part)
        for key, new in zip(map(tuple, part.tolist()), found.tolist(), strict=True):
            assert new == (key not in seen)
            seen.add(key)


def test_a_full_table_forgets_but_never_errs() -> None:
    keys = np.random.default_rng(3).integers(0, 1 << 63, (5000, 2)).astype(np.uint64)
    known = RecentGames(most=64)
    assert known.are_new(keys).all()
    assert not known.are_new(keys[-8:]).any()
    assert known.are_new(keys[:100]).all()


def test_the_games_that_are_kept_are_whole() -> None:
    text = "".join(pgn(board) for board in random_games(3, 40)).encode()
    batch = read_games(find_games(text, (), final=True), Account())
    keep = np.random.default_rng(1).random(len(batch)) < 0.5
    kept = kept_games(batch, keep)
    assert kept.number.tolist() == batch.number[keep].tolist()
    for row, old in enumerate(np.flatnonzero(keep).tolist()):
        assert np.array_equal(kept.skeletons(row), batch.skeletons(old))
        for offsets in ("move_offsets", "event_offsets"):
            names = ("moves",) if offsets == "move_offsets" else ("ply", "taken", "start", "end")
            mine, theirs = (
                slice(*getattr(b, offsets)[i : i + 2]) for b, i in ((kept, row), (batch, old))
            )
            for name in names:
                assert np.array_equal(getattr(kept, name)[mine], getattr(batch, name)[theirs])


def texts_of(count: int) -> list[str]:
    boards = enumerate(random_games(5, count))
    return [pgn(board, headers=(("Round", str(number)),)) for number, board in boards]


def test_games_again_in_one_shard_and_in_another(tmp_path: Path) -> None:
    texts = texts_of(30)
    one, two = tmp_path / "one.pgn", tmp_path / "two.pgn"
    one.write_text("".join([*texts[:20], *texts[5:10], *texts[:3]]))
    two.write_text("".join([*texts[15:], *texts[25:]]))
    told = survey([str(one), str(two)], str(tmp_path / "out"), Options())
    assert told.account.games == told.rows["games"] == 30
    assert told.account.skipped == {DUPLICATE: 8 + 5 + 5}
    options = Options(keep_duplicates=True)
    everything = survey([str(one), str(two)], str(tmp_path / "all"), options)
    assert everything.account.games == everything.rows["games"] == 48
    assert not everything.account.skipped


def test_a_worker_that_goes_on_knows_what_was_read_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    texts = texts_of(12)
    path = tmp_path / "games.pgn"
    path.write_text("".join(texts * 3))
    monkeypatch.setattr(shard_work, "BATCH_BYTES", 3000)
    monkeypatch.setattr(text_source, "_BLOCK", 1000)
    (shard,) = plan([look_at(str(path))])
    place, verdicts = Place(str(tmp_path / "out")), SkeletonVerdicts(shipped_classifier())
    parts = shard_work.work_shard(shard, place, Columns(), verdicts, part_bytes=2000)
    assert len(parts) > 3 and sum(part.account.games for part in parts) == 12
    done = parts[:2]
    again = shard_work.work_shard(shard, place, Columns(), verdicts, done=done, part_bytes=2000)
    assert again == parts[2:]
    assert sum(part.account.skipped.get(DUPLICATE, 0) for part in [*done, *again]) == 24


def test_of_equal_games_the_first_stays_whoever_reads_it(tmp_path: Path) -> None:
    """The careful reader's games stand behind the compiled one's in a batch."""
    plain = '[Event "a"]\n[White "x"]\n\n1. e4 e5 *\n\n'
    careful = plain.replace("e4", "e4 ; a remark\n")
    path = tmp_path / "games.pgn"
    path.write_text(careful + plain + '[Event "b"]\n\n1. d4 *\n\n' + careful)
    told = survey([str(path)], str(tmp_path / "out"), Options(jobs=1))
    assert (told.account.games, told.account.skipped) == (2, {DUPLICATE: 2})
    (part,) = (tmp_path / "out" / "games").glob("*.parquet")
    assert sorted(pq.read_table(part).column("offset").to_pylist()) == [
        0,
        len(careful) + len(plain),
    ]


def test_a_repeated_game_is_not_counted_as_cut_short(tmp_path: Path) -> None:
    path = tmp_path / "games.pgn"
    path.write_text('[Event "a"]\n\n1. e4 Qh5 *\n\n' * 3)
    told = survey([str(path)], str(tmp_path / "out"), Options(jobs=1)).account
    assert (told.games, told.cut_short, told.skipped) == (1, 1, {DUPLICATE: 2})


def test_a_parquet_file_holds_the_table() -> None:
    name = pa.dictionary(pa.int16(), pa.string())
    table = pa.table(
        {
            "game": pa.array([1, 2, 3]),
            "file": pa.array(["a", "b", None]).dictionary_encode().cast(name),
            "path": pa.array(
                [[{"structure": "x", "ply": 3}], [], [{"structure": None, "ply": 4}] * 2],
                pa.list_(pa.struct([("structure", name), ("ply", pa.int32())])),
            ),
            "moves": pa.array([b"ab", b"", b"ab"]),
        }
    )
    data = parquet_bytes(table)
    read = pq.ParquetFile(io.BytesIO(data))
    assert read.read().equals(table)
    group = read.metadata.row_group(0)
    columns = {group.column(i).path_in_schema: group.column(i) for i in range(group.num_columns)}
    assert columns["game"].statistics.max == 3
    assert "path.list.element.structure" in columns
    for column, dictionary in (("game", False), ("file", True), ("moves", False)):
        assert columns[column].has_dictionary_page == dictionary
    assert columns["path.list.element.structure"].has_dictionary_page
