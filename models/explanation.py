"""Why this verdict: the pawns for and against it, what the core lacks, the nearest example."""

from __future__ import annotations

from dataclasses import dataclass

import chess
import numpy as np
import numpy.typing as npt

from pawnlore.models.classifier import Classifier
from pawnlore.models.labels import Labels
from pawnlore.models.own_chance import chance_of
from pawnlore.models.taught_classifier import TaughtClassifier
from pawnlore.models.traits import trait_codes
from pawnlore.structures.catalogue import UNSETTLED
from pawnlore.structures.core_gap import CoreGaps, Gap, core_gaps
from pawnlore.structures.pawn_distance import pawn_distances
from pawnlore.structures.skeleton import Masks, Skeleton, mirror_batch, pack, squares_in_words
from pawnlore.structures.verdict import BOTH, HOLDERS, Verdict

_WORTH_TELLING = 0.3
_MOST_GAPS = 3


@dataclass(frozen=True, slots=True)
class PawnVoice:
    """What one pawn says: ``weight`` is the verdict's log-odds with it less those without it."""

    side: str
    square: str
    weight: float


@dataclass(frozen=True, slots=True)
class MissedCore:
    """A core that is missed by one condition, and what would have to change."""

    structure: str
    holder: str
    gap: str
    change: str


@dataclass(frozen=True, slots=True)
class NearestExample:
    """The labelled position whose pawns are nearest."""

    id: str
    structure: str
    holder: str
    reason: str
    distance: float
    mirrored: bool


@dataclass(frozen=True, slots=True)
class Explanation:
    """Everything that can be said about one verdict."""

    verdict: Verdict
    speaks_for: tuple[PawnVoice, ...]
    speaks_against: tuple[PawnVoice, ...]
    missed: tuple[MissedCore, ...]
    nearest: NearestExample | None


def explain(classifier: Classifier, skeleton: Skeleton, labels: Labels) -> Explanation:
    """Explain the verdict on one skeleton.

    Each pawn is taken off in turn; how far the network's odds for the verdict
    fall or rise is what that pawn says. Cores that are missed by one condition
    are told with the pawn that would have to move, the verdict's own first.
    """
    batch = pack([skeleton])
    verdict = classifier.classify(batch)[0]
    voices = _voices(classifier, skeleton, verdict)
    return Explanation(
        verdict,
        tuple(v for v in voices if v.weight >= _WORTH_TELLING),
        tuple(v for v in reversed(voices) if v.weight <= -_WORTH_TELLING),
        _missed(classifier, skeleton, verdict),
        _nearest(classifier, skeleton, labels),
    )


def _voices(classifier: Classifier, skeleton: Skeleton, verdict: Verdict) -> tuple[PawnVoice, ...]:
    """Every pawn, the one that speaks loudest for the verdict first."""
    pawns = [(True, s) for s in chess.scan_forward(skeleton.white)]
    pawns += [(False, s) for s in chess.scan_forward(skeleton.black)]
    if not pawns:
        return ()
    without = [
        Skeleton(
            skeleton.white & ~(1 << square) if white else skeleton.white,
            skeleton.black if white else skeleton.black & ~(1 << square),
        )
        for white, square in pawns
    ]
    held = _chance(classifier, pack([skeleton, *without]), verdict)
    if held is None:
        return ()
    chance = np.clip(held, 1e-4, 1 - 1e-4)
    odds = np.log(chance / (1 - chance))
    voices = [
        PawnVoice(
            "white" if white else "black",
            chess.square_name(square),
            round(float(odds[0] - odds[index + 1]), 2),
        )
        for index, (white, square) in enumerate(pawns)
    ]
    return tuple(sorted(voices, key=lambda v: (-v.weight, v.side, v.square)))


def _chance(
    classifier: Classifier, masks: Masks, verdict: Verdict
) -> npt.NDArray[np.float64] | None:
    """The chance of a verdict's structure on each of a batch; none where it is not known."""
    names = classifier.catalogue.ids
    if verdict.structure == UNSETTLED or verdict.structure in names:
        family = -1 if verdict.structure == UNSETTLED else names.index(verdict.structure)
        number = classifier.classes.number(
            np.array([family], dtype=np.int16),
            np.array([HOLDERS.index(verdict.holder)], dtype=np.int8),
        )[0]
        return classifier.probabilities(masks)[:, number]
    if isinstance(classifier, TaughtClassifier):
        for own in classifier.own:
            if own.id == verdict.structure:
                share, _ = own.judge(trait_codes(masks), trait_codes(mirror_batch(masks)))
                return chance_of(share)
    return None


def _missed(classifier: Classifier, skeleton: Skeleton, verdict: Verdict) -> tuple[MissedCore, ...]:
    if verdict.core:
        return ()
    gaps = core_gaps(classifier.matcher, pack([skeleton]))
    rows = [_missed_core(classifier, skeleton, gaps, index) for index in range(len(gaps))]
    spoken_of = (verdict.structure, verdict.second)
    rows.sort(key=lambda row: row.structure not in spoken_of)
    return tuple(rows[:_MOST_GAPS])


def _missed_core(
    classifier: Classifier, skeleton: Skeleton, gaps: CoreGaps, index: int
) -> MissedCore:
    family = classifier.catalogue.families[gaps.family[index]]
    holder_black, foe = bool(gaps.black[index]), bool(gaps.foe[index])
    mover_black = holder_black ^ foe
    file = "abcdefgh"[gaps.file[index]]
    condition = gaps.conditions[gaps.condition[index]].text
    kind = Gap(int(gaps.kind[index]))
    mover = skeleton.black if mover_black else skeleton.white
    on_file = squares_in_words(mover & chess.BB_FILES[gaps.file[index]]) or "none"
    side = "Black" if mover_black else "White"
    change = f"{side}: {wish(condition, black=holder_black)}; now on the {file}-file: {on_file}"
    holder = "both" if family.shared else "black" if holder_black else "white"
    return MissedCore(family.id, holder, kind.name.lower().replace("_", " "), change)


def wish(condition: str, *, black: bool) -> str:
    """A condition of a core in words, in board squares for the given holder.

    >>> wish("e2|e3", black=True), wish("no c", black=False), wish("e5/c5", black=False)
    ('a single pawn on e7 or e6', 'no pawn on the c-file', 'a single pawn on e5 or c5')
    """

    def turned(square: str) -> str:
        return f"{square[0]}{9 - int(square[1])}" if black else square

    word, _, rest = condition.partition(" ")
    if word == "no":
        return f"no pawn on the {rest}-file"
    if word == "has":
        return f"a pawn on the {'- or '.join(rest.split('/'))}-file"
    if word == "two":
        return f"two pawns on the {rest}-file"
    if word == "on":
        return f"a pawn on {turned(rest)}"
    if "+" in word:
        return "pawns on " + " and ".join(turned(s) for s in word.split("+"))
    squares = [turned(s) for part in word.split("/") for s in part.split("|")]
    return "a single pawn on " + " or ".join(squares)


def _nearest(classifier: Classifier, skeleton: Skeleton, labels: Labels) -> NearestExample | None:
    if not len(labels):
        return None
    batch = pack([skeleton])
    straight = pawn_distances(labels.masks, batch[0])
    turned = pawn_distances(mirror_batch(labels.masks), batch[0])
    mirrored = bool(turned.min() < straight.min())
    distances = turned if mirrored else straight
    row = int(distances.argmin())
    family, holder = int(labels.family[row]), int(labels.holder[row])
    if mirrored and holder != BOTH:
        holder = 3 - holder
    name = UNSETTLED if family < 0 else classifier.catalogue.ids[family]
    return NearestExample(
        labels.ids[row],
        name,
        HOLDERS[holder],
        labels.reasons[row],
        round(float(distances[row]), 2),
        mirrored,
    )
