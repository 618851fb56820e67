"""Why a verdict was given: true to the pawns, the same from both sides."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pawnlore.models.classifier import shipped_classifier
from pawnlore.models.definitions import Definitions
from pawnlore.models.explanation import Explanation, explain, wish
from pawnlore.models.labels import Labels, learnt_labels
from pawnlore.models.own_family import LearntFamily
from pawnlore.models.taught_classifier import with_families
from pawnlore.models.traits import CODES, traits
from pawnlore.service.exports.explanation_text import explanation_lines
from pawnlore.structures.catalogue import shipped_catalogue
from pawnlore.structures.skeleton import FILES, Skeleton, pack, skeleton_from_fen


@pytest.fixture(scope="module")
def labels() -> Iterator[Labels]:
    yield learnt_labels(shipped_catalogue())


def explained(placement: str, labels: Labels) -> Explanation:
    return explain(shipped_classifier(), skeleton_from_fen(placement), labels)


def test_the_isolani_itself_speaks_loudest(labels: Labels) -> None:
    found = explained("8/pp3ppp/4p3/8/3P4/8/PP3PPP/8", labels)
    loudest = {(v.side, v.square) for v in found.speaks_for[:2]}
    assert found.verdict.core
    assert loudest == {("white", "d4"), ("black", "e6")}
    assert found.missed == ()


def test_a_lever_is_named_as_what_keeps_the_core_away(labels: Labels) -> None:
    found = explained("8/pp3ppp/2p5/3p4/3PP3/8/PP3PPP/8", labels)
    first = found.missed[0]
    assert (first.structure, first.holder, first.gap) == ("carlsbad", "white", "lever")
    assert first.change == "White: a single pawn on e2 or e3; now on the e-file: e4"


def test_a_labelled_position_is_its_own_nearest_example(labels: Labels) -> None:
    row = labels.ids.index("demo-0001")
    skeleton = Skeleton(int(labels.masks[row, 0]), int(labels.masks[row, 1]))
    nearest = explain(shipped_classifier(), skeleton, labels).nearest
    assert nearest is not None
    assert (nearest.id, nearest.distance, nearest.mirrored) == ("demo-0001", 0.0, False)
    turned = explain(shipped_classifier(), skeleton.mirrored(), labels).nearest
    assert turned is not None
    assert turned.distance == 0.0


@settings(max_examples=25)
@given(st.from_type(Skeleton))
def test_the_mirror_is_explained_alike(skeleton: Skeleton) -> None:
    none = learnt_labels(shipped_catalogue()).take(pack([]).astype(int)[:, 0])
    here = explain(shipped_classifier(), skeleton, none)
    there = explain(shipped_classifier(), skeleton.mirrored(), none)
    swap = {"white": "black", "black": "white"}
    turned = {(swap[v.side], f"{v.square[0]}{9 - int(v.square[1])}") for v in there.speaks_for}
    if skeleton != skeleton.mirrored():
        assert {(v.side, v.square) for v in here.speaks_for} == turned
    assert {(m.structure, m.gap) for m in here.missed[:1]} <= {
        (m.structure, m.gap) for m in there.missed
    } or len(here.missed) == 3


def test_no_pawns_can_be_explained(labels: Labels) -> None:
    found = explain(shipped_classifier(), Skeleton(0, 0), labels)
    assert found.speaks_for == ()


@pytest.mark.parametrize(
    ("condition", "words"),
    [
        ("no c", "no pawn on the c-file"),
        ("has c/e", "a pawn on the c- or e-file"),
        ("two c", "two pawns on the c-file"),
        ("on c4", "a pawn on c5"),
        ("c3+c4", "pawns on c6 and c5"),
        ("c2|c3", "a single pawn on c7 or c6"),
    ],
)
def test_every_kind_of_condition_has_words(condition: str, words: str) -> None:
    assert wish(condition, black=True) == words


def test_a_verdict_with_a_family_of_the_authors_own_is_explained(labels: Labels) -> None:
    base = shipped_classifier()
    tables = np.full((len(traits()), CODES), (1 << 64) - 1, dtype=np.uint64)
    # Every definition asks for the holder's pawn on f4, alone on its file, and for nothing else.
    tables[FILES.index("f")] = 0
    tables[FILES.index("f"), 1 << 2] = (1 << 64) - 1
    own = LearntFamily("own/grip", "Grip", "", False, 0.2, 3, Definitions(tables))
    skeleton = skeleton_from_fen("8/pp4pp/2p5/3p4/5P2/8/PP5P/8")
    found = explain(with_families(base, (own,)), skeleton, labels)
    assert found.verdict.structure == "own/grip"
    assert [(voice.side, voice.square) for voice in found.speaks_for] == [("white", "f4")]
    assert found.speaks_against == ()
    lines = list(explanation_lines(found, base.catalogue))
    assert lines[0].startswith("own/grip, White's")
