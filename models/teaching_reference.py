"""What an author's examples are compared with: positions of games and of the families known."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from functools import cache, cached_property
from importlib.resources import files
from pathlib import Path

import numpy as np
import numpy.typing as npt

from pawnlore.models.label_sets import shipped_label_sets
from pawnlore.models.sampling import game_skeletons, sample_cores
from pawnlore.models.split import TRAINING, part_of, skeleton_keys
from pawnlore.models.trait_prior import condition_priors
from pawnlore.models.traits import Codes, trait_codes
from pawnlore.structures.matcher import CoreMatch, CoreMatcher, shipped_matcher
from pawnlore.structures.skeleton import Masks, mirror_batch
from pawnlore.structures.verdict import NONE

_SEED = 3
_POOL = 9_000
_EACH = 150
_SAMPLED_EACH = 90


@dataclass(frozen=True)
class Reference:
    """``pool`` (N, 2) are skeletons as they come in games; ``named`` (M, 2) meet some core."""

    matcher: CoreMatcher
    pool: Masks
    named: Masks

    @cached_property
    def pool_codes(self) -> Codes:
        """The codes of the pool with either side as the holder."""
        return trait_codes(np.concatenate([self.pool, mirror_batch(self.pool)]))

    @cached_property
    def white(self) -> Codes:
        """The codes of the named skeletons with White as the holder."""
        return trait_codes(self.named)

    @cached_property
    def black(self) -> Codes:
        """The codes of the named skeletons with Black as the holder."""
        return trait_codes(mirror_batch(self.named))

    @cached_property
    def _match(self) -> CoreMatch:
        return self.matcher.match(self.named)

    @property
    def white_met(self) -> npt.NDArray[np.bool_]:
        """Which cores the named skeletons meet with White as the holder, (M, families)."""
        return self._match.white

    @property
    def black_met(self) -> npt.NDArray[np.bool_]:
        """Which cores they meet with Black as the holder."""
        return self._match.black

    @cached_property
    def met(self) -> npt.NDArray[np.bool_]:
        """Which cores they meet with either side as the holder."""
        return self._match.white | self._match.black

    @cached_property
    def priors(self) -> list[npt.NDArray[np.float64]]:
        """How families tend to be defined."""
        return condition_priors(self.matcher.catalogue.families)


def make_reference(matcher: CoreMatcher) -> Reference:
    """A reference for a catalogue, without anything that is examined.

    Takes some seconds; it holds no position of the part that is held out, nor
    any that raters named for examination.
    """
    rng = np.random.default_rng(_SEED)
    games = game_skeletons().masks
    games = games[part_of(games) == TRAINING]
    made = sample_cores(matcher, rng, each=_SAMPLED_EACH)
    made = made[part_of(made) == TRAINING]
    reserved = shipped_label_sets(shipped_matcher().catalogue).reserved_keys()
    games, made = (part[~np.isin(skeleton_keys(part), reserved)] for part in (games, made))
    both = np.concatenate([rng.permutation(games), rng.permutation(made)])
    _, first = np.unique(skeleton_keys(both), return_index=True)
    both = both[np.sort(first)]
    family = matcher.match(both).family
    named = [both[family == rank][:_EACH] for rank in range(len(matcher.catalogue))]
    assert NONE < 0  # no rank is NONE, so skeletons without a core are in none of these
    return Reference(matcher, rng.permutation(games)[:_POOL], np.concatenate(named))


@cache
def shipped_reference() -> Reference:
    """The reference for the shipped catalogue, as `write_reference` wrote it."""
    source = files("pawnlore.models").joinpath("data", "teaching_reference.npz")
    with source.open("rb") as stream, np.load(stream, allow_pickle=False) as data:
        return Reference(shipped_matcher(), data["pool"], data["named"])


def write_reference(out: Path) -> None:
    """Make the reference for the shipped catalogue and write it.

    The shipped ``models/data/teaching_reference.npz`` was written by
    ``python -m pawnlore.models.teaching_reference OUT``.
    """
    made = make_reference(shipped_matcher())
    np.savez_compressed(out, pool=made.pool, named=made.named)


if __name__ == "__main__":
    write_reference(Path(sys.argv[1]))
