"""Why games are left out, counted."""

from __future__ import annotations

from dataclasses import dataclass, field

VARIANT = "other variants than standard chess and Chess960"
BAD_START = "an impossible or unreadable starting position"
NO_MOVES = "no moves"
NO_GAME = "text that holds no game"
TRUNCATED = "cut off at the end of a damaged archive"
TOO_LONG = "longer than a game may be"
RUN_ON = "behind another game's result, without headers of its own"
DUPLICATE = "the same game again"

CUT_SHORT = "kept up to a move that cannot be read"
"""Not a reason to leave a game out: its good part counts."""

REASONS = (VARIANT, BAD_START, NO_MOVES, NO_GAME, TRUNCATED, TOO_LONG, RUN_ON, DUPLICATE)
"""Every reason why a game is left out."""

_EXAMPLES, _LENGTH = 5, 300


@dataclass
class Account:
    """What became of the games that were read.

    ``games`` are kept, ``cut_short`` of them only up to a bad move; ``skipped``
    counts the others by reason; ``examples`` has, for each reason and for the
    games cut short, the first places in words. ``careful`` games were read by
    python-chess although a faster reader is there.
    """

    games: int = 0
    positions: int = 0
    cut_short: int = 0
    careful: int = 0
    skipped: dict[str, int] = field(default_factory=dict)
    examples: dict[str, list[str]] = field(default_factory=dict)
    troubles: list[str] = field(default_factory=list)

    def skip(self, reason: str, example: str = "", count: int = 1) -> None:
        """Count games that are left out."""
        self.skipped[reason] = self.skipped.get(reason, 0) + count
        self.example(reason, example)

    def example(self, reason: str, example: str) -> None:
        """Keep one of the first examples, fit to be printed on a terminal."""
        known = self.examples.setdefault(reason, [])
        if example and len(known) < _EXAMPLES:
            text = example if len(example) <= _LENGTH else example[: _LENGTH - 1] + "…"
            known.append("".join(letter if letter.isprintable() else "�" for letter in text))

    def add(self, other: Account) -> None:
        """Take another account in."""
        self.games += other.games
        self.positions += other.positions
        self.cut_short += other.cut_short
        self.careful += other.careful
        for reason, count in other.skipped.items():
            self.skipped[reason] = self.skipped.get(reason, 0) + count
        for reason, examples in other.examples.items():
            for example in examples:
                self.example(reason, example)
        self.troubles += other.troubles

    @property
    def seen(self) -> int:
        """Every game that was met."""
        return self.games + sum(self.skipped.values())

    def as_json(self) -> dict[str, object]:
        """As plain values."""
        return {
            "games": self.games,
            "positions": self.positions,
            "cut_short": self.cut_short,
            "careful": self.careful,
            "skipped": self.skipped,
            "examples": self.examples,
            "troubles": self.troubles,
        }

    @classmethod
    def from_json(cls, values: dict[str, object]) -> Account:
        """The other way about."""
        return cls(**values)  # type: ignore[arg-type]
