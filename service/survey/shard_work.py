"""Reading one shard into part files: what a worker does, on whatever machine.

A part is finished when its marker is there, and the marker is written last. A
worker that is started again on a shard goes on behind its last marker, so that
no game is lost and none comes twice.
"""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import IO, Any

import numpy as np
import numpy.typing as npt

from pawnlore.service.survey.duplicates import RecentGames, keys_of_part
from pawnlore.service.survey.fast_reader import kept_games
from pawnlore.service.survey.game_keys import game_keys
from pawnlore.service.survey.parquet_file import parquet_bytes
from pawnlore.service.survey.place import Place
from pawnlore.service.survey.read_games import GameTexts, find_games, read_games
from pawnlore.service.survey.shards import NEXT_GAME, Shard
from pawnlore.service.survey.skeleton_verdicts import SkeletonVerdicts
from pawnlore.service.survey.skipped import DUPLICATE, TOO_LONG, TRUNCATED, Account
from pawnlore.service.survey.tables import TABLES, Columns, survey_batch
from pawnlore.service.survey.text_source import (
    Unreadable,
    as_utf8,
    blocks,
    open_file,
)

BATCH_BYTES = 8 << 20
"""Text that is read and judged at a time."""

PART_BYTES = 32 << 20
"""Text that goes into one part file."""

GAME_BYTES = 8 << 20
"""The longest game that is read."""

GAME_BITS = 40
"""A game's number is its shard's, shifted by so many bits, plus its place in the shard."""


@dataclass(frozen=True)
class Part:
    """A finished part: its shard and place, where it ends, its rows and what was skipped.

    ``text_end`` and ``next_game`` are counted from the shard's beginning.
    """

    shard: int
    piece: int
    text_end: int
    next_game: int
    last: bool
    rows: dict[str, int]
    sizes: dict[str, int]
    account: Account

    @property
    def name(self) -> str:
        """What its files are called, without ending."""
        return part_name(self.shard, self.piece)

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {**self.__dict__, "account": self.account.as_json()}

    @classmethod
    def from_json(cls, values: dict[str, Any]) -> Part:
        """The other way about."""
        return cls(**{**values, "account": Account.from_json(values["account"])})


def part_name(shard: int, piece: int) -> str:
    """The name of a part's files, without ending."""
    return f"{shard:05d}-{piece:05d}"


def finished_parts(place: Place) -> list[Part]:
    """All parts whose marker is there, in order."""
    return [
        Part.from_json(json.loads(place.read(f"work/{name}")))
        for name in place.names("work", ".json")
    ]


def work_shard(
    shard: Shard,
    place: Place,
    columns: Columns,
    verdicts: SkeletonVerdicts,
    *,
    done: list[Part] | None = None,
    careful: bool = False,
    keep_duplicates: bool = False,
    part_bytes: int = PART_BYTES,
) -> list[Part]:
    """Read one shard, from behind the parts that are ``done``; gives the new ones.

    Games that the shard had before are left out at once, unless ``keep_duplicates``
    is set; those that other shards have too are found at the survey's end.
    """
    before = max(done or [], key=lambda part: part.piece, default=None)
    if before is not None and before.last:
        return []
    known = None if keep_duplicates else RecentGames()
    work = _Work(shard, place, columns, verdicts, known, careful, part_bytes)
    if before is not None:
        work.piece, work.game = before.piece + 1, before.next_game
    for part in sorted(done or [], key=lambda part: part.piece):
        if known is not None:
            known.are_new(keys_of_part(place, part.name)[:, :2])
    skip = before.text_end if before is not None else 0
    try:
        for texts in _game_texts(shard, columns, work.leave_out, skip):
            work.take(*texts)
    except Unreadable as error:
        work.account.troubles.append(f"{shard.path}: {error}; all before that is kept")
    work.finish(last=True)
    return work.parts


class _Work:
    """A shard while it is read."""

    def __init__(
        self,
        shard: Shard,
        place: Place,
        columns: Columns,
        verdicts: SkeletonVerdicts,
        known: RecentGames | None,
        careful: bool,
        part_bytes: int,
    ) -> None:
        self.shard, self.place, self.columns = shard, place, columns
        self.verdicts, self.careful, self.part_bytes = verdicts, careful, part_bytes
        self.known = known
        self.piece = self.game = 0
        self.text_end = 0
        self.parts: list[Part] = []
        self.account = Account()
        self._begun = 0
        self._rows: dict[str, list[Any]] = {name: [] for name in TABLES}
        self._keys: list[Any] = []

    def take(self, texts: GameTexts, offset: int, begins: npt.NDArray[np.int64]) -> None:
        """Survey some games: their text begins at ``offset`` in the shard, they in the file."""
        name = self.shard.path.rpartition("/")[2]
        batch = read_games(texts, self.account, name, careful=self.careful, begins=begins)
        first = (self.shard.number << GAME_BITS) + self.game
        keys = game_keys(texts, batch)
        if self.known is not None:
            # Games that were read carefully stand behind the others; the first in the text stays.
            order = np.argsort(batch.number)
            new = np.empty(len(batch), dtype=np.bool_)
            new[order] = self.known.are_new(keys[order])
            if not new.all():
                self.account.cut_short -= int((~batch.whole[~new]).sum())
                batch, keys = kept_games(batch, new), keys[new]
                again = new.shape[0] - len(batch)
                self.account.skip(DUPLICATE, count=again)
                self.account.games -= again
        if len(batch):
            rows = survey_batch(
                texts,
                batch,
                self.verdicts,
                self.columns,
                file=name,
                begins=begins,
                first_game=first,
            )
            for table, batch_rows in rows.items():
                self._rows[table].append(batch_rows)
            numbers = (first + batch.number).astype(np.uint64)
            self._keys.append(np.concatenate([keys, numbers[:, None]], axis=1))
        self.game += len(texts.scanned)
        if not self._begun and not self.parts:
            self._begun = offset
        self.text_end = offset + int(texts.scanned.begins[-1])
        if self.text_end - self._begun >= self.part_bytes:
            self.finish(last=False)

    def leave_out(self, reason: str, example: str) -> None:
        """Count something that is no game to be taken, with the part that is being made."""
        self.account.skip(reason, example)

    def finish(self, *, last: bool) -> None:
        """Write what was surveyed as a part, its marker at the end."""
        import pyarrow as pa

        name = part_name(self.shard.number, self.piece)
        counts, sizes = {}, {}
        for table, batches in self._rows.items():
            counts[table] = sum(batch.num_rows for batch in batches)
            if not counts[table]:
                continue
            data = parquet_bytes(pa.Table.from_batches(batches).unify_dictionaries())
            sizes[table] = len(data)
            self.place.write(f"{table}/{name}.parquet", data)
        if self._keys:
            keys = np.concatenate(self._keys)
            self.place.write(f"work/{name}.keys", keys.tobytes())
        part = Part(
            self.shard.number, self.piece, self.text_end, self.game, last, counts, sizes,
            self.account,
        )  # fmt: skip
        self.place.write(f"work/{name}.json", json.dumps(part.as_json()).encode())
        self.parts.append(part)
        self.piece += 1
        self._begun = self.text_end
        self.account = Account()
        self._rows = {table: [] for table in TABLES}
        self._keys = []


def _game_texts(
    shard: Shard, columns: Columns, leave_out: Callable[[str, str], None], skip: int
) -> Iterator[tuple[GameTexts, int, npt.NDArray[np.int64]]]:
    """The shard's text a batch at a time, where it begins in the shard, its games in the file.

    ``skip`` bytes of text have been surveyed before. Raises `Unreadable` at the
    end where the file is damaged; what it tore off is told to ``leave_out``.
    """
    wanted = columns.wanted
    text, offset = b"", 0
    damage: Unreadable | None = None
    with open_file(shard.path) as stream:
        grown = _Grown(shard.begin)
        lines = _whole_lines(_raw_blocks(stream, shard), grown)
        while damage is None:
            pieces, size = [text], len(text)
            more: bytes | None = b""
            # Small blocks are put together before anything is copied. What goes on from
            # before is looked at again only with as much behind it, however long it gets.
            wanted_size = max(BATCH_BYTES, min(2 * size, GAME_BYTES + BATCH_BYTES))
            while more is not None and (len(pieces) == 1 or size < wanted_size):
                try:
                    more = next(lines, None)
                except Unreadable as error:
                    damage, more = error, None
                pieces.append(more or b"")
                size += len(pieces[-1])
            text = b"".join(pieces)
            if offset < skip:
                gone = min(skip - offset, len(text))
                text, offset = text[gone:], offset + gone
                grown.place(offset)
            final = more is None and damage is None
            if text:
                texts = find_games(text, wanted, final=final)
                if len(texts.scanned):
                    yield texts, offset, grown.places(offset + texts.scanned.begins)
                    used = int(texts.scanned.begins[-1])
                    text, offset = text[used:], offset + used
                elif text.isspace():
                    text, offset = b"", offset + len(text)
                if len(text) > GAME_BYTES:
                    leave_out(
                        TOO_LONG, f"{shard.path}: from byte {grown.place(offset):,} of its text"
                    )
                    found = NEXT_GAME.search(text, 1)
                    used = found.start() + 1 if found else len(text) - 24
                    text, offset = text[used:], offset + used
            if more is None:
                break
    if damage is not None:
        if text.strip():
            leave_out(TRUNCATED, f"{shard.path}: at byte {grown.place(offset):,} of its text")
        raise damage


def _raw_blocks(stream: IO[bytes], shard: Shard) -> Iterator[bytes]:
    if shard.compression == "utf-16":
        wide = io.TextIOWrapper(stream, encoding="utf-16", errors="replace", newline="")
        while text := wide.read(BATCH_BYTES):
            yield text.encode("utf-8", "replace")
        return
    if shard.compression:
        yield from blocks(stream, shard.compression)
        return
    stream.seek(shard.begin)
    left = shard.end - shard.begin
    for block in blocks(stream, ""):
        yield block[:left]
        left -= len(block)
        if left <= 0:
            return


class _Grown:
    """Where a shard's text, which is UTF-8, stands in the file, which need not be."""

    def __init__(self, begin: int) -> None:
        self.base, self.told = begin, 0
        self.lines: list[tuple[int, int]] = []

    def take(self, block: bytes) -> bytes:
        """The next block of the file in UTF-8."""
        longer: list[tuple[int, int]] = []
        text = as_utf8(block, longer)
        self.lines += [(self.told + end, more) for end, more in longer]
        self.told += len(text)
        return text

    def places(self, offsets: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Where in the file these places of the text are, in order and none before the last ones.

        What lies before them is forgotten, so that a long file takes no memory.
        """
        if not self.lines:
            return self.base + offsets.astype(np.int64)
        lines = np.array(self.lines, dtype=np.int64)
        before = np.searchsorted(lines[:, 0], offsets, side="right")
        grown = np.concatenate([[0], np.cumsum(lines[:, 1])])
        found: npt.NDArray[np.int64] = self.base + offsets - grown[before]
        self.base -= int(grown[before[0]])
        del self.lines[: int(before[0])]
        return found

    def place(self, offset: int) -> int:
        """One place."""
        return int(self.places(np.array([offset]))[0])


def _whole_lines(source: Iterator[bytes], grown: _Grown) -> Iterator[bytes]:
    """The same text in UTF-8, cut only behind line ends, so that no letter is cut in two."""
    rest, held = [b""], 0
    first = True
    for block in source:
        if first:
            size, block, first = len(block), block.removeprefix(b"\xef\xbb\xbf"), False
            grown.base += size - len(block)
        end = block.rfind(b"\n") + 1
        if not end and held + len(block) < GAME_BYTES:
            rest.append(block)
            held += len(block)
            continue
        end = end or len(block)
        yield grown.take(b"".join([*rest, block[:end]]))
        rest, held = [block[end:]], len(block) - end
    if held:
        yield grown.take(b"".join(rest))
