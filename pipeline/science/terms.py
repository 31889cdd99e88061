"""How a formula is written once and computed anywhere.

A *kernel* is a plain expression: it uses + - * /, comparisons, `np.where`, `np.minimum` and the two helpers
`horner` and `iterate`, and never looks at a value to decide what to do next. The same kernel therefore runs
on a float, on an array, and on a symbol that writes the expression down in another language (SQL macros are
made that way). `evaluate` is the door between kernels and callers: broadcasting, chunks, floats in giving
floats out.

It knows no physics.
"""

from collections.abc import Callable, Sequence
from typing import Any, Protocol, TypeAlias, TypeVar, runtime_checkable

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float64]

#: Floats give floats, and one array among the arguments gives an array.
V = TypeVar("V", float, FloatArray)

#: A term of a formula: a float, an array, or a symbol. Any, because a symbol is not a number to the type
#: checker.
Term: TypeAlias = Any

#: Rows worked on at a time: 128 KiB a column, so that a formula's columns stay in a core's own cache.
CHUNK_ROWS = 16_384

NOT_A_NUMBER = float("nan")


@runtime_checkable
class Traced(Protocol):
    """A symbol: it records a fixed-step iteration instead of carrying it out."""

    def record_iteration(self, step: Callable[[Term], Term], steps: int) -> Term: ...


def horner(coefficients: Sequence[Term], x: Term) -> Term:
    """Polynomial with ascending coefficients: c0 + c1 x + c2 x^2 + ... (no unit of its own).

    >>> horner((1.0, 2.0, 3.0), 2.0)
    17.0
    """
    total = coefficients[-1]
    for coefficient in reversed(coefficients[:-1]):
        total = total * x + coefficient
    return total


def derivative(coefficients: Sequence[Term]) -> tuple[Term, ...]:
    """Ascending coefficients of a polynomial's derivative.

    >>> derivative((1.0, 2.0, 3.0))
    (2.0, 6.0)
    """
    return tuple(power * coefficient for power, coefficient in enumerate(coefficients) if power > 0)


def iterate(step: Callable[[Term], Term], start: Term, steps: int) -> Term:
    """Apply `step` a fixed number of times: no convergence test, so every row costs the same.

    >>> iterate(lambda root: (root + 2.0 / root) / 2.0, 1.0, 5)
    1.414213562
    """
    if isinstance(start, Traced):
        return start.record_iteration(step, steps)
    value = start
    for _ in range(steps):
        value = step(value)
    return value


def within(x: Term, low: float, high: float) -> Term:
    """True where low <= x <= high; false for NaN."""
    return (x >= low) & (x <= high)


def only_where(condition: Term, value: Term) -> Term:
    """`value` where the condition holds, NaN elsewhere: how a formula refuses to extrapolate."""
    return np.where(condition, value, NOT_A_NUMBER)


def evaluate(kernel: Callable[..., Term], *values: V | float) -> V:
    """Run a kernel on floats or arrays with numpy's broadcasting.

    Arguments : floats or arrays of any broadcastable shapes; integers and 32-bit floats are widened to 64
                bits.
    Returns   : a float when every argument is a scalar, else an array of the broadcast shape.
    """
    columns = [np.asarray(value, dtype=np.float64) for value in values]
    shape = np.broadcast_shapes(*(column.shape for column in columns))
    # A start value beyond the range may overflow on its way to being refused: that is no news to the caller.
    with np.errstate(all="ignore"):
        answer: Term = _in_chunks(kernel, columns, shape) if shape else _of_scalars(kernel, columns)
    result: V = answer
    return result


def _of_scalars(kernel: Callable[..., Term], columns: Sequence[FloatArray]) -> float:
    return float(kernel(*(np.float64(column) for column in columns)))


def _in_chunks(
    kernel: Callable[..., Term], columns: Sequence[FloatArray], shape: tuple[int, ...]
) -> FloatArray:
    """Evaluate over the flattened broadcast, CHUNK_ROWS at a time; scalars stay scalars, so stay cheap."""
    flat = [
        column.reshape(()) if column.size == 1 else np.broadcast_to(column, shape).reshape(-1)
        for column in columns
    ]
    result = np.empty(int(np.prod(shape)), dtype=np.float64)
    for first in range(0, result.size, CHUNK_ROWS):
        rows = slice(first, first + CHUNK_ROWS)
        result[rows] = kernel(*(column[rows] if column.ndim else np.float64(column) for column in flat))
    return result.reshape(shape)
