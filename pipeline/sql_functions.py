"""The physics as DuckDB macros, written by tracing the kernels of `pipeline.science`: no formula stands here.

A kernel run on `Symbol`s instead of numbers leaves a graph of its arithmetic. The graph is written out as one
SQL expression: what is dear and used more than once is bound once (a lambda over a list is SQL's only "let"
inside an expression), and a fixed-step iteration becomes `list_reduce`. Macro arguments replace text, so each
argument is bound before anything else; that also makes macros safe to nest in one another.

Where a Python function gives NaN its macro gives NULL. The macros live in the database file, for any DuckDB
client that opens it.
"""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cache
from inspect import signature
from typing import Any

import numpy as np

from pipeline import science
from pipeline.science import density, fermentation, gravity, proofing, strength
from pipeline.science.terms import Term

Kernel = Callable[..., Term]

#: Macro name (a public function of `pipeline.science`, whose arguments it keeps) -> the kernel behind it.
KERNELS: dict[str, Kernel] = {
    "density_kg_per_m3": density.density_kernel,
    "mass_fraction_from_density": density.mass_fraction_from_density_kernel,
    "mass_fraction_from_abv": strength.mass_fraction_from_abv_kernel,
    "abv_from_mass_fraction": strength.abv_from_mass_fraction_kernel,
    "abv_from_reading": strength.abv_from_reading_kernel,
    "abv_from_proof_reading": strength.abv_from_proof_reading_kernel,
    "volume_at_20c": strength.volume_at_20c_kernel,
    "proof_from_abv": strength.proof_from_abv_kernel,
    "abv_from_proof": strength.abv_from_proof_kernel,
    "lpa": strength.lpa_kernel,
    "ethanol_kg_from_lpa": strength.ethanol_kg_from_lpa_kernel,
    "mass_kg_from_volume_l": strength.mass_kg_from_volume_l_kernel,
    "volume_l_from_mass_kg": strength.volume_l_from_mass_kg_kernel,
    "mixing_rise_c": proofing.mixing_rise_kernel,
    "water_density_kg_per_m3": gravity.water_density_kernel,
    "plato_from_sg": gravity.plato_from_sg_kernel,
    "sg_from_plato": gravity.sg_from_plato_kernel,
    "sg_from_reading": gravity.sg_from_reading_kernel,
    "wort_volume_at_20c": gravity.wort_volume_at_20c_kernel,
    "extract_kg": gravity.extract_kg_kernel,
    "real_extract": fermentation.real_extract_kernel,
    "alcohol_pct_mass": fermentation.alcohol_pct_mass_kernel,
    "attenuation_frac": fermentation.attenuation_kernel,
    "wash_abv": fermentation.wash_abv_kernel,
    "wash_lpa": fermentation.wash_lpa_kernel,
}

_OPERATORS = {
    np.add: "+",
    np.subtract: "-",
    np.multiply: "*",
    np.divide: "/",
    np.less_equal: "<=",
    np.greater_equal: ">=",
    np.less: "<",
    np.greater: ">",
    np.bitwise_and: "and",
    np.bitwise_or: "or",
}
_FUNCTIONS = {np.minimum: "least", np.maximum: "greatest", np.exp: "exp", np.log: "ln", np.power: "pow"}

# Binding a value costs DuckDB about as much as this many additions or multiplications (measured, 2.0.1).
_DEARER_THAN_A_LET = 60


class Symbol:
    """A value of the traced formula: an argument, a constant, the result of an operation, or of an iteration.

    `depth` tells inside how many iterations the value changes; 0 is fixed for a row. Numpy's protocols bring
    `np.where`, `np.minimum` and the rest here, so kernels need not know that they are being traced.
    """

    __slots__ = ("depth", "kind", "parts", "tracer")

    def __init__(self, tracer: "Tracer", kind: str, parts: tuple[Any, ...], depth: int) -> None:
        self.tracer, self.kind, self.parts, self.depth = tracer, kind, parts, depth

    def __array_ufunc__(self, ufunc: Any, method: str, *inputs: Any, **_: Any) -> Term:
        if method != "__call__":
            return NotImplemented
        if ufunc in _OPERATORS:
            return self.tracer.operation(_OPERATORS[ufunc], inputs)
        return self.tracer.operation(_FUNCTIONS[ufunc], inputs)

    def __array_function__(self, function: Any, _types: Any, args: tuple[Any, ...], _kwargs: Any) -> Term:
        return self.tracer.operation("where", args) if function is np.where else NotImplemented

    def record_iteration(self, step: Callable[[Term], Term], steps: int) -> "Symbol":
        return self.tracer.iteration(self, step, steps)

    def __add__(self, other: Any) -> Term:
        return self.tracer.operation("+", (self, other))

    def __radd__(self, other: Any) -> Term:
        return self.tracer.operation("+", (other, self))

    def __sub__(self, other: Any) -> Term:
        return self.tracer.operation("-", (self, other))

    def __rsub__(self, other: Any) -> Term:
        return self.tracer.operation("-", (other, self))

    def __mul__(self, other: Any) -> Term:
        return self.tracer.operation("*", (self, other))

    def __rmul__(self, other: Any) -> Term:
        return self.tracer.operation("*", (other, self))

    def __truediv__(self, other: Any) -> Term:
        return self.tracer.operation("/", (self, other))

    def __rtruediv__(self, other: Any) -> Term:
        return self.tracer.operation("/", (other, self))

    def __le__(self, other: Any) -> Term:
        return self.tracer.operation("<=", (self, other))

    def __ge__(self, other: Any) -> Term:
        return self.tracer.operation(">=", (self, other))

    def __lt__(self, other: Any) -> Term:
        return self.tracer.operation("<", (self, other))

    def __gt__(self, other: Any) -> Term:
        return self.tracer.operation(">", (self, other))

    def __and__(self, other: Any) -> Term:
        return self.tracer.operation("and", (self, other))

    def __or__(self, other: Any) -> Term:
        return self.tracer.operation("or", (self, other))

    def __bool__(self) -> bool:
        raise TypeError("A kernel must not decide by a value: use np.where, which SQL can write down too.")


@dataclass
class Tracer:
    """Makes symbols, the same one for the same expression, so that shared work is seen as shared."""

    known: dict[tuple[Any, ...], Symbol] = field(default_factory=dict)
    depth: int = 0

    def argument(self, name: str) -> Symbol:
        return self._symbol("argument", (name,), 0)

    def operation(self, name: str, inputs: Sequence[Any]) -> Any:
        simpler = _without_work(name, inputs)
        if simpler is not None:
            return simpler
        parts = tuple(self._part(value) for value in inputs)
        return self._symbol(name, parts, max(part.depth for part in parts))

    def iteration(self, start: Symbol, step: Callable[[Term], Term], steps: int) -> Symbol:
        # One variable for each depth: two iterations written alike are then the same symbol, and done once.
        self.depth += 1
        variable = self._symbol("variable", (self.depth,), self.depth)
        body = self._part(step(variable))
        self.depth -= 1
        outside = (node.depth for node in _parts_first(body) if node.depth < variable.depth)
        return self._symbol("iterate", (start, body, steps), max(start.depth, *outside, 0))

    def _part(self, value: Any) -> Symbol:
        return value if isinstance(value, Symbol) else self._symbol("constant", (float(value),), 0)

    def _symbol(self, kind: str, parts: tuple[Any, ...], depth: int) -> Symbol:
        # NaN is not equal to itself: without its text as the key every NaN would be another constant.
        key = (kind, *(id(part) if isinstance(part, Symbol) else repr(part) for part in parts))
        return self.known.setdefault(key, Symbol(self, kind, parts, depth))


def _without_work(name: str, inputs: Sequence[Any]) -> Any:
    """Multiplying by 0 or 1 and adding 0 come from polynomials at their ends; write the end instead."""
    if name in ("*", "+"):
        for value, other in (inputs, inputs[::-1]):
            if isinstance(value, float | int) and (name, float(value)) in (("*", 1.0), ("+", 0.0)):
                return other
            if isinstance(value, float | int) and name == "*" and float(value) == 0.0:
                return 0.0
    return None


def _children(node: Symbol) -> list[Symbol]:
    return [part for part in node.parts if isinstance(part, Symbol)]


def _parts_first(root: Symbol) -> list[Symbol]:
    """Every symbol under the root, itself included, each once, parts before the whole."""
    seen: dict[int, Symbol] = {}

    def visit(node: Symbol) -> None:
        if id(node) not in seen:
            for child in _children(node):
                visit(child)
            seen[id(node)] = node

    visit(root)
    return list(seen.values())


def _uses(nodes: Sequence[Symbol], depth: int) -> Counter[int]:
    """How often each symbol would be worked out if it were not bound: inside an iteration, at every step."""
    uses: Counter[int] = Counter()
    steps = max((node.parts[2] for node in nodes if node.kind == "iterate"), default=1)
    for node in nodes:
        for child in _children(node):
            uses[id(child)] += steps if node.depth > depth else 1
    return uses


def _is_bindable(node: Symbol) -> bool:
    """A number that takes work; conditions are cheap, and a list holds values of one type."""
    return node.kind in ("+", "-", "*", "/", "where", "iterate") or node.kind in _FUNCTIONS.values()


@dataclass
class Writer:
    """Writes a graph of symbols as SQL text."""

    names: dict[int, str] = field(default_factory=dict)

    def bind_arguments(self, arguments: Sequence[Symbol]) -> tuple[str, str]:
        """Opening and closing of the macro: each argument as a double, NaN as NULL, read once."""
        values = [f"nullif(cast({symbol.parts[0]} as double), 'nan'::double)" for symbol in arguments]
        return self._lets(arguments, values)

    def scope(self, root: Symbol, depth: int) -> str:
        """SQL of `root`, after binding what stands fixed at this depth and would be dear to write twice."""
        opening, closing = "", ""
        for wave in self._waves(root, depth):
            start, end = self._lets(wave, [self.expression(node) for node in wave])
            opening, closing = opening + start, end + closing
        return opening + self.expression(root) + closing

    def _waves(self, root: Symbol, depth: int) -> list[list[Symbol]]:
        """Symbols to bind in this scope, in waves: each wave needs only the waves before it."""
        nodes = _parts_first(root)
        uses = _uses(nodes, depth)
        length: dict[int, int] = {}
        rank: dict[int, int] = {}
        waves: list[list[Symbol]] = []
        for node in nodes:
            key = id(node)
            length[key] = 1 + sum(length[id(child)] for child in _children(node))
            rank[key] = max((rank[id(child)] for child in _children(node)), default=0)
            is_fixed = node.depth == depth and _is_bindable(node)
            if key in self.names:
                length[key] = 1
            elif is_fixed and (uses[key] - 1) * length[key] > _DEARER_THAN_A_LET:
                if len(waves) == rank[key]:
                    waves.append([])
                waves[rank[key]].append(node)
                rank[key] += 1
                length[key] = 1
        return waves

    def _lets(self, symbols: Sequence[Symbol], values: Sequence[str]) -> tuple[str, str]:
        """Open and close lambdas in which the symbols have names.

        Two by two, because each lambda inside another about doubles DuckDB's planning. (A struct of them all
        would be one lambda, but is slow to carry into others. Both measured with DuckDB 2.0.1.)
        """
        opening, closing = "", ""
        for first in range(0, len(symbols), 2):
            pair = symbols[first : first + 2]
            names = [f"let{len(self.names) + offset}" for offset in range(1, len(pair) + 1)]
            self.names.update({id(symbol): name for symbol, name in zip(pair, names, strict=True)})
            function, end = ("list_transform", ")[1]") if len(pair) == 1 else ("list_reduce", ")")
            bound = ", ".join(values[first : first + 2])
            opening += f"{function}([{bound}], lambda {', '.join(names)}: "
            closing = end + closing
        return opening, closing

    def expression(self, node: Symbol) -> str:
        """SQL of one symbol: its name if it is bound, else written out."""
        if id(node) in self.names:
            return self.names[id(node)]
        if node.kind == "constant":
            return _literal(node.parts[0])
        if node.kind == "variable":
            return f"step{node.parts[0]}"
        if node.kind == "iterate":
            return self._iteration(node)
        parts = [self.expression(part) for part in node.parts]
        if node.kind == "where":
            otherwise = "" if parts[2] == "null" else f" else {parts[2]}"
            return f"case when {parts[0]} then {parts[1]}{otherwise} end"
        if node.kind in _FUNCTIONS.values():
            return f"{node.kind}({', '.join(parts)})"
        return f"({parts[0]} {node.kind} {parts[1]})"

    def _iteration(self, node: Symbol) -> str:
        start, body, steps = node.parts
        first = self.expression(start)
        outside = dict(self.names)
        inner = node.depth + 1
        text = self.scope(body, inner)
        self.names = outside
        times = ", ".join(["0e0"] * steps)
        return f"list_reduce([{times}], lambda step{inner}, _{inner}: {text}, {first})"


def _literal(value: float) -> str:
    """A double: a plain decimal would become a DECIMAL in SQL, and overflow."""
    if np.isnan(value):
        return "null"
    text = repr(value)
    return text if "e" in text else text + "e0"


def macro(name: str, kernel: Kernel) -> str:
    """The `create or replace macro` statement of one function.

    >>> macro("lpa", KERNELS["lpa"]).split(" as ")[0]
    'create or replace macro lpa(volume_l, abv_20c_pct_vol)'
    """
    parameters = list(signature(getattr(science, name)).parameters)
    tracer = Tracer()
    arguments = [tracer.argument(parameter) for parameter in parameters]
    formula = kernel(*arguments)
    writer = Writer()
    opening, closing = writer.bind_arguments(arguments)
    body = opening + writer.scope(formula, 0) + closing
    return f"create or replace macro {name}({', '.join(parameters)}) as {body}"


@cache
def sql_macros() -> tuple[str, ...]:
    """Statements that make the science functions known to SQL, one each, in no particular order.

    Same names, arguments, units and ranges as in `pipeline.science`; NULL in place of NaN, and NULL for NULL.
    """
    return tuple(macro(name, kernel) for name, kernel in KERNELS.items())
