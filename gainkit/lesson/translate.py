"""Python arithmetic as JavaScript, so that a page calculates with the very formulas of the calculator.

Only what such functions are made of: numbers, `math`, conditions, tuples and dicts of figures, and calls of
other functions like them, which are translated along. Where a function serves arrays too, the branch for floats
is taken. Anything else is refused, rather than translated wrongly.
"""

from __future__ import annotations

import ast
import inspect
import math
import textwrap
from collections.abc import Callable, Sequence
from types import FunctionType, ModuleType
from typing import Any

BINARY = {ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/"}
COMPARED = {ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=", ast.Eq: "===", ast.NotEq: "!=="}
MATH = {
    "sqrt": "Math.sqrt", "asin": "Math.asin", "acos": "Math.acos", "sin": "Math.sin", "cos": "Math.cos",
    "exp": "Math.exp", "log": "Math.log", "log10": "Math.log10", "pi": "Math.PI", "inf": "Infinity",
    "erf": "erf", "erfc": "erfc", "isinf": "isInfinite", "isnan": "Number.isNaN",
}  # fmt: skip
PLAIN = {"min": "Math.min", "max": "Math.max", "abs": "Math.abs"}

ERF = """\
function erf(x) {
  // Maclaurin series; beyond 6 the rest is below 1e-16. Abramowitz and Stegun 7.1.6 (from memory).
  if (Math.abs(x) > 6) return Math.sign(x);
  let term = x, sum = x;
  for (let n = 1; n < 300 && Math.abs(term) > 1e-18 * Math.abs(sum); n++) {
    term *= 2 * x * x / (2 * n + 1);
    sum += term;
  }
  return sum * 2 / Math.sqrt(Math.PI) * Math.exp(-x * x);
}
function erfc(x) { return 1 - erf(x); }
function isInfinite(x) { return Math.abs(x) === Infinity; }
"""


def javascript_of(functions: Sequence[Callable[..., Any]]) -> str:
    """The functions and all that they call, as JavaScript functions named like `module_function`."""
    done: dict[str, str] = {}
    for function in functions:
        _translate(function, done)
    return "\n".join([ERF, *done.values()])


def js_name(function: Callable[..., Any]) -> str:
    """What a function is called on the page."""
    return f"{function.__module__.rsplit('.', 1)[-1]}_{function.__name__}"


def _translate(function: Callable[..., Any], done: dict[str, str]) -> None:
    name = js_name(function)
    if name in done:
        return
    done[name] = ""  # against going round in circles
    (tree,) = ast.parse(textwrap.dedent(inspect.getsource(function))).body
    assert isinstance(tree, ast.FunctionDef)
    assert isinstance(function, FunctionType)
    given = tree.args
    if given.vararg or given.kwarg or given.kwonlyargs or given.posonlyargs:
        raise NotImplementedError(f"arguments of {name}")
    own = _Function(function.__globals__, {each.arg for each in given.args}, done)
    defaults: list[ast.expr | None] = [None] * (len(given.args) - len(given.defaults))
    arguments = ", ".join(
        each.arg if default is None else f"{each.arg} = {own.told(default)}"
        for each, default in zip(given.args, [*defaults, *given.defaults], strict=True)
    )
    del done[name]
    body = own.block(tree.body)  # what it calls goes in before it
    done[name] = f"function {name}({arguments}) {{\n{textwrap.indent(body, '  ')}\n}}"


class _Function:
    """The translation of one function: what it knows of names."""

    def __init__(self, names: dict[str, Any], known: set[str], done: dict[str, str]) -> None:
        self.names, self.known, self.done = names, known, done

    def block(self, body: Sequence[ast.stmt]) -> str:
        lines = []
        for each in body:
            lines.append(self.statement(each))
            if isinstance(each, ast.Return) or _of_floats(each):
                break
        return "\n".join(line for line in lines if line)

    def statement(self, node: ast.stmt) -> str:
        match node:
            case ast.Expr(value=ast.Constant()) | ast.Import() | ast.ImportFrom():
                return ""
            case ast.Return(value=ast.expr() as value):
                return f"return {self.told(value)};"
            case ast.AnnAssign(target=ast.Name(id=name), value=ast.expr() as value):
                return self.assigned([name], value)
            case ast.Assign(targets=[ast.Name(id=name)], value=value):
                return self.assigned([name], value)
            case ast.Assign(targets=[ast.Tuple(elts=parts)], value=value):
                return self.assigned([each.id for each in parts if isinstance(each, ast.Name)], value)
            case ast.If(test=test, body=body) if _of_floats(node):
                return self.block(body)
            case ast.If(test=test, body=body, orelse=other):
                told = f"if ({self.told(test)}) {{\n{textwrap.indent(self.block(body), '  ')}\n}}"
                return f"{told} else {{\n{textwrap.indent(self.block(other), '  ')}\n}}" if other else told
        raise NotImplementedError(ast.unparse(node))

    def assigned(self, names: list[str], value: ast.expr) -> str:
        told = self.told(value)
        new = not set(names) <= self.known
        self.known |= set(names)
        target = names[0] if len(names) == 1 else f"[{', '.join(names)}]"
        return f"{'let ' if new else ''}{target} = {told};"

    def told(self, node: ast.expr) -> str:
        match node:
            case ast.Constant(value=bool() as value):
                return str(value).lower()
            case ast.Constant(value=(int() | float()) as value):
                return repr(value)
            case ast.Constant(value=str() as value):
                return repr(value)
            case ast.Name(id=name):
                return self.name(name)
            case ast.Attribute(value=ast.Name(id="math"), attr=attr):
                return _of_math(attr)
            case ast.BinOp(left=left, op=ast.Pow(), right=right):
                return f"Math.pow({self.told(left)}, {self.told(right)})"
            case ast.BinOp(left=left, op=op, right=right):
                return f"({self.told(left)} {BINARY[type(op)]} {self.told(right)})"
            case ast.UnaryOp(op=ast.USub(), operand=value):
                return f"(-{self.told(value)})"
            case ast.UnaryOp(op=ast.Not(), operand=value):
                return f"(!{self.told(value)})"
            case ast.BoolOp(op=op, values=values):
                word = " && " if isinstance(op, ast.And) else " || "
                return f"({word.join(map(self.told, values))})"
            case ast.Compare(left=left, ops=ops, comparators=others):
                sides = [left, *others]
                pairs = zip(sides, ops, others, strict=False)
                told = [f"{self.told(a)} {COMPARED[type(op)]} {self.told(b)}" for a, op, b in pairs]
                return f"({' && '.join(told)})"
            case ast.IfExp(test=test, body=body, orelse=other):
                return f"({self.told(test)} ? {self.told(body)} : {self.told(other)})"
            case ast.Tuple(elts=parts):
                return f"[{', '.join(map(self.told, parts))}]"
            case ast.Dict(keys=keys, values=values):
                pairs_told = (f"{self.told(k)}: {self.told(v)}" for k, v in zip(keys, values, strict=True) if k)
                return f"{{{', '.join(pairs_told)}}}"
            case ast.Subscript(value=value, slice=ast.Constant() as key):
                return f"{self.told(value)}[{self.told(key)}]"
            case ast.Call(func=called, args=arguments, keywords=[]):
                return self.call(called, arguments)
        raise NotImplementedError(ast.unparse(node))

    def name(self, name: str) -> str:
        """A name of the function's own, or a figure of its module by its value."""
        if name in self.known:
            return name
        value = self.names[name]
        if not isinstance(value, (int, float)):
            raise NotImplementedError(name)
        return repr(value)

    def call(self, called: ast.expr, arguments: list[ast.expr]) -> str:
        if isinstance(called, ast.Name) and called.id == "cast":
            return self.told(arguments[1])
        told = ", ".join(map(self.told, arguments))
        match called:
            case ast.Name(id=name) if name in PLAIN:
                return f"{PLAIN[name]}({told})"
            case ast.Attribute(value=ast.Name(id="math"), attr=attr):
                return f"{_of_math(attr)}({told})"
            case ast.Name(id=name):
                function = self.names[name]
            case ast.Attribute(value=ast.Name(id=module), attr=attr) if isinstance(
                self.names[module], ModuleType
            ):
                function = getattr(self.names[module], attr)
            case _:
                raise NotImplementedError(ast.unparse(called))
        if function is math or not callable(function):
            raise NotImplementedError(ast.unparse(called))
        _translate(function, self.done)
        return f"{js_name(function)}({told})"


def _of_math(name: str) -> str:
    if name not in MATH:
        raise NotImplementedError(f"math.{name}")
    return MATH[name]


def _of_floats(node: ast.stmt) -> bool:
    """Whether a statement is the branch of a function that serves floats and arrays, for floats."""
    return isinstance(node, ast.If) and any(
        isinstance(each, ast.Call) and isinstance(each.func, ast.Name) and each.func.id == "isinstance"
        for each in ast.walk(node.test)
    )
