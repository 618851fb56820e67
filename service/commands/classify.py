"""``pawnlore classify``: one verdict for every FEN or EPD line."""

from __future__ import annotations

import argparse
import csv
import json
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, TextIO

from pawnlore.service.cli import CannotStart

if TYPE_CHECKING:
    from pawnlore.models.classifier import Classifier
    from pawnlore.models.explanation import Explanation
    from pawnlore.service.position_lines import PositionLine
    from pawnlore.structures.verdict import Verdict

HELP = "name the structure of positions, one FEN or EPD a line"

COLUMNS = (
    "fen",
    "structure",
    "holder",
    "probability",
    "core",
    "second",
    "second_holder",
    "second_probability",
    "error",
)
_BLOCK = 4096

Rows = Iterable[tuple["PositionLine", "Verdict | None"]]
Explainer = Callable[["PositionLine"], "Explanation | None"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    from pawnlore.service.models_at_hand import add_model_option

    parser.add_argument(
        "file",
        nargs="?",
        default="-",
        metavar="FILE",
        help="a file of lines; '-' is standard input",
    )
    parser.add_argument(
        "--format",
        choices=("table", "csv", "jsonl"),
        default="table",
        help="table: for reading (the default); csv or jsonl: for programs",
    )
    parser.add_argument(
        "--explain",
        action="store_true",
        help="say why: the pawns for and against, what the core lacks, the nearest example "
        "(table and jsonl)",
    )
    add_model_option(parser, taught=True)


def run(args: argparse.Namespace) -> int:
    """Classify every line; status 1 where some line was bad."""
    from pawnlore.service.models_at_hand import chosen_classifier
    from pawnlore.service.position_lines import read_position_lines
    from pawnlore.structures.skeleton import pack

    if args.explain and args.format == "csv":
        raise CannotStart("--explain goes with --format table or jsonl")
    classifier = chosen_classifier(args)
    explainer = _explainer(classifier) if args.explain else None
    status = 0
    with ExitStack() as stack:
        stream = _open(args.file, stack)
        write = _writer(args.format, explainer, classifier)
        lines = read_position_lines(stream)
        size = 1 if stream.isatty() else _BLOCK
        count = 0
        while block := list(islice(lines, size)):
            good = [line for line in block if line.skeleton is not None]
            verdicts = classifier.classify(pack([line.skeleton for line in good if line.skeleton]))
            given = iter(range(len(good)))
            rows = [(line, None if line.error else verdicts[next(given)]) for line in block]
            for line in block:
                if line.error:
                    status = 1
                    print(f"{args.file}, line {line.number}: {line.error}", file=sys.stderr)
            count += len(block)
            write(rows)
        if not count:
            status = 1
            print(f"{args.file}: there is no line in it", file=sys.stderr)
    return status


def _explainer(classifier: Classifier) -> Explainer:
    from pawnlore.models.explanation import explain
    from pawnlore.models.labels import learnt_labels

    labels = learnt_labels(classifier.catalogue)
    return lambda line: explain(classifier, line.skeleton, labels) if line.skeleton else None


def _writer(
    name: str, explainer: Explainer | None, classifier: Classifier
) -> Callable[[Rows], None]:
    from pawnlore.service.models_at_hand import own_names, was_labelled

    if name == "csv":
        return _CsvRows(sys.stdout)
    if name == "jsonl":
        return _JsonLines(sys.stdout, explainer)
    if explainer:
        return _Explanations(
            sys.stdout,
            explainer,
            lambda line: line.skeleton is not None and was_labelled(classifier, line.skeleton),
            own_names(classifier),
        )
    return _Table(sys.stdout, own_names(classifier))


def _open(name: str, stack: ExitStack) -> BinaryIO:
    if name == "-":
        return sys.stdin.buffer
    try:
        return stack.enter_context(Path(name).open("rb"))
    except OSError as error:
        raise CannotStart(f"{name}: cannot be read ({error.strerror})") from None


def _cells(line: PositionLine, verdict: Verdict | None) -> list[str]:
    if verdict is None:
        return [line.text, *[""] * 7, line.error]
    return [
        line.text,
        verdict.structure,
        verdict.holder,
        f"{verdict.probability:.4f}",
        "yes" if verdict.core else "no",
        verdict.second,
        verdict.second_holder,
        f"{verdict.second_probability:.4f}",
        "",
    ]


class _CsvRows:
    def __init__(self, out: TextIO) -> None:
        self._writer = csv.writer(out, lineterminator="\n")
        self._writer.writerow(COLUMNS)

    def __call__(self, rows: Rows) -> None:
        self._writer.writerows(_cells(line, verdict) for line, verdict in rows)


class _JsonLines:
    def __init__(self, out: TextIO, explainer: Explainer | None) -> None:
        self._out = out
        self._explainer = explainer

    def __call__(self, rows: Rows) -> None:
        from pawnlore.service.exports.explanation_text import explanation_value

        for line, verdict in rows:
            row = dict(zip(COLUMNS, _cells(line, verdict), strict=True))
            values: dict[str, object] = {k: v for k, v in row.items() if v or k == "fen"}
            if verdict is not None:
                values |= {
                    "probability": round(verdict.probability, 4),
                    "core": verdict.core,
                    "second_probability": round(verdict.second_probability, 4),
                }
                if self._explainer and (explanation := self._explainer(line)):
                    values["explanation"] = explanation_value(explanation)
            self._out.write(json.dumps(values, ensure_ascii=False) + "\n")


class _Table:
    """For people: the name in words, whose it is, how sure, and the position."""

    def __init__(self, out: TextIO, own: dict[str, str]) -> None:
        from pawnlore.structures.catalogue import shipped_catalogue

        self._out = out
        self._names = {**own, **{f.id: f.name for f in shipped_catalogue().families}}
        self._begun = False

    def __call__(self, rows: Rows) -> None:
        for text in self._lines(rows):
            self._out.write(text + "\n")
        self._out.flush()

    def _lines(self, rows: Rows) -> Iterator[str]:
        if not self._begun:
            self._begun = True
            yield f"{'structure':44} {'whose':6} {'sure':>5}  {'core':4}  position"
        for line, verdict in rows:
            if verdict is None:
                yield f"{'not read: ' + line.error}  {line.text}"
                continue
            name = self._names.get(verdict.structure, verdict.structure)
            if verdict.finer is not None:
                own, holder = verdict.finer
                whose = "" if holder == verdict.holder else f" ({holder})"
                name += f": {self._names.get(own, own)}{whose}"
            sure = f"{verdict.probability:.0%}"
            core = "yes" if verdict.core else "no"
            yield f"{name:44} {verdict.holder:6} {sure:>5}  {core:4}  {line.text}"


class _Explanations:
    """For people who ask why: some lines for every position."""

    def __init__(
        self,
        out: TextIO,
        explainer: Explainer,
        labelled: Callable[[PositionLine], bool],
        own: Mapping[str, str],
    ) -> None:
        self._out = out
        self._explainer = explainer
        self._labelled = labelled
        self._own = own

    def __call__(self, rows: Rows) -> None:
        from pawnlore.service.exports.explanation_text import explanation_lines
        from pawnlore.structures.catalogue import shipped_catalogue

        for line, _ in rows:
            self._out.write(line.text + "\n")
            explanation = self._explainer(line)
            if explanation is None:
                self._out.write(f"not read: {line.error}\n\n")
                continue
            for text in explanation_lines(
                explanation,
                shipped_catalogue(),
                labelled=self._labelled(line),
                own_names=self._own,
            ):
                self._out.write(text + "\n")
            self._out.write("\n")
        self._out.flush()
