"""``pawnlore teach``: the author's own labels and families, and the model taught from them."""

from __future__ import annotations

import argparse
import csv
import json
import sys
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pawnlore.service.cli import CannotStart

if TYPE_CHECKING:
    from pawnlore.service.store.family_shelf import Example
    from pawnlore.service.store.label_shelf import StoredLabel
    from pawnlore.service.teaching_desk import TeachingDesk

HELP = "label positions, add families of your own, retrain, compare, accept and go back"

_COLUMNS = ("id", "structure", "holder", "fen", "reason", "author", "changed")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    from pawnlore.service.store_input import add_database_option

    parser.add_argument("action", choices=tuple(_DOES), help="what to do; the README tells each")
    parser.add_argument(
        "what",
        nargs="*",
        metavar="WHAT",
        help="positions as FEN in quotes, a file, a family's id or a version's number, as the "
        "action wants it",
    )
    parser.add_argument(
        "--structure",
        metavar="ID",
        help="label: the family, shipped or own/…, or 'unsettled' for none",
    )
    parser.add_argument(
        "--holder",
        choices=("white", "black", "both"),
        help="label and example: whose the structure is in these positions",
    )
    parser.add_argument(
        "--reason", default="", metavar="WORDS", help="label: why, in your own words"
    )
    parser.add_argument("--name", metavar="NAME", help="add-family: what you call it")
    parser.add_argument(
        "--parent",
        default="",
        metavar="ID",
        help="add-family: the shipped family that it is a finer one of",
    )
    parser.add_argument(
        "--must",
        action="append",
        metavar="CONDITION",
        help="correct: what every position of the family has, as 'own d4' or 'foe no e'; may be "
        "repeated",
    )
    parser.add_argument(
        "--free",
        action="append",
        metavar="TRAIT",
        help="correct: what does not matter, as 'own h'; may be repeated",
    )
    parser.add_argument(
        "--count", type=int, default=10, metavar="N", help="next: how many positions (10)"
    )
    parser.add_argument(
        "--seed", type=int, default=0, metavar="N", help="retrain: another draw of definitions (0)"
    )
    parser.add_argument(
        "--expected",
        type=int,
        metavar="CHOICE",
        help="accept and return: only if this choice, whose number compare tells, still stands; "
        "a new version expects the one that it was compared with",
    )
    parser.add_argument(
        "--samplings",
        type=int,
        default=6,
        metavar="N",
        help="examine: how often examples are drawn anew (6)",
    )
    parser.add_argument(
        "--every",
        type=int,
        default=1,
        metavar="N",
        help="examine: only every Nth family, which takes so much less time (1)",
    )
    parser.add_argument(
        "--format",
        choices=("table", "csv", "jsonl", "epd", "json"),
        default="table",
        help="labels, former: a table for reading (the default), csv, jsonl, or epd to import; "
        "show: words (the default) or json",
    )
    parser.add_argument(
        "--author", default="", metavar="NAME", help="who is noted as the author of a change"
    )
    add_database_option(parser)


def run(args: argparse.Namespace) -> int:
    """Do one of these."""
    from pawnlore.service.store_input import store_from_args

    what = _DOES[args.action]
    least, most = what[1], what[2]
    if not least <= len(args.what) <= most:
        wanted = what[3] or "nothing"
        raise CannotStart(f"'{args.action}' takes {wanted}; see 'pawnlore teach --help'")
    if args.action == "examine":
        return _examine(args)
    with store_from_args(args) as store:
        from pawnlore.models.classifier import ModelError
        from pawnlore.service.teaching_desk import TeachingDesk

        try:
            return what[0](args, TeachingDesk(store))
        except ModelError as error:
            raise CannotStart(str(error)) from None


def _skeleton(fen: str) -> tuple[int, int]:
    from pawnlore.structures.position_check import skeleton_of_line
    from pawnlore.structures.skeleton import SkeletonError

    try:
        return skeleton_of_line(fen)
    except SkeletonError as error:
        raise CannotStart(f"the position {fen[:100]!r} cannot be read: {error}") from None


def _given_holder(args: argparse.Namespace) -> str:
    if args.holder is None:
        raise CannotStart(f"'{args.action}' needs --holder white, black or both")
    return str(args.holder)


def _label(args: argparse.Namespace, desk: TeachingDesk) -> int:
    from pawnlore.models.own_family import PREFIX, FamilyError, check_id
    from pawnlore.structures.catalogue import UNSETTLED

    structure = args.structure
    if not structure:
        raise CannotStart("'label' needs --structure ID, or --structure unsettled for none")
    if structure not in (*desk.base.catalogue.ids, UNSETTLED):
        try:
            check_id(structure)
        except FamilyError as error:
            raise CannotStart(f"{structure!r} is no shipped family, and {error}") from None
    holder = "both" if structure == UNSETTLED else _given_holder(args)
    skeletons = [_skeleton(fen) for fen in args.what]
    for fen, skeleton in zip(args.what, skeletons, strict=True):
        before = desk.labels.of(skeleton)
        kept = desk.labels.put(
            skeleton, structure, holder, fen=fen.strip(), reason=args.reason, author=args.author
        )
        print(f"{kept.id}  revision {kept.revision}")
        if before is not None and before.revision != kept.revision:
            # Perhaps somebody else's; 'former' has it.
            was = _label_row(before)
            print(
                f"  instead of {was['structure']} {was['holder']}: {was['fen']}"
                + (f", by {was['author']}" if was["author"] else "")
                + (f" ({was['reason']})" if was["reason"] else ""),
            )
    if structure.startswith(PREFIX) and structure not in {f.id for f in desk.families.list()}:
        print(
            f"there is no family {structure} yet, so this teaches nothing; "
            f"'pawnlore teach add-family {structure}' makes one",
            file=sys.stderr,
        )
    return 0


def _unlabel(args: argparse.Namespace, desk: TeachingDesk) -> int:
    status = 0
    for fen in args.what:
        label = desk.labels.of(_skeleton(fen))
        if label is None:
            print(f"there is no label on the pawns of {fen[:100]}", file=sys.stderr)
            status = 1
        else:
            desk.labels.delete(label.id, author=args.author, expected_revision=label.revision)
            print(f"{label.id}  {label.structure} {label.holder}  taken away")
    return status


def _labels(args: argparse.Namespace, desk: TeachingDesk) -> int:
    from pawnlore.service.label_file import label_lines

    if args.format == "json":
        raise CannotStart("'labels' comes as table, csv, jsonl or epd")
    labels = desk.labels.list()
    if args.format == "epd":
        for line in label_lines(labels):
            print(line)
    elif not _written(args, _COLUMNS, map(_label_row, labels)):
        for label in labels:
            row = _label_row(label)
            print(f"{row['id']}  {row['structure']} {row['holder']}  {row['fen']}  {row['reason']}")
        print(f"{len(labels):,} labels", file=sys.stderr)
    return 0


def _written(
    args: argparse.Namespace, columns: Sequence[str], values: Iterable[dict[str, Any]]
) -> bool:
    """Write rows as CSV or JSON Lines where one of these is asked for."""
    if args.format == "csv":
        rows = csv.DictWriter(sys.stdout, columns, lineterminator="\n")
        rows.writeheader()
        rows.writerows(values)
    elif args.format == "jsonl":
        for value in values:
            print(json.dumps(value, ensure_ascii=False))
    return args.format in ("csv", "jsonl")


def _former(args: argparse.Namespace, desk: TeachingDesk) -> int:
    from pawnlore.service.api.values import FORMER_LABEL_COLUMNS, former_label_value
    from pawnlore.service.label_file import label_lines

    if args.format == "json":
        raise CannotStart("'former' comes as table, csv, jsonl or epd")
    skeletons: list[tuple[int, int] | None] = [_skeleton(fen) for fen in args.what]
    found = [
        one for skeleton in skeletons or [None] for one in desk.labels.former(skeleton=skeleton)
    ]
    if args.format == "epd":
        # The last word on each, since a file may not say two things of the same pawns.
        latest = {one.label.skeleton: one.label for one in reversed(found)}
        for line in label_lines(reversed(latest.values())):
            print(line)
        return 0
    values = [former_label_value(one) for one in found]
    if not _written(args, FORMER_LABEL_COLUMNS, values):
        for value in values:
            ended = "replaced" if value["replaced"] else "taken away"
            by = f" by {value['ended_by']}" if value["ended_by"] else ""
            print(
                f"{value['structure']} {value['holder']}  {value['fen']}  {value['reason']}\n"
                f"  {ended} {value['ended'][:16].replace('T', ' ')} UTC{by}"
            )
        print(f"{len(values):,} former labels", file=sys.stderr)
    return 0


def _label_row(label: StoredLabel) -> dict[str, Any]:
    from pawnlore.service.api.values import label_value

    value = label_value(label)
    return {column: value[column] for column in _COLUMNS}


def _import(args: argparse.Namespace, desk: TeachingDesk) -> int:
    from pawnlore.service.label_file import LabelFileError, read_label_file

    name = args.what[0]
    try:
        data = sys.stdin.buffer.read() if name == "-" else Path(name).read_bytes()
    except OSError as error:
        raise CannotStart(f"{name}: cannot be read ({error.strerror})") from None
    try:
        labels = read_label_file(data, desk.base.catalogue.ids, source=name)
    except LabelFileError as error:
        raise CannotStart(f"nothing was taken from {name}:\n{error}") from None
    new, changed = desk.labels.put_all(labels, author=args.author)
    print(f"{new:,} new, {changed:,} changed, {len(labels) - new - changed:,} as they were")
    return 0


def _families(args: argparse.Namespace, desk: TeachingDesk) -> int:
    for one in desk.families.list():
        examples = sum(not e.counter for e in one.examples)
        counter = len(one.examples) - examples
        print(
            f"{one.id}  {one.name}  {examples} examples, {counter} counter-examples"
            + (f"  (a finer {one.parent})" if one.parent else "")
        )
    return 0


def _family(args: argparse.Namespace, desk: TeachingDesk) -> int:
    one = desk.families.get(args.what[0])
    print(f"{one.id}: {one.name}" + (f", a finer {one.parent}" if one.parent else ""))
    for example in one.examples:
        holder, fen = _as_given(example)
        print(f"  {'not' if example.counter else holder:5}  {fen}")
    for condition in one.must:
        print(f"  you said: must have {condition}")
    for trait in one.free:
        print(f"  you said: {trait} does not matter")
    found = desk.common_ground(one.id)
    for unmet in found["unmet"]:
        print(f"  but {unmet['lacking']} of {unmet['of']} examples lack {unmet['must']}")
    print("what the examples seem to have in common (correct it with 'pawnlore teach correct'):")
    for trait in found["traits"]:
        print(f"  {trait['sure']:.2f}  {trait['trait']:24}  {trait['words']}")
    return 0


def _as_given(example: Example) -> tuple[str, str]:
    """The holder and position that the author gave: what is kept may have colours reversed."""
    from pawnlore.service.teaching_desk import placement_of
    from pawnlore.structures.skeleton import Skeleton
    from pawnlore.structures.verdict import SWAPPED

    if not example.fen:
        return example.holder, placement_of(example.skeleton)
    swapped = Skeleton(*_skeleton(example.fen)).canonical()[1]
    return SWAPPED[example.holder] if swapped else example.holder, example.fen


def _add_family(args: argparse.Namespace, desk: TeachingDesk) -> int:
    one = desk.families.add(args.what[0], args.name or "", parent=args.parent, author=args.author)
    print(one.id)
    return 0


def _remove_family(args: argparse.Namespace, desk: TeachingDesk) -> int:
    desk.families.delete(args.what[0])
    print(f"{args.what[0]} taken away; retrain for the model to forget it")
    return 0


def _put(args: argparse.Namespace, desk: TeachingDesk, counter: bool) -> int:
    from pawnlore.service.store.family_shelf import GivenExample

    holder = "both" if counter else _given_holder(args)
    id, *fens = args.what
    examples = [GivenExample(_skeleton(fen), holder, fen.strip(), counter) for fen in fens]
    before = {e.skeleton: e for e in desk.families.get(id).examples}
    one = desk.families.put_examples(id, examples, author=args.author)
    print(f"{one.id}  {len(one.examples)} positions")
    for now in one.examples:
        was = before.get(now.skeleton)
        if was is not None and (was.counter, was.holder) != (now.counter, now.holder):
            holder, fen = _as_given(was)
            said = "a counter-example" if was.counter else f"an example held by {holder}"
            print(f"  instead of {said}: {fen}" + (f", by {was.author}" if was.author else ""))
    return 0


def _example(args: argparse.Namespace, desk: TeachingDesk) -> int:
    return _put(args, desk, False)


def _counter(args: argparse.Namespace, desk: TeachingDesk) -> int:
    return _put(args, desk, True)


def _forget(args: argparse.Namespace, desk: TeachingDesk) -> int:
    id, *fens = args.what
    for fen in fens:
        one = desk.families.remove_example(id, _skeleton(fen))
        print(f"{one.id}  {len(one.examples)} positions")
    return 0


def _correct(args: argparse.Namespace, desk: TeachingDesk) -> int:
    one = desk.families.change(args.what[0], must=args.must or [], free=args.free or [])
    told = [*(f"must have {c}" for c in one.must), *(f"{t} does not matter" for t in one.free)]
    print(f"{one.id}: {'; '.join(told) or 'no corrections'}")
    return 0


def _next(args: argparse.Namespace, desk: TeachingDesk) -> int:
    for question in desk.questions(max(1, args.count)):
        print(
            f"{question['fen']}  {question['structure']} {question['holder']} "
            f"{question['probability']:.2f}, else {question['second']} {question['second_holder']}"
            f"  {question['nodes']:,} nodes, {question['reason']}"
        )
    return 0


def _pass(args: argparse.Namespace, desk: TeachingDesk) -> int:
    for fen in args.what:
        desk.asked.pass_over(_skeleton(fen), author=args.author)
    return 0


def _retrain(args: argparse.Namespace, desk: TeachingDesk) -> int:
    from pawnlore.service.progress import progress_bar

    if not 0 <= args.seed < 1 << 63:
        raise CannotStart("--seed is a whole number from 0")
    with progress_bar("teaching", 0, unit=" steps") as advance:
        reached = 0

        def progress(done: int, total: int) -> None:
            nonlocal reached
            advance(max(0, done - reached))
            reached = done

        made = desk.retrain(author=args.author, seed=args.seed, progress=progress)
    print(f"version {made.number} (SHA-256 {made.digest})")
    _print_figures(made.figures)
    print(f"'pawnlore teach show {made.number}' tells all that was measured of it")
    print(f"'pawnlore teach accept {made.number}' uses it from now on")
    return 0


def _print_figures(figures: dict[str, Any]) -> None:
    exam, labels = figures["exam"], figures["labels"]
    print(
        f"examination of {exam['count']} positions: {exam['old']:.3f} right before, "
        f"{exam['new']:.3f} now; {exam['changed']} verdicts differ"
    )
    if labels["count"]:
        print(
            f"your labels on shipped families, each learnt without it: {labels['old']} of "
            f"{labels['count']} followed before, {labels['new']} now"
        )
    for family in figures["families"]:
        if family["examples"]:
            print(
                f"{family['id']}: {family['found']} of {family['examples']} examples found "
                f"without having been learnt, {family['kept_out']} of {family['counter']} "
                "counter-examples kept out"
            )
    for one in figures["contradictions"]:
        print(f"contradiction: {one['one']}, but {one['other']}: {_fen(one['skeleton'])}")
    for one in figures["misfits"][:20]:
        print(
            f"does not fit in: {one['structure']} {one['holder']} ({one['chance']:.3f}): "
            f"{_fen(one['skeleton'])}"
        )
    print(f"nodes of your repertoires whose verdict changes: {figures['nodes_changed']:,}")
    for group in figures["changed"][:20]:
        print(
            f"  {group['nodes']:,} in {group['name']}: {group['old']} {group['old_holder']} -> "
            f"{group['new']} {group['new_holder']}"
        )
    if figures["nodes_beside"]:
        print(f"nodes that a core still names, told next to it: {figures['nodes_beside']:,}")
    for group in figures["beside"][:20]:
        # Figures of an earlier release do not tell what was there before.
        was = f"{group.get('before', '')} {group.get('before_holder', '')}".strip()
        now = f"{group['own']} {group['own_holder']}".strip()
        told = f"{now} instead of {was}" if now and was else now or f"no longer {was}"
        print(
            f"  {group['nodes']:,} in {group['name']}: {told}, next to {group['structure']} "
            f"{group['holder']}"
        )


def _fen(skeleton: Sequence[int]) -> str:
    from pawnlore.service.teaching_desk import placement_of

    return placement_of((skeleton[0], skeleton[1]))


def _number(args: argparse.Namespace) -> int:
    text = args.what[0]
    if not text.isascii() or not text.isdigit() or len(text) > 9:
        raise CannotStart(f"{text[:40]!r} is no number of a version")
    return int(text)


def _compare(args: argparse.Namespace, desk: TeachingDesk) -> int:
    number = _number(args)
    choice = desk.models.in_use()
    figures = desk.compare(number)
    _print_figures(figures)
    against = f"version {choice.version}" if choice.version else "the shipped model"
    print(
        f"compared with {against}; 'pawnlore teach accept {number} --expected {choice.number}' "
        "uses it if nobody chooses another one first"
    )
    if figures["newer"]:
        print("labels or families were changed since; retrain to have them in")
    return 0


def _show(args: argparse.Namespace, desk: TeachingDesk) -> int:
    from pawnlore.models.exam_figures import FiguresError
    from pawnlore.models.taught_figures import report_value
    from pawnlore.service.exports.taught_words import taught_lines

    if args.format not in ("table", "json"):
        raise CannotStart("'show' gives words, or --format json")
    number = _number(args)
    try:
        report = desk.report(number)
    except FiguresError as error:
        raise CannotStart(f"what was measured of version {number} cannot be used: {error}") from (
            None
        )
    if report is None:
        raise CannotStart(
            f"version {number} was taught before figures were kept; retrain to have them"
        )
    if args.format == "json":
        print(json.dumps(report_value(report), ensure_ascii=False, indent=1))
        return 0
    kept = desk.models.get(number)
    by = f" by {kept.author}" if kept.author else ""
    print(f"version {number}, {kept.state}, taught {kept.made.isoformat()}{by} ({kept.digest})")
    for line in taught_lines(report, desk.base.catalogue):
        print(line)
    return 0


def _accept(args: argparse.Namespace, desk: TeachingDesk) -> int:
    from pawnlore.service.progress import progress_bar
    from pawnlore.service.rejudging import rejudge

    number = _number(args)
    expected = args.expected
    if expected is None:
        expected = _choice_compared_with(desk, number)
    chosen = desk.version(number)
    desk.models.choose(number, author=args.author, expected_choice=expected)
    print(f"version {number} is in use" if number else "the shipped model is in use")
    for stored in desk.repertoires.list():
        with progress_bar(f"judging {stored.name}", 0, unit=" skeletons") as advance:
            reached = 0

            def progress(done: int, total: int) -> None:
                nonlocal reached
                advance(max(0, done - reached))
                reached = done

            found = rejudge(desk.store, chosen, stored.id, progress)
        finer = f", {found.finer:,} another finer form" if found.finer else ""
        print(f"{stored.name}: {found.changes.moved:,} nodes have another verdict{finer}")
    return 0


def _choice_compared_with(desk: TeachingDesk, number: int) -> int:
    """The choice that a version is to replace, where its author does not say.

    A new version was compared with the one in use when it was taught, and its
    author saw those figures: if somebody chose another since, they no longer
    tell what would change. Who goes back to a known version replaces what is in
    use now.
    """
    if number:
        version = desk.models.get(number)
        choice = version.taught_from.get("choice")
        if version.state == "proposed" and choice is not None:
            return int(choice)
    return desk.models.in_use().number


def _reject(args: argparse.Namespace, desk: TeachingDesk) -> int:
    print(f"version {desk.models.reject(_number(args)).number} is rejected")
    return 0


def _versions(args: argparse.Namespace, desk: TeachingDesk) -> int:
    choice = desk.models.in_use()
    for one in desk.models.list():
        now = "  in use" if one.number == choice.version else ""
        print(
            f"{one.number}  {one.state}{now}  {one.taught_from['labels']} labels, "
            f"{len(one.taught_from['families'])} families  {one.made.isoformat()}  "
            f"{one.digest[:12]}"
        )
    if not choice.version:
        print("the shipped model is in use (version 0)")
    return 0


def _examine(args: argparse.Namespace) -> int:
    try:
        from pawnlore.models.teaching_card import teaching_card
    except ImportError as error:
        raise CannotStart(
            f"examining needs the extra 'train' (pip install 'pawnlore[train]'): {error}"
        ) from None
    if args.samplings < 1 or args.every < 1:
        raise CannotStart("--samplings and --every are at least 1")

    def say(text: str) -> None:
        print(f"teach: {text}", file=sys.stderr)

    print(teaching_card(samplings=args.samplings, every=args.every, say=say), end="")
    return 0


_NONE = 10_000
_DOES: dict[str, tuple[Callable[[argparse.Namespace, TeachingDesk], int], int, int, str]] = {
    "label": (_label, 1, _NONE, "positions"),
    "unlabel": (_unlabel, 1, _NONE, "positions"),
    "labels": (_labels, 0, 0, ""),
    "former": (_former, 0, _NONE, "positions, or nothing for all"),
    "import": (_import, 1, 1, "an EPD file, or - for standard input"),
    "families": (_families, 0, 0, ""),
    "family": (_family, 1, 1, "a family's id"),
    "add-family": (_add_family, 1, 1, "a new family's id"),
    "remove-family": (_remove_family, 1, 1, "a family's id"),
    "example": (_example, 2, _NONE, "a family's id and positions"),
    "counter": (_counter, 2, _NONE, "a family's id and positions"),
    "forget": (_forget, 2, _NONE, "a family's id and positions"),
    "correct": (_correct, 1, 1, "a family's id"),
    "next": (_next, 0, 0, ""),
    "pass": (_pass, 1, _NONE, "positions"),
    "retrain": (_retrain, 0, 0, ""),
    "compare": (_compare, 1, 1, "a version's number"),
    "show": (_show, 1, 1, "a version's number"),
    "accept": (_accept, 1, 1, "a version's number"),
    "return": (_accept, 1, 1, "a version's number, 0 for the shipped model"),
    "reject": (_reject, 1, 1, "a version's number"),
    "versions": (_versions, 0, 0, ""),
    "examine": (lambda args, desk: _examine(args), 0, 0, ""),
}
