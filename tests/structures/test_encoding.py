"""The feature extractor: what its columns hold, and life inside scikit-learn."""

from __future__ import annotations

import pickle
import subprocess
import sys

import chess
import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pawnlore.structures import encoding
from pawnlore.structures.bits import file_sets
from pawnlore.structures.chains import chain_bases, chain_heads
from pawnlore.structures.encoding import GROUPS, SkeletonEncoder, encode, feature_names
from pawnlore.structures.file_states import half_open_files, islands, open_files
from pawnlore.structures.holes import camp_holes
from pawnlore.structures.majorities import wing_balance
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
from pawnlore.structures.skeleton import Skeleton, mirror_batch, pack, skeletons_from_fens

skeletons = st.from_type(Skeleton)
batches = st.lists(skeletons, min_size=1, max_size=6).map(pack)
some_groups = st.lists(st.sampled_from(GROUPS), min_size=1, unique=True).map(tuple)

FENS = [
    "8/pp3ppp/4p3/8/3P4/8/PP3PPP/8",
    "8/pp3ppp/2p5/3p4/3P4/4P3/PP3PPP/8",
    "8/pp3ppp/4p3/2ppP3/3P4/2P5/PP3PPP/8",
    "8/pppppppp/8/8/8/8/PPPPPPPP/8",
]


def _columns(masks: np.ndarray) -> dict[str, np.ndarray]:
    return dict(zip(feature_names(), encode(masks).T, strict=True))


def _mirror_name(name: str) -> str:
    """The column that takes this one's place when the board is seen from the other side."""
    for side, other in (("white_", "black_"), ("black_", "white_")):
        if name.startswith(side):
            rest = name.removeprefix(side)
            if len(rest) == 2:
                rest = rest[0] + str(9 - int(rest[1]))
            return other + rest
    return name


@given(masks=batches)
def test_the_pawn_columns_are_the_pawns(masks: np.ndarray) -> None:
    columns = _columns(masks)
    for side, name in enumerate(("white", "black")):
        for square in range(chess.A2, chess.A8):
            expected = (masks[:, side] >> np.uint64(square)) & np.uint64(1)
            assert np.array_equal(columns[f"{name}_{chess.square_name(square)}"], expected)


@given(masks=batches)
def test_the_file_columns_say_where_a_motif_stands(masks: np.ndarray) -> None:
    columns = _columns(masks)
    two_sided = {
        "isolated": file_sets(isolated(masks)),
        "doubled": file_sets(doubled(masks)),
        "backward": file_sets(backward(masks)),
        "passed": file_sets(passed(masks)),
        "hanging": file_sets(hanging_pawns(masks)),
        "couple": file_sets(isolated_couples(masks)),
        "duo": file_sets(duos(masks)),
        "lever": file_sets(levers(masks)),
        "chain_base": file_sets(chain_bases(masks)),
        "chain_head": file_sets(chain_heads(masks)),
        "hole": file_sets(camp_holes(masks)),
        "half_open": half_open_files(masks),
    }
    for index, file in enumerate("abcdefgh"):
        bit = np.uint8(1 << index)
        for motif, files in two_sided.items():
            for side, name in enumerate(("white", "black")):
                expected = (files[:, side] & bit) > 0
                assert np.array_equal(columns[f"{name}_{motif}_{file}"], expected), motif
        assert np.array_equal(columns[f"open_{file}"], (open_files(masks) & bit) > 0)
        assert np.array_equal(columns[f"ram_{file}"], (file_sets(rams(masks))[:, 1] & bit) > 0)


@given(masks=batches)
def test_the_count_columns_count(masks: np.ndarray) -> None:
    columns = _columns(masks)
    counted = {
        "isolated": isolated, "doubled": doubled, "backward": backward, "passed": passed,
        "hole": camp_holes,
    }  # fmt: skip
    for side, name in enumerate(("white", "black")):
        for motif, function in counted.items():
            expected = [mask.bit_count() for mask in function(masks)[:, side].tolist()]
            assert columns[f"{name}_{motif}_count"].tolist() == expected
        expected = [mask.bit_count() for mask in masks[:, side].tolist()]
        assert columns[f"{name}_pawns"].tolist() == expected
        assert columns[f"{name}_islands"].tolist() == islands(masks)[:, side].tolist()
    balance = wing_balance(masks)
    for column, wing in enumerate(("queenside", "centre", "kingside")):
        assert columns[f"balance_{wing}"].tolist() == balance[:, column].tolist()
    halves = wing_balance(masks, halves=True)
    assert columns["balance_queen_half"].tolist() == halves[:, 0].tolist()
    assert columns["balance_king_half"].tolist() == halves[:, 1].tolist()


@given(masks=batches)
def test_the_mirror_swaps_the_columns_of_the_two_sides(masks: np.ndarray) -> None:
    columns, mirrored = _columns(masks), _columns(mirror_batch(masks))
    for name, values in columns.items():
        expected = -values if name.startswith("balance_") else values
        assert np.array_equal(mirrored[_mirror_name(name)], expected), name


@given(masks=batches, groups=some_groups)
def test_groups_choose_columns_and_keep_their_order(
    masks: np.ndarray, groups: tuple[str, ...]
) -> None:
    chosen = feature_names(groups)
    columns = _columns(masks)
    assert np.array_equal(encode(masks, groups), np.stack([columns[n] for n in chosen], axis=1))
    assert chosen == tuple(name for name in feature_names() if name in set(chosen))


def test_names_are_distinct_and_as_many_as_columns() -> None:
    names = feature_names()
    assert len(set(names)) == len(names) == encode(pack([])).shape[1]
    assert {name for name in names if _mirror_name(name) not in names} == set()


def test_rows_do_not_depend_on_the_batch_that_they_stand_in() -> None:
    """Batches are worked through in chunks; no row may notice where a chunk ends."""
    rng = np.random.default_rng(7)
    count = 2 * encoding._CHUNK + 3
    draws = rng.integers(0, 2**63, size=(3, count, 2), dtype=np.uint64)
    masks = draws[0] & draws[1] & draws[2] & np.uint64(0x00FF_FFFF_FFFF_FF00)
    masks[:, 1] &= ~masks[:, 0]
    whole = encode(masks)
    assert whole.dtype == np.float32
    for row in (0, encoding._CHUNK - 1, encoding._CHUNK, 2 * encoding._CHUNK, count - 1):
        assert np.array_equal(whole[row], encode(masks[row : row + 1])[0])
    assert np.array_equal(encode(masks[::2]), whole[::2])


@pytest.mark.parametrize(
    ("groups", "says"), [(("pawn",), "'pawn' is no group"), ((), "no group"), ("pawns", "sequence")]
)
def test_bad_groups_are_refused_when_fitting(groups: tuple[str, ...], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        SkeletonEncoder(groups).fit(skeletons_from_fens(FENS))


@pytest.mark.parametrize("bad", [[[1, 0]], [[256, 256]], [1, 2], [[0.5, 0.5]]])
def test_bad_batches_are_refused(bad: npt.ArrayLike) -> None:
    for method in (SkeletonEncoder().fit, SkeletonEncoder().transform):
        with pytest.raises(ValueError, match=r"skeleton|rank|both sides"):
            method(bad)


def test_parameters() -> None:
    encoder = SkeletonEncoder()
    assert encoder.get_params() == {"groups": GROUPS}
    assert encoder.set_params(groups=("files",)) is encoder
    assert len(encoder.feature_names) == 24
    with pytest.raises(ValueError, match="'depth' is no parameter"):
        encoder.set_params(depth=3)
    assert eval(repr(encoder)).get_params() == encoder.get_params()


def test_fitting_learns_the_width_of_the_input_alone() -> None:
    masks = skeletons_from_fens(FENS)
    encoder = SkeletonEncoder().fit(masks)
    assert encoder.n_features_in_ == 2
    assert np.array_equal(encoder.transform(masks), SkeletonEncoder().fit_transform(masks))
    assert np.array_equal(pickle.loads(pickle.dumps(encoder)).transform(masks), encode(masks))


def test_the_package_does_not_import_scikit_learn() -> None:
    code = "import sys, pawnlore.structures.encoding; sys.exit('sklearn' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_works_inside_a_pipeline() -> None:
    """Outside check: scikit-learn's own clone, Pipeline, FeatureUnion and grid search."""
    from sklearn.base import clone
    from sklearn.linear_model import LogisticRegression
    from sklearn.model_selection import GridSearchCV
    from sklearn.pipeline import FeatureUnion, Pipeline
    from sklearn.utils.validation import check_is_fitted

    masks = skeletons_from_fens(FENS * 6)
    labels = np.array(["iqp", "carlsbad", "chain", "start"] * 6)
    encoder = SkeletonEncoder(groups=["pawns", "files"])
    copy = clone(encoder)
    assert copy is not encoder
    assert copy.get_params() == encoder.get_params()

    pipeline = Pipeline([("encode", encoder), ("learn", LogisticRegression())])
    pipeline.fit(masks, labels)
    check_is_fitted(pipeline)
    assert pipeline.predict(masks).tolist() == labels.tolist()
    names = pipeline[:-1].get_feature_names_out().tolist()
    assert names == list(encoder.feature_names)
    assert pipeline[-1].coef_.shape[1] == len(names)
    assert "SkeletonEncoder" in repr(pipeline)

    search = GridSearchCV(pipeline, {"encode__groups": [("pawns",), GROUPS]}, cv=2)
    search.fit(masks, labels)
    assert search.best_score_ == 1.0

    union = FeatureUnion([("a", SkeletonEncoder(("pawns",))), ("b", SkeletonEncoder(("counts",)))])
    joined = union.fit(masks).transform(masks)
    assert joined.shape == (24, len(union.get_feature_names_out()))
