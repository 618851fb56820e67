"""Tables of answers in files: CSV, JSON Lines or Parquet."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from pawnlore.service.exports.output import write_output

FORMATS = ("csv", "jsonl", "parquet")


def write_rows(rows: Sequence[dict[str, Any]], path: Path, format: str) -> None:
    """Write one table; a file takes its name when it is complete. Unknown numbers are empty."""
    if format == "parquet":
        import pyarrow as pa
        import pyarrow.parquet as pq

        part = path.with_name(f".{path.name}.part")
        try:
            pq.write_table(pa.Table.from_pylist([_clean(row) for row in rows]), part)
            part.replace(path)
        except BaseException:
            part.unlink(missing_ok=True)
            raise
        return
    write_output(csv_lines(rows) if format == "csv" else json_lines(rows), path)


def _clean(row: dict[str, Any]) -> dict[str, Any]:
    return {
        key: None if isinstance(value, float) and math.isnan(value) else value
        for key, value in row.items()
    }


def csv_lines(rows: Sequence[dict[str, Any]]) -> Iterator[str]:
    """Rows as CSV, with the names of the first one's columns."""
    text = io.StringIO()
    names = list(rows[0]) if rows else []
    writer = csv.DictWriter(text, names, lineterminator="\n")
    writer.writeheader()
    for row in rows:
        writer.writerow(
            {
                key: "" if value is None else f"{value:.4f}" if isinstance(value, float) else value
                for key, value in _clean(row).items()
            }
        )
    yield text.getvalue()


def json_lines(rows: Sequence[dict[str, Any]]) -> Iterator[str]:
    """Rows as JSON, one a line."""
    for row in rows:
        told = {k: round(v, 6) if isinstance(v, float) else v for k, v in _clean(row).items()}
        yield json.dumps(told, ensure_ascii=False) + "\n"
