"""What a note's text costs to render, and that none of it is lost.

The attacks are the usual ones on readers of CommonMark, from memory; there is no
source for the bounds, which are wide.
"""

from __future__ import annotations

from html import unescape
from time import process_time

import pytest

from pawnlore.service.note_text import MOST_MARKS, note_html, note_paragraphs
from pawnlore.structures.plan_note import NOTE_LENGTH

SHORT, LONG = 2_000, 8_000
HARMLESS = "The *break* of [the manual](https://example.org), `Rab1` and **b4**, as always.\n\n"

ATTACKS = {
    "brackets": "[",
    "brackets on lines": "[\n",
    "pictures": "![",
    "links that never end": "[](",
    "links within links": "[[a](b",
    "references": "[a][",
    "definitions": "[a]: b\n",
    "definitions with titles": "[a]: b '\n",
    "emphasis": "*a",
    "strong emphasis": "*a **b ",
    "mixed emphasis": "*_",
    "closing emphasis": "a**b_ ",
    "angle brackets": "<",
    "tags": "<a b='",
    "comments": "<!--",
    "instructions": "<?",
    "addresses": "<http:",
    "character names": "&",
    "backslashes": "\\",
    "quotes": "> a\n",
    "quotes in one line": ">",
    "lists": "- a\n",
    "lists in one line": "- ",
    "headings": "a\n=\n",
    "fences": "~~~\n",
    "blanks": " ",
}
ODD = {
    "backticks": "".join("`" * count + "a" for count in range(1, 200)),
    "nested lists": "".join(" " * (2 * depth) + "- a\n" for depth in range(140)),
    "nested quotes": "".join(">" * depth + " a\n" for depth in range(1, 200)),
}


def text(attack: str, length: int) -> str:
    if attack in ODD:
        return ODD[attack][:length]
    return (ATTACKS[attack] * length)[:length]


def cost(body: str, tries: int = 2) -> float:
    """Processor seconds to render a body, the best of some tries."""
    best = float("inf")
    for _ in range(tries):
        start = process_time()
        note_html(body)
        best = min(best, process_time() - start)
    # What is too quick to be measured counts as a millisecond.
    return max(best, 1e-3)


@pytest.fixture(scope="module")
def harmless() -> float:
    return cost((HARMLESS * LONG)[:LONG])


@pytest.mark.parametrize("attack", [*ATTACKS, *ODD])
def test_an_attack_costs_what_its_length_does(attack: str, harmless: float) -> None:
    long = cost(text(attack, LONG))
    # 4 where the cost grows with the length, 16 where it does with the square.
    assert long < 9 * cost(text(attack, SHORT), tries=3)
    assert long < 60 * harmless


def test_brackets_without_end_cost_little_and_are_all_shown() -> None:
    body = "[" * 99_000
    harmless = (HARMLESS * NOTE_LENGTH)[: len(body)]
    assert cost(body) < cost(harmless)
    assert note_html(body) == f"<p>{body}</p>\n"
    assert note_paragraphs(body) == [body]


def test_what_is_beyond_the_most_marks_is_shown_as_it_was_written() -> None:
    last = "Then *b4* & <b>\n\\[more](https://example.org)"
    body = "*a* " * (MOST_MARKS // 2) + "\n\n" + last
    first, second = note_html(body).strip().split("</p>\n<p>")
    assert first.count("<em>a</em>") == MOST_MARKS // 2
    assert unescape(second.removesuffix("</p>")) == last
    assert "<b>" not in second and "<a" not in second
    assert note_paragraphs(body)[1] == " ".join(last.split())
