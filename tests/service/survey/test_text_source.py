"""Text that is not UTF-8, or only in part."""

from __future__ import annotations

import bz2
import gzip
import io
import random
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import pyarrow as pa
import pytest

from pawnlore.models.classifier import shipped_classifier
from pawnlore.service.survey import shard_work, text_source
from pawnlore.service.survey.place import Place
from pawnlore.service.survey.read_games import GameTexts, find_games, read_games
from pawnlore.service.survey.shards import look_at, plan
from pawnlore.service.survey.skeleton_verdicts import SkeletonVerdicts
from pawnlore.service.survey.skipped import NO_GAME, TOO_LONG, TRUNCATED, VARIANT, Account
from pawnlore.service.survey.tables import Columns
from pawnlore.service.survey.text_source import Unreadable, as_utf8, blocks


def line_by_line(block: bytes) -> bytes:
    """The rule, one line at a time: UTF-8, else Windows-1252, else Latin-1."""
    lines = []
    for line in block.replace(b"\0", b" ").split(b"\n"):
        for encoding in ("utf-8", "cp1252", "latin-1"):
            try:
                lines.append(line.decode(encoding).encode())
                break
            except UnicodeDecodeError:
                continue
    return b"\n".join(lines)


def test_every_line_is_judged_by_itself() -> None:
    dice = random.Random(4)
    atoms = [b"\n", b"\r\n", b"a", "é".encode(), b"\xe9", b"\x81", b"\0", "♞".encode(), b"b c"]
    changed = 0
    for _ in range(3000):
        block = b"".join(dice.choices(atoms, k=dice.randrange(30)))
        text = as_utf8(block)
        assert text == line_by_line(block), block
        text.decode()
        changed += text != block
    assert changed > 1000


@pytest.mark.slow
@pytest.mark.parametrize(
    ("compression", "pack"), [("gzip", gzip.compress), ("bzip2", bz2.compress)]
)
def test_members_of_any_size_are_unpacked_whole(
    compression: str, pack: Callable[[bytes], bytes]
) -> None:
    dice = random.Random(6)
    for _ in range(8):
        sizes = [dice.choice((0, 1, 900, 70_000, 1 << 20, 1_300_000)) for _ in range(3)]
        texts = [dice.randbytes(100) * (size // 100) + b"e" * (size % 100) for size in sizes]
        packed = b"".join(pack(text) for text in texts) + b"\0" * dice.choice((0, 5))
        found = list(blocks(io.BytesIO(packed), compression))
        assert b"".join(found) == b"".join(texts)
        cut = packed.rstrip(b"\0")[:-1]
        with pytest.raises(Unreadable, match="damaged or cut off"):
            list(blocks(io.BytesIO(cut), compression))


@pytest.mark.parametrize(
    ("compression", "pack"), [("gzip", gzip.compress), ("bzip2", bz2.compress)]
)
def test_a_small_archive_of_much_text_takes_little_memory(
    compression: str, pack: Callable[[bytes], bytes]
) -> None:
    """A kilobyte of bzip2 can hold more text than the machine has memory."""
    packed = pack(b"\n" * (64 << 20))
    assert len(packed) < 70_000
    tracemalloc.start()
    total = sum(len(block) for block in blocks(io.BytesIO(packed), compression))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert total == 64 << 20
    assert peak < 8 << 20


@pytest.mark.parametrize(("letter", "left_out"), [(b"\n", {}), (b"a", {TOO_LONG: 1, NO_GAME: 1})])
def test_text_without_a_game_is_looked_at_a_few_times_at_most(
    letter: bytes, left_out: dict[str, int], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Blocks from a Zstandard archive are small, and a text may have no end."""
    size = 20 << 20
    path = tmp_path / "long.pgn.zst"
    path.write_bytes(pa.Codec("zstd").compress(letter * size, asbytes=True))
    seen = []

    def count(text: bytes, names: tuple[str, ...], *, final: bool) -> GameTexts:
        seen.append(len(text))
        return find_games(text, names, final=final)

    monkeypatch.setattr(shard_work, "find_games", count)
    verdicts = SkeletonVerdicts(shipped_classifier())
    (shard,) = plan([look_at(str(path))])
    (part,) = shard_work.work_shard(shard, Place(str(tmp_path / "out")), Columns(), verdicts)
    assert part.account.skipped == left_out
    assert size <= sum(seen) <= 3 * size


def test_what_a_damaged_archive_tore_off_is_told_however_many_parts_it_has(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A part's marker is written before the end of the archive is met."""
    games = "".join(
        f'[Event "{number}"]\n[Round "{number}"]\n\n1. e4 *\n\n' for number in range(400)
    )
    path = tmp_path / "cut.pgn.gz"
    path.write_bytes(gzip.compress(games.encode())[:-40])
    monkeypatch.setattr(shard_work, "BATCH_BYTES", 2000)
    monkeypatch.setattr(text_source, "_BLOCK", 700)
    verdicts, place = SkeletonVerdicts(shipped_classifier()), Place(str(tmp_path / "out"))
    (shard,) = plan([look_at(str(path))])
    shard_work.work_shard(shard, place, Columns(), verdicts, part_bytes=4000)
    parts = shard_work.finished_parts(place)
    assert len(parts) > 2
    told = Account()
    for part in parts:
        told.add(part.account)
    assert told.skipped == {TRUNCATED: 1} and told.games < 400
    assert len(told.troubles) == 1 and "damaged or cut off" in told.troubles[0]


def test_examples_of_what_was_left_out_can_be_printed() -> None:
    """A terminal obeys control characters, so none may come out of a collection."""
    account = Account()
    text = b'[Event "a"]\n[Variant "\x1b[2J' + b"x" * 5000 + b'"]\n\n1. e4 *\n'
    read_games(find_games(text, (), final=True), account, "f")
    assert account.skipped == {VARIANT: 1}
    (example,) = account.examples[VARIANT]
    assert example.isprintable() and example.startswith("f: ") and len(example) == 300
