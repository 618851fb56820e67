"""A survey of games whose truth is known finds it again.

The generated games of the benchmarks are drawn with probability 0.3 and
otherwise won by ratings alone, whatever the structure, and both players'
ratings come from one distribution: every structure scores 50 per cent and
draws 30. Real games, against printed figures, are in `test_published_figures`.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "benchmarks"))

from generated_games import write_games

from pawnlore.service.survey.answers import answers
from pawnlore.service.survey.place import Place
from pawnlore.service.survey.run_survey import Options, survey


@pytest.mark.slow
def test_scores_draws_and_openings_are_found_again(tmp_path: Path) -> None:
    path = tmp_path / "games.pgn"
    write_games(path, 1500, seed=4, branches=10)
    survey([str(path)], str(tmp_path / "out"), Options())
    told = answers(Place(str(tmp_path / "out")))
    assert told.games == 1500
    common = [row for row in told.tables["structures"] if row["games"] >= 80]
    assert len(common) >= 10
    # 95 in a hundred intervals hold the truth; here one in six may miss it.
    for value, low, high in ((0.5, "score_low", "score_high"), (0.3, "draws_low", "draws_high")):
        hit = sum(row[low] <= value <= row[high] for row in common)
        assert hit >= 5 / 6 * len(common)
    # Each opening's games are as many as the file has.
    text = path.read_text(encoding="utf-8")
    for row in told.tables["by_opening"]:
        name = re.escape(str(row["opening"]))
        assert row["of"] == len(re.findall(rf'^\[Opening "{name}"\]$', text, re.M))
