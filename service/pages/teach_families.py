"""``/teach/families``: the author's own structures, given by examples."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, Response, redirect, request
from werkzeug.wrappers import Response as AnyResponse

from pawnlore.service.access.caller import caller
from pawnlore.service.access.needs import READ, WRITE, needs
from pawnlore.service.pages.family_view import (
    common_view,
    condition_of,
    correction_in_words,
    fen_lines,
    shown_example,
    slug,
    trait_in_words,
)
from pawnlore.service.pages.group_keys import heading
from pawnlore.service.pages.label_form import shipped_choices
from pawnlore.service.pages.layout import page
from pawnlore.service.pages.paging import page_number, paging
from pawnlore.service.pages.teach_desk import pages_desk, provide_desk
from pawnlore.service.running import running
from pawnlore.service.store.errors import NotFound, Refused
from pawnlore.service.store.family_shelf import FamilyShelf, GivenExample, StaleFamily, StoredFamily
from pawnlore.structures.position_check import skeleton_of_line
from pawnlore.structures.skeleton import SkeletonError, skeleton_from_fen

pages = Blueprint("teach-families", __name__)
pages.record(provide_desk)

MOST_AT_ONCE = 200
"""Positions that are taken from one form."""

EXAMPLES_SHOWN = 24
"""Examples on one page of a family, and as many counter-examples."""

KINDS = {
    "white": "an example, White’s",
    "black": "an example, Black’s",
    "both": "an example, both sides’",
    "counter": "a counter-example: it does not belong",
}
"""What a position can be for a family."""

ROWS = 25
"""Families on one page of the list."""

_CHOICE_ROOM = 40
_FEN_LENGTH = 200
_TEXT_LENGTH = 60_000


def _shelf() -> FamilyShelf:
    return FamilyShelf(running().store)


@pages.get("/teach/families")
@needs(READ)
def families() -> Response:
    """The families, and where a new one begins; ``fen`` is a position for one of them."""
    return _list()


@pages.post("/teach/families")
@needs(WRITE)
def add() -> AnyResponse:
    """A new family, without examples yet."""
    name = request.form.get("name", "").strip()
    short = request.form.get("short", "").strip() or slug(name)
    if not name:
        return _list("Give it a name.")
    if not short:
        return _list("Give it a short name too, of the letters a to z and digits.")
    try:
        made = _shelf().add(
            f"own/{short}", name, parent=request.form.get("parent", ""), author=caller().name
        )
    except Refused as error:
        return _list(_sentence(error))
    fen = " ".join(request.form.get("fen", "").split())
    if fen:
        return _put(made, [fen], request.form.get("kind", ""))
    return redirect(_href(made.id), 303)


@pages.post("/teach/families/pick")
@needs(WRITE)
def pick() -> AnyResponse:
    """Give the position at hand to a family."""
    fen = " ".join(request.form.get("fen", "").split())
    return _put(_shelf().get(request.form.get("family", "")), [fen], request.form.get("kind", ""))


@pages.get("/teach/families/<path:id>")
@needs(READ)
def family(id: str) -> Response:
    """One family: its positions and what they have in common."""
    return _family(_shelf().get(id))


@pages.post("/teach/families/<path:id>")
@needs(WRITE)
def change(id: str) -> AnyResponse:
    """Whatever the forms of a family's page ask for; ``act`` says what."""
    shelf = _shelf()
    stored = shelf.get(id)
    act = request.form.get("act", "")
    try:
        if act == "rename":
            name = request.form.get("name", "").strip()
            if not name:
                return _family(stored, fault="Give it a name.", about="rename")
            parent = request.form.get("parent", "")
            shelf.change(id, name=name, parent=parent, expected_revision=_revision())
        elif act == "add":
            lines = fen_lines(request.form.get("fens", "")[:_TEXT_LENGTH])
            return _put(stored, lines, request.form.get("kind", ""))
        elif act == "remove":
            fen = request.form.get("fen", "")[:_FEN_LENGTH]
            shelf.remove_example(id, skeleton_of_line(fen))
        elif act == "delete":
            shelf.delete(id, expected_revision=_revision())
            return redirect("/teach/families", 303)
        else:
            return _correct(stored, act)
    except StaleFamily:
        return _family(
            shelf.get(id),
            fault="Somebody changed this family in the meantime. It is shown as it is now; "
            "do what you wanted once more.",
        )
    except SkeletonError as error:
        return _family(stored, fault=f"The position cannot be read: {error}.")
    except NotFound:
        # What was to go is gone; what is there now is shown, or a page that says it is not.
        return redirect(_href(shelf.get(id).id), 303)
    except Refused as error:
        return _family(stored, fault=_sentence(error), about=act)
    return redirect(_href(id), 303)


def _correct(stored: StoredFamily, act: str) -> AnyResponse:
    """This does not matter, this must be, and taking either back."""
    must, free = list(stored.must), list(stored.free)
    text = request.form.get("text", "")[:_FEN_LENGTH]
    if act == "free" and text not in free:
        free.append(text)
    elif act == "must":
        try:
            wanted = condition_of(
                request.form.get("side", ""),
                request.form.get("asks", ""),
                request.form.get("where", "")[:_FEN_LENGTH],
            )
        except ValueError as error:
            return _family(stored, fault=str(error), about="must")
        if wanted not in must:
            must.append(wanted)
        free = [one for one in free if one.split()[0:2] != [wanted.split()[0], _file_of(wanted)]]
    elif act == "take-back":
        must = [one for one in must if one != text]
        free = [one for one in free if one != text]
    _shelf().change(stored.id, must=must, free=free, expected_revision=_revision())
    return redirect(f"{_href(stored.id)}#common", 303)


def _file_of(condition: str) -> str:
    last = condition.split()[-1]
    return last if len(last) == 1 else last[0]


def _put(stored: StoredFamily, lines: list[str] | Any, kind: str) -> AnyResponse:
    """Give positions to a family, all of them or none."""
    faults = []
    given = []
    if kind not in KINDS:
        faults.append("Say whether it is an example, and whose, or a counter-example.")
    if not lines:
        faults.append("Give at least one position.")
    if len(lines) > MOST_AT_ONCE:
        faults.append(f"At most {MOST_AT_ONCE} positions are taken at once.")
    for number, line in enumerate(lines[:MOST_AT_ONCE], start=1):
        try:
            if len(line) > _FEN_LENGTH:
                raise SkeletonError("it is too long for a FEN")
            skeleton = skeleton_of_line(line)
        except SkeletonError as error:
            faults.append(f"Line {number} cannot be read: {error}.")
            continue
        counter = kind == "counter"
        holder = "both" if counter else kind
        given.append(GivenExample((skeleton.white, skeleton.black), holder, line, counter))
    if faults:
        typed = "\n".join(lines)[:_TEXT_LENGTH]
        fault = "\n".join(faults[:50])
        return _family(stored, fault=fault, about="add", fens=typed, kind=kind)
    try:
        _shelf().put_examples(stored.id, given, author=caller().name)
    except Refused as error:
        return _family(stored, fault=_sentence(error), about="add", fens="\n".join(lines))
    return redirect(f"{_href(stored.id)}#positions", 303)


def _list(fault: str = "") -> Response:
    fen = " ".join(request.values.get("fen", "")[:_FEN_LENGTH].split())
    skeleton = None
    if fen:
        try:
            skeleton = skeleton_of_line(fen)
        except SkeletonError as error:
            fault, fen = fault or f"The position cannot be read: {error}.", ""
    stored = _shelf().list()
    part = paging(len(stored), page_number(request.args.get("page")), ROWS)
    return page(
        "teach/families.html",
        422 if fault else 200,
        families=[
            (one, sum(not e.counter for e in one.examples), _parent(one), _stamp(one))
            for one in stored[part.start : part.end]
        ],
        all=[(one.id, one.name[:_CHOICE_ROOM]) for one in stored],
        part=part,
        parents=shipped_choices(running().classifier.catalogue),
        kinds=KINDS,
        fen=fen,
        skeleton=skeleton,
        fault=fault,
        given={name: request.form.get(name, "") for name in ("name", "short", "parent", "kind")},
        may_write=caller().may(WRITE),
    )


def _family(
    stored: StoredFamily, *, fault: str = "", about: str = "", fens: str = "", kind: str = ""
) -> Response:
    examples = [shown_example(one) for one in stored.examples if not one.counter]
    counter = [shown_example(one) for one in stored.examples if one.counter]
    common, untold = None, ""
    unmet: list[tuple[str, dict[str, Any]]] = []
    if examples:
        try:
            found = pages_desk().common_ground(stored.id, stored.revision)
            common = common_view(found)
            unmet = [(correction_in_words(one["must"]), one) for one in found["unmet"]]
        except Refused as error:
            untold = _sentence(error)
        except ImportError:
            untold = "Learning needs the extra 'train', which is not installed here."
    number = page_number(request.args.get("page"))
    part = paging(max(len(examples), len(counter)), number, EXAMPLES_SHOWN)
    names = {name for name, _, _ in common.traits} if common else set()
    return page(
        "teach/family.html",
        422 if fault else 200,
        stored=stored,
        parent=_parent(stored),
        parents=shipped_choices(running().classifier.catalogue),
        examples=examples[part.start : part.end],
        counter=counter[part.start : part.end],
        example_count=len(examples),
        counter_count=len(counter),
        part=part,
        common=common,
        untold=untold,
        unmet=unmet,
        must=[(one, correction_in_words(one)) for one in stored.must],
        free=[(one, trait_in_words(one)) for one in stored.free if one not in names],
        kinds=KINDS,
        fault=fault,
        about=about,
        fens=fens,
        kind=kind,
        where=request.form.get("where", "")[:_FEN_LENGTH],
        may_write=caller().may(WRITE),
    )


def _parent(stored: StoredFamily) -> str:
    return heading(stored.parent) if stored.parent else ""


def _stamp(stored: StoredFamily) -> Any:
    first = next((one for one in stored.examples if not one.counter), None)
    return None if first is None else skeleton_from_fen(shown_example(first).fen)


def _revision() -> int | None:
    text = request.form.get("revision", "")
    return int(text) if text.isascii() and text.isdecimal() and len(text) < 10 else None


def _href(id: str) -> str:
    return f"/teach/families/{id}"


def _sentence(error: Exception) -> str:
    text = str(error)
    return f"{text[:1].upper()}{text[1:]}" + ("" if text.endswith(".") else ".")
