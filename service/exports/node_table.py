"""A row for every node: CSV and JSON Lines, and a digest for reading.

The columns are ``file,game,node,parent,ply,move,structure,holder,probability,
core``, and ``fen`` last where the repertoire holds FENs. ``game`` counts from
1 in its file, ``node`` and ``parent`` from 0 in their game; a game's start has
no parent and no move.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator, Mapping, Sequence

from pawnlore.structures.catalogue import UNSETTLED
from pawnlore.structures.distinct_verdicts import DistinctVerdicts
from pawnlore.structures.line_text import NO_NAMES, family_name
from pawnlore.structures.repertoire import Game, Repertoire

COLUMNS = (
    "file",
    "game",
    "node",
    "parent",
    "ply",
    "move",
    "structure",
    "holder",
    "probability",
    "core",
)


def _cells(*values: object) -> str:
    line = io.StringIO()
    csv.writer(line, lineterminator="").writerow(values)
    return line.getvalue()


def csv_rows(book: Repertoire, verdicts: DistinctVerdicts) -> Iterator[str]:
    """The table as CSV (RFC 4180, with line feeds): the header, then a game at a time."""
    fens = book.fens
    yield ",".join((*COLUMNS, "fen") if fens is not None else COLUMNS) + "\n"
    found = verdicts.verdicts
    ends = []
    for row in range(len(found)):
        verdict = found[row]
        core = "yes" if verdict.core else "no"
        cells = _cells(verdict.structure, verdict.holder, f"{verdict.probability:.4f}", core)
        ends.append(f",{cells}" + ("," if fens is not None else "\n"))
    inverse = verdicts.inverse
    for game in book.games:
        first = game.first
        part = slice(first, first + game.count)
        # SAN, numbers and FENs hold nothing that CSV would have to quote.
        head = f"{_cells(game.file, game.number)},"
        columns = zip(
            book.parent[part],
            book.ply[part],
            book.moves[part],
            inverse[part].tolist(),
            strict=True,
        )
        rows = [
            f"{head}{node},{above - first if node else ''},{ply},{move}{ends[kind]}"
            for node, (above, ply, move, kind) in enumerate(columns)
        ]
        if fens is None:
            yield "".join(rows)
        else:
            game_fens = fens[part]
            yield "".join([f"{row}{fen}\n" for row, fen in zip(rows, game_fens, strict=True)])


def json_lines(book: Repertoire, verdicts: DistinctVerdicts) -> Iterator[str]:
    """The table as JSON Lines: an object a node, keys as the CSV's columns.

    ``parent`` is null at a game's start, ``core`` is true or false.
    """
    found = verdicts.verdicts
    ends = []
    for row in range(len(found)):
        verdict = found[row]
        structure = json.dumps(verdict.structure, ensure_ascii=False)
        ends.append(
            f'"structure": {structure}, "holder": "{verdict.holder}", '
            f'"probability": {round(verdict.probability, 4)}, "core": {json.dumps(verdict.core)}'
        )
    inverse = verdicts.inverse
    for game in book.games:
        first = game.first
        part = slice(first, first + game.count)
        file = json.dumps(game.file, ensure_ascii=False)
        head = f'{{"file": {file}, "game": {game.number}, "node": '
        fens = (
            [f', "fen": "{fen}"' for fen in book.fens[part]]
            if book.fens is not None
            else [""] * game.count
        )
        columns = zip(
            book.parent[part],
            book.ply[part],
            book.moves[part],
            inverse[part].tolist(),
            fens,
            strict=True,
        )
        yield "".join(
            [
                f'{head}{node}, "parent": {above - first if node else "null"}, "ply": {ply}, '
                f'"move": "{move}", {ends[kind]}{fen}}}\n'
                for node, (above, ply, move, kind, fen) in enumerate(columns)
            ]
        )


def digest(
    book: Repertoire, verdicts: DistinctVerdicts, own_names: Mapping[str, str] = NO_NAMES
) -> Iterator[str]:
    """What a person wants to see first: the structures met, then where they change.

    ``own_names`` are what the author calls the own families, by id.
    """
    yield from _summary(book, verdicts, own_names)
    for game in book.games:
        yield from _changes(book, game, verdicts, own_names)


def _summary(
    book: Repertoire, verdicts: DistinctVerdicts, own_names: Mapping[str, str]
) -> Iterator[str]:
    found = verdicts.verdicts
    kinds = verdicts.inverse.tolist()
    # Two families may have one name, and are still two.
    names = [
        (_name(verdict.structure, own_names), verdict.holder, verdict.structure)
        for verdict in (found[row] for row in range(len(found)))
    ]
    nodes: dict[tuple[str, str, str], int] = {}
    ends: dict[tuple[str, str, str], int] = {}
    for kind in kinds:
        nodes[names[kind]] = nodes.get(names[kind], 0) + 1
    leaves = book.leaves.tolist()
    for leaf in leaves:
        name = names[kinds[leaf]]
        ends[name] = ends.get(name, 0) + 1
    yield (
        f"{_count(len(book.games), 'game')}, {_count(len(book), 'node')}, "
        f"{_count(len(leaves), 'line')}\n\n"
    )
    if not nodes:
        return
    rows = [("structure", "holder", "nodes", "lines that end in it")]
    for name, count in sorted(nodes.items(), key=lambda item: (-item[1], item[0])):
        rows.append((*name[:2], f"{count:,}", f"{ends.get(name, 0):,}"))
    yield from _aligned(rows, right=(2, 3))


def _changes(
    book: Repertoire, game: Game, verdicts: DistinctVerdicts, own_names: Mapping[str, str]
) -> Iterator[str]:
    found = verdicts.verdicts
    kinds = verdicts.inverse[game.first : game.first + game.count].tolist()
    rows = [("node", "move", "structure", "holder", "probability", "core")]
    for node in game.nodes:
        verdict = found[kinds[node - game.first]]
        above = book.parent[node]
        if above >= 0:
            before = found[kinds[above - game.first]]
            if (before.structure, before.holder) == (verdict.structure, verdict.holder):
                continue
        elif not verdict.settled:
            continue
        rows.append(
            (
                str(node - game.first),
                _numbered(book, node),
                _name(verdict.structure, own_names),
                verdict.holder,
                f"{verdict.probability:.4f}",
                "yes" if verdict.core else "no",
            )
        )
    yield f"\n{game.file}, game {game.number}: {game.chapter}, {_count(game.count, 'node')}\n"
    if len(rows) == 1:
        yield "  no structure settles here\n"
    else:
        yield from _aligned(rows, right=(0, 4), indent="  ")


def _name(structure: str, own_names: Mapping[str, str]) -> str:
    return structure if structure == UNSETTLED else family_name(structure, own_names)


def _numbered(book: Repertoire, node: int) -> str:
    above = book.parent[node]
    if above < 0:
        return "(start)"
    half = book.ply[above]
    return f"{half // 2 + 1}{'...' if half % 2 else '.'} {book.moves[node]}"


def _count(number: int, what: str) -> str:
    return f"{number:,} {what}{'' if number == 1 else 's'}"


def _aligned(
    rows: Sequence[tuple[str, ...]], *, right: tuple[int, ...], indent: str = ""
) -> Iterator[str]:
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        cells = [
            cell.rjust(width) if column in right else cell.ljust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        yield indent + "  ".join(cells).rstrip() + "\n"
