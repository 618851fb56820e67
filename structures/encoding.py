"""The feature extractor: skeletons as rows of named numbers, fit for scikit-learn.

Four groups of columns can be chosen:

``pawns``
    96 bits, ``white_a2`` to ``black_h7``: where the pawns stand.
``occupancy``
    32 bits, ``white_empty_a`` ..., ``white_doubled_file_a`` ...: whether a side has
    no pawn on a file, or more than one. With the pawn bits, "exactly one pawn on
    the d-file, and it stands on d4" is then a sum of columns.
``files``
    24 bits: ``open_a`` ..., ``white_half_open_a`` ..., ``black_half_open_a`` ...
``motifs``
    One bit for a motif, a side and a file, as in ``white_isolated_d``: whether
    a pawn with that motif stands on the file (for holes: whether a square of
    the file on the side's third or fourth rank is one). ``ram_d`` is told once,
    since a ram always has two sides.
``counts``
    Whole numbers: pawns, islands, isolated, doubled, backward and passed pawns
    and holes in the camp for each side, and White's pawns less Black's on every
    wing (``balance_queenside`` ...).

The extractor keeps to the estimator interface of scikit-learn by its methods
alone, so that this package need not import it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

from pawnlore.structures.bits import FileSets, count_bits, file_sets
from pawnlore.structures.chains import chain_bases, chain_heads
from pawnlore.structures.file_states import half_open_files, islands, open_files, pawn_files
from pawnlore.structures.holes import camp_holes
from pawnlore.structures.majorities import THREE_WINGS, TWO_HALVES, wing_balance
from pawnlore.structures.motifs import (
    backward,
    doubled,
    duos,
    hanging_pawns,
    isolated,
    isolated_couples,
    levers,
    passed,
    rams,
)
from pawnlore.structures.skeleton import FILES, Masks, check_masks

GROUPS = ("pawns", "occupancy", "files", "motifs", "counts")
"""The groups of columns, in the order in which they stand."""

_SIDES = ("white", "black")
_CHUNK = 4096
_MASK_MOTIFS: dict[str, Callable[[Masks], Masks]] = {
    "isolated": isolated,
    "doubled": doubled,
    "backward": backward,
    "passed": passed,
    "hanging": hanging_pawns,
    "couple": isolated_couples,
    "duo": duos,
    "lever": levers,
    "chain_base": chain_bases,
    "chain_head": chain_heads,
    "hole": camp_holes,
}
_COUNTED = ("isolated", "doubled", "backward", "passed", "hole")


def _pawn_names() -> list[str]:
    squares = [f"{file}{rank}" for rank in range(2, 8) for file in FILES]
    return [f"{side}_{square}" for side in _SIDES for square in squares]


def _names(group: str) -> list[str]:
    if group == "pawns":
        return _pawn_names()
    if group == "occupancy":
        words = ("empty", "doubled_file")
        return [f"{side}_{word}_{file}" for word in words for side in _SIDES for file in FILES]
    if group == "files":
        prefixes = ["open", *(f"{side}_half_open" for side in _SIDES)]
        return [f"{prefix}_{file}" for prefix in prefixes for file in FILES]
    if group == "motifs":
        prefixes = [f"{side}_{motif}" for motif in _MASK_MOTIFS for side in _SIDES]
        return [f"{prefix}_{file}" for prefix in [*prefixes, "ram"] for file in FILES]
    counted = [f"{side}_{what}" for what in ("pawns", "islands") for side in _SIDES]
    counted += [f"{side}_{motif}_count" for motif in _COUNTED for side in _SIDES]
    return counted + [f"balance_{wing}" for wing in (*THREE_WINGS, *TWO_HALVES)]


def _check_groups(groups: Sequence[str]) -> tuple[str, ...]:
    if isinstance(groups, str):
        raise ValueError(f"groups is a sequence of names, not the text {groups!r}")
    wanted = ", ".join(GROUPS)
    unknown = [group for group in groups if group not in GROUPS]
    if unknown:
        raise ValueError(f"{unknown[0]!r} is no group of columns; choose from {wanted}")
    if not groups:
        raise ValueError(f"no group of columns is chosen; choose from {wanted}")
    return tuple(group for group in GROUPS if group in groups)


def feature_names(groups: Sequence[str] = GROUPS) -> tuple[str, ...]:
    """The names of the columns of these groups, in order.

    Raises ValueError for an unknown group or none at all.

    >>> feature_names()[:2], feature_names(["files"])[-1]
    (('white_a2', 'white_b2'), 'black_half_open_h')
    """
    return tuple(name for group in _check_groups(groups) for name in _names(group))


@cache
def _width(groups: tuple[str, ...]) -> int:
    return len(feature_names(groups))


def encode(masks: Masks, groups: Sequence[str] = GROUPS) -> npt.NDArray[np.float32]:
    """The features of a batch ``uint64`` (N, 2), as ``float32`` (N, features).

    The batch is not validated here; `SkeletonEncoder` does that. Raises
    ValueError for an unknown group or none at all.

    >>> from pawnlore.structures.skeleton import skeletons_from_fens
    >>> row = encode(skeletons_from_fens(["8/pp3ppp/4p3/8/3P4/8/PP3PPP/8"]))[0]
    >>> [name for name, value in zip(feature_names(), row) if value and "isolated" in name]
    ['white_isolated_d', 'white_isolated_count']
    """
    chosen = _check_groups(groups)
    out = np.empty((masks.shape[0], _width(chosen)), dtype=np.float32)
    # Small chunks keep the intermediate arrays in the processor's cache.
    for start in range(0, masks.shape[0], _CHUNK):
        part = slice(start, start + _CHUNK)
        _encode_chunk(np.ascontiguousarray(masks[part]), chosen, out[part])
    return out


def _encode_chunk(masks: Masks, groups: tuple[str, ...], out: npt.NDArray[np.float32]) -> None:
    squares = {}
    if "motifs" in groups:
        squares = {name: motif(masks) for name, motif in _MASK_MOTIFS.items()}
    elif "counts" in groups:
        squares = {name: _MASK_MOTIFS[name](masks) for name in _COUNTED}
    # Everything but the counts is bits: gather them as bytes, unpack once.
    packed: list[FileSets] = []
    if "pawns" in groups:
        # Byte i of a mask is rank i + 1; ranks 1 and 8 hold no pawns.
        ranks = masks.astype("<u8", copy=False).view(np.uint8).reshape(-1, 2, 8)
        packed.append(ranks[:, :, 1:7].reshape(-1, 12))
    if "occupancy" in groups:
        packed += [~pawn_files(masks), file_sets(doubled(masks))]
    if "files" in groups:
        packed += [open_files(masks)[:, None], half_open_files(masks)]
    if "motifs" in groups:
        packed += [file_sets(squares[name]) for name in _MASK_MOTIFS]
        packed.append(file_sets(rams(masks)[:, :1]))
    width = 0
    if packed:
        bits = np.unpackbits(np.concatenate(packed, axis=1), axis=1, bitorder="little")
        width = bits.shape[1]
        out[:, :width] = bits
    if "counts" in groups:
        counts = [count_bits(masks), islands(masks)]
        counts += [count_bits(squares[name]) for name in _COUNTED]
        counts += [wing_balance(masks), wing_balance(masks, halves=True)]
        out[:, width:] = np.concatenate(counts, axis=1)


class SkeletonEncoder:
    """Turns skeletons into features, as a transformer for scikit-learn's pipelines.

    Nothing is learned: ``fit`` only validates, and ``transform`` works without
    it. To encode positions, read them first with
    `pawnlore.structures.skeleton.skeletons_from_fens`.

    Args:
        groups: which of the `GROUPS` to give, in their fixed order.

    Attributes:
        n_features_in_: 2 once fitted, the two masks of a skeleton.

    >>> from pawnlore.structures.skeleton import pack
    >>> encoder = SkeletonEncoder(groups=("pawns", "files"))
    >>> encoder.fit_transform(pack([(256, 1 << 48)])).shape
    (1, 120)
    >>> str(encoder.get_feature_names_out()[0])
    'white_a2'
    """

    n_features_in_: int

    def __init__(self, groups: Sequence[str] = GROUPS) -> None:
        self.groups = groups

    @property
    def feature_names(self) -> tuple[str, ...]:
        """The names of the columns that ``transform`` gives."""
        return feature_names(self.groups)

    def get_params(self, deep: bool = True) -> dict[str, Any]:
        """The parameters by name; ``deep`` changes nothing."""
        return {"groups": self.groups}

    def set_params(self, **params: Any) -> SkeletonEncoder:
        """Set parameters by name; raises ValueError for one that does not exist."""
        for name, value in params.items():
            if name != "groups":
                raise ValueError(f"{name!r} is no parameter of SkeletonEncoder; 'groups' is")
            self.groups = value
        return self

    def fit(self, X: npt.ArrayLike, y: object = None) -> SkeletonEncoder:
        """Validate the parameters and a batch (N, 2); raises ValueError if they are bad."""
        _check_groups(self.groups)
        check_masks(X)
        self.n_features_in_ = 2
        return self

    def transform(self, X: npt.ArrayLike) -> npt.NDArray[np.float32]:
        """The features of a batch (N, 2), ``float32`` (N, features).

        Raises ``SkeletonError`` (a ValueError) for anything that is no batch of skeletons.
        """
        return encode(check_masks(X), self.groups)

    def fit_transform(self, X: npt.ArrayLike, y: object = None) -> npt.NDArray[np.float32]:
        """``fit`` and ``transform`` in one."""
        return self.fit(X, y).transform(X)

    def get_feature_names_out(self, input_features: object = None) -> npt.NDArray[np.object_]:
        """The names of the columns as an object array; ``input_features`` is not used."""
        return np.array(self.feature_names, dtype=object)

    def __sklearn_is_fitted__(self) -> bool:
        return True

    def __repr__(self) -> str:
        return f"SkeletonEncoder(groups={self.groups!r})"
