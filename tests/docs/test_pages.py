"""The pages a person reads: their links lead somewhere, and what they show is what happens."""

from __future__ import annotations

import re
import shlex
from binascii import crc32
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from airquill.simulator.control import Control
from command_line import airquill

ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"
PROTOCOL = ROOT / "docs/protocol.md"
WALKTHROUGH = ROOT / "docs/walkthrough.md"
PAGES = (README, ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md")))
# What of a unit's answers follows from its version, its clock and its noise, and with them the check sum.
VARIES = (r"us=\d+", r"caps=[\w,]+", r"hash=\w{8}", r"firmware=[\d.]+", r"registry=\d+", r"\*[0-9a-f]{8}$")


def blocks(page: Path, kind: str) -> list[list[str]]:
    """The lines of each fenced block of a kind."""
    found = re.findall(rf"^```{kind}\n(.*?)^```$", page.read_text(), re.MULTILINE | re.DOTALL)
    return [text.splitlines() for text in found]


def anchors(page: Path) -> set[str]:
    """The names by which the headings of a page can be linked to, as GitHub makes them."""
    headings = re.findall(r"^#+ (.*)$", page.read_text(), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


def links(page: Path) -> Iterator[str]:
    text = re.sub(r"^```.*?^```$", "", page.read_text(), flags=re.MULTILINE | re.DOTALL)
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if "://" not in target:
            yield target


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    for target in links(page):
        name, _, anchor = target.partition("#")
        place = (page.parent / name).resolve() if name else page
        assert place.exists(), f"{page.name} links to {target}"
        if anchor:
            assert anchor in anchors(place), f"{page.name} links to {target}"


def test_the_readme_begins_with_the_job_in_one_paragraph() -> None:
    title, first, second = README.read_text().split("\n\n")[:3]
    assert title == "# Airquill"
    assert len(first.split()) > 40
    assert not re.search(r"^\s*([-*|#>]|\d+\.)", first, re.MULTILINE), "a paragraph, no list or table"
    assert second.startswith(("#", "!")), "the job is one paragraph"


def commands(page: Path) -> Iterator[list[str]]:
    """Every `airquill` command line that a page shows, in a block or in a sentence."""
    text = page.read_text()
    lines = [
        line.strip().removeprefix("$ ")
        for block in re.findall(r"^```\w*\n(.*?)^```$", text, re.M | re.S)
        for line in block.splitlines()
    ]
    lines += [line.strip() for line in text.splitlines() if line.startswith("    ")]
    lines += re.findall(r"`(airquill [^`]+)`", text)
    for line in lines:
        if line.startswith("airquill "):
            yield shlex.split(line, comments=True)[1:]


@pytest.mark.parametrize("page", [README, WALKTHROUGH], ids=lambda page: page.name)
def test_commands_that_are_shown_exist(page: Path) -> None:
    shown = list(commands(page))
    assert shown
    for words in shown:
        names = [word for word in words if re.fullmatch(r"[a-z_]+", word)]
        options = {word.partition("=")[0] for word in words if word.startswith("--")} - {"--help", "--version"}
        # A command, or a group and its command; what follows are arguments.
        help_of = airquill(*names[:2], "--help") if names[:1] else airquill("--help")
        if help_of.code:
            help_of = airquill(*names[:1], "--help")
        said = help_of.done()
        for option in options:
            assert option in said, f"airquill {' '.join(words)}: there is no {option}"


def test_check_sums_of_the_protocol_page_are_right() -> None:
    framed = [line for block in blocks(PROTOCOL, "wire") for line in block if re.search(r" \*[0-9a-f]{8}$", line)]
    assert len(framed) > 40
    wrong = [line for line in framed if crc32(line[2:-10].encode()) != int(line[-8:], 16)]
    assert [line[-8:] for line in wrong] == ["00000000"], wrong  # the one that the page calls spoilt
    # CRC-32/ISO-HDLC's check value in the catalogue of parametrised CRC algorithms (Greg Cook), from memory.
    assert crc32(b"123456789") == 0xCBF43926
    assert "`cbf43926`" in PROTOCOL.read_text()


def steady(line: str) -> str:
    for pattern in VARIES:
        line = re.sub(pattern, "...", line)
    return line


def test_the_conversation_of_the_protocol_page_happens() -> None:
    shown = [line for block in blocks(PROTOCOL, "wire") for line in block]
    port = serial.serial_for_url("sim://?seed=7")
    hands = Control.of(port.unit)
    happened: list[str] = []

    def listen(seconds: float) -> None:
        port.timeout = seconds
        happened.extend(f"< {line}" for line in port.read(4096).decode().splitlines())

    for line in shown:
        if line.startswith("<"):
            continue
        happened.append(line)
        if pressed := re.fullmatch(r"# pedal (\d) is pressed for (\d+) ms", line):
            hands.press(int(pressed[1]), ms=int(pressed[2]))
            listen(0.2)
        elif passed := re.fullmatch(r"# (\d+) ms pass", line):
            listen(int(passed[1]) / 1000)
        else:
            assert line.startswith(">"), line
            port.write(line[2:].encode() + b"\n")
            listen(0.1)
    port.close()
    assert [steady(line) for line in happened] == [steady(line) for line in shown]


def test_what_the_walkthrough_names_is_there() -> None:
    text = WALKTHROUGH.read_text()
    files = set(re.findall(r"`((?:device|host|protocol|hil|tests)/[\w./]+\.(?:py|toml|json))`", text))
    assert len(files) > 10
    sources = {}
    for name in files:
        assert (ROOT / name).is_file(), f"there is no {name}"
        sources[name] = (ROOT / name).read_text()
    everything = "\n".join(sources.values())
    functions = set(re.findall(r"`(?:(\w+)\.)?(\w+)\(\)`", text))
    assert len(functions) > 10
    for owner, function in functions:
        if owner[:1].isupper():
            holders = [source for source in sources.values() if re.search(rf"^class {owner}\b", source, re.M)]
            assert holders, f"no file that is named holds the class {owner}"
            assert any(re.search(rf"^    def {function}\(", source, re.M) for source in holders), f"{owner}.{function}"
        else:
            assert re.search(rf"\bdef {function}\(", everything), f"no file that is named has {function}()"


def test_the_profile_of_the_readme_is_sound(tmp_path: Path) -> None:
    (block,) = blocks(README, "toml")
    file = tmp_path / "heather.toml"
    file.write_text("\n".join(block) + "\n")
    said = airquill("profile", "check", file).done().strip().removeprefix(f"{tmp_path}/")
    assert said in README.read_text()


@pytest.mark.parametrize(("bounce", "report_ms"), [("clean", 4.4), ("typical", 6), ("foot", 22)])
def test_a_press_takes_as_long_as_the_walkthrough_says(bounce: str, report_ms: float) -> None:
    port = serial.serial_for_url("sim://")
    hands = Control.of(port.unit)
    hands.sleep(0.5)
    first = len(hands.reports())
    pressed_us = hands.press(2, ms=100, bounce=bounce)
    hands.sleep(0.2)
    reports = hands.reports()[first:]
    port.close()
    assert [report.hex() for _, report in reports] == ["0000510000000000", "0000000000000000"]
    took_ms = [(us - pressed_us) / 1000 for us, _ in reports]
    # One pass of the loop and one frame of USB, a millisecond each, lie where they happen to.
    assert abs(took_ms[0] - report_ms) <= 1
    assert abs(took_ms[1] - took_ms[0] - 30) <= 1
