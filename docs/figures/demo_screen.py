"""Draws docs/demo.svg: the screen of `airquill demo` as a terminal of 96 columns showed it. Linux or macOS.

Run from the top of the tree, with Airquill installed: python docs/figures/demo_screen.py
"""

import fcntl
import os
import pty
import re
import struct
import sys
import termios
from io import StringIO
from pathlib import Path

from rich.console import Console
from rich.terminal_theme import TerminalTheme
from rich.text import Text

COLUMNS, ROWS = 96, 60
CONTROL = r"\x1b\[[0-9;?]*[a-zA-Z]"
SPINNER = r"[\u2800-\u28ff] .*…"
PAPER = TerminalTheme(
    (252, 252, 250),
    (36, 38, 40),
    [
        (36, 38, 40),
        (178, 34, 52),
        (26, 120, 70),
        (150, 104, 0),
        (24, 84, 150),
        (120, 60, 140),
        (0, 110, 120),
        (120, 124, 128),
    ],
)


def screen() -> list[str]:
    """What the demo wrote, line by line with its colours, without what was overwritten."""
    child, terminal = pty.fork()
    if child == 0:
        os.environ.update(COLUMNS=str(COLUMNS), LINES=str(ROWS), TERM="xterm-256color")
        os.execvp("airquill", ["airquill", "demo", "--html", "/tmp/airquill-demo.html"])
    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, COLUMNS, 0, 0))
    written = b""
    try:
        while data := os.read(terminal, 65536):
            written += data
    except OSError:
        pass  # the terminal ends with the demo
    if os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]):
        sys.exit("The demo failed; nothing was drawn.")
    lines = [re.split(r"\x1b\[2K|\r", line.rstrip("\r"))[-1] for line in written.decode().split("\n")]
    lines = [re.sub(r"\x1b\[\?\d+[hl]|\x1b\[1A", "", line) for line in lines]
    return [line for line in lines if not re.fullmatch(SPINNER, re.sub(CONTROL, "", line).strip())]


def draw(lines: list[str]) -> str:
    """The lines as a picture that opens anywhere: no fonts from the network."""
    console = Console(record=True, width=COLUMNS, file=StringIO(), force_terminal=True, color_system="truecolor")
    console.print(Text("$ airquill demo", style="bold"))
    while lines and not re.sub(CONTROL, "", lines[-1]).strip():
        lines.pop()
    for line in lines:
        console.print(Text.from_ansi(line), no_wrap=True, crop=True)
    svg = console.export_svg(title="airquill demo", theme=PAPER, unique_id="demo")
    svg = re.sub(r"@font-face \{.*?\}\s*|<!--.*?-->\s*", "", svg, flags=re.DOTALL)
    svg = svg.replace("Fira Code, monospace", "DejaVu Sans Mono, Menlo, Consolas, monospace")
    return "\n".join(line.rstrip() for line in svg.splitlines()) + "\n"


if __name__ == "__main__":
    Path("docs/demo.svg").write_text(draw(screen()), encoding="utf-8")
