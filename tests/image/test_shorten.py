"""Short names for the chip: the program stays the same one, and what must keep its name does."""

import ast

from airquill.image.compile import Whole, _module
from airquill.image.inline import inlined
from airquill.image.shorten import _defined, keywords, shortened
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


def test_a_private_name_of_micropython_s_own_stays() -> None:
    text = "import sys\n_kind = sys.implementation._machine\nkind = _kind"
    assert "sys.implementation._machine" in shortened(text, set())


def test_no_module_reads_a_private_name_of_another() -> None:
    """Each module shortens its own private names, so a name read elsewhere would be lost."""
    defined: dict[str, set[str]] = {}
    read: dict[str, set[str]] = {}
    for path, source in device_files().items():
        tree = ast.parse(source.read_text(encoding="utf-8"))
        names = [node for node in ast.walk(tree) if isinstance(node, ast.Attribute) and node.attr.startswith("_")]
        defined[path] = {name for name in _defined(tree) if name.startswith("_") and not name.startswith("__")}
        read[path] = {node.attr for node in names if isinstance(node.ctx, ast.Load)}
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom):
                assert not [alias.name for alias in node.names if alias.name.startswith("_")]
    for path, names_read in read.items():
        others = set().union(*(names for other, names in defined.items() if other != path))
        assert not (names_read - defined[path]) & others, path


def test_every_module_of_the_firmware_is_valid_when_shortened() -> None:
    whole = Whole(device_files())
    for path, source in device_files().items():
        text = inlined(_module(path), source.read_text(encoding="utf-8"), whole.constants)
        assert len(shortened(text, whole.keywords)) < len(text)
        ast.parse(shortened(text, whole.keywords))
