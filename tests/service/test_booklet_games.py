"""What the booklet says of games: each number again by a query engine, and what goes wrong."""

from __future__ import annotations

import re
import sys
from importlib.resources import as_file, files
from pathlib import Path

import duckdb
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent / "survey"))

from html_page import Page
from real_games import real_games_text

from pawnlore.service import cli, survey_input
from pawnlore.service.exports.booklet_games import games_html
from pawnlore.service.survey.frequency_plot import frequency_plot
from pawnlore.service.survey.intervals import share
from pawnlore.service.survey.run_survey import Options, survey
from pawnlore.service.survey.type_games import PlayedBreak, TypeGames
from pawnlore.structures.groups import Group

BENKO = """[Event "Benko"]

1. d4 Nf6 2. c4 c5 3. d5 b5 4. cxb5 a6 5. bxa6 Bxa6 6. Nc3 d6 7. e4 Bxf1 8. Kxf1 g6 9. g3 Bg7 *
"""


@pytest.fixture(scope="module")
def surveyed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("surveyed")
    games = re.split(r"(?<=\n\n)(?=\[Event )", real_games_text())
    (folder / "games.pgn").write_text("".join(games[::3]), encoding="ascii")
    survey([str(folder / "games.pgn")], str(folder / "out"), Options(jobs=1))
    return folder / "out"


def make(out: Path, *options: str | Path) -> str:
    with as_file(files("pawnlore.labelled_demo").joinpath("repertoire")) as folder:
        pgn = [str(path) for path in sorted(folder.glob("*.pgn"))]
        told = [str(option) for option in options]
        assert cli.main(["booklet", *pgn, "--side", "white", "-o", str(out), *told]) == 0
    return out.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def course(surveyed: Path, tmp_path_factory: pytest.TempPathFactory) -> str:
    return make(tmp_path_factory.mktemp("course") / "b.html", "--survey", surveyed)


def section(page: str, title: str) -> str:
    (found,) = (
        part for part in page.split('<section class="type"')[1:] if f"</span> {title} <" in part
    )
    return Page('<section class="type"' + found.partition("</section>")[0] + "</section>").said


def test_the_page_is_whole_and_without_a_survey_as_before(course: str, tmp_path: Path) -> None:
    plain = make(tmp_path / "plain.html")
    assert "In games" not in plain and "of 100" not in Page(plain).said
    # Nothing but what is said of games is new.
    without = re.sub(
        r'<div class="keep">\n<h3>In games</h3>.*?</div>\n</div>\n', "", course, flags=re.S
    )
    without = re.sub(r"<p>What stands under “In games”.*?</p>\n", "", without)
    without = re.sub(r" · [\d.]+ of 100(?=</span>)", "", without)
    assert without == plain
    assert "2,699 games" in Page(course).said


def test_the_numbers_are_those_of_a_query_engine(course: str, surveyed: Path) -> None:
    engine = duckdb.connect()
    for table in ("games", "structures", "breaks"):
        engine.execute(f"create view {table} as select * from '{surveyed}/{table}/*.parquet'")
    key = "structure = 'carlsbad' and holder = 'white'"
    ((games, won, drawn, decided),) = engine.sql(
        f"""select count(*), count(*) filter (result = '1-0'),
            count(*) filter (result = '1/2-1/2'), count(*) filter (result != '*')
            from games where game in (select game from structures where {key})"""
    ).fetchall()
    said = section(course, "Carlsbad structure")
    met, score = share(games, 2699), share(won + drawn / 2, decided)
    assert f"{100 * met.value:.1f} of 100 games hold this structure" in said
    assert f"; {games:,} games)" in said
    assert (
        f"White, our side, scored {100 * score.value:.1f} per cent "
        f"({100 * score.low:.1f} to {100 * score.high:.1f})"
    ) in said
    assert f"and {100 * drawn / decided:.1f} of 100 were drawn" in said
    # Black's breaks, the most played first, and none of White's.
    breaks = engine.sql(
        f"""select move, count(distinct game) as games from breaks
            where {key} and side = 'black' and kind = 'lever'
            group by move order by games desc, move"""
    ).fetchall()
    shown = re.findall(r"(\.\.\.[a-h]\d-[a-h]\d) ([\d,]+) [\d.]+ \(", said)
    assert [int(count) for _, count in shown] == [count for _, count in breaks[: len(shown)]]
    assert set(shown) <= {(move, f"{count:,}") for move, count in breaks}
    assert 1 <= len(shown) <= 4
    # The plot says what stands after ten moves.
    ((standing,),) = engine.sql(
        """select count(*) from (select unnest(path) as span from games)
            where span.structure = 'carlsbad' and span.holder = 'white'
            and 20 between span.ply and span.ply + span.half_moves - 1"""
    ).fetchall()
    ((reached,),) = engine.sql("select count(*) from games where plies >= 20").fetchall()
    assert f"after move 10: {100 * standing / reached:.1f} of 100 games" in said


def test_black_reads_blacks_score(surveyed: Path, tmp_path: Path) -> None:
    (tmp_path / "benko.pgn").write_text(BENKO)
    options = ["--side", "black", "--survey", str(surveyed), "-o", str(tmp_path / "b.html")]
    assert cli.main(["booklet", str(tmp_path / "benko.pgn"), *options]) == 0
    said = Page((tmp_path / "b.html").read_text(encoding="utf-8")).said
    ((score,),) = duckdb.sql(
        f"""select avg(case result when '0-1' then 1 when '1/2-1/2' then 0.5 else 0 end)
            from '{surveyed}/games/*.parquet' join '{surveyed}/structures/*.parquet' using (game)
            where result != '*' and structure = 'benko' and holder = 'black'"""
    ).fetchall()
    assert f"Black, our side, scored {100 * score:.1f} per cent" in said
    assert "...b7-b5" not in said.partition("most played breaks")[2]


def test_of_a_type_that_no_game_holds_nothing_is_said(tmp_path: Path) -> None:
    (tmp_path / "one.pgn").write_text('[Event "x"]\n\n1. h3 h6 2. g3 g6 3. a3 a6 1-0\n')
    survey([str(tmp_path / "one.pgn")], str(tmp_path / "out"), Options(jobs=1))
    page = make(tmp_path / "b.html", "--survey", tmp_path / "out")
    assert "<h3>In games</h3>" not in page and "collection of 1 game;" in page


def refused(folder: Path, out: Path, capsys: pytest.CaptureFixture[str]) -> str:
    with as_file(files("pawnlore.labelled_demo").joinpath("repertoire")) as pgn:
        path = str(pgn / "03-indian-defences.pgn")
        status = cli.main(["booklet", path, "--survey", str(folder), "-o", str(out)])
    assert status == 2
    assert not out.exists()
    return capsys.readouterr().err


def test_a_folder_that_is_no_survey_is_refused_in_words(
    surveyed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "b.html"
    assert f"{tmp_path} holds no survey" in refused(tmp_path, out, capsys)
    assert "holds no survey" in refused(tmp_path / "nowhere", out, capsys)
    (tmp_path / "survey.json").write_text("{}")
    assert "is not finished" in refused(tmp_path, out, capsys)


def test_a_damaged_survey_is_refused_in_words(
    surveyed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("games", "structures", "breaks"):
        (tmp_path / name).mkdir()
        for part in (surveyed / name).glob("*.parquet"):
            (tmp_path / name / part.name).write_bytes(part.read_bytes()[:-100])
    (tmp_path / "survey.json").write_bytes((surveyed / "survey.json").read_bytes())
    assert "is damaged or cannot be read" in refused(tmp_path, tmp_path / "b.html", capsys)


def test_missing_packages_are_named(
    surveyed: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(survey_input, "find_spec", lambda name: None)
    told = refused(surveyed, tmp_path / "b.html", capsys)
    assert "--survey needs pyarrow and fsspec: install pawnlore[survey]" in told


def test_another_model_is_told(
    surveyed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("games", "structures", "breaks"):
        (tmp_path / name).symlink_to(surveyed / name)
    text = (surveyed / "survey.json").read_text()
    (tmp_path / "survey.json").write_text(re.sub(r'"model": "\w+"', '"model": "other"', text))
    make(tmp_path / "b.html", "--survey", tmp_path)
    assert "made with another model" in capsys.readouterr().err


def a_group(holder: str) -> Group:
    return Group("isolated-queen-pawn", holder, "shared", (), (), 1.0, 8, 8, 1.0, (), 0, (), ())


def test_a_type_without_results_or_breaks() -> None:
    nothing = share(0, 0)
    found = TypeGames(3, 10, share(3, 10), nothing, nothing, by_ply=((8, nothing),))
    group = a_group("white")
    page = Page("".join(games_html(group, found, "mixed")))
    assert "30.0 of 100 games hold this structure" in page.said
    assert "scored" not in page.said and "nan" not in page.said
    assert page.tags["svg"] == page.tags["table"] == 0


def test_both_sides_breaks_where_the_author_has_no_side() -> None:
    half = share(5, 10)
    breaks = (
        PlayedBreak("white", "e4-e5", 9, half),
        PlayedBreak("black", "...c7-c5", 4, half),
        PlayedBreak("black", "...f7-f5", 1, half),
    )
    found = TypeGames(10, 10, half, half, half, breaks=breaks)
    group = a_group("both")
    said = Page("".join(games_html(group, found, "mixed"))).said
    assert "e4-e5 9" in said and "...c7-c5 4" in said
    # One game is chance, not a habit.
    assert "...f7-f5" not in said


@pytest.mark.parametrize("value", [0.0, 0.0004, 0.03, 0.31, 1.0])
def test_the_plot_holds_its_bars(value: float) -> None:
    one = share(round(value * 10_000), 10_000)
    plot = frequency_plot("<&>", [(8, one), (12, share(0, 0))])
    page = Page(plot)
    assert page.tags["svg"] == 1 and "<&>" in page.said
    for tag, name, number in page.attributes:
        if tag == "rect" and name in ("y", "height"):
            assert 0 <= float(number) <= 196
    assert "after move 6: no game is so long" in page.said
