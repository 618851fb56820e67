"""``/teach/label`` and ``/teach/labels``: the author's own verdicts on pawns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from flask import Blueprint, Response, redirect, request
from werkzeug.wrappers import Response as AnyResponse

from pawnlore.models.own_family import FamilyError, check_id
from pawnlore.models.taught_classifier import MOST_OWN
from pawnlore.service.access.caller import caller
from pawnlore.service.access.needs import READ, WRITE, needs, takes_upload
from pawnlore.service.api.lookups import lookups, provide_lookups
from pawnlore.service.api.problems import Problem
from pawnlore.service.api.values import label_value
from pawnlore.service.label_file import (
    MOST_BYTES,
    LabelFileError,
    label_lines,
    read_label_file,
)
from pawnlore.service.pages.former_labels import former_rows, former_said
from pawnlore.service.pages.label_form import (
    LabelForm,
    ShownLabel,
    label_form,
    shown_label,
    told_verdict,
)
from pawnlore.service.pages.layout import local_path, page
from pawnlore.service.pages.own_names import own_names
from pawnlore.service.pages.paging import page_number, paging
from pawnlore.service.pages.version_view import statement_in_words
from pawnlore.service.running import running
from pawnlore.service.store.errors import NotFound, Refused
from pawnlore.service.store.family_shelf import FamilyShelf
from pawnlore.service.store.label_shelf import LabelShelf, StaleLabel, StoredLabel
from pawnlore.structures.catalogue import UNSETTLED
from pawnlore.structures.position_check import skeleton_of_line
from pawnlore.structures.skeleton import Skeleton, SkeletonError, placement, skeleton_from_fen

pages = Blueprint("teach-labels", __name__)
pages.record(provide_lookups)

ROWS = 40
"""Labels on one page of the list."""

MOST_FAULTS = 200
"""Bad lines of a file that the page tells; the others are counted."""

MOST_OWN_OFFERED = 60
"""Own families that the form offers on pages about something else; its own page has them all."""

_NAME_ROOM = 40
_FEN_LENGTH = 200
_WORDS_LENGTH = 200
_MOST_CONTRADICTIONS = 20
_FAULT_LENGTH = 300
_AGAIN = "again"


@dataclass(frozen=True, slots=True)
class LabelRow:
    """A label in the list, with the position that it was given for."""

    label: ShownLabel
    fen: str
    skeleton: Skeleton


@dataclass(frozen=True, slots=True)
class ShownContradiction:
    """Two statements on the same pawns, and where each can be taken back."""

    skeleton: Skeleton
    one: str
    other: str
    links: tuple[tuple[str, str], ...]


def form_for(
    fen: str,
    skeleton: Skeleton,
    structure: str,
    holder: str,
    next: str,
    *,
    most_own: int = MOST_OWN_OFFERED,
) -> LabelForm | None:
    """The form for a position on a page about something else; none for who may not write.

    Of very many own families the newest are offered.
    """
    if caller().student or not caller().may(WRITE):
        return None
    return label_form(
        LabelShelf(running().store),
        fen[:_FEN_LENGTH] if len(fen) <= _FEN_LENGTH else placement(skeleton),
        skeleton,
        structure=structure,
        holder=holder,
        next=next,
        catalogue=running().classifier.catalogue,
        own=[(id, name[:_NAME_ROOM]) for id, name in list(own_names().items())[-most_own:]],
    )


@pages.get("/teach/label")
@needs(WRITE)
def label() -> Response:
    """The form for one position."""
    fen, skeleton = _position(request.args.get("fen", ""))
    form = _form(fen, skeleton, request.args.get("next", ""))
    taken = "taken" in request.args and form.label is None
    if taken:
        form = replace(
            form,
            structure=request.args.get("structure", form.structure)[:_FEN_LENGTH],
            holder=request.args.get("holder", form.holder)[:10],
            reason=request.args.get("reason", "")[:10_000],
        )
    return _page(form, skeleton, taken=taken)


@pages.post("/teach/label")
@needs(WRITE)
def keep() -> AnyResponse:
    """Keep a label, or take the one that stands away."""
    fen, skeleton = _position(request.form.get("fen", ""))
    given = request.form.get("revision", "")
    revision = int(given) if given.isascii() and given.isdecimal() and len(given) < 10 else 0
    shelf = LabelShelf(running().store)
    if request.form.get("act") == "undo":
        return _take_away(shelf, fen, skeleton, revision)
    said: Mapping[str, str] = request.form
    if request.form.get("act") == "again":
        # As it was kept, and not as a form could show it.
        former = former_said(shelf, skeleton, request.form.get("former", ""))
        if former is None:
            raise Problem(404, "There is no such former label of these pawns.")
        said, (fen, skeleton) = former, _position(former["fen"])
    structure = said.get("structure", "").strip()
    holder = said.get("holder", "")
    if structure == UNSETTLED or structure in _shared():
        # These belong to nobody or to both, whatever the form says of the holder.
        holder = "both"
    reason = said.get("reason", "").replace("\r\n", "\n").strip()
    faults = _faults(structure, holder)
    if not faults:
        try:
            shelf.put(
                skeleton,
                structure,
                holder,
                fen=fen,
                reason=reason,
                author=caller().name,
                expected_revision=revision,
            )
            return redirect(_next(), 303)
        except StaleLabel:
            faults = [
                "Somebody labelled these pawns in the meantime, as is told above. What you gave is "
                "still here; keep it once more to replace that label."
            ]
        except NotFound:
            faults = [
                "The label was taken away in the meantime. Keep it once more to have it back."
            ]
        except Refused as error:
            faults = [_sentence(str(error))]
    form = replace(
        _form(fen, skeleton, request.form.get("next", "")),
        structure=structure[:_FEN_LENGTH],
        holder=holder[:10],
        reason=reason[:10_000],
        faults=tuple(faults),
    )
    return _page(form, skeleton, status=422)


@pages.get("/teach/labels")
@needs(READ)
def labels() -> Response:
    """The labels, the newest first, and what contradicts itself."""
    return _list()


@pages.get("/teach/labels.epd")
@needs(READ)
def export() -> Response:
    """All labels as an EPD file."""
    lines = list(label_lines(LabelShelf(running().store).list()))
    response = Response("".join(f"{line}\n" for line in lines), content_type="text/plain")
    response.headers["Content-Disposition"] = 'attachment; filename="labels.epd"'
    return response


@pages.post("/teach/labels/import")
@needs(WRITE)
@takes_upload
def take_in() -> AnyResponse:
    """Take a file of labels in, whole or not at all."""
    part = request.files.get("labels")
    if part is None or not part.filename:
        return _list(faults=("No file was chosen.",), count=1)
    data = part.stream.read(MOST_BYTES + 1)
    try:
        given = read_label_file(data, running().classifier.catalogue.ids, source="The file")
        if not given:
            return _list(faults=("The file holds no label.",), count=1)
        new, changed = LabelShelf(running().store).put_all(given, author=caller().name)
    except LabelFileError as error:
        told = tuple(problem[:_FAULT_LENGTH] for problem in error.problems[:MOST_FAULTS])
        return _list(faults=told, count=len(error.problems))
    except Refused as error:
        return _list(faults=(_sentence(str(error)),), count=1)
    same = len(given) - new - changed
    return redirect(f"/teach/labels?new={new}&changed={changed}&same={same}", 303)


def _list(*, faults: tuple[str, ...] = (), count: int = 0) -> Response:
    stored = LabelShelf(running().store).list()[::-1]
    names = own_names()
    words = request.args.get("words", "")[:_WORDS_LENGTH].strip()
    found = [one for one in stored if _has(one, words, names)] if words else stored
    part = paging(len(found), page_number(request.args.get("page")), ROWS)
    contradictions = _contradictions(stored, names) if part.number == 1 and not words else []
    return page(
        "teach/labels.html",
        422 if faults else 200,
        rows=[_row(one, names) for one in found[part.start : part.end]],
        part=part,
        total=len(stored),
        words=words,
        contradictions=contradictions[:_MOST_CONTRADICTIONS],
        more_contradictions=max(0, len(contradictions) - _MOST_CONTRADICTIONS),
        faults=faults,
        fault_count=count,
        taken=_taken_in(),
        former=LabelShelf(running().store).count_former(),
        may_write=caller().may(WRITE),
    )


def _taken_in() -> str:
    """What came of a file, from the address to which taking it in leads."""
    counts = []
    for name, told in (("new", "new"), ("changed", "changed"), ("same", "as they were")):
        text = request.args.get(name, "")
        if not (text.isascii() and text.isdecimal() and len(text) < 10):
            return ""
        counts.append(f"{int(text):,} {told}")
    return f"Labels were taken in: {', '.join(counts)}."


def _row(stored: StoredLabel, names: dict[str, str]) -> LabelRow:
    fen = str(label_value(stored)["fen"])
    skeleton = skeleton_from_fen(fen)
    return LabelRow(shown_label(stored, skeleton, names), fen, skeleton)


def _has(stored: StoredLabel, words: str, names: dict[str, str]) -> bool:
    told = told_verdict(stored.structure, stored.holder, names)
    text = f"{told} {stored.structure} {stored.reason} {stored.author} {stored.fen}".casefold()
    return all(word in text for word in words.casefold().split())


def _contradictions(stored: list[StoredLabel], names: dict[str, str]) -> list[ShownContradiction]:
    """What labels and the examples of own families say against one another."""
    families = FamilyShelf(running().store).list()
    if not stored or not families:
        return []
    try:
        from pawnlore.models.teaching import find_contradictions
        from pawnlore.service.teaching_desk import author_labels, own_family
    except ImportError:
        return []  # the extra that teaching needs is not installed
    found = find_contradictions(author_labels(stored), [own_family(one) for one in families])
    shown = []
    for one in found:
        skeleton = Skeleton(*one.skeleton)
        links = [(f"/teach/label?fen={placement(skeleton)}&next=/teach/labels", "Change the label")]
        for id, name in names.items():
            if any(id in text.replace(",", " ").split() for text in (one.one, one.other)):
                links.append((f"/teach/families/{id}", f"Examples of {name}"))
        told = (statement_in_words(one.one, names), statement_in_words(one.other, names))
        shown.append(ShownContradiction(skeleton, *told, tuple(links)))
    return shown


def _take_away(shelf: LabelShelf, fen: str, skeleton: Skeleton, revision: int) -> AnyResponse:
    stands = shelf.of((skeleton.white, skeleton.black))
    if stands is None:
        return redirect("/teach/labels" if _next_is_again() else _next(), 303)
    try:
        shelf.delete(stands.id, author=caller().name, expected_revision=revision or None)
    except (StaleLabel, NotFound):
        form = replace(
            _form(fen, skeleton, request.form.get("next", "")),
            faults=("Somebody changed this label in the meantime; nothing was taken away.",),
        )
        return _page(form, skeleton, status=409)
    if not _next_is_again():
        return redirect(_next(), 303)
    shown = shown_label(stands, skeleton, {})
    given: dict[str, Any] = {
        "fen": fen,
        "next": "/teach/labels",
        "taken": "1",
        "structure": shown.structure,
        "holder": shown.holder,
        "reason": shown.reason[:500],
    }
    from urllib.parse import urlencode

    return redirect(f"/teach/label?{urlencode(given)}", 303)


def _next_is_again() -> bool:
    return request.form.get("next") == _AGAIN


def _next() -> str:
    found = local_path(request.form.get("next"))
    return found if found != "/" else "/teach/labels"


def _form(fen: str, skeleton: Skeleton, next: str) -> LabelForm:
    verdict, _ = lookups().verdict(skeleton)
    form = form_for(
        fen,
        skeleton,
        verdict.structure,
        verdict.holder,
        next or "/teach/labels",
        most_own=MOST_OWN,
    )
    assert form is not None, "only who may write comes here"
    return form


def _page(
    form: LabelForm, skeleton: Skeleton, *, status: int = 200, taken: bool = False
) -> Response:
    verdict, _ = lookups().verdict(skeleton)
    return page(
        "teach/label.html",
        status,
        form=form,
        skeleton=skeleton,
        whole="k" in form.fen.split(" ")[0].lower(),
        verdict=told_verdict(verdict.structure, verdict.holder, own_names()),
        taken=taken,
        former=former_rows(LabelShelf(running().store), skeleton),
    )


def _position(text: str) -> tuple[str, Skeleton]:
    fen = " ".join(text[: _FEN_LENGTH + 1].split())
    if not fen or len(fen) > _FEN_LENGTH:
        raise Problem(422, "There is no position to label; give its FEN.", kind="invalid")
    try:
        return fen, skeleton_of_line(fen)
    except SkeletonError as error:
        raise Problem(422, f"The position cannot be read: {error}.", kind="invalid") from None


def _shared() -> frozenset[str]:
    families = running().classifier.catalogue.families
    return frozenset(one.id for one in families if one.shared)


def _faults(structure: str, holder: str) -> list[str]:
    faults = []
    if structure != UNSETTLED and structure not in running().classifier.catalogue.ids:
        try:
            check_id(structure)
        except FamilyError:
            faults.append("There is no structure of that name.")
    if holder not in ("white", "black", "both"):
        faults.append("Say whose the structure is.")
    return faults


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."
