"""A table as the bytes of a Parquet file, written in the way that costs least."""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import Any

_DIFFERENCES = {
    "game": "DELTA_BINARY_PACKED",
    "offset": "DELTA_BINARY_PACKED",
    "moves": "DELTA_LENGTH_BYTE_ARRAY",
}
"""Columns whose values hardly come twice: a dictionary of them would be larger than they are.

Of those that grow from row to row the steps are written, of the moves the lengths first.
"""

_AT_A_TIME = 1 << 14
"""Values that the library takes at a time; with its own thousand, lists take it a tenth longer."""


def parquet_bytes(table: Any) -> memoryview:
    """The file of an Arrow table, compressed with Zstandard.

    Words stand in dictionaries, and their least and largest, which nobody asks
    for, are not told.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    columns = [leaf for field in table.schema for leaf in _leaves(field.name, field.type)]
    stream = io.BytesIO()
    pq.write_table(
        table,
        stream,
        compression="zstd",
        use_dictionary=[name for name, _ in columns if name not in _DIFFERENCES],
        column_encoding={name: _DIFFERENCES[name] for name, _ in columns if name in _DIFFERENCES},
        write_batch_size=_AT_A_TIME,
        write_statistics=[
            name
            for name, kind in columns
            if not (pa.types.is_dictionary(kind) or pa.types.is_binary(kind))
        ],
    )
    return stream.getbuffer()


def _leaves(name: str, kind: Any) -> Iterator[tuple[str, Any]]:
    """The columns that a field becomes in Parquet, with their types."""
    import pyarrow as pa

    if pa.types.is_list(kind):
        yield from _leaves(f"{name}.list.element", kind.value_type)
    elif pa.types.is_struct(kind):
        for field in kind:
            yield from _leaves(f"{name}.{field.name}", field.type)
    else:
        yield name, kind
