"""A classifier that knows an author's own families beside the shipped ones.

What it says of the shipped families is what the classifier says that it was made
from. An own family that stands is named where no core is met. Where one is met,
the core names the position, and the own family is told as the second one, a
finer form of what the core names (`pawnlore.structures.verdict.Verdict.finer`):
plans that the author wrote for it come before those for the structure. An
author's label on a skeleton comes before all this; the service puts it there,
since it needs no learning.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from pawnlore.models.classifier import (
    Classifier,
    ModelError,
    model_bytes,
    read_classifier,
)
from pawnlore.models.definitions import Definitions
from pawnlore.models.own_chance import chance_of
from pawnlore.models.own_family import FamilyError, LearntFamily, check_id
from pawnlore.models.traits import CODES, trait_codes, traits
from pawnlore.structures.catalogue import Catalogue, shipped_catalogue
from pawnlore.structures.skeleton import Masks, mirror_batch
from pawnlore.structures.verdict import NONE, Verdicts

FORMAT = "pawnlore-taught-1"

MOST_OWN = 200
"""Own families of one model."""

_CHUNK = 8192
_MOST_BYTES = 64 << 20
_DECIMALS = 5


@dataclass(frozen=True)
class OwnVerdicts:
    """What the own families say of N skeletons: the one that stands best, if any.

    ``family`` (N,) indexes the own families or is `NONE`; ``probability`` (N,)
    is the chance that it stands.
    """

    family: npt.NDArray[np.int16]
    holder: npt.NDArray[np.int8]
    probability: npt.NDArray[np.float64]


@dataclass(frozen=True)
class TaughtClassifier(Classifier):
    """A classifier with own families. Make one with `with_families`."""

    own: tuple[LearntFamily, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """The ids that verdicts index: the shipped families by rank, then the own ones."""
        return (*self.catalogue.ids, *(family.id for family in self.own))

    def classify(self, masks: Masks, *, cores: bool = True) -> Verdicts:
        """Verdicts for a batch of skeletons (N, 2), see `Classifier.classify`."""
        found = super().classify(masks, cores=cores)
        if not self.own:
            return found
        found = replace(found, names=self.names)
        for start in range(0, masks.shape[0], _CHUNK):
            part = slice(start, start + _CHUNK)
            named = np.where(found.core[part], found.family[part], NONE)
            self._put_own(found, part, self.own_verdicts(masks[part], named))
        return found

    def own_verdicts(self, masks: Masks, named: npt.NDArray[np.int16] | None = None) -> OwnVerdicts:
        """Which own family stands best on each skeleton of a batch (N, 2).

        ``named`` (N,) are the families whose cores are met, or `NONE`: beside one
        of these, an own family that the author called a finer form of it comes
        before any other.
        """
        ranks = {id: rank for rank, id in enumerate(self.catalogue.ids)}
        count = masks.shape[0]
        white, black = trait_codes(masks), trait_codes(mirror_batch(masks))
        best = OwnVerdicts(
            np.full(count, NONE, dtype=np.int16), np.zeros(count, dtype=np.int8), np.zeros(count)
        )
        best_score = np.zeros(count)
        for number, family in enumerate(self.own):
            share, holder = family.judge(white, black)
            chance = chance_of(share)
            score = chance
            if named is not None and family.parent in ranks:
                score = chance + (named == ranks[family.parent])
            better = (share >= family.stands) & (score > best_score)
            best_score[better] = score[better]
            best.family[better] = number
            best.holder[better] = holder[better]
            best.probability[better] = chance[better]
        return best

    def _put_own(self, found: Verdicts, part: slice, own: OwnVerdicts) -> None:
        first = np.flatnonzero((own.family != NONE) & ~found.core[part])
        later = np.flatnonzero((own.family != NONE) & found.core[part])
        shift = len(self.catalogue)
        for column in ("family", "holder", "probability"):
            held, second = getattr(found, column)[part], getattr(found, f"second{_after(column)}")
            second[part][first] = held[first]
            mine = getattr(own, column) + (shift if column == "family" else 0)
            held[first] = mine[first]
            second[part][later] = mine[later]
        left = 1 - found.probability[part][first]
        found.second_probability[part][first] = np.round(
            np.minimum(found.second_probability[part][first], left), _DECIMALS
        )


def _after(column: str) -> str:
    return "" if column == "family" else f"_{column}"


def with_families(base: Classifier, own: tuple[LearntFamily, ...]) -> TaughtClassifier:
    """A classifier with these own families, without digest until it was written and read."""
    ids = [family.id for family in own]
    if len(set(ids)) != len(ids) or len(ids) > MOST_OWN:
        raise FamilyError(f"own families need different ids, and {MOST_OWN} are the most")
    kept = {f.name: getattr(base, f.name) for f in fields(Classifier) if f.init}
    return TaughtClassifier(**{**kept, "digest": ""}, own=own)


def taught_bytes(taught: TaughtClassifier) -> bytes:
    """The content of a file that holds a taught classifier as plain numbers."""
    stream = io.BytesIO()
    facts = [
        {
            "id": family.id,
            "name": family.name,
            "parent": family.parent,
            "shared": family.shared,
            "stands": family.stands,
            "examples": family.examples,
        }
        for family in taught.own
    ]
    tables = np.zeros((len(taught.own), len(traits()), CODES), dtype=np.uint64)
    for number, family in enumerate(taught.own):
        tables[number] = family.definitions.tables
    np.savez_compressed(
        stream,
        format=np.array(FORMAT),
        base=np.frombuffer(model_bytes(taught), dtype=np.uint8),
        traits=np.array([trait.name for trait in traits()]),
        own=np.array(json.dumps(facts, sort_keys=True)),
        tables=tables,
    )
    return stream.getvalue()


def read_taught(
    data: bytes, *, digest: str | None = None, catalogue: Catalogue | None = None
) -> TaughtClassifier:
    """Read what `taught_bytes` wrote: numbers only, nothing in it is ever run.

    Raises `ModelError` where it is too large, damaged, of another kind or version,
    or does not have the expected ``digest``.
    """
    name = "the taught model"
    found = hashlib.sha256(data).hexdigest()
    if digest is not None and found != digest:
        raise ModelError(f"{name} was changed (its digest is not the one that was kept)")
    if len(data) > _MOST_BYTES:
        raise ModelError(f"{name} is larger than {_MOST_BYTES >> 20} MiB, so none of ours")
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            if sum(entry.file_size for entry in archive.infolist()) > 2 * _MOST_BYTES:
                raise ModelError(f"{name} unpacks to more than a model can hold")
        with np.load(io.BytesIO(data), allow_pickle=False) as arrays:
            if str(arrays["format"]) != FORMAT:
                raise ModelError(f"{name} is of another version ({arrays['format']})")
            if tuple(arrays["traits"].tolist()) != tuple(trait.name for trait in traits()):
                raise ModelError(f"{name} was made by another version; retrain it")
            base = arrays["base"].astype(np.uint8).tobytes()
            own = _read_families(json.loads(str(arrays["own"])), arrays["tables"])
    except (ModelError, FamilyError) as error:
        raise ModelError(str(error)) from None
    except Exception as error:
        # A damaged archive can fail in many ways inside zipfile and numpy; all mean the same.
        raise ModelError(f"{name} cannot be read ({error})") from None
    read = read_classifier(base, name, catalogue or shipped_catalogue())
    return replace(with_families(read, own), digest=found)


def _read_families(facts: list[dict[str, Any]], tables: npt.NDArray[Any]) -> tuple[Any, ...]:
    if tables.shape != (len(facts), len(traits()), CODES) or len(facts) > MOST_OWN:
        raise ModelError("the parts of the taught model do not fit together")
    return tuple(
        LearntFamily(
            check_id(str(one["id"])),
            str(one["name"]),
            str(one["parent"]),
            bool(one["shared"]),
            float(one["stands"]),
            int(one["examples"]),
            Definitions(np.ascontiguousarray(table, dtype=np.uint64)),
        )
        for one, table in zip(facts, tables, strict=True)
    )
