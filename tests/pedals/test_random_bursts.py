"""A hundred thousand random bursts at the firmware's own pedal: what is shorter than release_ms counts once, always."""

import importlib.util
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "docs/figures/bounce_doubles.py"
spec = importlib.util.spec_from_file_location("bounce_doubles", SCRIPT)
figure = importlib.util.module_from_spec(spec)
spec.loader.exec_module(figure)


@pytest.mark.parametrize(
    ("press_ms", "release_ms", "bursts"), [(3, 20, 60_000), (1, 10, 20_000), (3, 35, 10_000), (10, 20, 10_000)]
)
def test_bursts_shorter_than_release_ms_count_once_each(press_ms, release_ms, bursts, record_property):
    """100,000 bursts in all. Presses of 40 to 240 ms, a burst shorter than release_ms at each end."""
    bench = figure.Bench(press_ms, release_ms, seed=release_ms * 100 + press_ms)
    lost = doubled = 0
    for _ in range(bursts // 2):
        before = bench.presses, bench.releases
        for down in (True, False):
            length_us = bench.random.randrange(release_ms * 1000)
            # Between two presses as between press and release: the shortest that a foot can do (from memory), so that
            # lockout and the agreement of the press before are under way.
            bench.foot(down, length_us, 40_000 + bench.random.randrange(180_000))
        counted = bench.presses - before[0], bench.releases - before[1]
        lost += min(counted) < 1
        doubled += max(counted) > 1
    record_property("presses", bursts // 2)
    record_property("lost", lost)
    record_property("doubled", doubled)
    assert (lost, doubled) == (0, 0)


def test_beyond_release_ms_doubles_come_and_grow(record_property):
    """The curve of docs/figures/bounce_doubles.svg, with fewer presses: no doubles below release_ms, many far above."""
    lengths = (10.0, 19.0, 30.0, 40.0, 60.0, 100.0)
    curve = {length: figure.doubles_pct(20, length, presses=150) for length in lengths}
    record_property("doubles_pct", curve)
    assert curve[10.0] == curve[19.0] == 0
    assert curve[30.0] <= curve[60.0] <= curve[100.0]
    assert curve[100.0] > 20, "a test that never sees a double would prove nothing"


def test_a_bounce_that_the_settings_do_not_cover_is_a_double():
    """The bench itself can find one: an opening as long as release_ms, and a contact again."""
    bench = figure.Bench(3, 20, seed=1)
    begin = bench.us
    bench.run([(begin, 1), (begin + 60_000, 0), (begin + 82_000, 1), (begin + 200_000, 0)], 300_000)
    assert bench.presses == 2
