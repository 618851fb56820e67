"""A whole survey: plan, work in parallel, take duplicates out, and tell what became of it.

Everything that is known stands in the survey's folder, so that a run that was
killed goes on where it stopped, on this machine or on another.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pawnlore.models.classifier import Classifier, load_classifier, shipped_classifier
from pawnlore.service.survey.kept_memory import keep_memory
from pawnlore.service.survey.place import Place
from pawnlore.service.survey.shard_work import PART_BYTES, Part, finished_parts, work_shard
from pawnlore.service.survey.shards import SHARD_BYTES, Input, Shard, look_at, plan
from pawnlore.service.survey.skeleton_verdicts import SkeletonVerdicts
from pawnlore.service.survey.skipped import DUPLICATE, Account
from pawnlore.service.survey.tables import Columns

FORMAT = "pawnlore-survey-2"
"""What the parts of a survey are; one that was begun with other ones cannot go on.

From the first to the second the keys changed by which repeated games are known.
"""
_TRIES = 3
"""How often shards are given to new workers after some have died."""


class CannotSurvey(Exception):
    """A survey that cannot begin or go on; the message is for people."""


@dataclass(frozen=True)
class Options:
    """How a survey is made.

    ``jobs`` are worker processes of this machine; ``scheduler`` is the address
    of a Dask scheduler that is used in their place. ``model`` is a model file,
    else the shipped one. ``careful`` leaves the fast reader out.
    """

    columns: Columns = field(default_factory=Columns)
    jobs: int = 1
    scheduler: str = ""
    keep_duplicates: bool = False
    model: str = ""
    careful: bool = False
    shard_bytes: int = SHARD_BYTES
    part_bytes: int = PART_BYTES


@dataclass(frozen=True)
class Outcome:
    """A finished survey: its account, rows and bytes by table, and the inputs in trouble."""

    account: Account
    rows: dict[str, int]
    sizes: dict[str, int]
    inputs: tuple[Input, ...]
    resumed: int

    @property
    def all_good(self) -> bool:
        """Whether every input was read to its end without trouble."""
        return not self.account.troubles and not any(i.trouble for i in self.inputs)


Progress = Callable[[int], None]
"""Told of bytes of input that were surveyed."""


def survey(
    games: Sequence[str],
    output: str,
    options: Options,
    progress: Progress | None = None,
    say: Callable[[str], None] = lambda text: None,
) -> Outcome:
    """Survey collections into a folder, or go on with a survey that was interrupted there.

    Raises `CannotSurvey`, and `NoRoom` where the disk is full; then the same
    call goes on once there is room.
    """
    place = Place(output)
    with _alone(place):
        inputs = tuple(look_at(path) for path in games)
        classifier = _classifier(options.model)
        state = _state(place, inputs, options, classifier)
        if all(given.trouble for given in inputs):
            raise CannotSurvey("; ".join(f"{i.path}: {i.trouble}" for i in inputs))
        parts = {part.name: part for part in finished_parts(place)}
        resumed = len(parts)
        if not state.get("finished"):
            shards = plan(inputs, options.shard_bytes)
            if parts:
                say(f"going on with the survey: {len(parts):,} parts are finished")
            _work(shards, place, options, progress, say)
            parts = {part.name: part for part in finished_parts(place)}
        return _finish(place, state, parts, inputs, options, resumed)


@contextmanager
def _alone(place: Place) -> Iterator[None]:
    """Keep a second run out of the same folder of this machine."""
    folder = place.local
    if folder is None:
        yield
        return
    if folder.exists() and not folder.is_dir():
        raise CannotSurvey(f"{folder} is a file; name a folder for the survey")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with (folder / "survey.lock").open("a") as lock:
            try:
                import fcntl

                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except ImportError:  # Windows has no such lock
                pass
            except OSError:
                raise CannotSurvey(f"another survey is running in {folder}") from None
            yield
    except PermissionError as error:
        raise CannotSurvey(f"{folder} cannot be written ({error.strerror})") from None


def _classifier(model: str) -> Classifier:
    return load_classifier(Path(model)) if model else shipped_classifier()


def _state(
    place: Place, inputs: tuple[Input, ...], options: Options, classifier: Classifier
) -> dict[str, Any]:
    """What the survey is about; a folder holds one survey only."""
    wanted = {
        "format": FORMAT,
        "inputs": [[i.path, i.size, i.stamp] for i in inputs if not i.trouble],
        "model": classifier.digest,
        "headers": list(options.columns.headers),
        "players": options.columns.players,
        "moves": options.columns.moves,
        "keep_duplicates": options.keep_duplicates,
        "shard_bytes": options.shard_bytes,
        "part_bytes": options.part_bytes,
    }
    if place.exists("survey.json"):
        try:
            known = json.loads(place.read("survey.json"))
        except ValueError:
            raise CannotSurvey(f"{place.address}: survey.json is damaged") from None
        changed = [key for key, value in wanted.items() if known.get(key) != value]
        if changed == ["format"] and known.get("finished"):
            return dict(known)  # Its tables are the same.
        if changed:
            what = "other games" if changed == ["inputs"] else f"another choice of {changed[0]}"
            if "format" in changed:
                what = "another version of the program"
            raise CannotSurvey(
                f"{place.address} holds a survey of {what}; choose another folder, "
                "or remove that one"
            )
        return dict(known)
    folder = place.local
    if folder is not None and any(p.name != "survey.lock" for p in folder.iterdir()):
        raise CannotSurvey(f"{folder} holds other files; choose an empty folder or a new one")
    place.write("survey.json", json.dumps(wanted).encode())
    return wanted


def _work(
    shards: list[Shard],
    place: Place,
    options: Options,
    progress: Progress | None,
    say: Callable[[str], None],
) -> None:
    for attempt in range(_TRIES + 1):
        done = finished_parts(place)
        complete = {part.shard for part in done if part.last}
        left = [shard for shard in shards if shard.number not in complete]
        if not left:
            return
        if attempt == _TRIES:
            break
        if attempt:
            say(f"a worker has died; {len(left):,} shards are given out again")
        by_shard = {s.number: [p for p in done if p.shard == s.number] for s in left}
        tasks = [(shard, by_shard[shard.number]) for shard in left]
        with _watched(place, shards, done, progress):
            if _run(tasks, place, options):
                return
    raise CannotSurvey(
        "workers died again and again (too little memory, perhaps); "
        "what was finished is kept, and the same command goes on with it"
    )


def _run(tasks: list[tuple[Shard, list[Part]]], place: Place, options: Options) -> bool:
    """Work on all tasks; false where workers died on the way."""
    if options.scheduler:
        return _run_on_dask(tasks, place, options)
    jobs = min(options.jobs, len(tasks))
    if jobs <= 1:
        for shard, done in tasks:
            _task(shard, done, place, options)
        return True
    import joblib
    from joblib.externals.loky.process_executor import TerminatedWorkerError

    try:
        # Small tasks are never put together: each is a minute's work.
        with joblib.parallel_config("loky", n_jobs=jobs, inner_max_num_threads=1):
            runs = joblib.Parallel(batch_size=1, return_as="generator_unordered")(
                joblib.delayed(_task)(shard, done, place, options) for shard, done in tasks
            )
            for _ in runs:
                pass
    except TerminatedWorkerError:
        return False
    return True


def _run_on_dask(tasks: list[tuple[Shard, list[Part]]], place: Place, options: Options) -> bool:
    import joblib

    try:
        from distributed import Client, KilledWorker
    except ImportError:
        raise CannotSurvey("a scheduler needs Dask: install pawnlore[cluster]") from None
    try:
        client = Client(options.scheduler, timeout=10)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        raise CannotSurvey(f"no Dask scheduler at {options.scheduler} ({error})") from None
    with client:
        try:
            with joblib.parallel_config("dask"):
                joblib.Parallel(batch_size=1)(
                    joblib.delayed(_task)(shard, done, place, options) for shard, done in tasks
                )
        except KilledWorker:
            return False
    return True


_verdicts: dict[str, SkeletonVerdicts] = {}


def _task(shard: Shard, done: list[Part], place: Place, options: Options) -> int:
    """One shard, in whatever process; its verdicts are kept for the next one."""
    keep_memory()
    known = _verdicts.get(options.model)
    if known is None:
        known = _verdicts[options.model] = SkeletonVerdicts(_classifier(options.model))
    # The shard may have been begun by a worker that died.
    done = [p for p in finished_parts(place) if p.shard == shard.number] if done else done
    parts = work_shard(
        shard,
        place,
        options.columns,
        known,
        done=done,
        careful=options.careful,
        keep_duplicates=options.keep_duplicates,
        part_bytes=options.part_bytes,
    )
    return len(parts)


@contextmanager
def _watched(
    place: Place, shards: list[Shard], done: list[Part], progress: Progress | None
) -> Iterator[None]:
    """Tell of progress by looking, now and again, which parts are finished."""
    if progress is None:
        yield
        return
    sizes = {shard.number: shard.end - shard.begin for shard in shards}
    told = 0
    stop = threading.Event()

    def look() -> None:
        nonlocal told
        names = place.names("work", ".json")
        whole = set()
        for name in names:
            number = int(name.partition("-")[0])
            if name not in seen:
                seen[name] = bool(json.loads(place.read(f"work/{name}"))["last"])
            if seen[name]:
                whole.add(number)
        now = sum(sizes.get(number, 0) for number in whole)
        if now > told:
            assert progress is not None
            progress(now - told)
            told = now

    seen: dict[str, bool] = {}

    def watch() -> None:
        while not stop.wait(1.0):
            look()

    watcher = threading.Thread(target=watch, daemon=True)
    look()
    watcher.start()
    try:
        yield
    finally:
        stop.set()
        watcher.join()
        look()


def _finish(
    place: Place,
    state: dict[str, Any],
    parts: dict[str, Part],
    inputs: tuple[Input, ...],
    options: Options,
    resumed: int,
) -> Outcome:
    account = Account()
    for part in parts.values():
        account.add(part.account)
    rows: dict[str, int] = {}
    sizes: dict[str, int] = {}
    if state.get("finished"):
        account = Account.from_json(state["account"])
        return Outcome(account, state["rows"], state["sizes"], inputs, resumed)
    names = sorted(parts)
    if not options.keep_duplicates:
        from pawnlore.service.survey.duplicates import repeated_games, take_out

        again = repeated_games(place, names)
        take_out(place, names, again)
        if again.shape[0]:
            account.skip(DUPLICATE, count=int(again.shape[0]))
            account.games -= int(again.shape[0])
    import pyarrow.parquet as pq

    for table in ("games", "structures", "breaks"):
        rows[table] = sizes[table] = 0
        for name in place.names(table, ".parquet"):
            with place.open(f"{table}/{name}") as stream:
                rows[table] += pq.ParquetFile(stream).metadata.num_rows
                sizes[table] += stream.seek(0, 2)
    finished = {
        **state,
        "finished": True,
        "account": account.as_json(),
        "rows": rows,
        "sizes": sizes,
        "parts": len(parts),
    }
    place.write("survey.json", json.dumps(finished, indent=1).encode())
    for name in place.names("work", ".keys"):
        place.remove(f"work/{name}")
    return Outcome(account, rows, sizes, inputs, resumed)
