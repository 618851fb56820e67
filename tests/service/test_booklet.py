"""The study booklet: what it holds, what it never does, and how it prints.

The standard library's HTML parser reads the page. Chromium prints it and pypdf
reads the print.
"""

from __future__ import annotations

import io
import os
import re
import shutil
import subprocess
from collections import defaultdict
from dataclasses import dataclass
from importlib.resources import as_file, files
from pathlib import Path
from types import SimpleNamespace

import pytest
from html_page import Page
from hypothesis import given, settings
from hypothesis import strategies as st
from repertoires import by_cores, random_texts

from pawnlore.service import cli, models_at_hand
from pawnlore.service.exports.booklet import booklet
from pawnlore.service.exports.line_text import family_name
from pawnlore.service.note_text import note_html
from pawnlore.service.notes_folder import read_notes_folder
from pawnlore.service.workbook import Workbook, make_workbook
from pawnlore.structures.pgn_reader import read_repertoire
from pawnlore.structures.plan_note import PlanNote, parse_note
from pawnlore.structures.repertoire_side import given_side, infer_side


def workbook(*texts: str, side: str | None = None) -> Workbook:
    streams = [io.StringIO(text) for text in texts]
    book = read_repertoire(streams, with_fen=True, with_keys=True)
    return make_workbook(book, by_cores, given_side(book, side) if side else infer_side(book))


def page_of(work: Workbook, notes: list[PlanNote] | None = None, **options: object) -> Page:
    return Page("".join(booklet(work, by_cores, notes, **options)))  # type: ignore[arg-type]


def demo() -> tuple[Workbook, list[PlanNote]]:
    with (
        as_file(files("pawnlore.labelled_demo").joinpath("repertoire")) as folder,
        as_file(files("pawnlore.labelled_demo").joinpath("notes")) as notes,
    ):
        paths = sorted(str(path) for path in folder.glob("*.pgn"))
        book = read_repertoire(paths, with_fen=True, with_keys=True)
        return make_workbook(book, by_cores, infer_side(book)), list(read_notes_folder(notes).notes)


@pytest.fixture(scope="module")
def demo_page() -> tuple[Workbook, list[PlanNote], Page]:
    work, notes = demo()
    return work, notes, page_of(work, notes, title="The Quiet Lever")


def test_every_part_of_the_demo_is_there(demo_page: tuple[Workbook, list[PlanNote], Page]) -> None:
    work, notes, page = demo_page
    said = page.said
    for group in work.groups.groups:
        assert family_name(group.structure).lower() in said.lower()
    for game in work.book.games:
        assert " ".join(game.chapter.split()) in said
    # Comments that only talk to other programs are none here.
    for comments in work.book.comments.values():
        for comment in comments:
            assert " ".join(comment.text.split()) in said
    reached = {group.structure for group in work.groups.groups}
    for note in notes:
        if note.structure in reached:
            assert note.title in said
    for heading in ("What it is", "Our plan", "Their plan", "Breaks", "Lines", "Transpositions"):
        assert heading in said
    # The demo's README says that 5...cxb5 is marked as a mistake and refuted by 6.Qf3.
    assert re.search(r"5\.\.\.cxb5\? ?, their mistake .*?is answered by 6\.Qf3", said)
    assert "Still owed" in said


def test_every_line_has_its_place_and_every_reference_leads_somewhere(
    demo_page: tuple[Workbook, list[PlanNote], Page],
) -> None:
    work, _, page = demo_page
    assert set(page.ids.values()) == {1}
    lines = [name for name in page.ids if name.startswith("line-")]
    assert len(lines) == len(work.book.leaves)
    for tag, name, value in page.attributes:
        if name == "href":
            assert value.startswith("#") and value[1:] in page.ids, (tag, value)
        if name in ("aria-labelledby",):
            assert value in page.ids
    assert page.tags["figure"] == 2 * sum(group.settled for group in work.groups.groups)


def test_nothing_is_fetched_and_nothing_can_run(
    demo_page: tuple[Workbook, list[PlanNote], Page],
) -> None:
    _, _, page = demo_page
    assert not {"script", "link", "img", "iframe", "object", "form"} & set(page.tags)
    assert not [name for _, name, _ in page.attributes if name in ("src", "style", "srcset")]
    assert not [name for _, name, _ in page.attributes if name.startswith("on")]
    style = page.text.partition("<style>")[2].partition("</style>")[0]
    assert "url(" not in style and "@import" not in style
    assert ("meta", "http-equiv", "Content-Security-Policy") in page.attributes


HOSTILE = '<script>alert(1)</script> "><img src=x onerror=alert(1)> </style> &amp; \x07 \u202e'


def test_hostile_headers_comments_and_notes_are_shown_as_text() -> None:
    quoted = HOSTILE.replace('"', '\\"')
    pgn = (
        f'[Event "{quoted}"]\n[Annotator "{quoted}"]\n\n{{{HOSTILE}}} 1. d4 {{{HOSTILE}}} d5 '
        "2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 c6 6. e3 Be7 7. Bd3 O-O 8. Qc2 *\n"
    )
    note = parse_note(
        '+++\nstructure = "carlsbad"\nholder = "any"\nside = "holder"\n'
        "title = '<script>alert(2)</script>'\n+++\n"
        "<script>alert(3)</script> [x](javascript:alert(4)) ![p](https://example.org/p.png)\n\n"
        "<iframe src=x></iframe>\n\n# <b>head</b>\n"
    )
    page = page_of(workbook(pgn), [note], title=HOSTILE)
    assert not {"script", "img", "iframe"} & set(page.tags)
    assert page.tags["style"] == 1
    assert not [name for _, name, _ in page.attributes if name.startswith("on") or name == "src"]
    away = {value for _, name, value in page.attributes if name == "href" and value[0] != "#"}
    assert away <= {"https://example.org/p.png"}, "a link, which nobody follows unasked"
    assert "<script>alert(1)</script>" in page.said
    assert "<script>alert(2)</script>" in page.said
    assert "<script>alert(3)</script>" in page.said
    assert "\x07" not in page.text and "\u202e" not in page.text


@settings(max_examples=25)
@given(random_texts, st.sampled_from(["white", "black", "mixed"]))
def test_any_repertoire_makes_a_sound_page(text: str, side: str) -> None:
    work = workbook(text, side=side)
    page = page_of(work)
    assert set(page.ids.values()) <= {1}
    assert sum(name.startswith("line-") for name in page.ids) == len(work.book.leaves)
    assert all(value[1:] in page.ids for _, name, value in page.attributes if name == "href")


def test_an_empty_repertoire_makes_a_page() -> None:
    assert "0 lines in 0 chapters" in page_of(workbook("")).said


EXCHANGE = (
    '[Event "Exchange"]\n\n1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 c6 6. e3 Be7 '
    "7. Bd3 O-O 8. Qc2 Re8 9. Nf3 *\n"
)
OURS = (
    '+++\nstructure = "carlsbad"\nholder = "white"\nside = "{side}"\ntitle = "A note"\n+++\nb5!\n'
)


@pytest.mark.parametrize(("side", "plan"), [("holder", "Our plan"), ("foe", "Their plan")])
def test_a_note_takes_the_place_of_the_catalogue_on_its_plan_only(side: str, plan: str) -> None:
    page = page_of(workbook(EXCHANGE, side="white"), [parse_note(OURS.format(side=side))])
    section = page.text.partition(f"<h3>{plan}</h3>")[2].partition("<h3>")[0]
    assert "A note" in section and "not the author’s words" not in section
    other = "Their plan" if plan == "Our plan" else "Our plan"
    rest = page.text.partition(f"<h3>{other}</h3>")[2].partition("<h3>")[0]
    assert "A note" not in rest and "not the author’s words" in rest


def test_plans_are_the_other_way_about_for_the_other_author() -> None:
    note = parse_note(OURS.format(side="holder"))
    page = page_of(workbook(EXCHANGE, side="black"), [note])
    section = page.text.partition("<h3>Their plan</h3>")[2].partition("<h3>")[0]
    assert "A note" in section
    assert "theirs, White’s" in page.said


def test_where_black_holds_the_structure_the_page_tells_the_catalogue_for_black() -> None:
    # The Carlsbad with colours reversed, as in the Caro-Kann Exchange; common practice.
    pgn = "1. e4 c6 2. d4 d5 3. exd5 cxd5 4. Bd3 Nc6 5. c3 Nf6 6. Bf4 Bg4 7. Qb3 Qd7 8. Nd2 e6 *"
    work = workbook(pgn, side="white")
    assert ("carlsbad", "black") in {(g.structure, g.holder) for g in work.groups.groups}
    assert "Black has pawns on d5 and e6 (or e7) and no c-pawn" in page_of(work).said
    straight = page_of(workbook(EXCHANGE, side="white")).said
    assert "White has pawns on d4 and e3 (or e2) and no c-pawn" in straight


def test_what_is_owed_can_be_left_out() -> None:
    work, notes = demo()
    said = page_of(work, notes, with_owed=False).said
    assert "Still owed" not in said and "Our plan" in said


def test_whose_it_is_stands_in_words_and_by_the_edge_not_by_colour(
    demo_page: tuple[Workbook, list[PlanNote], Page],
) -> None:
    _, _, page = demo_page
    assert "ours, White’s" in page.said and "theirs, Black’s" in page.said
    style = page.text.partition("<style>")[2].partition("</style>")[0]
    assert re.search(r"\.stance\.theirs \{[^}]*dashed", style)
    assert not re.search(r"\.stance[^{]*\{[^}]*background", style)


# Note texts ---------------------------------------------------------------------------


@given(st.text(max_size=300))
def test_a_note_of_any_text_is_sound_html(body: str) -> None:
    page = Page(note_html(body))
    assert not {"script", "img", "iframe", "style"} & set(page.tags)
    assert not [name for _, name, _ in page.attributes if name.startswith("on")]


@pytest.mark.parametrize(
    "target",
    ["javascript:alert(1)", "JaVaScRiPt:x", "data:text/html,x", "vbscript:x", "file:///etc/passwd"],
)
def test_links_that_run_or_read_something_are_text(target: str) -> None:
    page = Page(note_html(f"[name]({target}) <{target}>"))
    assert page.tags["a"] == 0


def test_what_commonmark_can_do_is_done() -> None:
    # Worked after the CommonMark specification 0.31.2 (emphasis, lists, code, links).
    html = note_html("# Head\n\n*em* **strong** `b4` [w](https://example.org)\n\n- one\n- two\n")
    assert "<h4>Head</h4>" in html
    assert "<em>em</em> <strong>strong</strong> <code>b4</code>" in html
    assert '<a href="https://example.org">w</a>' in html
    assert html.count("<li>") == 2


# The command --------------------------------------------------------------------------


@pytest.fixture
def stand_in(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cores alone decide, so that these tests do not change with a trained model."""
    monkeypatch.setattr(
        models_at_hand, "chosen_classifier", lambda args: SimpleNamespace(classify=by_cores)
    )


def test_the_command(stand_in: None, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    source, out = tmp_path / "book.pgn", tmp_path / "out.html"
    source.write_text(EXCHANGE)
    assert cli.main(["booklet", str(source), "-o", str(out), "--title", "A & B"]) == 0
    assert "1 middlegame type, 1 line." in capsys.readouterr().out
    text = out.read_text(encoding="utf-8")
    assert "<title>A &amp; B</title>" in text
    Page(text)


def test_the_command_names_bad_notes_and_what_it_cannot_do(
    stand_in: None, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    source, notes = tmp_path / "book.pgn", tmp_path / "notes"
    source.write_text(EXCHANGE)
    notes.mkdir()
    (notes / "bad.md").write_text("+++\nstructur = 1\n+++\n")
    out = str(tmp_path / "out.html")
    assert cli.main(["booklet", str(source), "-o", out, "--notes", str(notes)]) == 1
    assert "bad.md" in capsys.readouterr().err
    assert cli.main(["booklet", str(source), "-o", str(source)]) == 2
    assert cli.main(["booklet", str(source), "-o", str(tmp_path / "no" / "out.html")]) == 2
    assert source.read_text() == EXCHANGE


# The print ----------------------------------------------------------------------------


Marks = dict[tuple[float, ...], list[tuple[str, float, float]]]
"""Single letters and figures with their places, by the drawing that they are in."""


@dataclass
class Print:
    """A printed booklet: the words of each page, and what is wrong with its diagrams."""

    pages: list[str]
    diagrams: int
    cut: list[str]


def printed(html: str, folder: Path) -> Print:
    """Print a page with Chromium and look at every page of the print.

    A diagram that lies whole on a page has its sixteen coordinates there, all
    of them inside the paper; of one that is cut, some lie outside or are gone.
    """
    from pypdf import PdfReader

    source, target = folder / "booklet.html", folder / "booklet.pdf"
    source.write_text(html, encoding="utf-8")
    names = ("chromium", "chromium-browser", "google-chrome")
    program = next(path for name in names if (path := shutil.which(name)))
    options = ["--headless", "--disable-gpu", "--no-first-run", f"--user-data-dir={folder / 'u'}"]
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        options.append("--no-sandbox")
    ran = subprocess.run(
        [program, *options, "--no-pdf-header-footer", f"--print-to-pdf={target}", source.as_uri()],
        capture_output=True,
        text=True,
        timeout=180,
        check=False,
    )
    assert target.exists(), ran.stderr
    pages, diagrams, cut = [], 0, []
    for number, page in enumerate(PdfReader(target).pages, 1):
        marks: Marks = defaultdict(list)

        def note(
            text: str, cm: list[float], tm: list[float], *_: object, marks: Marks = marks
        ) -> None:
            word = text.strip()
            if len(word) == 1 and word in "abcdefgh12345678":
                x, y = cm[0] * tm[4] + cm[4], cm[3] * tm[5] + cm[5]
                marks[tuple(round(value, 2) for value in cm)].append((word, x, y))

        pages.append(page.extract_text(visitor_text=note))
        width, height = float(page.mediabox.width), float(page.mediabox.height)
        for labels in marks.values():
            named = [word for word, _, _ in labels]
            if len(set(named) & set("abcdefgh")) < 2:
                continue  # the number of a section, or of the page
            diagrams += 1
            inside = all(20 < x < width - 20 and 20 < y < height - 20 for _, x, y in labels)
            if sorted(named) != sorted("abcdefgh12345678") or not inside:
                cut.append(f"page {number}: {''.join(named)}")
    return Print(pages, diagrams, cut)


def plain(text: str) -> str:
    return "".join(text.split())


@pytest.mark.browser
@pytest.mark.slow
def test_the_print_has_no_cut_diagram_no_empty_page_and_can_be_searched(
    demo_page: tuple[Workbook, list[PlanNote], Page], tmp_path: Path
) -> None:
    work, _, page = demo_page
    done = printed(page.text, tmp_path)
    assert done.cut == []
    assert done.diagrams == page.tags["figure"] > 20
    for number, words in enumerate(done.pages, 1):
        assert len(words.split()) > 10, f"page {number} is empty"
    found = plain("".join(done.pages))
    for group in work.groups.groups:
        assert plain(family_name(group.structure)).lower() in found.lower()
    for game in work.book.games:
        assert plain(game.chapter) in found
    for number, words in enumerate(done.pages, 1):
        assert str(number) in words.split(), "a page has no number"


@pytest.mark.browser
@pytest.mark.slow
def test_a_cut_diagram_would_be_found(
    demo_page: tuple[Workbook, list[PlanNote], Page], tmp_path: Path
) -> None:
    huge = "flex:none!important;max-width:none!important;width:1500px!important"
    tall = f"</style><style>@media print{{figure{{{huge}}}}}"
    html = demo_page[2].text.replace("</style>", f"{tall}</style>", 1)
    html = re.sub(
        r'(<section class="type" id="type-3").*', "</main></body></html>", html, flags=re.S
    )
    assert printed(html, tmp_path).cut
