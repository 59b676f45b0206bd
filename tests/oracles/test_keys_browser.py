"""A foot moves a real web page on: pedal press -> reports -> keys -> a browser's key events -> the next row.

The virtual unit's captured reports are decoded by hid-tools (PyPI, 0.12) and the unit's own report descriptor, turned
into characters by xkbcommon for the layout, and typed into Debian's Chromium through its DevTools protocol. The page is
a plain HTML table, written for this test, that goes by arrow keys and marks by typing.
"""

from __future__ import annotations

import fcntl
import importlib.util
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from airquill.keys import encode
from airquill.link.client import Client
from airquill.simulator.control import Control
from airquill_device import usbkeys
from oracles import test_keys_layouts as linux

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
# W3C, "UI Events KeyboardEvent code Values": what a key is called by its place; usages of HID page 0x07.
CODES = {0x28: "Enter", 0x2C: "Space", 0x51: "ArrowDown", 0x52: "ArrowUp", 0x2D: "Minus", 0x38: "Slash"}
CODES |= {0x04 + n: f"Key{chr(65 + n)}" for n in range(26)} | {0x1E + n: f"Digit{(n + 1) % 10}" for n in range(10)}
CODES |= {0xE1: "ShiftLeft", 0xE5: "ShiftRight"}
# W3C, "UI Events KeyboardEvent key Values", by X11 key symbol.
KEYS = {"Down": "ArrowDown", "Up": "ArrowUp", "Return": "Enter", "Shift_L": "Shift", "Shift_R": "Shift"}
# X11 key codes of keys that are no characters: KEY_ENTER, KEY_UP and KEY_DOWN of linux/input-event-codes.h, plus 8.
LINUX_CODES = {0x28: 28 + 8, 0x52: 103 + 8, 0x51: 108 + 8}
# Windows virtual key codes, by which Chromium knows a key that types nothing (from memory).
VIRTUAL = {"ArrowUp": 38, "ArrowDown": 40, "Enter": 13, "Shift": 16}

PAGE = """<!doctype html><meta charset="utf-8"><title>Heather</title>
<table>%s</table>
<script>
  const rows = [...document.querySelectorAll("tr")];
  let at = 0, trusted = true;
  const show = () => rows.forEach((row, n) => row.toggleAttribute("aria-current", n === at));
  document.addEventListener("keydown", event => {
    trusted = trusted && event.isTrusted;
    if (event.key === "ArrowDown") at = Math.min(at + 1, rows.length - 1);
    else if (event.key === "ArrowUp") at = Math.max(at - 1, 0);
    else if (event.key.length === 1) rows[at].cells[1].textContent += event.key;
    show();
  });
  show();
</script>"""
START = "import os, sys; [os.dup2(int(sys.argv[n]), 2 + n) for n in (1, 2)]; os.execv(sys.argv[3], sys.argv[3:])"
PARTS = ("C1 100 nF", "C2 100 nF", "R1 10 k", "R2 4.7 k", "U1 converter", "D1 LED")


class Browser:
    """Chromium without a window, spoken to over its two pipes."""

    def __init__(self, folder: Path) -> None:
        assert CHROMIUM is not None
        to_browser, self._out = os.pipe()
        self._in, from_browser = os.pipe()
        # The browser reads at descriptor 3 and writes at 4: ours are first out of the way of these.
        theirs = [fcntl.fcntl(pipe, fcntl.F_DUPFD, 10) for pipe in (to_browser, from_browser)]
        self.process = subprocess.Popen(
            [sys.executable, "-c", START, *map(str, theirs), CHROMIUM, "--headless", "--no-sandbox",
             "--disable-gpu", "--disable-background-networking", "--no-first-run", "--remote-debugging-pipe",
             f"--user-data-dir={folder}", "about:blank"],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, pass_fds=theirs,
        )  # fmt: skip
        for pipe in (*theirs, to_browser, from_browser):
            os.close(pipe)
        self._number = 0
        self._read = b""
        self._session = ""

    def ask(self, method: str, **arguments: Any) -> dict[str, Any]:
        self._number += 1
        message = {"id": self._number, "method": method, "params": arguments}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        while True:
            while b"\0" not in self._read:
                new = os.read(self._in, 65536)
                assert new, "the browser has ended"
                self._read += new
            line, _, self._read = self._read.partition(b"\0")
            reply = json.loads(line)
            if reply.get("id") == self._number:
                assert "error" not in reply, reply
                return dict(reply["result"])

    def show(self, page: str) -> None:
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        frame = self.ask("Page.getFrameTree")["frameTree"]["frame"]["id"]
        self.ask("Page.setDocumentContent", frameId=frame, html=page)

    def evaluate(self, expression: str) -> Any:
        return self.ask("Runtime.evaluate", expression=expression, returnByValue=True)["result"].get("value")

    def end(self) -> None:
        self._session = ""
        self.ask("Browser.close")
        self.process.wait(20)
        os.close(self._out)
        os.close(self._in)


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    from conftest import require

    require(CHROMIUM, "needs a browser: apt-get install chromium")
    started = Browser(tmp_path_factory.mktemp("browser"))
    yield started
    if started.process.poll() is None:
        started.end()


@pytest.fixture
def pc(require: Any) -> Any:
    require(importlib.util.find_spec("xkbcommon") and linux.COMPOSE.exists(), linux.NEEDED)
    return linux.load()


@pytest.fixture
def unit() -> Iterator[Client]:
    with Client.open("sim://") as client:
        client.set({"pedal1.vacuum": "none"})
        client.port.sleep(0.1)
        yield client


def decode(reports: list[tuple[int, bytes]]) -> Iterator[tuple[int, bool]]:
    """Usages going down and up, as hid-tools reads the reports by the unit's own descriptor."""
    from hidtools.hid import ReportDescriptor

    parsed = ReportDescriptor.from_bytes(list(usbkeys.REPORT_DESCRIPTOR))
    (fields,) = parsed.input_reports.values()
    held: list[int] = []
    for _, report in reports:
        now = []
        for field in fields:
            values = field.get_values(report)
            if field.is_const:
                continue
            if field.is_array:
                # An array's value counts from the first usage at the logical minimum (HID 1.11, 6.2.2.5).
                now += [field.usages[value - field.logical_min] & 0xFFFF for value in values if value]
            elif values[0]:
                now.append(field.usage & 0xFFFF)
        yield from ((usage, False) for usage in held if usage not in now)
        yield from ((usage, True) for usage in now if usage not in held)
        held = now


def type_into(browser: Browser, pc: Any, layout: str, reports: list[tuple[int, bytes]]) -> None:
    """The keys of reports as a Linux PC with this layout gives them to its browser."""
    state = pc.layouts[layout].state_new()
    shift = 0
    for usage, down in decode(reports):
        code = pc.codes.get(usage) or LINUX_CODES[usage]
        symbol = pc.xkb.keysym_get_name(state.key_get_one_sym(code))
        text = state.key_get_string(code)
        key = KEYS.get(symbol) or text
        arguments = {"code": CODES[usage], "key": key, "modifiers": shift,
                     "windowsVirtualKeyCode": VIRTUAL.get(key, 0)}  # fmt: skip
        if down and len(key) == 1:
            arguments["text"] = text
        browser.ask("Input.dispatchKeyEvent", type="keyDown" if down else "keyUp", **arguments)
        state.update_key(code, pc.xkb.XKB_KEY_DOWN if down else pc.xkb.XKB_KEY_UP)
        if usage in (0xE1, 0xE5):
            shift = 8 if down else 0


def rows(browser: Browser) -> tuple[int, list[str]]:
    """The row that the page is at, and what stands in each row's second cell."""
    return (
        int(browser.evaluate('rows.findIndex(row => row.hasAttribute("aria-current"))')),
        list(browser.evaluate("rows.map(row => row.cells[1].textContent)")),
    )


@pytest.mark.parametrize("layout", ["us", "de"])
def test_each_press_moves_the_row(browser: Browser, pc: Any, unit: Client, layout: str) -> None:
    browser.show(PAGE % "".join(f"<tr><td>{part}</td><td></td></tr>" for part in PARTS))
    unit.set({
        "pedal1.tap_keys": encode("Up Arrow"),
        "pedal2.tap_keys": encode('"Zy-1/2 ok"', layout),
        "pedal2.hold_keys": encode("Down Arrow"),
        "keys.allow_text": True,
    })  # fmt: skip
    hands = Control.of(unit.port.raw.unit)
    unit.port.sleep(0.2)
    seen = len(hands.reports())

    def press(pedal: int, ms: int) -> tuple[int, list[str]]:
        nonlocal seen
        hands.press(pedal, ms=ms, bounce="foot")
        unit.port.sleep(2.0)
        reports = hands.reports()
        type_into(browser, pc, layout, reports[seen:])
        seen = len(reports)
        return rows(browser)

    assert rows(browser) == (0, [""] * 6)
    assert press(2, 800)[0] == 1
    assert press(2, 800)[0] == 2
    at, marks = press(2, 120)
    assert (at, marks[2]) == (2, "Zy-1/2 ok"), "what was meant, on this layout"
    assert press(1, 120)[0] == 1
    assert press(1, 120)[0] == 0
    assert press(1, 120)[0] == 0, "the first row is the first"
    assert press(2, 800) == (1, ["", "", "Zy-1/2 ok", "", "", ""])
    assert browser.evaluate("trusted") is True


def test_twenty_bouncing_presses_are_twenty_steps(browser: Browser, pc: Any, unit: Client) -> None:
    browser.show(PAGE % "".join(f"<tr><td>part {n}</td><td></td></tr>" for n in range(30)))
    hands = Control.of(unit.port.raw.unit)
    seen = len(hands.reports())
    for n in range(20):
        hands.press(2, ms=70 + 11 * n, bounce=("typical", "rough", "foot", "clean")[n % 4])
        unit.port.sleep(0.5)
    type_into(browser, pc, "us", hands.reports()[seen:])
    assert rows(browser)[0] == 20


def test_text_for_one_layout_reads_otherwise_on_another(browser: Browser, pc: Any, unit: Client) -> None:
    """The chain can show a wrong layout: else the tests above would prove nothing."""
    browser.show(PAGE % "<tr><td>C1</td><td></td></tr>")
    unit.set({"pedal2.tap_keys": encode('"zy"', "us")})
    hands = Control.of(unit.port.raw.unit)
    unit.port.sleep(0.2)
    seen = len(hands.reports())
    hands.press(2, ms=100)
    unit.port.sleep(1.0)
    type_into(browser, pc, "de", hands.reports()[seen:])
    assert rows(browser)[1] == ["yz"]
