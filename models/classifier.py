"""The classifier: names the structure family of a skeleton and whose it is.

A core that is met decides; elsewhere a small network does, trained by
`pawnlore.models.training` and kept as plain numbers, so that prediction needs
numpy alone. It sees the canonical one of a skeleton and its mirror, which makes
it equivariant by construction: the mirror has the same family, with the holder
swapped, and a skeleton that is its own mirror belongs to both.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from pawnlore.models.classes import NO_FAMILY, Classes, classes_of
from pawnlore.models.network_input import WIDTH, network_input
from pawnlore.structures.catalogue import Catalogue, shipped_catalogue
from pawnlore.structures.matcher import CoreMatch, CoreMatcher
from pawnlore.structures.skeleton import Masks, canonical_batch
from pawnlore.structures.verdict import BLACK, BOTH, NONE, WHITE, Verdicts

FORMAT = "pawnlore-classifier-1"
CORE_TRUST = 0.98
"""The share of the probability that a met core takes; the network deals out the rest."""

HIDDEN_STEP = 2.0**-12
UNIT_STEP = 2.0**-6
OUTPUT_STEP = 2.0**-8
"""What weights into the hidden layer, its activations, and weights out of it are multiples of."""

_DECIMALS = 5
_CHUNK = 4096
_MOST_BYTES = 32 << 20
_MOST_UNITS = 4096


class ModelError(ValueError):
    """A model file that cannot be used; the message says why."""


@dataclass(frozen=True)
class Classifier:
    """A trained classifier.

    ``hidden`` (128, H) with ``hidden_bias`` (H,) and ``output`` (H, classes)
    with ``output_bias`` (classes,) are the network; ``sharpness`` multiplies
    its scores and ``none_shift`` is added to the score of there being no
    family, both fitted on held-out data; a family is named where its chance
    reaches ``threshold``. ``facts`` tells how it was made, ``digest`` is that of its file.
    """

    catalogue: Catalogue
    classes: Classes
    hidden: npt.NDArray[np.float32]
    hidden_bias: npt.NDArray[np.float32]
    output: npt.NDArray[np.float32]
    output_bias: npt.NDArray[np.float32]
    sharpness: float
    none_shift: float
    threshold: float
    facts: dict[str, Any] = field(default_factory=dict)
    digest: str = ""

    matcher: CoreMatcher = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "matcher", CoreMatcher(self.catalogue))
        units, kinds = self.hidden_bias.shape[0], len(self.classes)
        shapes = (self.hidden.shape, self.output.shape, self.output_bias.shape)
        if shapes != ((WIDTH, units), (units, kinds), (kinds,)):
            raise ModelError("the parts of the network do not fit together")

    @property
    def names(self) -> tuple[str, ...]:
        """The ids that the families of its verdicts index."""
        return self.catalogue.ids

    def scores(self, masks: Masks) -> npt.NDArray[np.float32]:
        """The network's scores (N, classes) for a batch as it stands, uncalibrated.

        Weights and activations are whole multiples of small powers of two (see
        `whole_steps`), so every sum is exact whatever its order: a row has the
        same scores in any batch and on any machine.
        """
        units = self.units(masks)
        scores: npt.NDArray[np.float32] = units @ self.output
        scores += self.output_bias
        return scores

    def units(self, masks: Masks) -> npt.NDArray[np.float32]:
        """The activations of the hidden layer (N, H) for a batch as it stands."""
        units: npt.NDArray[np.float32] = network_input(masks) @ self.hidden
        units += self.hidden_bias
        np.maximum(units, 0, out=units)
        units *= np.float32(1 / UNIT_STEP)
        np.rint(units, out=units)
        units *= np.float32(UNIT_STEP)
        return units

    def probabilities(self, masks: Masks) -> npt.NDArray[np.float64]:
        """Calibrated probabilities of the network alone, (N, classes), cores left aside."""
        out = np.empty((masks.shape[0], len(self.classes)))
        for start in range(0, masks.shape[0], _CHUNK):
            part = slice(start, start + _CHUNK)
            canonical, swapped, own_mirror = canonical_batch(masks[part])
            chances = self._canonical(canonical, own_mirror)
            # The class of the mirror of the mirror is the class itself.
            chances[swapped] = chances[swapped][:, self.classes.mirror]
            out[part] = chances
        return out

    def classify(self, masks: Masks, *, cores: bool = True) -> Verdicts:
        """Verdicts for a batch of skeletons, ``uint64`` (N, 2).

        With ``cores`` false the network decides alone. Every row is judged by
        itself and its chances are rounded, so a batch and its rows one by one agree,
        but for a step in the last decimal of a row in thousands.

        >>> from pawnlore.structures.skeleton import skeletons_from_fens
        >>> isolani = skeletons_from_fens(["8/pp3ppp/4p3/8/3P4/8/PP3PPP/8"])
        >>> verdict = shipped_classifier().classify(isolani)[0]
        >>> verdict.structure, verdict.holder, verdict.core
        ('isolated-queen-pawn', 'white', True)
        """
        parts = [
            self._classify_chunk(masks[start : start + _CHUNK], cores)
            for start in range(0, max(1, masks.shape[0]), _CHUNK)
        ]
        if len(parts) == 1:
            return parts[0]
        columns = ("family", "holder", "probability", "core", "second", "second_holder")
        return Verdicts(
            self.catalogue.ids,
            *(
                np.concatenate([getattr(part, column) for part in parts])
                for column in (*columns, "second_probability")
            ),
        )

    def _canonical(
        self, canonical: Masks, own_mirror: npt.NDArray[np.bool_]
    ) -> npt.NDArray[np.float32]:
        """Calibrated probabilities of canonical skeletons, float32 (N, classes)."""
        scores = self.scores(canonical)
        scores *= np.float32(self.sharpness)
        scores[:, NO_FAMILY] += np.float32(self.none_shift)
        scores -= scores.max(axis=1, keepdims=True)
        np.exp(scores, out=scores)
        scores /= scores.sum(axis=1, keepdims=True)
        for row in np.flatnonzero(own_mirror):
            merged = np.bincount(
                self.classes.merged, weights=scores[row], minlength=len(self.classes)
            )
            scores[row] = merged
        return scores

    def _classify_chunk(self, masks: Masks, cores: bool) -> Verdicts:
        count = masks.shape[0]
        rows = np.arange(count)
        classes = self.classes
        canonical, swapped, own_mirror = canonical_batch(masks)
        chances = self._canonical(canonical, own_mirror)
        first = 1 + chances[:, 1:].argmax(axis=1)
        first_chance = _rounded(chances[rows, first])
        # Below the threshold nothing is named, and the best family is at most the runner-up.
        first = np.where(first_chance < self.threshold, NO_FAMILY, first)
        first_chance = np.where(first == NO_FAMILY, _rounded(chances[:, NO_FAMILY]), first_chance)
        chances[rows, first] = -1.0
        second = chances.argmax(axis=1)
        second_chance = _rounded(chances[rows, second])
        if swapped.any():
            first = np.where(swapped, classes.mirror[first], first)
            second = np.where(swapped, classes.mirror[second], second)
        first_holder, second_holder = classes.holder[first], classes.holder[second]
        if own_mirror.any():
            first_holder = np.where(own_mirror, np.int8(BOTH), first_holder)
            second_holder = np.where(own_mirror, np.int8(BOTH), second_holder)
        verdicts = Verdicts(
            self.catalogue.ids,
            classes.family[first],
            first_holder,
            first_chance,
            np.zeros(count, dtype=bool),
            classes.family[second],
            second_holder,
            second_chance,
        )
        if cores:
            self._put_cores(verdicts, self.matcher.match(masks))
        return verdicts

    def _put_cores(self, verdicts: Verdicts, match: CoreMatch) -> None:
        """Let the cores decide where one is met; the network's second thought stays behind."""
        met = match.family != NONE
        agrees = met & (match.family == verdicts.family) & (match.holder == verdicts.holder)
        differs = np.flatnonzero(met & ~agrees)
        # What the network held for the verdict stays as the runner-up of the core's.
        verdicts.second[differs] = verdicts.family[differs]
        verdicts.second_holder[differs] = verdicts.holder[differs]
        verdicts.second_probability[differs] = verdicts.probability[differs]
        share = np.where(agrees, verdicts.probability, 0.0)
        doubt = 1 - CORE_TRUST
        verdicts.probability[met] = _rounded(CORE_TRUST + doubt * share[met])
        verdicts.second_probability[met] = _rounded(doubt * verdicts.second_probability[met])
        verdicts.family[met] = match.family[met]
        verdicts.holder[met] = match.holder[met]
        verdicts.core[met] = True
        self._put_secondary_cores(verdicts, match)

    def _put_secondary_cores(self, verdicts: Verdicts, match: CoreMatch) -> None:
        """Where a second core is met, that family is the runner-up."""
        met = match.white | match.black
        several = np.flatnonzero(met.sum(axis=1) > 1)
        if not several.size:
            return
        others = met[several]
        others[np.arange(several.size), verdicts.family[several]] = False
        family = others.argmax(axis=1).astype(np.int16)
        white, black = match.white[several, family], match.black[several, family]
        shared = np.array([f.shared for f in self.catalogue.families])[family]
        holder = np.where(white & ~black, WHITE, np.where(black & ~white, BLACK, BOTH))
        holder[shared] = BOTH
        same = (verdicts.second[several] == family) & (verdicts.second_holder[several] == holder)
        verdicts.second[several] = family
        verdicts.second_holder[several] = holder
        # The network's chance is known here only where it named the same runner-up.
        left = _rounded(1.0 - verdicts.probability[several])
        verdicts.second_probability[several] = np.where(
            same, verdicts.second_probability[several], left
        )


def _rounded(chances: npt.NDArray[Any]) -> npt.NDArray[np.float64]:
    return np.asarray(np.round(chances.astype(np.float64), _DECIMALS), dtype=np.float64)


def whole_steps(weights: npt.NDArray[Any], step: float) -> npt.NDArray[np.float32]:
    """Weights as the nearest whole multiples of ``step``, a power of two.

    >>> whole_steps(np.array([0.3, -1.0]), 2.0**-2).tolist()
    [0.25, -1.0]
    """
    return np.ascontiguousarray(np.rint(weights / step) * step, dtype=np.float32)


def model_bytes(classifier: Classifier) -> bytes:
    """The content of a model file."""
    stream = io.BytesIO()
    np.savez(
        stream,
        format=np.array(FORMAT),
        families=np.array(classifier.catalogue.ids),
        class_family=classifier.classes.family,
        class_holder=classifier.classes.holder,
        hidden=classifier.hidden,
        hidden_bias=classifier.hidden_bias,
        output=classifier.output,
        output_bias=classifier.output_bias,
        sharpness=np.array(classifier.sharpness),
        none_shift=np.array(classifier.none_shift),
        threshold=np.array(classifier.threshold),
        facts=np.array(json.dumps(classifier.facts, sort_keys=True)),
    )
    return stream.getvalue()


def save_classifier(classifier: Classifier, path: Path) -> str:
    """Write a model file and its digest beside it; gives the digest back."""
    data = model_bytes(classifier)
    digest = hashlib.sha256(data).hexdigest()
    path.write_bytes(data)
    path.with_suffix(".sha256").write_text(f"{digest}  {path.name}\n", encoding="ascii")
    return digest


def load_classifier(
    path: Path, *, catalogue: Catalogue | None = None, digest: str | None = None
) -> Classifier:
    """Read a model file: numbers only, nothing in it is ever run.

    Raises `ModelError` where the file is missing, too large, damaged, made for
    other families, or does not have the expected ``digest``.
    """
    try:
        with path.open("rb") as stream:
            data = stream.read(_MOST_BYTES + 1)
    except OSError as error:
        raise ModelError(f"{path}: cannot be read ({error.strerror})") from None
    return read_classifier(data, str(path), catalogue or shipped_catalogue(), digest)


def read_classifier(
    data: bytes, name: str, catalogue: Catalogue, digest: str | None = None
) -> Classifier:
    """Read the content of a model file; ``name`` is what errors call it. See `load_classifier`."""
    if len(data) > _MOST_BYTES:
        raise ModelError(f"{name}: larger than {_MOST_BYTES >> 20} MiB, so no model of ours")
    found = hashlib.sha256(data).hexdigest()
    if digest is not None and found != digest:
        raise ModelError(f"{name}: the file was changed (its digest is not the expected one)")
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            if sum(entry.file_size for entry in archive.infolist()) > 2 * _MOST_BYTES:
                raise ModelError(f"{name}: unpacks to more than a model can hold")
        with np.load(io.BytesIO(data), allow_pickle=False) as arrays:
            if str(arrays["format"]) != FORMAT:
                raise ModelError(f"{name}: not a model of this version ({arrays['format']})")
            if tuple(arrays["families"].tolist()) != catalogue.ids:
                raise ModelError(f"{name}: the model was trained for other families")
            classes = _read_classes(arrays["class_family"], arrays["class_holder"], catalogue)
            weights = [
                np.ascontiguousarray(arrays[key], dtype=np.float32)
                for key in ("hidden", "hidden_bias", "output", "output_bias")
            ]
            numbers = [float(arrays[key]) for key in ("sharpness", "none_shift", "threshold")]
            facts = json.loads(str(arrays["facts"]))
    except ModelError:
        raise
    except Exception as error:
        # A damaged archive can fail in many ways inside zipfile and numpy; all mean the same.
        raise ModelError(f"{name}: no readable model file ({error})") from None
    if weights[1].shape[0] > _MOST_UNITS or not all(np.isfinite(w).all() for w in weights):
        raise ModelError(f"{name}: the network's numbers are out of bounds")
    hidden, hidden_bias, output, output_bias = weights
    sharpness, none_shift, threshold = numbers
    return Classifier(
        catalogue,
        classes,
        hidden,
        hidden_bias,
        output,
        output_bias,
        sharpness,
        none_shift,
        threshold,
        facts=facts,
        digest=found,
    )


def _read_classes(
    family: npt.NDArray[Any], holder: npt.NDArray[Any], catalogue: Catalogue
) -> Classes:
    family, holder = family.astype(np.int16), holder.astype(np.int8)
    both = {int(rank) for rank in family[1:][holder[1:] == BOTH]}
    classes = classes_of(catalogue, {r for r in both if not catalogue.families[r].shared})
    if not (np.array_equal(classes.family, family) and np.array_equal(classes.holder, holder)):
        raise ModelError("the model's classes are not those of its families")
    return classes


@cache
def shipped_classifier() -> Classifier:
    """The classifier inside the package, checked against its digest."""
    folder = files("pawnlore.models").joinpath("shipped")
    expected = folder.joinpath("classifier.sha256").read_text(encoding="ascii").split()[0]
    data = folder.joinpath("classifier.npz").read_bytes()
    return read_classifier(data, "the shipped model", shipped_catalogue(), expected)
