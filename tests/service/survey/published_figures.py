"""What is printed elsewhere about openings, beside what a survey of real games says.

We know of no printed scores of pawn structures. What has been printed are
scores and frequencies of openings. They say something of a structure where it
comes from one opening alone: of the games with White's Scheveningen centre at
half-move 20, 99 in a hundred are Sicilians, so that its score can be held
against the Sicilian's. The Encyclopaedia's codes are the other outside source:
each game of the collection came with one, and some codes mean one structure.

    python tests/service/survey/published_figures.py SURVEY [--write FILE]

prints both tables for a survey. A published figure *fits* where it lies in the
survey's 95 per cent interval, widened by `SLACK` because collections differ.
Where one does not, `Figure.differs` says so and why; no figure is bent.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import duckdb

from pawnlore.service.survey.answers import Answers, Row, answers
from pawnlore.service.survey.intervals import Share, share
from pawnlore.service.survey.place import Place
from pawnlore.structures.line_text import family_name

STREETER = "W. F. Streeter in Chess Review, 1946: 5,598 games of tournaments, 1851 to 1932"
YEARBOOK = "New in Chess Yearbook 55, 2000: 731,740 games"
ECO = "Encyclopaedia of Chess Openings, Belgrade, 1974 and later"
"""The sources. All three are quoted from memory, and none was at hand to look it up."""

PRACTICE = "common practice, no source"

SLACK = 0.011
"""By how much two collections of master games may differ in a score: the two printed figures for
all openings, 53.7 and 54.8 per cent, are so far apart."""

_SICILIANS, _KINGS_PAWN, _ALL = 145_996, 398_849, 731_740  # of the yearbook

SICILIAN = ("scheveningen", "boleslavsky-hole", "paulsen", "open-sicilian", "dragon")
"""Structures of White's that an open Sicilian comes to, and hardly another opening."""

QUEENS_PAWN = ("carlsbad", "kings-indian-chain", "modern-benoni", "grunfeld-centre", "benko")
"""Structures that come from 1.d4, or from 1.c4 and 1.Nf3 by transposition."""


@dataclass(frozen=True)
class Figure:
    """One printed figure, 0 to 1, and what the survey says; ``slack`` widens its interval.

    ``differs`` is the reason why the figure is known not to fit. ``about`` is
    what the comparison cannot settle.
    """

    what: str
    source: str
    printed: float
    found: Share
    games: int
    slack: float = SLACK
    differs: str = ""
    about: str = ""

    @property
    def fits(self) -> bool:
        """Whether the printed figure lies in the widened interval."""
        return self.found.low - self.slack <= self.printed <= self.found.high + self.slack


class Surveyed:
    """A survey's answers, and its games for a query engine."""

    def __init__(self, folder: str) -> None:
        self.told: Answers = answers(Place(folder))
        self.engine = duckdb.connect()
        for table in ("games", "structures"):
            self.engine.execute(
                f"create view {table} as select * from '{folder}/{table}/*.parquet'"
            )

    def count(self, where: str) -> int:
        """How many games."""
        ((count,),) = self.engine.sql(f"select count(*) from games where {where}").fetchall()
        return int(count)

    def score(self, where: str = "true") -> tuple[Share, int]:
        """White's score in the games with a result."""
        won, drawn = self.count(f"result = '1-0' and {where}"), self.drawn(where)
        decided = self.count(f"result != '*' and {where}")
        return share(won + drawn / 2, decided), decided

    def drawn(self, where: str) -> int:
        """How many games were drawn."""
        return self.count(f"result = '1/2-1/2' and {where}")

    def standing(self, ply: int, names: tuple[str, ...], holder: str = "") -> list[Row]:
        """What the answers say of structures at a half-move."""
        return [
            row
            for row in self.told.tables["by_ply"]
            if row["ply"] == ply
            and row["structure"] in names
            and (not holder or row["holder"] == holder)
        ]


def pooled(rows: list[Row]) -> tuple[Share, int]:
    """White's score in all the games of some rows."""
    decided = sum(row["decided"] for row in rows)
    return share(sum(row["score"] * row["decided"] for row in rows if row["decided"]), decided), (
        decided
    )


def figures(survey: Surveyed) -> Iterator[Figure]:
    """Scores and frequencies."""
    yield Figure("White's score, all games", YEARBOOK, 0.548, *survey.score())
    early = "year between 1851 and 1932"
    found, games = survey.score(early)
    yield Figure("White's score, 1851 to 1932", STREETER, 0.3812 + 0.3114 / 2, found, games)
    yield Figure(
        "draws, 1851 to 1932",
        STREETER,
        0.3114,
        share(survey.drawn(early), games),
        games,
        differs="whole tournaments have more draws than what collectors kept of those years; "
        "that this is the reason is our guess",
    )
    for names, ply in ((("scheveningen",), 20), (SICILIAN, 12), (SICILIAN, 20)):
        found, games = pooled(survey.standing(ply, names, "white"))
        yield Figure(
            f"White's score, {_named(names)} at half-move {ply}",
            f"{YEARBOOK}; the Sicilian's 145,996",
            0.523,
            found,
            games,
            about="printed of all Sicilians, also those that are not opened by d4",
        )
    for names in (("carlsbad",), ("modern-benoni",), ("kings-indian-chain",), QUEENS_PAWN):
        rows = survey.standing(20, names)
        rows = [row for row in rows if row["holder"] == _queens_pawn_holder(row["structure"])]
        found, games = pooled(rows)
        yield Figure(
            f"White's score, {_named(names)} at half-move 20",
            f"{YEARBOOK}; 1.d4's 225,295",
            0.561,
            found,
            games,
            about="printed of all games with 1.d4",
        )
    first = "start is null and substr(hex(moves), 1, 4) = '0C07'"  # e2-e4, the low byte first
    begun = survey.count(first)
    sicilian = survey.count(f"{first} and eco between 'B20' and 'B99z'")
    yield Figure(
        "Sicilians by ECO, of games with 1.e4",
        YEARBOOK,
        _SICILIANS / _KINGS_PAWN,
        share(sicilian, begun),
        begun,
        slack=0.05,
        about="openings go in and out of fashion, and the collections are of different years",
    )
    rows = survey.standing(12, SICILIAN, "white")
    yield Figure(
        f"{_named(SICILIAN)} at half-move 12, of games with 1.e4",
        f"{YEARBOOK}; three in four of the Sicilians are opened by d4 ({PRACTICE})",
        0.75 * _SICILIANS / _KINGS_PAWN,
        share(sum(row["games"] for row in rows), begun),
        begun,
        slack=0.05,
        about="a few of these games began with another move than 1.e4",
    )


def sicilians_of_all(survey: Surveyed) -> Figure:
    """The Sicilian's share of all games, where the collections are known to differ."""
    whole = survey.told.games
    return Figure(
        "Sicilians by ECO, of all games",
        YEARBOOK,
        _SICILIANS / _ALL,
        share(survey.count("eco between 'B20' and 'B99z'"), whole),
        whole,
        differs="the collection has fewer games with 1.e4 (two in five, not the yearbook's 55 in "
        "a hundred), and Sicilians were rare before 1940",
    )


def _queens_pawn_holder(structure: str) -> str:
    return "black" if structure == "benko" else "white"


def _named(names: tuple[str, ...]) -> str:
    if names == SICILIAN:
        return "five open Sicilian structures"
    if names == QUEENS_PAWN:
        return "five structures of 1.d4"
    return family_name(names[0])


@dataclass(frozen=True)
class Code:
    """Codes of the Encyclopaedia that mean a structure; ``name`` is a pattern for their names.

    At least ``least`` of their games should hold it; ``why`` says why not all.
    """

    structure: str
    first: str
    last: str
    name: str
    least: float = 0.9
    why: str = "a few games turn aside or end before"

    @property
    def within(self) -> str:
        """For the query engine."""
        return f"eco between '{self.first}' and '{self.last}z'"


CODES = (
    Code("carlsbad", "D35", "D36", r"(?:QGD|Queen's Gambit Declined).*Exchange"),
    Code("modern-benoni", "A60", "A79", r"Benoni"),
    Code("dragon", "B70", "B79", r"Sicilian.*Dragon"),
    Code("scheveningen", "B80", "B89", r"Sicilian.*(?:Scheveningen|Sozin|Velimirovi)"),
    Code("advance-chain", "C02", "C02", r"French.*Advance"),
    Code("grunfeld-centre", "D85", "D89", r"Gr(?:ü|ue)nfeld.*Exchange"),
    Code("e5-against-d5", "C80", "C83", r"(?:Ruy Lopez|Spanish).*Open"),
    Code(
        "open-e-file",
        "C01",
        "C01",
        r"French.*Exchange",
        0.8,
        "with c4 the game turns to an isolated pawn",
    ),
    Code(
        "benko",
        "A57",
        "A59",
        r"Benko",
        0.5,
        "the code holds the gambit declined as well; only accepted, it gives the structure",
    ),
)
"""Structures that codes mean, after the Encyclopaedia's names for them, from memory."""


@dataclass(frozen=True)
class Coded:
    """How many games hold a structure, with its codes and with others."""

    code: Code
    inside: Share
    games: int
    outside: Share
    inside_of_held: Share

    @property
    def fits(self) -> bool:
        """Whether the codes mean the structure, and others much less."""
        return self.inside.high >= self.code.least and self.inside.low > 5 * self.outside.high


def coded(survey: Surveyed) -> Iterator[Coded]:
    """Every code of `CODES`."""
    for code in CODES:
        held = f"game in (select game from structures where structure = '{code.structure}')"
        inside, outside = survey.count(code.within), survey.count(f"not {code.within}")
        both, all_held = survey.count(f"{code.within} and {held}"), survey.count(held)
        yield Coded(
            code,
            share(both, inside),
            inside,
            share(all_held - both, outside),
            share(both, all_held),
        )


def report(survey: Surveyed) -> str:
    """Both tables as Markdown."""
    lines = [
        "| what | printed | survey, with its 95 % interval | games | fits | source, from memory |",
        "|---|---|---|---|---|---|",
    ]
    for one in (*figures(survey), sicilians_of_all(survey)):
        fits = "yes" if one.fits else f"no: {one.differs}"
        about = f" ({one.about})" if one.about else ""
        lines.append(
            f"| {one.what}{about} | {100 * one.printed:.1f} | {_percent(one.found)} | "
            f"{one.games:,} | {fits} | {one.source} |"
        )
    lines += [
        "",
        "| structure | codes | of their games hold it | games | of all other games | "
        "of the games that hold it have the codes | why not all |",
        "|---|---|---|---|---|---|---|",
    ]
    for row in coded(survey):
        code = row.code
        range_ = code.first if code.first == code.last else f"{code.first}–{code.last}"
        lines.append(
            f"| {family_name(code.structure)} | {range_} | {_percent(row.inside)} | "
            f"{row.games:,} | {_percent(row.outside)} | {_percent(row.inside_of_held)} | "
            f"{code.why} |"
        )
    return "\n".join(lines) + "\n"


def drawish(survey: Surveyed) -> tuple[Share, dict[str, Share]]:
    """The draw rate of all games, and of the middlegames known for draws (`PRACTICE`)."""
    decided = survey.count("result != '*'")
    rows: dict[str, Share] = {}
    for name in ("open-c-file", "open-e-file"):
        (row,) = (
            r
            for r in survey.told.tables["structures"]
            if r["structure"] == name and r["holder"] == "both"
        )
        where = f"result != '*' and {_middlegame(name)}"
        rows[name] = share(survey.drawn(_middlegame(name)), survey.count(where))
        assert row["middlegame"] == survey.count(_middlegame(name))
    return share(survey.drawn("true"), decided), rows


def _middlegame(name: str) -> str:
    return (
        "game in (select game from structures where middlegame and holder = 'both' "
        f"and structure = '{name}')"
    )


def _percent(one: Share) -> str:
    return f"{100 * one.value:.1f} ({100 * one.low:.1f}–{100 * one.high:.1f})"


def main() -> None:
    """Print the tables, or put them into a file between its marks."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("survey")
    parser.add_argument("--write", metavar="FILE", type=Path)
    args = parser.parse_args()
    survey = Surveyed(args.survey)
    text = report(survey)
    whole, rows = drawish(survey)
    text += f"\nDraws ({PRACTICE}): all games {_percent(whole)}"
    for name, found in rows.items():
        text += f"; {family_name(name)} {_percent(found)}"
    text += ".\n"
    print(text)
    if args.write:
        account = json.loads(Place(args.survey).read("survey.json"))["account"]
        head, _, _ = args.write.read_text(encoding="utf-8").partition(MARK)
        told = f"{account['games']:,} games, {account['positions']:,} positions.\n\n"
        args.write.write_text(head + MARK + "\n\n" + told + text, encoding="utf-8")


MARK = "<!-- what follows is written by published_figures.py -->"

if __name__ == "__main__":
    main()
