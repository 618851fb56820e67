"""The classifier: cores decide, mirrors agree, files that were changed are refused."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pawnlore.models.classifier import (
    CORE_TRUST,
    Classifier,
    ModelError,
    load_classifier,
    save_classifier,
    shipped_classifier,
)
from pawnlore.models.sampling import game_skeletons
from pawnlore.structures.catalogue import read_catalogue
from pawnlore.structures.skeleton import Skeleton, mirror_batch, pack
from pawnlore.structures.verdict import BLACK, BOTH, NONE, WHITE

SWAP = np.array([BOTH, BLACK, WHITE])


@given(st.lists(st.from_type(Skeleton), min_size=1, max_size=8), st.booleans())
def test_the_mirror_has_the_same_family_and_the_other_holder(
    skeletons: list[Skeleton], cores: bool
) -> None:
    classifier = shipped_classifier()
    batch = pack(skeletons)
    here = classifier.classify(batch, cores=cores)
    there = classifier.classify(mirror_batch(batch), cores=cores)
    assert (here.family == there.family).all()
    assert (SWAP[here.holder] == there.holder).all()
    assert (here.probability == there.probability).all()
    assert (here.second == there.second).all()
    assert (here.second_probability == there.second_probability).all()


@given(st.from_type(Skeleton))
def test_a_skeleton_that_is_its_own_mirror_belongs_to_both(skeleton: Skeleton) -> None:
    half = skeleton.white & 0xFFFF_FFFF
    whole = Skeleton(half, Skeleton(half, 0).mirrored().black)
    verdict = shipped_classifier().classify(pack([whole]))[0]
    assert whole == whole.mirrored()
    assert verdict.holder == "both"
    assert verdict.second_holder == "both"


def test_a_batch_and_its_rows_one_by_one_agree() -> None:
    classifier = shipped_classifier()
    batch = game_skeletons().masks[::331]
    together = classifier.classify(batch)
    for row in range(batch.shape[0]):
        assert together[row] == classifier.classify(batch[row : row + 1])[0]


def test_where_a_core_is_met_the_table_names_the_family() -> None:
    classifier = shipped_classifier()
    games = game_skeletons().masks
    match = classifier.matcher.match(games)
    verdicts = classifier.classify(games)
    met = match.family != NONE
    assert met.any() and not met.all()
    assert (verdicts.core == met).all()
    assert (verdicts.family[met] == match.family[met]).all()
    assert (verdicts.holder[met] == match.holder[met]).all()
    assert (verdicts.probability[met] >= CORE_TRUST).all()


def test_verdicts_are_well_formed() -> None:
    verdicts = shipped_classifier().classify(game_skeletons().masks)
    unsettled = verdicts.family == NONE
    assert (verdicts.holder[unsettled] == BOTH).all()
    assert not verdicts.core[unsettled].any()
    assert ((verdicts.probability >= 0) & (verdicts.probability <= 1)).all()
    total = verdicts.probability + verdicts.second_probability
    assert (total <= 1 + 1e-4).all()
    same = (verdicts.second == verdicts.family) & (verdicts.second_holder == verdicts.holder)
    assert not same.any()


def test_below_the_threshold_nothing_is_named() -> None:
    classifier = shipped_classifier()
    verdicts = classifier.classify(game_skeletons().masks, cores=False)
    named = verdicts.family != NONE
    assert (verdicts.probability[named] >= classifier.threshold).all()


def test_an_empty_batch_gives_no_verdicts() -> None:
    assert len(shipped_classifier().classify(pack([]))) == 0


def test_a_model_file_comes_back_as_it_was(tmp_path: Path) -> None:
    shipped = shipped_classifier()
    digest = save_classifier(shipped, tmp_path / "copy.npz")
    again = load_classifier(tmp_path / "copy.npz", digest=digest)
    batch = game_skeletons().masks[::97]
    assert (again.scores(batch) == shipped.scores(batch)).all()
    assert again.threshold == shipped.threshold
    assert digest in (tmp_path / "copy.sha256").read_text()


def test_the_shipped_file_is_what_saving_it_again_gives(tmp_path: Path) -> None:
    shipped = shipped_classifier()
    assert save_classifier(shipped, tmp_path / "again.npz") == shipped.digest


def test_a_changed_model_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "model.npz"
    digest = save_classifier(shipped_classifier(), path)
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    with pytest.raises(ModelError, match="changed"):
        load_classifier(path, digest=digest)


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 broken", b"\x80\x04K\x01.", b"x" * 1000])
def test_what_is_no_model_file_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "model.npz"
    path.write_bytes(content)
    with pytest.raises(ModelError, match="no readable model"):
        load_classifier(path)


def test_a_pickle_inside_a_model_file_is_never_loaded(tmp_path: Path) -> None:
    path = tmp_path / "model.npz"
    marker = tmp_path / "ran"

    class Trap:
        def __reduce__(self) -> tuple[object, tuple[str]]:
            return (eval, (f"open({str(marker)!r}, 'w')",))

    np.savez(path, allow_pickle=True, format=np.array([Trap()], dtype=object))
    with pytest.raises(ModelError):
        load_classifier(path)
    assert not marker.exists()


def test_a_model_for_other_families_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "model.npz"
    save_classifier(shipped_classifier(), path)
    other = read_catalogue(
        '[[family]]\nid = "only-one"\nname = "x"\nown = "d4"\nfoe = "d5"\nholder = "both"\n'
    )
    with pytest.raises(ModelError, match="other families"):
        load_classifier(path, catalogue=other)


def test_a_missing_model_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(ModelError, match="cannot be read"):
        load_classifier(tmp_path / "nowhere.npz")


def test_numbers_that_are_not_finite_are_refused(tmp_path: Path) -> None:
    shipped = shipped_classifier()
    output = shipped.output.copy()
    output[0, 0] = np.nan
    broken = Classifier(
        shipped.catalogue,
        shipped.classes,
        shipped.hidden,
        shipped.hidden_bias,
        output,
        shipped.output_bias,
        1.0,
        0.0,
        0.5,
    )
    save_classifier(broken, tmp_path / "model.npz")
    with pytest.raises(ModelError, match="out of bounds"):
        load_classifier(tmp_path / "model.npz")


def test_prediction_does_not_import_scikit_learn() -> None:
    program = (
        "import sys; from pawnlore.models.classifier import shipped_classifier; "
        "from pawnlore.structures.skeleton import pack; "
        "shipped_classifier().classify(pack([(256, 1 << 48)])); "
        "print('sklearn' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "False"
