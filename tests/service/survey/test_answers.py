"""The answers, against a query engine over the same Parquet and against scipy."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from scipy import stats
from survey_games import collection

from pawnlore.service.survey.answers import Answers, answers
from pawnlore.service.survey.intervals import share
from pawnlore.service.survey.place import Place
from pawnlore.service.survey.run_survey import Options, survey
from pawnlore.service.survey.survey_parts import NoSurvey

duckdb = pytest.importorskip("duckdb")


@pytest.fixture(scope="module")
def surveyed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("answers")
    text = collection(41, 400).replace('[ECO "A00"]', "", 30).replace('1/2-1/2"]', '*"]', 5)
    (folder / "games.pgn").write_text(text, encoding="utf-8")
    survey([str(folder / "games.pgn")], str(folder / "out"), Options(shard_bytes=30_000))
    return folder / "out"


@pytest.fixture(scope="module")
def told(surveyed: Path) -> Answers:
    return answers(Place(str(surveyed)))


@pytest.fixture(scope="module")
def engine(surveyed: Path) -> duckdb.DuckDBPyConnection:
    """The tables under their names, read in place."""
    connection = duckdb.connect()
    for table in ("games", "structures", "breaks"):
        connection.execute(f"create view {table} as select * from '{surveyed}/{table}/*.parquet'")
    connection.execute(
        """create view scored as select *,
             case result when '1-0' then 1.0 when '1/2-1/2' then 0.5 else 0.0 end as points,
             result != '*' as decided from games"""
    )
    return connection


_SUMS = """count(*) as games, count(*) filter (decided) as decided,
    coalesce(sum(points) filter (decided), 0) as points,
    count(*) filter (decided and points = 0.5) as draws"""


def compare(
    rows: list[dict[str, object]], keys: tuple[str, ...], found: list[tuple[object, ...]]
) -> None:
    """Counts, scores and draw rates by key."""
    assert len(rows) == len(found) > 0
    known = {tuple(row[key] for key in keys): row for row in rows}
    for values in found:
        key, (games, decided, points, draws) = values[:-4], values[-4:]
        row = known[key]
        assert (row["games"], row["decided"]) == (games, decided)
        if decided:
            wanted = float(points) / decided  # type: ignore[arg-type, operator]
            if row.get("side") == "black":
                wanted = 1 - wanted
            assert row["score"] == pytest.approx(wanted)
            assert row["draws"] == pytest.approx(draws / decided)  # type: ignore[operator]


def test_structures_by_a_query_engine(told: Answers, engine: duckdb.DuckDBPyConnection) -> None:
    found = engine.sql(
        f"select structure, holder, {_SUMS} from structures join scored using (game) group by all"
    ).fetchall()
    compare(told.tables["structures"], ("structure", "holder"), found)
    ((games,),) = engine.sql("select count(*) from games").fetchall()
    assert told.games == games
    shares = {(r["structure"], r["holder"]): r["share"] for r in told.tables["structures"]}
    for structure, holder, count, *_ in found:
        assert shares[structure, holder] == pytest.approx(count / games)
    for name in ("middlegame", "ending"):
        counted = engine.sql(
            f"select structure, holder, count(*) from structures where {name} group by all"
        ).fetchall()
        mine = {(r["structure"], r["holder"]): r[name] for r in told.tables["structures"]}
        assert {key: n for key, n in mine.items() if n} == {(s, h): n for s, h, n in counted}


@pytest.mark.parametrize(
    ("table", "column", "value"),
    [
        ("by_year", "year", "year::varchar"),
        ("by_opening", "opening", "coalesce(opening, eco)"),
        (
            "by_rating",
            "rating",
            "floor((white_elo + black_elo) / 2 / 200)::int * 200 || '-' || "
            "floor((white_elo + black_elo) / 2 / 200)::int * 200 + 199",
        ),
    ],
)
def test_who_plays_it_by_a_query_engine(
    table: str, column: str, value: str, told: Answers, engine: duckdb.DuckDBPyConnection
) -> None:
    found = engine.sql(
        f"""select coalesce({value}, 'unknown') as value, structure, holder, {_SUMS}
            from structures join scored using (game) where middlegame group by all"""
    ).fetchall()
    compare(told.tables[table], (column, "structure", "holder"), found)
    whole = dict(
        engine.sql(
            f"select coalesce({value}, 'unknown'), count(*) from games group by all"
        ).fetchall()
    )
    assert len(whole) > 1
    assert all(row["of"] == whole[row[column]] for row in told.tables[table])


def test_what_stands_at_a_half_move_by_a_query_engine(
    told: Answers, engine: duckdb.DuckDBPyConnection
) -> None:
    found = engine.sql(
        f"""with spans as (select game, points, decided, unnest(path) as span from scored),
            marks as (select unnest([8, 12, 16, 20, 24, 30, 40, 50, 60, 80]) as mark)
            select mark, span.structure, span.holder, {_SUMS} from spans, marks
            where mark between span.ply and span.ply + span.half_moves - 1 group by all"""
    ).fetchall()
    compare(told.tables["by_ply"], ("ply", "structure", "holder"), found)
    reached = engine.sql("select count(*) from games where plies >= 40").fetchall()[0][0]
    assert {row["of"] for row in told.tables["by_ply"] if row["ply"] == 40} == {reached}


def test_breaks_by_a_query_engine(told: Answers, engine: duckdb.DuckDBPyConnection) -> None:
    found = engine.sql(
        f"""with once as (select distinct game, structure, holder, side, kind, move from breaks)
            select structure, holder, side, kind, move, {_SUMS}
            from once join scored using (game) group by all"""
    ).fetchall()
    compare(told.tables["breaks"], ("structure", "holder", "side", "kind", "move"), found)


def test_transitions_by_a_query_engine(told: Answers, engine: duckdb.DuckDBPyConnection) -> None:
    found = engine.sql(
        f"""with spans as (
              select game, points, decided, unnest(list_filter(path, lambda s: s.held)) as span
              from scored),
            pairs as (
              select *, lead(span) over (partition by game order by span.ply) as next from spans)
            select span.structure, span.holder, next.structure, next.holder, {_SUMS}
            from pairs where next is not null group by all"""
    ).fetchall()
    compare(told.tables["transitions"], ("structure", "holder", "to", "to_holder"), found)


@pytest.mark.parametrize(("part", "whole"), [(0, 7), (7, 7), (3, 10), (512, 1023), (1, 100_000)])
def test_wilsons_interval_is_scipys(part: int, whole: int) -> None:
    wanted = stats.binomtest(part, whole).proportion_ci(0.95, method="wilson")
    found = share(part, whole)
    assert found.value == part / whole
    assert found.low == pytest.approx(wanted.low, abs=1e-12)
    assert found.high == pytest.approx(wanted.high, abs=1e-12)


def test_no_games_tell_nothing() -> None:
    assert math.isnan(share(0, 0).value) and share(0, 0)[1:] == (0.0, 1.0)


def test_an_unfinished_survey_is_refused(tmp_path: Path) -> None:
    with pytest.raises(NoSurvey, match="holds no survey"):
        answers(Place(str(tmp_path)))
    (tmp_path / "survey.json").write_text("{}")
    with pytest.raises(NoSurvey, match="not finished"):
        answers(Place(str(tmp_path)))
