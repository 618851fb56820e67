"""Answers of a survey, as small as they can be, for tests that need one in a store."""

from __future__ import annotations

from typing import Any

from pawnlore.service.store.survey_shelf import Beside, KeptSurvey, SurveyShelf

Row = dict[str, Any]

SCORE: Row = {
    "games": 40,
    "decided": 38,
    "score": 0.55,
    "score_low": 0.4,
    "score_high": 0.69,
    "draws": 0.3,
    "draws_low": 0.18,
    "draws_high": 0.46,
}
SHARE: Row = {"of": 400, "share": 0.1, "share_low": 0.074, "share_high": 0.133}
MET: Row = {"in_a_hundred": 10.0, "in_a_hundred_low": 7.4, "in_a_hundred_high": 13.3}

DESCRIBED: Row = {
    "inputs": ["games.pgn.zst"],
    "files": 1,
    "bytes": 12_345,
    "model": "m",
    "positions": 30_000,
    "cut_short": 0,
    "skipped": {"no moves": 2},
    "unreadable_files": 0,
    "half_moves_kept": 40,
}


def survey_tables(openings: int = 3) -> dict[str, list[Row]]:
    """The tables of a survey on two structures."""
    keys = (
        ("carlsbad", "white"),
        ("isolated-queen-pawn", "white"),
        ("isolated-queen-pawn", "black"),
    )
    held: list[Row] = [
        {
            "structure": structure,
            "holder": holder,
            **SCORE,
            "share": 0.1,
            "share_low": 0.074,
            "share_high": 0.133,
            "middlegame": 30,
            "ending": 12,
        }
        for structure, holder in keys
    ]
    # A structure that no game with a result holds has no score.
    held[-1] |= {"games": 1, "decided": 0, "score": float("nan"), "draws": float("nan")}

    def by(column: str, values: list[Any]) -> list[Row]:
        return [
            {column: value, "structure": structure, "holder": holder, **SCORE, **SHARE}
            for value in values
            for structure, holder in keys
        ]

    breaks: list[Row] = [
        {
            "structure": "carlsbad",
            "holder": "white",
            "side": side,
            "kind": "lever",
            "move": move,
            **SCORE,
            "held": 40,
        }
        for side, move in (("white", "b4-b5"), ("black", "...c6-c5"))
    ]
    transitions: list[Row] = [
        {
            "structure": "carlsbad",
            "holder": "white",
            "to": "isolated-queen-pawn",
            "to_holder": "black",
            **SCORE,
            **SHARE,
        }
    ]
    return {
        "structures": held,
        "by_ply": by("ply", [8, 12, 80]),
        "by_rating": by("rating", ["1800-1999", "unknown"]),
        "by_year": by("year", ["1999", "unknown"]),
        "by_opening": by("opening", [f"D{number:02}" for number in range(openings)]),
        "breaks": breaks,
        "transitions": transitions,
    }


def beside_tables(file: str = "course.pgn") -> dict[str, list[Row]]:
    """The tables of a survey beside a repertoire whose first game has a node 1."""
    where = {"file": file, "game": 1, "node": 1}
    what = {"structure": "carlsbad", "holder": "white"}
    return {
        "groups": [{**what, "stance": "ours", "lines": 2, **MET, **SCORE}],
        "chapters": [
            {
                "file": "course.pgn",
                "game": 1,
                "chapter": "One",
                **what,
                "taught": True,
                "games": 40,
                "of": 400,
                **MET,
            }
        ],
        "unanswered_structures": [
            {"structure": "isolated-queen-pawn", "holder": "black", **MET, **SCORE}
        ],
        "unanswered_moves": [
            {
                **where,
                "chapters": "One",
                "line": "1.d4",
                "move": "d6",
                "answers": 2,
                "reached": 400,
                **MET,
                **SCORE,
                **what,
                "structure_games": 9,
            }
        ],
        "unplayed_lines": [
            {**where, "chapter": "One", "line": "1.d4", "half_moves": 1, "played": 0, "games": 400}
        ],
    }


def beside(repertoire: str, upload: str, **more: Any) -> Beside:
    """A survey beside a repertoire."""
    values: dict[str, Any] = {"version": 1, "side": "white", "games": 500, "followed": 400}
    values["tables"] = beside_tables()
    return Beside(repertoire=repertoire, upload=upload, **{**values, **more})


def keep_survey(shelf: SurveyShelf, name: str = "Club games", *besides: Beside) -> KeptSurvey:
    """Keep that survey."""
    return shelf.keep(name, 500, DESCRIBED, survey_tables(), besides)
