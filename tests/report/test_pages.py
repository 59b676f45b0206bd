"""Plots and pages: self-contained, right, and drawn by a real browser."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from html.parser import HTMLParser

import pytest

from airquill.link.client import Client
from airquill.report.html import acceptance_page, limit_text
from airquill.report.plots import vacuum_svg
from airquill.report.textplot import text_plot
from airquill.report.trace import Recorder, Trace
from airquill.simulator.control import Control
from airquill.tuning.hands import ControlHands, control_of
from airquill_hil.bench import Bench
from airquill_hil.limits import load_limits
from airquill_hil.run import run

TRACE = Trace(
    [n / 100 for n in range(200)],
    [min(n, 60) if n < 150 else 0.0 for n in range(200)],
    [(0.0, "picking"), (0.5, "holding"), (1.5, "releasing"), (1.65, "idle")],
    [(0.0, "pedal 1 down"), (1.5, "pedal 1 up"), (1.66, "key Page Down <&>")],
    [(50.0, "at least 50 kPa")],
)


class Links(HTMLParser):
    """What a browser would fetch."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [f"{tag} {name}={value}" for name, value in attrs if name in ("src", "href", "data", "srcset")]


def outside(page: str) -> list[str]:
    """References to anything that is not in the page itself."""
    links = [link for link in Links(page).found if not re.search(r"=#", link)]
    return links + re.findall(r"url\((?!#)[^)]*\)|@import[^;]*", page)


def test_svg_is_sound_and_the_same_each_time() -> None:
    svg = vacuum_svg(TRACE, "A pick & more")
    root = ElementTree.fromstring(svg)
    assert root.get("role") == "img" and root.get("aria-label") == "A pick and more"
    assert svg == vacuum_svg(TRACE, "A pick & more")
    assert outside(svg) == []


def test_svg_of_an_empty_trace_is_drawn() -> None:
    ElementTree.fromstring(vacuum_svg(Trace()))


def test_the_line_of_the_plot_has_the_highest_sample_on_top() -> None:
    from airquill.report.palette import VACUUM

    svg = vacuum_svg(Trace([0.0, 1.0, 2.0], [0.0, 40.0, 10.0]))
    line = next(
        d for d, style in re.findall(r'<path d="([^"]*)"[^>]*style="([^"]*)"', svg) if f"stroke: {VACUUM}" in style
    )
    points = [tuple(map(float, pair)) for pair in re.findall(r"[ML] ([\d.]+) ([\d.]+)", line)]
    assert len(points) == 3
    assert min(points, key=lambda point: point[1]) == points[1]  # y grows downwards
    left, middle, right = (x for x, _ in points)
    assert middle - left == pytest.approx(right - middle, rel=0.01)


def test_text_plot() -> None:
    lines = text_plot(TRACE, columns=40, rows=6)
    assert len(lines) == 8 and {len(line) for line in lines} == {47}
    assert lines[0].startswith("   60 │") and lines[0].count("█") >= 15
    states = lines[6][7:]
    assert re.fullmatch(r"p+h+r+─+", states)
    assert lines[7].split() == ["0.0", "s", "2.0", "s"]
    with pytest.raises(ValueError, match="no samples"):
        text_plot(Trace())


def test_a_recording_has_vacuum_states_pedals_and_keys() -> None:
    unit = Client.open("sim://")
    hand = Control.of(unit.port.raw.unit)
    hand.tip("sealed")
    with Recorder(unit) as recorder:
        recorder.run(0.1)
        hand.press(1, ms=900)
        hand.press(2, ms=100)
        assert recorder.run_to("releasing", 3.0)
        assert recorder.run_to("idle", 3.0)
        assert not recorder.run_to("picking", 0.2)
    trace = recorder.trace()
    assert [state for _, state in trace.states] == ["picking", "holding", "releasing", "idle"]
    assert trace.when("picking") == 0.0 and trace.when("stopped") is None
    texts = [text for _, text in trace.marks]
    assert {"pedal 1 down", "pedal 2 down", "key Down Arrow", "pedal 1 up"} <= set(texts)
    assert recorder.lost == 0
    # The trace is the sensor's; the physics says the same, within its noise and the filter's lag.
    assert max(trace.kpa) == pytest.approx(61, abs=6)
    # 10 ms a sample over the whole recording.
    assert len(trace.at_s) == pytest.approx((trace.at_s[-1] - trace.at_s[0]) * 100, rel=0.05)


@pytest.mark.parametrize(
    ("low", "high", "must", "text"),
    [
        (50, None, None, "at least 50 V"),
        (None, 8, None, "at most 8 V"),
        (1, 1, None, "1 V"),
        (1, 2, None, "1 to 2 V"),
        (None, None, True, "yes"),
    ],
)
def test_limits_in_words(low: float | None, high: float | None, must: bool | None, text: str) -> None:
    assert limit_text({"low": low, "high": high, "must": must, "unit": "V"}) == text


def test_acceptance_page_is_self_contained_and_escapes_what_it_is_told() -> None:
    unit = Client.open("sim://?sensor=off")
    control = control_of(unit)
    assert control is not None
    record = run(Bench(unit, load_limits(), ControlHands(control), "<b>&07"))
    page = acceptance_page(record.model_dump(mode="json"))
    assert outside(page) == []
    assert "<b>" not in page and "&lt;b&gt;&amp;07" in page
    assert "needs a vacuum sensor" in page
