"""Which labelled positions serve what: learning, calibration, examination."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pawnlore.models.labels import Labels, learnt_labels, shipped_labels
from pawnlore.models.split import TRAINING, part_of, skeleton_keys
from pawnlore.structures.catalogue import Catalogue

AS_IN_PLAY = ("off-i", "off-g", "off-m", "off-s")
"""How the ids of labels begin whose positions were drawn as they come in play; only there
do probabilities have a meaning, so only these serve calibration."""

EXAM = "exam.epd"
"""The label file that nothing of a model is ever learnt from or fitted on."""


@dataclass(frozen=True)
class LabelSets:
    """Labelled positions by what they serve; no skeleton or mirror is in two.

    ``exam`` was named by several raters each, and nothing of a model is fitted on it;
    the figure of calibration alone also refits on folds of it.
    """

    training: Labels
    calibration: Labels
    exam: Labels

    def reserved_keys(self) -> npt.NDArray[np.void]:
        """The keys of all skeletons that must not be learnt from."""
        kept = (self.calibration, self.exam)
        return np.concatenate([skeleton_keys(labels.masks) for labels in kept])


def shipped_label_sets(catalogue: Catalogue) -> LabelSets:
    """The labels of the labelled demo, split by skeleton and mirror."""
    exam = shipped_labels(EXAM, catalogue)
    labels = learnt_labels(catalogue)
    free = ~np.isin(skeleton_keys(labels.masks), skeleton_keys(exam.masks))
    learnt = part_of(labels.masks) == TRAINING
    drawn = np.array([label.startswith(AS_IN_PLAY) for label in labels.ids])
    return LabelSets(
        labels.take(np.flatnonzero(free & learnt)),
        labels.take(np.flatnonzero(free & ~learnt & drawn)),
        exam,
    )
