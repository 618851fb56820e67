"""Games that came twice: near each other found at once, else on disk whatever their number.

What a shard had among its last games is left out before anything is written
(`RecentGames`). For the rest every part left the keys of its games in a file. They
are dealt out to buckets by their first bits, so that equal ones meet in one bucket
and each bucket fits into memory; of equal keys the game that was read first stays.
What a key says is in `pawnlore.service.survey.game_keys`.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from pawnlore.service.survey.compiled import Array, compiled
from pawnlore.service.survey.parquet_file import parquet_bytes
from pawnlore.service.survey.place import Place
from pawnlore.service.survey.tables import TABLES

_ROW = 24
BUCKET_BYTES = 8 << 20
"""Keys that are looked at together."""


class RecentGames:
    """Remembers the keys of games, the last 262,144 at least if there are so many.

    The table takes 16 MiB at most; where it is full it is emptied.
    """

    def __init__(self, *, most: int = 1 << 20) -> None:
        """``most`` slots, a power of two, are filled by half."""
        self._most = most
        self._table = np.zeros((min(most, 1 << 14), 2), dtype=np.uint64)
        self._used = 0

    def are_new(self, keys: npt.NDArray[np.uint64]) -> npt.NDArray[np.bool_]:
        """Which of the games with these keys (G, 2) are new (G,); remembers them."""
        new = np.ones(keys.shape[0], dtype=np.bool_)
        step = self._most // 4
        for begin in range(0, keys.shape[0], step):
            part = keys[begin : begin + step]
            self._make_room(part.shape[0])
            self._used += _meet(part, self._table, new[begin : begin + step])
        return new

    def _make_room(self, count: int) -> None:
        slots = self._table.shape[0]
        if 2 * (self._used + count) <= slots:
            return
        while slots < 2 * (self._used + count):
            slots *= 2
        known = self._table[self._table.any(axis=1)]
        if slots > self._most:
            slots, known = self._most, known[:0]
        self._table = np.zeros((slots, 2), dtype=np.uint64)
        self._used = known.shape[0]
        _meet(known, self._table, np.empty(known.shape[0], dtype=np.bool_))


@compiled
def _meet(keys: Array, table: Array, new: Array) -> int:
    last = np.uint64(table.shape[0] - 1)
    found = 0
    for row in range(keys.shape[0]):
        one, two = keys[row, 0], keys[row, 1]
        slot = one & last
        while (table[slot, 0] != one or table[slot, 1] != two) and (
            table[slot, 0] != 0 or table[slot, 1] != 0
        ):
            slot = (slot + np.uint64(1)) & last
        new[row] = table[slot, 0] != one or table[slot, 1] != two
        if new[row]:
            table[slot, 0], table[slot, 1] = one, two
            found += 1
    return found


def repeated_games(
    place: Place, parts: Sequence[str], *, bucket_bytes: int = BUCKET_BYTES
) -> npt.NDArray[np.uint64]:
    """The numbers of all games that an earlier one equals, sorted.

    At most about three times ``bucket_bytes`` are in memory at a time, and eight
    bytes for every game found.
    """
    sizes = [len(keys_of_part(place, part)) for part in parts]
    buckets = 1
    while sum(sizes) * _ROW > buckets * bucket_bytes:
        buckets *= 2
    found: list[npt.NDArray[np.uint64]] = []
    if buckets == 1:
        found.append(
            _later_ones(np.concatenate([keys_of_part(place, p) for p in parts] or [_NONE]))
        )
    else:
        with tempfile.TemporaryDirectory(dir=place.local) as folder:
            _deal_out(place, parts, Path(folder), buckets)
            for bucket in sorted(Path(folder).iterdir()):
                rows = np.fromfile(bucket, dtype=np.uint64).reshape(-1, 3)
                found.append(_later_ones(rows))
    return np.sort(np.concatenate(found))


_NONE = np.empty((0, 3), dtype=np.uint64)


def keys_of_part(place: Place, part: str) -> npt.NDArray[np.uint64]:
    """The keys of a part's games and their numbers (G, 3)."""
    name = f"work/{part}.keys"
    if not place.exists(name):
        return _NONE
    return np.frombuffer(place.read(name), dtype=np.uint64).reshape(-1, 3)


def _deal_out(place: Place, parts: Sequence[str], folder: Path, buckets: int) -> None:
    bits = np.uint64(64 - (buckets - 1).bit_length())
    for part in parts:
        keys = keys_of_part(place, part)
        bucket = keys[:, 0] >> bits
        order = np.argsort(bucket, kind="stable")
        ends = np.cumsum(np.bincount(bucket.astype(np.intp), minlength=buckets))
        begin = 0
        for index, end in enumerate(ends.tolist()):
            if end > begin:
                with (folder / f"{index:06d}").open("ab") as stream:
                    stream.write(keys[order[begin:end]].tobytes())
            begin = end


def _later_ones(rows: npt.NDArray[np.uint64]) -> npt.NDArray[np.uint64]:
    # Hardly any game comes twice, so only rows are put in order whose first halves do.
    first = np.sort(rows[:, 0])
    rows = rows[np.isin(rows[:, 0], first[1:][first[1:] == first[:-1]])]
    order = np.lexsort((rows[:, 2], rows[:, 1], rows[:, 0]))
    rows = rows[order]
    again = np.zeros(rows.shape[0], dtype=np.bool_)
    again[1:] = (rows[1:, :2] == rows[:-1, :2]).all(axis=1)
    games: npt.NDArray[np.uint64] = rows[again, 2]
    return games


def take_out(
    place: Place,
    parts: Sequence[str],
    games: npt.NDArray[np.uint64],
    told: Callable[[int], None] = lambda count: None,
) -> None:
    """Write every part anew that holds one of these games, without it.

    It can be done again after it was interrupted: what is out stays out.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    wanted = games.astype(np.int64)
    for part in parts:
        keys = keys_of_part(place, part)
        if keys.shape[0]:
            inside = np.isin(keys[:, 2].astype(np.int64), wanted)
            if inside.any():
                for table in TABLES:
                    name = f"{table}/{part}.parquet"
                    if place.exists(name):
                        data: Any = pq.read_table(pa.BufferReader(place.read(name)))
                        out = np.isin(data.column("game").to_numpy(), wanted)
                        place.write(name, parquet_bytes(data.filter(pa.array(~out))))
        told(1)
