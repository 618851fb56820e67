"""What a survey says of each middlegame type, in the few numbers that a reader needs."""

from __future__ import annotations

from dataclasses import dataclass, field

from pawnlore.service.survey.against import Against
from pawnlore.service.survey.answers import Answers, Row
from pawnlore.service.survey.intervals import Share, share
from pawnlore.structures.pawn_levers import LEVER


@dataclass(frozen=True)
class PlayedBreak:
    """A break that games play in a structure: who, which, in how many, the side's own score."""

    side: str
    move: str
    games: int
    score: Share


@dataclass(frozen=True)
class TypeGames:
    """One structure and holder in the games of a survey.

    ``games`` of the ``whole`` hold it, ``met`` is their share. ``score`` is
    White's and ``draws`` the draw rate, of the games with a result.
    ``in_repertoire`` is the share of the games that go with the repertoire's
    side whose middlegame it is, or none where that is not known. ``breaks``
    come by games, the most played first. ``by_ply`` is the share of the games
    that reach a half-move in which it stands there.
    """

    games: int
    whole: int
    met: Share
    score: Share
    draws: Share
    in_repertoire: Share | None = None
    breaks: tuple[PlayedBreak, ...] = ()
    by_ply: tuple[tuple[int, Share], ...] = ()

    def score_of(self, color: str) -> Share:
        """A side's score.

        >>> half = Share(0.5, 0.25, 0.75)
        >>> TypeGames(1, 1, half, Share(0.75, 0.5, 0.875), half).score_of("black")
        Share(value=0.25, low=0.125, high=0.5)
        """
        if color == "white":
            return self.score
        return Share(1 - self.score.value, 1 - self.score.high, 1 - self.score.low)


@dataclass(frozen=True)
class SurveyedTypes:
    """Every structure that games hold, by structure and holder; ``games`` there are in all.

    ``followed`` of them go with the repertoire's side as long as they are in it.
    """

    games: int
    followed: int | None = None
    types: dict[tuple[str, str], TypeGames] = field(default_factory=dict)


def surveyed_types(told: Answers, beside: Against | None = None) -> SurveyedTypes:
    """The answers of a survey type by type; ``beside`` sets them beside a repertoire."""
    breaks: dict[tuple[str, str], list[PlayedBreak]] = {}
    for row in told.tables["breaks"]:  # the most played first
        if row["kind"] == LEVER:
            one = PlayedBreak(row["side"], row["move"], row["games"], _share(row, "score"))
            breaks.setdefault(_key(row), []).append(one)
    plies = sorted({row["ply"]: row["of"] for row in told.tables["by_ply"]}.items())
    standing = {(*_key(row), row["ply"]): row["games"] for row in told.tables["by_ply"]}
    own = {} if beside is None else {_key(row): row for row in beside.tables["groups"]}
    followed = None if beside is None else beside.followed
    found = SurveyedTypes(told.games, followed)
    for row in told.tables["structures"]:
        key = _key(row)
        found.types[key] = TypeGames(
            row["games"],
            told.games,
            _share(row, "share"),
            _share(row, "score"),
            _share(row, "draws"),
            _in_repertoire(own.get(key), followed),
            tuple(breaks.get(key, ())),
            tuple((ply, share(standing.get((*key, ply), 0), of)) for ply, of in plies),
        )
    return found


def _key(row: Row) -> tuple[str, str]:
    return (row["structure"], row["holder"])


def _share(row: Row, name: str) -> Share:
    return Share(row[name], row[f"{name}_low"], row[f"{name}_high"])


def _in_repertoire(row: Row | None, followed: int | None) -> Share | None:
    if row is None or not followed:
        return None
    return share(row["games"], followed)
