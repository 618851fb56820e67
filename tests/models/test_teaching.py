"""Teaching: own families from examples, labels that move the network, and what stays."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest

from pawnlore.models.classifier import ModelError, shipped_classifier
from pawnlore.models.common_ground import common_ground
from pawnlore.models.definitions import Definitions
from pawnlore.models.family_teaching import learn_family
from pawnlore.models.label_queue import label_queue
from pawnlore.models.own_family import (
    Corrections,
    FamilyError,
    LearntFamily,
    OwnFamily,
    check_id,
)
from pawnlore.models.sampling import game_skeletons
from pawnlore.models.taught_classifier import (
    TaughtClassifier,
    read_taught,
    taught_bytes,
    with_families,
)
from pawnlore.models.teaching import AuthorLabels, find_contradictions, no_labels, teach
from pawnlore.models.teaching_reference import shipped_reference
from pawnlore.models.traits import CODES, trait_codes, traits
from pawnlore.structures.matcher import file_patterns
from pawnlore.structures.skeleton import Masks, mirror_batch, skeletons_from_fens
from pawnlore.structures.verdict import BLACK, BOTH, NONE, WHITE

# The bind with the a-pawn on a4 or a5, from common practice; no source.
CLAMP = (
    "8/pp2pp1p/3p2p1/8/P1P1P3/8/1P3PPP/8",
    "8/pp2p2p/3p1pp1/8/P1P1P3/1P6/5PPP/8",
    "8/1p2pp1p/p2p2p1/8/P1P1P3/8/1P3PPP/8",
    "8/pp2pp1p/3p2p1/P7/2P1P3/8/1P3PPP/8",
    "8/pp1ppp1p/6p1/8/P1P1P3/5P2/1P4PP/8",
)
BIND = "8/pp2pp1p/3p2p1/8/2P1P3/1P6/P4PPP/8"
NOTHING = np.empty((0, 2), dtype=np.uint64)


def clamp(**changes: object) -> OwnFamily:
    masks = skeletons_from_fens(CLAMP)
    holders = np.full(len(CLAMP), WHITE, dtype=np.int8)
    family = OwnFamily("own/clamp", "wing clamp", masks, holders, NOTHING, "maroczy-bind")
    return replace(family, **changes)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def some_games() -> Masks:
    return game_skeletons().masks[::37]


@pytest.fixture(scope="module")
def learnt_clamp() -> LearntFamily:
    return learn_family(clamp(), shipped_reference(), seed=4)


@pytest.fixture(scope="module")
def taught_clamp() -> TaughtClassifier:
    return teach(shipped_classifier(), no_labels(), [clamp()]).classifier


def test_codes_tell_what_the_conditions_on_a_file_say(some_games: Masks) -> None:
    codes = trait_codes(some_games)
    assert codes.shape == (some_games.shape[0], len(traits()))
    patterns = file_patterns(np.ascontiguousarray(some_games[:, 1]))
    e_file = traits()[12]
    met = e_file.met
    empty = next(i for i, c in enumerate(e_file.conditions) if c.text == "no e")
    at_home = next(i for i, c in enumerate(e_file.conditions) if c.text == "e7")
    assert np.array_equal(met[empty][codes[:, 12]], patterns[4] == 0)
    assert np.array_equal(met[at_home][codes[:, 12]], patterns[4] == 1 << 6)


def test_that_a_file_is_not_open_can_be_told(some_games: Masks) -> None:
    place = [trait.name for trait in traits()].index("open e")
    codes = trait_codes(some_games)
    empty = (codes[:, 4] == 0) & (codes[:, 12] == 0)
    assert empty.any() and not empty.all()
    assert np.array_equal(traits()[place].met[1][codes[:, place]], ~empty)
    tables = np.full((len(traits()), CODES), (1 << 64) - 1, dtype=np.uint64)
    tables[place] = np.where(traits()[place].met[1], tables[place], 0)
    family = LearntFamily("own/x", "x", "", True, 0.5, 5, Definitions(tables))
    (told,) = common_ground(family).traits
    assert (told.trait, told.words) == ("open e", "either side: a pawn on the e-file")
    assert Corrections(free=("open e",)).fixed() == {place: (1 << 64) - 1}


def test_every_trait_first_asks_for_nothing_and_has_no_condition_twice() -> None:
    for trait in traits():
        possible = trait.conditions[0].codes
        assert possible & (possible + 1) == 0, "codes are counted from 0 without a gap"
        assert possible < 1 << CODES
        sets = [c.codes for c in trait.conditions]
        assert len(set(sets)) == len(sets) and all(c & possible == c for c in sets)


def test_the_same_examples_give_the_same_family_and_another_seed_another_one(
    learnt_clamp: LearntFamily,
) -> None:
    one, again = learnt_clamp, learn_family(clamp(), shipped_reference(), seed=4)
    other = learn_family(clamp(), shipped_reference(), seed=5)
    assert np.array_equal(one.definitions.tables, again.definitions.tables)
    assert not np.array_equal(one.definitions.tables, other.definitions.tables)


def test_examples_of_one_side_teach_the_other_and_every_skeleton_agrees_with_its_mirror(
    some_games: Masks, learnt_clamp: LearntFamily
) -> None:
    learnt = learnt_clamp
    both = np.concatenate([some_games, skeletons_from_fens(CLAMP)])
    mirrored = mirror_batch(both)
    share, holder = learnt.judge(trait_codes(both), trait_codes(mirrored))
    again, turned = learnt.judge(trait_codes(mirrored), trait_codes(both))
    assert np.array_equal(share, again)
    assert np.array_equal(np.array([BOTH, BLACK, WHITE])[holder], turned)
    assert (share[-len(CLAMP) :] >= learnt.stands).all()
    assert (holder[-len(CLAMP) :] == WHITE).all()


def test_a_refinement_does_not_take_all_of_its_parent() -> None:
    plain = skeletons_from_fens([BIND])
    codes, turned = trait_codes(plain), trait_codes(mirror_batch(plain))
    learnt = [learn_family(clamp(), shipped_reference(), seed=seed) for seed in range(5)]
    # Single draws of the definitions differ; some come near what is needed.
    shares = [one.judge(codes, turned)[0][0] for one in learnt]
    assert np.mean(shares) < 0.9 * learnt[0].stands


def test_counter_examples_are_kept_out() -> None:
    wide = skeletons_from_fens([CLAMP[3]])
    kept = np.array([0, 1, 2, 4])
    family = clamp()
    without = replace(
        family, examples=family.examples[kept], holders=family.holders[kept], counter=wide
    )
    learnt = learn_family(without, shipped_reference())
    share, _ = learnt.judge(trait_codes(wide), trait_codes(mirror_batch(wide)))
    assert share[0] < learnt.stands


def test_the_author_can_correct_what_the_examples_have_in_common(
    learnt_clamp: LearntFamily,
) -> None:
    before = {t.trait for t in common_ground(learnt_clamp).traits}
    assert {"own c", "own e", "foe c"} <= before
    corrected = clamp(corrections=Corrections(must=("foe g6",), free=("own c",)))
    after = common_ground(learn_family(corrected, shipped_reference()))
    told = {t.trait: t for t in after.traits}
    assert "own c" not in told
    assert told["foe g"].words == "the other side: a pawn on g6, alone on its file"
    assert told["foe g"].sure == 1.0


@pytest.mark.parametrize(
    ("must", "free", "told"),
    [
        (("d4",), (), "own' or 'foe"),
        (("own d9",), (), "no square"),
        (("own e4/c4",), (), "two files"),
        ((), ("own z",), "'own z'"),
        (("own d4",) * 40, (), "are the most"),
        (("foe h6", "foe h7"), (), "no position has 'foe h7'"),
        (("own a4|a5", "own no a"), (), "take one back"),
    ],
)
def test_corrections_that_cannot_be_read_are_told(
    must: tuple[str, ...], free: tuple[str, ...], told: str
) -> None:
    with pytest.raises(FamilyError, match=told):
        Corrections(must, free).fixed()


@pytest.mark.parametrize("id", ["clamp", "own/", "own/Clamp", "own/a b", "own/x" * 40, "own/a/b"])
def test_ids_that_are_none_are_refused(id: str) -> None:
    with pytest.raises(FamilyError):
        check_id(id)


def test_a_family_without_example_and_an_unknown_parent_are_told() -> None:
    empty = np.empty(0, dtype=np.int8)
    with pytest.raises(FamilyError, match="no example"):
        learn_family(clamp(examples=NOTHING, holders=empty), shipped_reference())
    with pytest.raises(FamilyError, match="no shipped family"):
        learn_family(clamp(parent="own/clamp"), shipped_reference())


def test_a_core_keeps_its_name_and_tells_the_own_family_as_the_second(
    taught_clamp: TaughtClassifier,
) -> None:
    taught = taught_clamp
    verdict = taught.classify(skeletons_from_fens(CLAMP[:1]))[0]
    assert (verdict.structure, verdict.holder, verdict.core) == ("maroczy-bind", "white", True)
    assert (verdict.second, verdict.second_holder) == ("own/clamp", "white")
    turned = taught.classify(mirror_batch(skeletons_from_fens(CLAMP[:1])))[0]
    assert (turned.structure, turned.second, turned.second_holder) == (
        "maroczy-bind",
        "own/clamp",
        "black",
    )


def test_off_the_cores_an_own_family_is_named_and_the_rest_stays(some_games: Masks) -> None:
    # Both sides have doubled the e-pawns: no shipped family speaks of it.
    fens = [
        f"8/{a}/4p3/4p3/4P3/4P3/{b}/8"
        for a, b in zip(
            ("ppp2ppp", "1pp2ppp", "ppp2pp1", "pp3ppp"),
            ("PPP2PPP", "PPP2PP1", "1PP2PPP", "PP3PPP"),
            strict=True,
        )
    ]
    masks = skeletons_from_fens(fens)
    base = shipped_classifier()
    free = base.matcher.match(masks).family == NONE
    assert free.any()
    family = OwnFamily("own/pillars", "pillars", masks, np.zeros(4, dtype=np.int8), NOTHING)
    taught = teach(base, no_labels(), [family]).classifier
    found = taught.classify(masks[free])
    assert {found.structure(row) for row in range(len(found))} == {"own/pillars"}
    assert (found.holder == BOTH).all() and (found.probability > 0.3).all()
    before, after = base.classify(some_games), taught.classify(some_games)
    other = np.array([after.structure(row) != before.structure(row) for row in range(len(after))])
    assert other.mean() < 0.01
    assert not other[before.core].any()


def test_a_taught_model_is_read_back_as_it_was_and_no_changed_or_foreign_file_is(
    some_games: Masks, taught_clamp: TaughtClassifier
) -> None:
    taught = taught_clamp
    data = taught_bytes(taught)
    read = read_taught(data)
    one, other = taught.classify(some_games), read.classify(some_games)
    for column in ("family", "holder", "probability", "second", "second_probability"):
        assert np.array_equal(getattr(one, column), getattr(other, column))
    assert read.own[0].name == "wing clamp" and taught_bytes(read) == data
    for bad in (data[:-40], b"", b"PK\x03\x04", data[: len(data) // 2], bytes(300)):
        with pytest.raises(ModelError):
            read_taught(bad)
    changed = bytearray(data)
    changed[len(data) // 2] ^= 1
    with pytest.raises(ModelError, match="changed"):
        read_taught(bytes(changed), digest=read.digest)
    stream = io.BytesIO()
    np.savez(stream, format=np.array("something else"))
    with pytest.raises(ModelError, match="another version"):
        read_taught(stream.getvalue())
    pickled = io.BytesIO()
    np.savez(pickled, format=np.array(print, dtype=object), allow_pickle=True)
    with pytest.raises(ModelError):
        read_taught(pickled.getvalue())


def test_contradictions_are_shown_and_not_averaged() -> None:
    masks = skeletons_from_fens([CLAMP[0], CLAMP[1]])
    labels = AuthorLabels(
        np.concatenate([masks[:1], mirror_batch(masks[:1])]),
        ("maroczy-bind", "maroczy-bind"),
        np.array([WHITE, WHITE], dtype=np.int8),
    )
    # The mirror belongs to Black if the skeleton belongs to White.
    (first,) = find_contradictions(labels, [])
    assert "held by" in first.one and first.one != first.other
    agreeing = replace(labels, holders=np.array([WHITE, BLACK], dtype=np.int8))
    assert find_contradictions(agreeing, []) == ()
    assert find_contradictions(agreeing, [clamp()]) == ()  # it is the clamp's parent
    agreeing = replace(agreeing, structures=("open-english", "open-english"))
    against = find_contradictions(agreeing.take(np.array([0])), [clamp()])
    # Both are told for the skeleton that stands beside them, which is the canonical one.
    assert [c.one for c in against] == ["a label open-english, held by black"]
    assert "own/clamp" in against[0].other
    taught = teach(shipped_classifier(), agreeing, [clamp()])
    assert taught.contradictions == find_contradictions(agreeing, [clamp()])
    assert taught.classifier.own[0].examples == len(CLAMP) - 1


def test_an_example_that_does_not_fit_is_found() -> None:
    stray = skeletons_from_fens(["8/pp3ppp/4p3/3pP3/3P4/2P5/PP3PPP/8"])
    family = clamp()
    wrong = replace(
        family,
        examples=np.concatenate([family.examples, stray]),
        holders=np.append(family.holders, np.int8(WHITE)),
        parent="",
    )
    more = skeletons_from_fens(
        [fen.replace("/1P3PPP/", "/1P4PP/") for fen in CLAMP if "/1P3PPP/" in fen]
    )
    wrong = replace(
        wrong,
        examples=np.concatenate([wrong.examples, more]),
        holders=np.concatenate([wrong.holders, np.full(len(more), WHITE, dtype=np.int8)]),
    )
    misfits = teach(shipped_classifier(), no_labels(), [wrong]).misfits
    assert [m.skeleton for m in misfits] == [tuple(stray[0].tolist())]


def test_labels_move_what_is_like_them_and_little_else(some_games: Masks) -> None:
    base = shipped_classifier()
    unsure = base.classify(some_games)
    rows = np.flatnonzero((unsure.family == NONE) & (unsure.second != NONE))[:6]
    labels = AuthorLabels(
        some_games[rows],
        tuple(unsure.names[unsure.second[row]] for row in rows),
        unsure.second_holder[rows],
    )
    taught = teach(base, labels, []).classifier
    again = teach(base, labels, []).classifier
    assert np.array_equal(taught.output, again.output)
    found = taught.classify(some_games[rows])
    followed = [found.structure(i) == labels.structures[i] for i in range(len(rows))]
    assert sum(followed) >= 5
    after = taught.classify(some_games)
    assert (after.family != unsure.family).mean() < 0.05
    assert teach(base, no_labels(), []).classifier.output is base.output


def test_nothing_is_asked_twice_and_what_is_asked_is_varied(some_games: Masks) -> None:
    taught = with_families(shipped_classifier(), ())
    nodes = np.arange(some_games.shape[0]) % 7 + 1
    first = label_queue(taught, some_games, nodes, NOTHING, count=8)
    assert len({q.skeleton for q in first}) == len(first) == 8
    assert all(q.reason in ("uncertain", "disagrees with the core") for q in first)
    asked = mirror_batch(np.array([q.skeleton for q in first], dtype=np.uint64))
    second = label_queue(taught, some_games, nodes, asked, count=8)
    assert not {q.skeleton for q in first} & {q.skeleton for q in second}
    apart = [
        int(
            np.bitwise_count(
                np.array(a.skeleton, np.uint64) ^ np.array(b.skeleton, np.uint64)
            ).sum()
        )
        for i, a in enumerate(first)
        for b in first[:i]
    ]
    assert min(apart) >= 3
    assert label_queue(taught, NOTHING, np.empty(0, np.int64), NOTHING) == ()
