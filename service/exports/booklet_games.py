"""What games say of one middlegame type in the booklet: how often, the score, their breaks."""

from __future__ import annotations

import math
from collections.abc import Iterator

from pawnlore.service.exports.split import author_of
from pawnlore.service.html_text import html_text
from pawnlore.service.survey.frequency_plot import frequency_plot
from pawnlore.service.survey.intervals import Share
from pawnlore.service.survey.type_games import PlayedBreak, SurveyedTypes, TypeGames
from pawnlore.structures.groups import Group
from pawnlore.structures.line_text import Naming, family_name

_MOST_BREAKS = 4
_LEAST = 0.01
"""A break that fewer of the type's games play is left out."""


def games_key(surveyed: SurveyedTypes) -> str:
    """What the reader must know of the survey, as a paragraph."""
    return (
        "<p>What stands under “In games” was counted in a collection of "
        f"{_games(surveyed.games)}; the contents tell how many of 100 games hold the structure. "
        "In brackets are bounds: what is counted in some games is never exact for all, and of 100 "
        "such bounds 95 hold the true number. A game holds a structure where it lasts, however it "
        "came about. For the score a win counts as one and a draw as a half.</p>\n"
    )


def games_in_contents(found: TypeGames | None) -> str:
    """A few words for the list of contents."""
    return "" if found is None else f" · {_hundred(found.met.value)} of 100"


def games_html(
    group: Group,
    found: TypeGames,
    side: str,
    *,
    followed: int | None = None,
    name_of: Naming = family_name,
) -> Iterator[str]:
    """The paragraph, the plot and the opponents' breaks of one type.

    ``side`` is the repertoire's; ``followed`` games go with it.
    """
    author = author_of(group, side)
    yield '<div class="keep">\n<h3>In games</h3>\n'
    yield f"<p>{html_text(_sentences(group, found, author, followed))}</p>\n"
    yield '<div class="in-games">\n'
    if any(one.value > 0 for _, one in found.by_ply):
        plot = frequency_plot(f"How often: {name_of(group.structure)}", found.by_ply)
        yield (
            f'<figure class="plot">{plot}<figcaption>In how many of 100 games it stands, '
            "of those that last so long</figcaption></figure>\n"
        )
    yield from _breaks(found, author)
    yield "</div>\n</div>\n"


def _sentences(group: Group, found: TypeGames, author: str | None, followed: int | None) -> str:
    told = (
        f"{_hundred(found.met.value)} of 100 games hold this structure "
        f"({_bounds(found.met)}; {_games(found.games)})."
    )
    if found.in_repertoire is not None and followed:
        told += (
            f" Of the {followed:,} games in which our side plays as in this repertoire, as far as "
            f"it goes, {_hundred(found.in_repertoire.value)} of 100 have it for the middlegame."
        )
    if math.isnan(found.score.value):  # no game has a result
        return told
    color = author or (group.holder if group.holder in ("white", "black") else "white")
    score = found.score_of(color)
    whose = f"{color.capitalize()}, our side," if author else color.capitalize()
    told += (
        f" {whose} scored {_hundred(score.value)} per cent ({_bounds(score)}), and "
        f"{_hundred(found.draws.value)} of 100 were drawn ({_bounds(found.draws)})."
    )
    return told


def _breaks(found: TypeGames, author: str | None) -> Iterator[str]:
    rows = []
    for color in ("white", "black"):
        if color == author:
            continue
        some = [one for one in found.breaks if one.side == color]
        often = [one for one in some if one.games >= max(2, _LEAST * found.games)]
        rows += [_row(one) for one in often[:_MOST_BREAKS]]
    if not rows:
        return
    whose = "The" if author is None else "The opponents’"
    yield '<table class="games">'
    yield f"<caption>{whose} most played breaks, and how they score</caption>"
    yield '<thead><tr><th scope="col">Break</th><th scope="col">Games</th>'
    yield '<th scope="col">Score, per cent</th></tr></thead>\n<tbody>\n'
    yield from rows
    yield "</tbody></table>\n"


def _row(one: PlayedBreak) -> str:
    score = "–"
    if not math.isnan(one.score.value):
        score = f"{_hundred(one.score.value)} ({_bounds(one.score)})"
    return (
        f'<tr><td class="move">{html_text(one.move)}</td><td>{one.games:,}</td>'
        f'<td class="played">{score}</td></tr>\n'
    )


def _games(number: int) -> str:
    return f"{number:,} game{'' if number == 1 else 's'}"


def _hundred(value: float) -> str:
    """A share as a number of a hundred; small ones with a digit more.

    >>> _hundred(0.523), _hundred(0.0042), _hundred(0.00002), _hundred(1.0)
    ('52.3', '0.42', 'fewer than 0.01', '100')
    """
    hundred = 100 * value
    if 0 < hundred < 0.01:
        return "fewer than 0.01"
    text = f"{hundred:.2f}" if hundred < 1 else f"{hundred:.1f}"
    return text.rstrip("0").rstrip(".") if hundred in (0, 100) else text


def _bounds(one: Share) -> str:
    low, high = 100 * one.low, 100 * one.high
    digits = 2 if one.value < 0.01 else 1
    return f"{low:.{digits}f} to {high:.{digits}f}"
