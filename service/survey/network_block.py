"""The second layer of the network for several skeletons at a time, in vectors of whole numbers.

Each skeleton has a lane of its own, so that a weight is loaded once for all of
them and nothing is summed across lanes. Compilers know the sum of two products
of 16-bit numbers as one instruction, but find it only in code of this shape,
which loops over arrays do not lead to; so it is written for the compiler
directly, in terms that every processor has an answer to.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from pawnlore.service.survey.compiled import Array, compiled

LANES = 16
"""Skeletons in a block."""

_ROWS = 6
"""Classes that are summed together: so many sums find room in any processor's registers."""

_Code = Callable[..., Any]


def _tools() -> tuple[Any, Any, Any, Callable[[_Code], _Code]]:
    """What numba has for code below its own language; none of it has types."""
    import numba
    from numba.core import cgutils
    from numba.extending import intrinsic

    below: Any = cgutils
    return numba.types, below, below.ir, intrinsic


types, cgutils, ir, intrinsic = _tools()


def packed_weights(
    output: npt.NDArray[np.int16], bias: npt.NDArray[np.int32]
) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.int32]]:
    """Weights (C, H) and bias (C,) as `block_scores` takes them, filled up with zeros.

    The weights are (T, rows, H / 2), two units in each number, the first in its lower half.
    """
    kinds, units = output.shape
    tiles = -(-kinds // _ROWS)
    weights = np.zeros((tiles * _ROWS, units + units % 2), dtype=np.int16)
    weights[:kinds, :units] = output
    more = np.zeros(tiles * _ROWS, dtype=np.int32)
    more[:kinds] = bias
    return pairs_of(weights).reshape(tiles, _ROWS, -1), more.reshape(tiles, _ROWS)


def pairs_of(values: npt.NDArray[np.int16]) -> npt.NDArray[np.int32]:
    """Two neighbours of the last axis in each number, the first one in its lower half.

    >>> pairs_of(np.array([1, 2, -1, 0], dtype=np.int16)).tolist()
    [131073, 65535]
    """
    low, high = values[..., ::2].astype(np.int32), values[..., 1::2].astype(np.int32)
    return np.ascontiguousarray(low & 0xFFFF | high << 16)


@compiled
def block_scores(units: Array, weights: Array, bias: Array, scores: Array) -> None:
    """The scores ``int32`` (T, rows, LANES) of a block.

    ``units`` (H / 2, LANES) are the lanes' activations in pairs (see `pairs_of`);
    ``weights`` and ``bias`` come from `packed_weights`. Sums that do not fit wrap.
    """
    for tile in range(weights.shape[0]):
        _sum_rows(units, weights, bias, scores, tile, weights.shape[2])


@intrinsic
def block_best(typing: Any, scores: Any, first: Any, last: Any, best: Any) -> Any:
    """The largest score of each lane, into ``best`` (LANES,), of the rows from first to last."""
    if not _plain(scores, best):
        raise TypeError("contiguous arrays of int32 are wanted")

    def generate(context: Any, build: Any, signature: Any, args: Any) -> Any:
        lanes = ir.VectorType(ir.IntType(32), LANES).as_pointer()
        rows, out = (
            build.bitcast(
                context.make_array(signature.args[i])(context, build, args[i]).data, lanes
            )
            for i in (0, 3)
        )
        begin, end = (context.cast(build, args[i], signature.args[i], types.intp) for i in (1, 2))
        top = cgutils.alloca_once(build, lanes.pointee)
        build.store(build.load(build.gep(rows, [begin]), align=4), top)
        with cgutils.for_range(build, build.sub(end, begin)) as loop:
            row = build.load(build.gep(rows, [build.add(begin, loop.index)]), align=4)
            known = build.load(top)
            build.store(build.select(build.icmp_signed(">", row, known), row, known), top)
        build.store(build.load(top), out, align=4)
        return context.get_dummy_value()

    return types.void(scores, first, last, best), generate


def _plain(*arrays: Any) -> bool:
    return all(
        isinstance(a, types.Array) and a.layout == "C" and a.dtype == types.int32 for a in arrays
    )


@intrinsic
def _sum_rows(
    typing: Any, units: Any, weights: Any, bias: Any, scores: Any, tile: Any, pairs: Any
) -> Any:
    """Bias plus the sum over all units, for one tile of rows."""
    if not _plain(units, weights, bias, scores):
        raise TypeError("contiguous arrays of int32 are wanted")
    half, full = ir.IntType(16), ir.IntType(32)
    lanes, halves = ir.VectorType(full, LANES), ir.VectorType(half, 2 * LANES)
    products = ir.VectorType(full, 2 * LANES)

    def pick(build: Any, vector: Any, wanted: list[int]) -> Any:
        mask = ir.Constant(ir.VectorType(full, LANES), wanted)
        return build.shuffle_vector(vector, ir.Constant(vector.type, ir.Undefined), mask)

    def everywhere(build: Any, number: Any) -> Any:
        empty = ir.Constant(lanes, ir.Undefined)
        first = build.insert_element(empty, number, ir.Constant(full, 0))
        return pick(build, first, [0] * LANES)

    def summed_products(build: Any, one: Any, two: Any) -> Any:
        product = build.mul(
            build.sext(build.bitcast(one, halves), products),
            build.sext(build.bitcast(two, halves), products),
        )
        even, odd = (list(range(first, 2 * LANES, 2)) for first in (0, 1))
        return build.add(pick(build, product, even), pick(build, product, odd))

    def generate(context: Any, build: Any, signature: Any, args: Any) -> Any:
        data = [
            context.make_array(kind)(context, build, value).data
            for kind, value in zip(signature.args[:4], args[:4], strict=True)
        ]
        place, count = args[4:]
        size = count.type
        unit_rows, score_rows = (build.bitcast(data[i], lanes.as_pointer()) for i in (0, 3))
        first = build.mul(place, ir.Constant(size, _ROWS))
        rows = [build.add(first, ir.Constant(size, row)) for row in range(_ROWS)]
        starts = [everywhere(build, build.load(build.gep(data[2], [row]))) for row in rows]
        sums = [cgutils.alloca_once_value(build, start) for start in starts]
        # What is put on the stack once has to be filled again for every tile.
        for total, start in zip(sums, starts, strict=True):
            build.store(start, total)
        weight_rows = [build.gep(data[1], [build.mul(row, count)]) for row in rows]
        with cgutils.for_range(build, count) as loop:
            shared = build.load(build.gep(unit_rows, [loop.index]), align=4)
            for total, weight_row in zip(sums, weight_rows, strict=True):
                weight = everywhere(build, build.load(build.gep(weight_row, [loop.index])))
                more = summed_products(build, shared, weight)
                build.store(build.add(build.load(total), more), total)
        for total, row in zip(sums, rows, strict=True):
            build.store(build.load(total), build.gep(score_rows, [row]), align=4)
        return context.get_dummy_value()

    return types.void(units, weights, bias, scores, tile, pairs), generate
