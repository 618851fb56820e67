"""Core gaps: exactly the missed conditions, told alike for both sides."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pawnlore.structures.core_gap import Gap, core_gaps
from pawnlore.structures.matcher import shipped_matcher
from pawnlore.structures.skeleton import Skeleton, mirror_batch, pack, skeletons_from_fens


@given(st.lists(st.from_type(Skeleton), min_size=1, max_size=5), st.integers(1, 2))
def test_a_gap_is_exactly_a_condition_that_is_not_met(skeletons: list[Skeleton], most: int) -> None:
    matcher = shipped_matcher()
    gaps = core_gaps(matcher, pack(skeletons), most=most)
    found = {
        (int(r), int(f), bool(b), bool(o), gaps.conditions[c].text)
        for r, f, b, o, c in zip(
            gaps.row, gaps.family, gaps.black, gaps.foe, gaps.condition, strict=True
        )
    }
    expected = set()
    for row, skeleton in enumerate(skeletons):
        for family in matcher.catalogue.families:
            for black in (False, True):
                view = skeleton.mirrored() if black else skeleton
                missed = [(False, c.text) for c in family.core.own if not c.met(view.white)]
                missed += [(True, c.text) for c in family.core.foe if not c.met(view.black)]
                if 1 <= len(missed) <= most:
                    expected |= {(row, family.rank, black, *miss) for miss in missed}
    assert found == expected


@given(st.lists(st.from_type(Skeleton), min_size=1, max_size=5))
def test_gaps_of_the_mirror_are_the_same_with_the_other_holder(skeletons: list[Skeleton]) -> None:
    batch = pack(skeletons)
    here, there = (core_gaps(shipped_matcher(), m, most=2) for m in (batch, mirror_batch(batch)))
    first = sorted(zip(here.row, here.family, here.black, here.condition, here.kind, strict=True))
    other = sorted(
        zip(there.row, there.family, ~there.black, there.condition, there.kind, strict=True)
    )
    assert first == other


@given(st.lists(st.from_type(Skeleton), min_size=1, max_size=5))
def test_a_candidate_is_one_skeleton_family_and_side(skeletons: list[Skeleton]) -> None:
    gaps = core_gaps(shipped_matcher(), pack(skeletons), most=2)
    keys = list(zip(gaps.row.tolist(), gaps.family.tolist(), gaps.black.tolist(), strict=True))
    by_number = dict(zip(gaps.candidate.tolist(), keys, strict=True))
    assert len(by_number) == len(set(keys))
    assert [by_number[n] for n in gaps.candidate.tolist()] == keys


@pytest.mark.parametrize(
    ("placement", "kind"),
    [
        # The Carlsbad core wants White's single e-pawn on e2 or e3.
        ("8/pp3ppp/2p5/3p4/3P4/8/PP3PPP/8", Gap.GONE),
        ("8/pp3ppp/2p5/3p4/3PP3/8/PP3PPP/8", Gap.LEVER),
        ("8/pp3ppp/2p5/3pP3/3P4/8/PP3PPP/8", Gap.PAST),
        ("8/pp3ppp/2p5/3p4/3P4/4P3/PP2PPPP/8", Gap.DOUBLED),
        # Black's c-pawn, told from Black's side.
        ("8/pp3ppp/8/2pp4/3P4/4P3/PP3PPP/8", Gap.LEVER),
        ("8/pp3ppp/8/3p4/2pP4/4P3/PP3PPP/8", Gap.PAST),
        # An extra pawn: White's c-file should be empty.
        ("8/pp3ppp/2p5/3p4/3P4/4P3/PPP2PPP/8", Gap.EXTRA),
        # White's d-pawn one step short, and two steps.
        ("8/pp3ppp/2p5/3p4/8/3PP3/PP3PPP/8", Gap.SHORT_ONE),
        ("8/pp3ppp/2p5/3p4/8/4P3/PP1P1PPP/8", Gap.SHORT_MORE),
    ],
)
def test_every_kind_of_gap(placement: str, kind: Gap) -> None:
    matcher = shipped_matcher()
    gaps = core_gaps(matcher, skeletons_from_fens([placement]))
    carlsbad = (gaps.family == matcher.catalogue.ids.index("carlsbad")) & ~gaps.black
    assert [Gap(int(k)) for k in gaps.kind[carlsbad]] == [kind]


def test_an_empty_batch_has_no_gaps() -> None:
    assert len(core_gaps(shipped_matcher(), np.empty((0, 2), dtype=np.uint64))) == 0
