"""Two authors' changes together. The rules are those of any three-way merge; no source."""

from __future__ import annotations

import difflib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pawnlore.service.text_comparison import MOST_ROWS, comparison
from pawnlore.service.text_merge import merged

texts = st.lists(st.sampled_from(["a", "b", "c", "", "d d"]), max_size=12).map(
    lambda lines: "".join(f"{line}\n" for line in lines)
)


@given(texts, texts)
def test_one_change_alone_is_taken(base: str, other: str) -> None:
    assert merged(base, other, base) == other
    assert merged(base, base, other) == other
    assert merged(base, other, other) == other


@given(texts, texts, texts)
def test_the_order_of_the_two_does_not_matter(base: str, mine: str, theirs: str) -> None:
    assert merged(base, mine, theirs) == merged(base, theirs, mine)


@given(texts, texts, texts)
def test_no_line_that_was_put_in_is_lost(base: str, mine: str, theirs: str) -> None:
    both = merged(base, mine, theirs)
    if both is None:
        return
    for text in (mine, theirs):
        new = [
            one[2:] for one in difflib.ndiff(base.split("\n"), text.split("\n")) if one[0] == "+"
        ]
        assert set(new) <= set(both.split("\n"))


def test_changes_apart_fit_together_and_changes_of_one_line_do_not() -> None:
    base = "title\n\nfirst\n\nsecond\n\nthird\n"
    mine, theirs = base.replace("first", "1st"), base.replace("third", "3rd")
    assert merged(base, mine, theirs) == "title\n\n1st\n\nsecond\n\n3rd\n"
    assert merged(base, mine, base.replace("first", "FIRST")) is None
    assert merged(base, mine, base.replace("first\n", "")) is None


@pytest.mark.parametrize("end", ["", "\n"])
def test_a_last_line_without_an_end(end: str) -> None:
    assert merged(f"a\nb\nc{end}", f"A\nb\nc{end}", f"a\nb\nC{end}") == f"A\nb\nC{end}"


@given(texts, texts)
def test_a_comparison_shows_every_difference(old: str, new: str) -> None:
    compared = comparison(old, new)
    assert compared.alike == (old.splitlines() == new.splitlines())
    # Beside what is the same, the parts make up the lines of either text.
    for side, text in (("old", old), ("new", new)):
        shown = [
            "".join(part for _, part in getattr(row, side))
            for row in compared.rows
            if row.kind != "gap" and (getattr(row, side) or row.kind in ("same", "changed"))
        ]
        place = 0
        lines = text.splitlines()
        for line in shown:
            assert line in lines[place:]
            place = lines.index(line, place) + 1
    for row in compared.rows:
        if row.kind == "same":
            assert row.old == row.new


def test_long_texts_are_compared_in_bounded_room_and_time() -> None:
    compared = comparison("x\n" * 5000, "".join(f"{n % 7}\n" for n in range(5000)))
    assert compared.cut and len(compared.rows) <= MOST_ROWS
    assert comparison("a " * 60_000, "b a " * 30_000).cut
