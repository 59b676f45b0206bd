"""Short names for the chip: the program stays the same one, and what must keep its name does."""

import ast

import pytest

from airquill.image.compile import Whole, _module
from airquill.image.inline import inlined
from airquill.image.shorten import keywords, shortened
from airquill.image.sources import device_files

PROGRAM = '''
from helper import const

LIMIT = const(7)
_STEP = const(2)
_seen = []


class Counter:
    """Counts."""

    def __init__(self, first):
        self.total = first
        self._by = _STEP

    def add(self, times, scale=1):
        for _ in range(times):
            self._once(scale)
        return [number * scale for number in _seen]

    def _once(self, scale):
        self.total += self._by * scale if self.total < LIMIT else 0
        _seen.append(self.total)


def _made(first, last):
    shadow = [last for last in range(first)]
    return Counter(first), shadow, last


counter, shadow, last = _made(3, 9)
found = counter.add(4, scale=2), counter.total, shadow, last, (lambda first: first + 1)(5)
'''


def _run(text: str) -> object:
    space: dict[str, object] = {"const": int, "LIMIT": 7}
    exec(text.replace("from helper import const\n", ""), space)
    return space["found"]


def test_the_shortened_program_does_the_same() -> None:
    short = shortened(PROGRAM, keywords(PROGRAM))
    assert _run(short) == _run(PROGRAM)
    names = {node.id for node in ast.walk(ast.parse(short)) if isinstance(node, ast.Name)}
    assert not names & {"_seen", "_made", "times", "self"}
    assert "scale" in {node.arg for node in ast.walk(ast.parse(short)) if isinstance(node, ast.arg)}, "given by name"
    assert "Counter" in names and ".total" in short and ".add(" in short, "public names stay"


def test_what_only_the_type_checker_reads_goes() -> None:
    text = "TYPE_CHECKING = False\nif TYPE_CHECKING:\n    from typing import Any\nx = 1\n"
    assert shortened(text, set()) == "x = 1"


def test_an_import_that_nothing_reads_any_more_goes() -> None:
    assert shortened("from a import b, c\nimport d\nc()\n", set()) == "from a import c\nimport d\nc()"


def test_text_that_is_no_python_comes_through_for_the_compiler_to_refuse() -> None:
    assert shortened("def (:", set()) == "def (:"


@pytest.mark.parametrize("path", [path for path in device_files() if path.count("/") > 1])
def test_no_module_reads_a_private_name_of_another(path: str) -> None:
    """Each module shortens its own private names, so a name read elsewhere would be lost."""
    tree = ast.parse(device_files()[path].read_text(encoding="utf-8"))
    defined, read = set(), set()
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            defined.add(node.name)
        elif isinstance(node, ast.Attribute):
            (defined if isinstance(node.ctx, ast.Store) else read).add(node.attr)
        elif isinstance(node, ast.ImportFrom):
            assert not [alias.name for alias in node.names if alias.name.startswith("_")]
    assert not {name for name in read - defined if name.startswith("_") and not name.startswith("__")}


def test_every_module_of_the_firmware_is_valid_when_shortened() -> None:
    whole = Whole(device_files())
    for path, source in device_files().items():
        text = inlined(_module(path), source.read_text(encoding="utf-8"), whole.constants)
        assert len(shortened(text, whole.keywords)) < len(text)
        ast.parse(shortened(text, whole.keywords))
