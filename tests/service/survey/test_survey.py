"""Whole surveys: counts, archives, duplicates, kills, a full disk, other machines."""

from __future__ import annotations

import bz2
import contextlib
import errno
import gzip
import json
import os
import random
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from survey_games import collection, pgn, random_game, random_games

from pawnlore.service.cli import main
from pawnlore.service.survey import place as place_module
from pawnlore.service.survey.duplicates import repeated_games
from pawnlore.service.survey.place import NoRoom, Place
from pawnlore.service.survey.run_survey import CannotSurvey, Options, survey
from pawnlore.service.survey.shards import look_at, plan
from pawnlore.service.survey.skipped import (
    BAD_START,
    DUPLICATE,
    NO_MOVES,
    RUN_ON,
    TRUNCATED,
    VARIANT,
)
from pawnlore.service.survey.tables import TABLES, Columns

SMALL = Options(shard_bytes=16_000, part_bytes=16_000)
WHERE = ("game", "file", "offset")


def rows(folder: Path | str, table: str, *, places: bool = False) -> list[dict[str, object]]:
    """All rows of a table in the order of the games, by what they say, not by where they stand."""
    found = []
    for path in sorted(Path(folder, table).glob("*.parquet")):
        found += pq.read_table(path).to_pylist()
    found.sort(key=lambda row: (row["game"], row.get("ply", 0)))
    if not places:
        for row in found:
            for name in WHERE:
                row.pop(name, None)
    return found


def everything(folder: Path | str) -> dict[str, list[dict[str, object]]]:
    return {table: rows(folder, table) for table in TABLES}


@pytest.fixture(scope="module")
def games(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("games") / "games.pgn"
    path.write_text(collection(1, 250), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def whole(games: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The survey of these games in one piece."""
    out = tmp_path_factory.mktemp("whole") / "out"
    survey([str(games)], str(out), Options())
    return out


def test_every_game_has_its_row(games: Path, whole: Path) -> None:
    table = rows(whole, "games", places=True)
    assert len(table) == 250
    text = games.read_bytes()
    for row in table:
        assert text[row["offset"] :].startswith(b'[Event "Test"]')  # type: ignore[index]
        head = text[row["offset"] :][:400].decode()  # type: ignore[index]
        assert f'[Result "{row["result"]}"]' in head
        assert f'[Date "{row["year"]}.??.??"]' in head
        assert f'[WhiteElo "{row["white_elo"]}"]' in head
        assert row["black_elo"] in (None, 2100)
        assert row["file"] == "games.pgn" and row["eco"] == "A00" and row["opening"] is None
    assert [row["game"] for row in table] == list(range(250))
    assert "white" not in table[0] and "key" not in table[0]


def test_names_and_headers_only_when_asked_for(games: Path, tmp_path: Path) -> None:
    columns = Columns(headers=("Round",), players=True, moves=4)
    survey([str(games)], str(tmp_path / "out"), Options(columns))
    table = rows(tmp_path / "out", "games")
    assert [row["header_round"] for row in table] == [str(index) for index in range(250)]
    assert all(str(row["white"]).startswith("P") for row in table)
    assert max(len(row["moves"]) for row in table) == 2 * 4  # type: ignore[arg-type]
    # Nowhere in a survey that was not asked for names do they stand.
    survey([str(games)], str(tmp_path / "plain"), Options())
    for path in Path(tmp_path, "plain").rglob("*"):
        assert path.is_dir() or b"P17" not in path.read_bytes()


@pytest.mark.parametrize(
    "how", ["shards", "processes", "gzip", "bzip2", "zstd", "careful", "pieces"]
)
def test_how_a_survey_is_made_does_not_show(
    how: str, games: Path, whole: Path, tmp_path: Path
) -> None:
    text = games.read_bytes()
    packed = tmp_path / "games.pgn"
    options = SMALL
    if how == "gzip":
        packed.write_bytes(gzip.compress(text[:30_000]) + gzip.compress(text[30_000:]))
    elif how == "bzip2":
        packed.write_bytes(bz2.compress(text[:30_000]) + bz2.compress(text[30_000:]))
    elif how == "zstd":
        codec = pa.Codec("zstd")
        packed.write_bytes(
            b"".join(codec.compress(t).to_pybytes() for t in (text[:30_000], text[30_000:]))
        )
    else:
        packed.write_bytes(text)
        if how == "processes":
            options = Options(jobs=2, shard_bytes=40_000)
        elif how == "careful":
            options = Options(careful=True)
        elif how == "pieces":
            options = Options(part_bytes=1)
    told = survey([str(packed)], str(tmp_path / "out"), options)
    assert everything(tmp_path / "out") == everything(whole)
    assert told.account.games == 250 and told.all_good
    assert told.rows["games"] == 250


def test_what_is_left_out_is_counted_and_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    good = [pgn(board, headers=(("Round", str(n)),)) for n, board in enumerate(random_games(2, 8))]
    text = "".join(
        [
            *good,
            good[3],
            '[Event "v"]\n[Variant "Crazyhouse"]\n\n1. e4 *\n\n',
            '[Event "n"]\n\n*\n\n',
            '[Event "f"]\n[FEN "8/8/8/8/8/8/8/8 w - - 0 1"]\n\n1. e4 *\n\n',
            '[Event "b"]\n\n1. e4 e5 2. Ke4 d5 *\n\n',
        ]
    )
    plain, cut = tmp_path / "a.pgn", tmp_path / "b.pgn.gz"
    plain.write_text(text, encoding="utf-8")
    more = "".join(pgn(b, headers=(("Round", f"b{n}"),)) for n, b in enumerate(random_games(3, 40)))
    packed = gzip.compress(more.encode())
    cut.write_bytes(packed[: len(packed) * 3 // 4])
    out = tmp_path / "out"
    status = main(["survey", str(plain), str(cut), "missing.pgn", "-o", str(out), "--jobs", "1"])
    said = capsys.readouterr()
    assert status == 1
    table = rows(out, "games")
    assert f"{len(table):,} games kept" in said.out
    assert "1 of them only up to a move that cannot be read" in said.out
    for reason in (VARIANT, NO_MOVES, BAD_START, DUPLICATE, TRUNCATED):
        assert f"1 {reason}" in said.out
    assert "missing.pgn: there is no such file" in said.err
    assert "b.pgn.gz: the archive is damaged or cut off" in said.err
    kept = len([row for row in table if row["whole"]]) - 8
    assert 20 < kept < 40
    assert sum(not row["whole"] for row in table) == 1


def test_the_first_of_equal_games_stays_and_near_ones_do_too(tmp_path: Path) -> None:
    board = random_game(random.Random(5), plies=60)
    first = pgn(board, headers=(("White", "A"), ("Black", "B"), ("Round", "1")))
    other_round = pgn(board, headers=(("White", "A"), ("Black", "B"), ("Round", "2")))
    swapped = pgn(board, headers=(("White", "AB"), ("Black", ""), ("Round", "1")))
    text = first + other_round + swapped + first.replace("Test", "Elsewhere") + first
    (tmp_path / "a.pgn").write_text(text)
    (tmp_path / "b.pgn").write_text(other_round + first)
    paths = [str(tmp_path / name) for name in ("a.pgn", "b.pgn")]
    told = survey(paths, str(tmp_path / "out"), Options(shard_bytes=1))
    assert told.account.skipped == {DUPLICATE: 4}
    assert len(rows(tmp_path / "out", "games")) == told.account.games == 3
    kept = {row["game"] for row in rows(tmp_path / "out", "games", places=True)}
    for table in ("structures", "breaks"):
        assert {row["game"] for row in rows(tmp_path / "out", table, places=True)} <= kept
    told = survey(paths, str(tmp_path / "all"), Options(keep_duplicates=True))
    assert told.account.games == 7


def test_buckets_find_what_one_heap_finds(tmp_path: Path) -> None:
    dice = np.random.default_rng(3)
    place = Place(str(tmp_path))
    names = []
    for part in range(5):
        keys = dice.integers(0, 1 << 63, (400, 3), dtype=np.uint64)
        keys[:, 0] = dice.integers(0, 40, 400, dtype=np.uint64) << np.uint64(58)
        keys[:, 1] = dice.integers(0, 20, 400, dtype=np.uint64)
        keys[:, 2] = np.arange(400, dtype=np.uint64) + np.uint64(part * 1000)
        names.append(f"{part:05d}-00000")
        place.write(f"work/{names[-1]}.keys", keys.tobytes())
    heap = repeated_games(place, names)
    assert np.array_equal(repeated_games(place, names, bucket_bytes=2000), heap)
    first: dict[tuple[int, int], int] = {}
    again = []
    for name in names:
        for one, two, game in (
            np.frombuffer(place.read(f"work/{name}.keys"), dtype=np.uint64).reshape(-1, 3).tolist()
        ):
            if first.setdefault((one, two), game) != game:
                again.append(game)
    assert heap.tolist() == sorted(again) and len(again) > 500


def test_shards_cut_a_file_only_where_games_begin(games: Path) -> None:
    text = games.read_bytes()
    for size in (1, 700, 5000, 16_000, 1 << 30):
        shards = plan([look_at(str(games))], size)
        assert shards[0].begin == 0 and shards[-1].end == len(text)
        for before, after in pairwise(shards):
            assert before.end == after.begin
            assert text[after.begin - 1 :].startswith(b'\n[Event "')
        assert len(shards) <= 250 and (size > 100 or len(shards) == 250)


_PROGRAM = """
import sys
from pawnlore.service.survey.run_survey import Options, survey
games, out, jobs, scheduler = sys.argv[1:]
told = survey([games], out, Options(jobs=int(jobs), scheduler=scheduler, careful=True,
    shard_bytes=16_000, part_bytes=16_000))
print(told.account.games, told.resumed)
"""


def start(games: Path, out: Path, jobs: int = 1, scheduler: str = "") -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", _PROGRAM, str(games), str(out), str(jobs), scheduler],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        start_new_session=True,
    )


def wait_for_parts(out: Path, count: int, process: subprocess.Popen[str]) -> None:
    end = time.monotonic() + 120
    while time.monotonic() < end and process.poll() is None:
        if len(list(Path(out, "work").glob("*.json"))) >= count:
            return
        time.sleep(0.02)
    raise AssertionError(f"the survey ended too soon: {process.communicate()}")


@pytest.mark.slow
def test_a_killed_survey_goes_on_without_losing_or_doubling_a_game(
    games: Path, whole: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    for parts in (1, 4):
        process = start(games, out)
        wait_for_parts(out, parts, process)
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
    assert not Path(out, "survey.json").read_text().count('"finished"')
    process = start(games, out)
    said, wrong = process.communicate(timeout=120)
    assert process.returncode == 0, wrong
    kept, resumed = map(int, said.split())
    assert kept == 250 and resumed >= 4
    assert everything(out) == everything(whole)


@pytest.mark.slow
def test_a_killed_worker_process_costs_nothing(games: Path, whole: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    process = start(games, out, jobs=2)
    wait_for_parts(out, 2, process)
    workers = [
        int(entry.name)
        for entry in Path("/proc").iterdir()
        if entry.name.isdigit() and _is_worker(entry, process.pid)
    ]
    assert workers, "no worker process was found"
    os.kill(workers[0], signal.SIGKILL)
    said, wrong = process.communicate(timeout=120)
    assert process.returncode == 0, wrong
    assert said.split()[0] == "250"
    assert everything(out) == everything(whole)


def _is_worker(entry: Path, parent: int) -> bool:
    with contextlib.suppress(OSError):
        status = (entry / "status").read_text()
        command = (entry / "cmdline").read_bytes()
        return f"\nPPid:\t{parent}\n" in status and b"LokyProcess" in command
    return False


@contextlib.contextmanager
def dask_cluster(folder: Path, count: int) -> Iterator[tuple[str, list[subprocess.Popen[str]]]]:
    """A real scheduler and separate worker processes on this machine."""
    pytest.importorskip("distributed")
    program = [sys.executable, "-m", "distributed.cli.dask_scheduler"]
    scheduler = subprocess.Popen(
        [*program, "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--no-show"],
        stderr=subprocess.PIPE,
        text=True,
    )
    workers: list[subprocess.Popen[str]] = []
    try:
        assert scheduler.stderr is not None
        address = ""
        for line in scheduler.stderr:
            if found := re.search(r"(tcp://127\.0\.0\.1:\d+)", line):
                address = found[1]
                break
        assert address, "the scheduler did not start"
        for number in range(count):
            log = (folder / f"worker{number}.log").open("w")
            workers.append(
                subprocess.Popen(
                    [
                        *(sys.executable, "-m", "distributed.cli.dask_worker", address),
                        *("--nthreads", "1", "--no-nanny", "--no-dashboard"),
                        *("--host", "127.0.0.1", "--local-directory", str(folder)),
                    ],
                    stdout=log,
                    stderr=log,
                    text=True,
                )
            )
        yield address, workers
    finally:
        for process in (*workers, scheduler):
            process.kill()
            process.wait()


@pytest.mark.slow
def test_a_cluster_survives_a_killed_worker(games: Path, whole: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    with dask_cluster(tmp_path, 2) as (address, workers):
        process = start(games, out, scheduler=address)
        wait_for_parts(out, 2, process)
        workers[0].kill()
        said, wrong = process.communicate(timeout=180)
    assert process.returncode == 0, wrong
    assert said.split()[0] == "250"
    assert everything(out) == everything(whole)


@pytest.mark.slow
def test_no_scheduler_at_the_address(games: Path, tmp_path: Path) -> None:
    pytest.importorskip("distributed")
    with pytest.raises(CannotSurvey, match=r"no Dask scheduler at tcp://127.0.0.1:1"):
        survey([str(games)], str(tmp_path / "out"), Options(scheduler="tcp://127.0.0.1:1"))


def test_a_full_disk_is_told_and_the_survey_goes_on_afterwards(
    games: Path, whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    left = 7

    def fsync(handle: int) -> None:
        nonlocal left
        left -= 1
        if left < 0:
            raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(place_module.os, "fsync", fsync)
    with pytest.raises(NoRoom, match=r"no room left to write .* goes on from where it was"):
        survey([str(games)], str(out), SMALL)
    assert not list(out.rglob("*.part"))
    with pytest.raises(NoRoom):
        survey([str(games)], str(out), SMALL)
    monkeypatch.undo()
    told = survey([str(games)], str(out), SMALL)
    assert told.account.games == 250
    assert everything(out) == everything(whole)


def test_a_real_full_disk(games: Path, whole: Path, tmp_path: Path) -> None:
    sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "store"))
    from small_disk import small_disk

    with small_disk(tmp_path / "disk", 4_000) as disk:
        out = disk.place / "out"
        disk.fill(but=100_000)
        with pytest.raises(NoRoom):
            survey([str(games)], str(out), SMALL)
        assert list(out.glob("work/*.json")) and not list(out.rglob(".*.part"))
        disk.free()
        told = survey([str(games)], str(out), SMALL)
        assert told.account.games == 250 and told.resumed >= 1
        assert everything(out) == everything(whole)


def test_a_survey_that_is_interrupted_while_it_takes_duplicates_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "twice.pgn"
    path.write_text(collection(1, 60) * 2, encoding="utf-8")
    out = tmp_path / "out"
    real, written = Place.write, 0

    def write(self: Place, name: str, data: bytes) -> None:
        nonlocal written
        # Only the rewriting comes after the last marker.
        if name.startswith("games/") and self.exists(name):
            written += 1
            if written == 3:
                raise KeyboardInterrupt
        real(self, name, data)

    monkeypatch.setattr(Place, "write", write)
    with pytest.raises(KeyboardInterrupt):
        survey([str(path)], str(out), SMALL)
    monkeypatch.undo()
    told = survey([str(path)], str(out), SMALL)
    assert told.account.games == 60 and told.account.skipped == {DUPLICATE: 60}
    assert len(rows(out, "games")) == 60


def test_a_folder_holds_one_survey(games: Path, whole: Path, tmp_path: Path) -> None:
    again = survey([str(games)], str(whole), Options())
    assert again.account.games == 250
    other = tmp_path / "other.pgn"
    other.write_text(collection(9, 3), encoding="utf-8")
    with pytest.raises(CannotSurvey, match="a survey of other games"):
        survey([str(other)], str(whole), Options())
    with pytest.raises(CannotSurvey, match="another choice of players"):
        survey([str(games)], str(whole), Options(Columns(players=True)))
    with pytest.raises(CannotSurvey, match="holds other files"):
        survey([str(games)], str(tmp_path), Options())
    with pytest.raises(CannotSurvey, match="is a file"):
        survey([str(games)], str(other), Options())


def test_a_survey_of_an_older_program_is_whole_or_is_not_gone_on_with(
    games: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    survey([str(games)], str(out), Options())
    known = out / "survey.json"
    finished = json.loads(known.read_text())
    older = {**finished, "format": "pawnlore-survey-1"}
    known.write_text(json.dumps(older))
    assert survey([str(games)], str(out), Options()).account.games == 250
    # Half of it would know repeated games by other keys than the other half.
    known.write_text(json.dumps({**older, "finished": False}))
    with pytest.raises(CannotSurvey, match="another version of the program"):
        survey([str(games)], str(out), Options())


def test_a_store_elsewhere(games: Path, whole: Path) -> None:
    """Read from and written to a store of fsspec's that is no folder of this machine."""
    import fsspec

    fs = fsspec.filesystem("memory")
    fs.pipe_file("/in/games.pgn", games.read_bytes())
    told = survey(["memory://in/games.pgn"], "memory://out", SMALL)
    assert told.account.games == 250
    found = []
    for name in fs.ls("/out/games", detail=False):
        found += pq.read_table(pa.BufferReader(fs.cat_file(name))).to_pylist()
    for row in found:
        for name in WHERE:
            row.pop(name)
    assert found == rows(whole, "games")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--jobs", "0"], "--jobs is at least 1"),
        (["--moves", "-1"], "--moves is a number"),
        (["--header", 'a"b'], "is no header's name"),
        (["--shard-mib", "0"], "--shard-mib is at least 1"),
        (["--model", "missing.npz"], "missing.npz"),
    ],
)
def test_wrong_options_are_told(
    arguments: list[str],
    message: str,
    games: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["survey", str(games), "-o", str(tmp_path / "out"), *arguments]) == 2
    assert message in capsys.readouterr().err


def test_nothing_to_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    binary = tmp_path / "binary.pgn"
    binary.write_bytes(b"\x00\x01\x02" * 99)
    out = str(tmp_path / "out")
    assert main(["survey", str(binary), str(tmp_path), "-o", out]) == 2
    said = capsys.readouterr().err
    assert "the file is binary" in said and "this is a folder" in said


def test_texts_of_other_encodings(tmp_path: Path) -> None:
    text = pgn(random_game(random.Random(4)), headers=(("White", "Müller"), ("Opening", "Café")))
    for name, data in (
        ("utf8", text.encode()),
        ("bom", b"\xef\xbb\xbf" + text.encode()),
        ("latin", text.encode("latin-1")),
        ("utf16", text.encode("utf-16")),
        ("crlf", text.replace("\n", "\r\n").encode()),
        ("mac", text.replace("\n", "\r").encode()),
    ):
        path = tmp_path / f"{name}.pgn"
        path.write_bytes(data)
        out = tmp_path / f"out-{name}"
        survey([str(path)], str(out), Options(Columns(players=True)))
        (row,) = rows(out, "games")
        assert (row["white"], row["opening"]) == ("Müller", "Café"), name


def test_no_player_is_named_in_what_is_told_of_bad_games(tmp_path: Path) -> None:
    """Names are left out of a survey unless asked for, and so from its examples."""
    path, out = tmp_path / "games.pgn", tmp_path / "out"
    good = '[Event "Town"]\n[White "Hidden, A"]\n[Black "Hidden, B"]\n\n1. e4 e5 1-0\n\n'
    bad = good.replace("1. e4 e5", "1. d4 Qh9")
    run_on = bad.replace("1. d4 Qh9 1-0", "1. c4 c5 1-0 1. d4 d5 0-1")
    path.write_text(good + bad + run_on)
    told = survey([str(path)], str(out), Options())
    place = f"the game at byte {len(good)} of its text, after half-move 1"
    assert told.account.examples["kept up to a move that cannot be read"] == [f"games.pgn: {place}"]
    assert told.account.skipped == {RUN_ON: 1}
    for file in out.rglob("*"):
        assert file.is_dir() or b"Hidden" not in file.read_bytes()


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252"])
@pytest.mark.parametrize("packed", [False, True])
def test_games_are_where_their_rows_say(tmp_path: Path, encoding: str, packed: bool) -> None:
    """The offset is the file's own (of what is packed, its text's), however letters are written."""
    made = random.Random(7)
    texts = [
        pgn(random_game(made), headers=(("White", "Müller " + "é" * (n % 5)), ("Round", str(n))))
        for n in range(60)
    ]
    data = "".join(texts).encode(encoding)
    path, out = tmp_path / "games.pgn", tmp_path / "out"
    path.write_bytes(gzip.compress(data) if packed else data)
    survey([str(path)], str(out), SMALL)
    told = [row["offset"] for row in rows(out, "games", places=True)]
    first = data.index(b"[")
    assert told == [first, *(m.start() + 2 for m in re.finditer(rb"\n\n(?=\[)", data))]
    assert len(told) == 60
