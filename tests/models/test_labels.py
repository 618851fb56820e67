"""Label files are read whole or refused whole, with every bad line named."""

from __future__ import annotations

import pytest

from pawnlore.models.labels import LabelError, join_labels, read_labels, shipped_labels
from pawnlore.structures.catalogue import shipped_catalogue

GOOD = '8/8/4p3/3p4/3P4/8/8/8 w - - id "a"; c0 "unsettled"; c1 "both"; c2 "too few";'


def test_a_line_gives_its_texts() -> None:
    labels = read_labels(f"# a remark\n\n{GOOD}\n", shipped_catalogue())
    assert len(labels) == 1
    assert (labels.ids, labels.reasons) == (("a",), ("too few",))


def test_every_bad_line_is_named() -> None:
    text = "\n".join(
        [
            GOOD,
            "no position at all",
            GOOD.replace("unsettled", "no-such-family"),
            GOOD.replace('"both"', '"green"'),
            GOOD.replace('"both"', '"white"'),
        ]
    )
    with pytest.raises(LabelError) as caught:
        read_labels(text, shipped_catalogue(), source="mine.epd")
    lines = str(caught.value).splitlines()
    assert [line.split(":")[0] for line in lines] == [
        f"mine.epd, line {number}" for number in (2, 3, 4, 5)
    ]


@pytest.mark.parametrize("placement", ["P7/8/8/8/8/8/8/8", "8/8/8/8/8/8/8/p7"])
def test_a_pawn_on_the_first_or_last_rank_is_refused(placement: str) -> None:
    with pytest.raises(LabelError, match=r"line 1: .*a pawn stands on rank"):
        read_labels(GOOD.replace("8/8/4p3/3p4/3P4/8/8/8", placement), shipped_catalogue())


def test_an_empty_file_has_no_labels() -> None:
    assert len(read_labels("", shipped_catalogue())) == 0


def test_joined_labels_keep_their_order() -> None:
    catalogue = shipped_catalogue()
    demo = shipped_labels("positions.epd", catalogue)
    one = read_labels(GOOD, catalogue)
    both = join_labels(demo, one)
    assert both.ids == (*demo.ids, "a")
    assert both.masks.shape == (len(demo) + 1, 2)
