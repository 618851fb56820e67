"""What must hold of the survey's readers, whatever a game collection holds.

The compiled reader and the careful one read the same games alike, into the
same rows; every game is kept or counted as left out; and a collection comes
to the same games however its text is cut into blocks and parts.
"""

from __future__ import annotations

import bz2
import gzip
import itertools
from functools import cache
from typing import Any
from unittest.mock import patch

import fsspec
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from pawnlore.models.classifier import shipped_classifier
from pawnlore.service.survey import shard_work
from pawnlore.service.survey.game_batch import GameBatch
from pawnlore.service.survey.place import Place
from pawnlore.service.survey.read_games import GameTexts, find_games, read_games
from pawnlore.service.survey.shard_work import Part, work_shard
from pawnlore.service.survey.shards import look_at, plan
from pawnlore.service.survey.skeleton_verdicts import SkeletonVerdicts
from pawnlore.service.survey.skipped import NO_GAME, NO_MOVES, REASONS, RUN_ON, Account
from pawnlore.service.survey.tables import TABLES, Columns, survey_batch
from pawnlore.service.survey.text_source import as_utf8

COLUMNS = Columns(headers=("Site",), players=True)

PACKERS = {
    "plain": bytes,
    "gzip": gzip.compress,
    "bzip2": bz2.compress,
    "zstd": lambda text: pa.Codec("zstd").compress(text, asbytes=True),
}
"""How a collection may be packed."""


_CARLSBAD = (
    "1. d4 Nf6 2. c4 e6 3. Nc3 d5 4. cxd5 exd5 5. Bg5 c6 6. e3 Be7 7. Bd3 O-O 8. Qc2 Nbd7 9. Nf3 "
    "Re8 10. O-O Nf8 11. Rab1 a5 12. a3 g6 13. b4 axb4 14. axb4 Bf5 15. b5 cxb5 16. Nxb5 1-0"
)
_EVERY_WAY = (
    '[Event "a"]\n[Site "\xfc"]\n[Date "1999.??.??"]\n[WhiteElo "2500"]\n[Result "1-0"]\n\n'
    f"{_CARLSBAD}\n\n"
    '[Event "b"]\n[Site "x\\"y"]\n\n1. e4 (1. d4) {x} 1-0\n\n'
    '[Event "c"]\n\n1. e4 e5 2. Ke2 xd5 0-1\n\n'
    f'[Event "d"]\n[FEN "4k3/8/8/8/8/8/4P3/4K3 w - - 0 1"]\n\n1. e4 *\n\n'
    f'[Event "a"]\n[Site "\xfc"]\n\n{_CARLSBAD}\n'
).encode("latin-1")
"""A collection that comes by every compiled loop: letters of an old encoding, a settled structure
with breaks, an escaped header, a bad move, a starting position, a game that came before."""


@cache
def verdicts() -> SkeletonVerdicts:
    """One table of verdicts for all inputs."""
    return SkeletonVerdicts(shipped_classifier(), slots=1 << 12)


@cache
def prepared() -> None:
    """Have everything compiled that any input comes to: no input is to be charged with that."""
    check_collection(_EVERY_WAY)
    for pack in PACKERS.values():
        check_packed(pack(_EVERY_WAY))


def check_collection(data: bytes) -> None:
    """Both readers agree on a text; each game of it has its place in the account."""
    text = as_utf8(data)
    texts = find_games(text, COLUMNS.wanted, final=True)
    count = len(texts.scanned)
    begins = texts.scanned.begins
    assert (np.diff(begins) > 0).all() and begins[-1] == len(text) and begins[0] >= 0
    assert not text[: begins[0]].strip()
    fast, careful = Account(), Account()
    batch, other = read_games(texts, fast, "f"), read_games(texts, careful, "f", careful=True)
    assert _rows(texts, batch) == _rows(texts, other)
    assert _games(batch) == _games(other)
    for account in (fast, careful):
        check_account(account, count)
    for name in ("games", "positions", "cut_short"):
        assert getattr(fast, name) == getattr(careful, name), name
    assert _left_out(fast) == _left_out(careful)
    _check_pieces(text, texts, _games(batch))


def _left_out(account: Account) -> dict[str, int]:
    """By reason; what is hardly text, such as ``1.``, is no game to one and one without moves."""
    left_out = dict(account.skipped)
    left_out[NO_MOVES] = left_out.get(NO_MOVES, 0) + left_out.pop(NO_GAME, 0)
    return left_out


def check_account(account: Account, games: int) -> None:
    """Each of the games that were found is kept or left out, and nothing odd can be printed."""
    left_out = sum(n for reason, n in account.skipped.items() if reason != RUN_ON)
    assert account.games + left_out == games
    assert set(account.skipped) <= set(REASONS)
    assert account.cut_short <= account.games <= account.positions
    told = [*itertools.chain(*account.examples.values()), *account.troubles]
    assert all(line.isprintable() and len(line) < 500 for line in told), told


def _check_pieces(text: bytes, whole: GameTexts, games: list[Any]) -> None:
    """The same games, with the text handed over in two pieces.

    Only what is marked for the careful reader may differ, at a piece's first letters.
    """
    cut = text.find(b"\n", len(text) // 2) + 1
    first = find_games(text[:cut], COLUMNS.wanted, final=False)
    used = int(first.scanned.begins[-1])
    then = find_games(text[used:], COLUMNS.wanted, final=True)
    begins = [*first.scanned.begins[:-1].tolist(), *(then.scanned.begins + used).tolist()]
    assert begins == whole.scanned.begins.tolist()
    results = [*first.scanned.results.tolist(), *then.scanned.results.tolist()]
    assert results == whole.scanned.results.tolist()
    read = _games(read_games(first, Account()))
    before = len(first.scanned)
    read += [(n + before, *game) for n, *game in _games(read_games(then, Account()))]
    assert read == games


def check_packed(data: bytes) -> None:
    """A file is surveyed to its end, or to where it is damaged, in one piece or in many."""
    files = fsspec.filesystem("memory")
    try:
        files.pipe_file("/games", data)
        given = look_at("memory://games")
        if given.trouble:
            assert given.trouble.isprintable()
            return
        once = _survey("memory://once")
        with patch.object(shard_work, "BATCH_BYTES", 300):
            pieces = _survey("memory://pieces", part_bytes=500)
            # Begun again behind its first part, as after a kill.
            (shard,) = plan([given])
            again = work_shard(
                shard, Place("memory://pieces"), COLUMNS, verdicts(),
                done=pieces[:1], part_bytes=500,
            )  # fmt: skip
        assert [part.account for part in again] == [part.account for part in pieces[1:]]
        assert _account(once) == _account(pieces)
        for table in TABLES:
            assert _table("once", table) == _table("pieces", table), table
    finally:
        files.store.clear()
        files.pseudo_dirs[:] = [""]


def _survey(address: str, part_bytes: int = 1 << 20) -> list[Part]:
    (shard,) = plan([look_at("memory://games")])
    parts = work_shard(shard, Place(address), COLUMNS, verdicts(), part_bytes=part_bytes)
    assert [part.last for part in parts] == [False] * (len(parts) - 1) + [True]
    for part in parts:
        assert part.rows.get("games", 0) == part.account.games
        assert all(line.isprintable() for line in part.account.troubles)
    return parts


def _account(parts: list[Part]) -> tuple[Any, ...]:
    whole = Account()
    for part in parts:
        whole.add(part.account)
    return whole.games, whole.positions, whole.cut_short, whole.skipped, whole.troubles


def _table(folder: str, table: str) -> list[Any]:
    files = fsspec.filesystem("memory")
    rows: list[Any] = []
    for path in sorted(files.glob(f"/{folder}/{table}/*.parquet")):
        one = pa.BufferReader(files.cat_file(path))
        # A thread that frees memory while tracing of it ends can take Python 3.11 down.
        rows += pq.read_table(one, use_threads=False).to_pylist()
    return _in_order(rows)


def _rows(
    texts: GameTexts, batch: GameBatch, known: SkeletonVerdicts | None = None
) -> dict[str, list[Any]]:
    if not len(batch):
        return {}
    made = survey_batch(
        texts,
        batch,
        known or verdicts(),
        COLUMNS,
        file="f",
        begins=texts.scanned.begins,
        first_game=0,
    )
    return {name: _in_order(rows.to_pylist()) for name, rows in made.items()}


def _in_order(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return sorted(rows, key=lambda row: (row["game"], row.get("ply", 0)))


def _games(batch: GameBatch) -> list[Any]:
    """What the rows leave out: every event, and the moves behind those that are kept."""
    found = []
    for game in range(len(batch)):
        moves = slice(batch.move_offsets[game], batch.move_offsets[game + 1])
        events = slice(batch.event_offsets[game], batch.event_offsets[game + 1])
        arrays = [
            getattr(batch, name)[events].tolist()
            for name in ("ply", "white", "black", "taken", "start", "end")
        ]
        found.append((int(batch.number[game]), batch.moves[moves].tolist(), arrays))
    return sorted(found)
