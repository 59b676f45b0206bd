"""Short names for the chip, in place of those that only a module's own source needs.

Every name that is new to the chip costs it memory, time at each start, and time whenever a text is made there, since
MicroPython then looks through all the names it knows. So private names and those of arguments become short ones, the
same in every module; constants that were put in by value are not kept. Public names stay as they are, for a look inside
at a prompt. Source text in, source text out; line numbers do not stay.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from itertools import product
from keyword import iskeyword
from string import ascii_lowercase, ascii_uppercase

_CONSTANT = re.compile(r"[A-Z][A-Z0-9_]*")
_CHECKER_ONLY = "TYPE_CHECKING"
_Function = ast.FunctionDef | ast.Lambda


def keywords(text: str) -> set[str]:
    """Names by which calls in `text` give arguments."""
    tree = _parsed(text)
    return {node.arg for node in ast.walk(tree) if isinstance(node, ast.keyword) and node.arg} if tree else set()


def shortened(text: str, kept: set[str]) -> str:
    """`text`, which has its constants put in, with short names. Arguments named in `kept` stay."""
    tree = _parsed(text)
    if tree is None:
        return text
    _drop_checker_only(tree)
    _hide_constants(tree)
    _drop_unused_imports(tree)
    used = _identifiers(tree)
    _shorten_arguments(tree, kept, [letter for letter in ascii_uppercase if letter not in used], 0)
    _shorten_private(tree, used)
    return ast.unparse(tree)


def _parsed(text: str) -> ast.Module | None:
    try:
        return ast.parse(text)
    except SyntaxError:
        return None  # mpy-cross says where


def _drop_checker_only(tree: ast.Module) -> None:
    """What is there for the type checker alone."""
    tree.body = [
        node
        for node in tree.body
        if not (isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == _CHECKER_ONLY)
        and not (isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == _CHECKER_ONLY)
    ]


def _hide_constants(tree: ast.Module) -> None:
    """The compiler puts a constant in by value and forgets its name if that begins with an underscore."""
    names = set()
    for node in tree.body:
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name) and _is_const(node.value):
            if _CONSTANT.fullmatch(node.targets[0].id):
                names.add(node.targets[0].id)
    for name in ast.walk(tree):
        if isinstance(name, ast.Name) and name.id in names:
            name.id = "_" + name.id


def _drop_unused_imports(tree: ast.Module) -> None:
    """Modules whose every use was put in by value."""
    read = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
    kept: list[ast.stmt] = []
    for node in tree.body:
        if isinstance(node, ast.ImportFrom):
            node.names = [alias for alias in node.names if (alias.asname or alias.name) in read]
            if not node.names:
                continue
        kept.append(node)
    tree.body = kept


def _identifiers(tree: ast.AST) -> set[str]:
    found = set()
    for node in ast.walk(tree):
        for field in ("id", "attr", "name", "asname", "arg"):
            value = getattr(node, field, None)
            if isinstance(value, str):
                found.add(value)
    return found


def _arguments(function: _Function) -> list[ast.arg]:
    wanted = function.args
    more = [one for one in (wanted.vararg, wanted.kwarg) if one]
    return [*wanted.posonlyargs, *wanted.args, *wanted.kwonlyargs, *more]


def _inner(node: ast.AST) -> Iterator[ast.AST]:
    """Functions directly inside `node`."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, _Function):
            yield child
        else:
            yield from _inner(child)


def _shorten_arguments(node: ast.AST, kept: set[str], letters: list[str], first: int) -> None:
    for function in _inner(node):
        assert isinstance(function, _Function)
        arguments = _arguments(function)
        body = function.body if isinstance(function.body, list) else [function.body]
        for number, argument in enumerate(arguments, first):
            if argument.arg in kept or argument.arg == "_" or _is_bound_again(body, argument.arg):
                continue
            for part in body:
                for name in ast.walk(part):
                    if isinstance(name, ast.Name) and name.id == argument.arg:
                        name.id = letters[number]
            argument.arg = letters[number]
        _shorten_arguments(function, kept, letters, first + len(arguments))


def _is_bound_again(body: list[ast.stmt] | list[ast.expr], name: str) -> bool:
    """Whether a function or comprehension inside has a variable of its own by this name."""
    for part in body:
        for node in ast.walk(part):
            if isinstance(node, _Function):
                own = {argument.arg for argument in _arguments(node)}
            elif isinstance(node, ast.comprehension):
                own = _identifiers(node.target)
            else:
                continue
            if name in own:
                return True
    return False


def _shorten_private(tree: ast.Module, used: set[str]) -> None:
    stay = {"_"}
    for node in tree.body:
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name) and _is_const(node.value):
            stay.add(node.targets[0].id)
        elif isinstance(node, ast.Import | ast.ImportFrom):
            stay |= _identifiers(node)
    short = ("".join(letters) for count in (1, 2) for letters in product(ascii_lowercase, repeat=count))
    # Only what is defined here: a private name of MicroPython's own, once read, is found under that name alone.
    names = {
        name: next(one for one in short if one not in used and not iskeyword(one))
        for name in _defined(tree)
        if name.startswith("_") and not name.startswith("__") and name not in stay
    }
    for part in ast.walk(tree):
        for field in ("id", "attr", "name", "arg"):
            name = getattr(part, field, None)
            if isinstance(name, str) and name in names:
                setattr(part, field, names[name])


def _defined(tree: ast.Module) -> list[str]:
    """Names that a module gives: to functions, classes, arguments, variables, and attributes of its objects."""
    found: dict[str, None] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            found[node.name] = None
        elif isinstance(node, ast.arg):
            found[node.arg] = None
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            found[node.id] = None
        elif isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Store):
            found[node.attr] = None
    return list(found)


def _is_const(value: ast.expr) -> bool:
    return isinstance(value, ast.Call) and isinstance(value.func, ast.Name) and value.func.id == "const"
