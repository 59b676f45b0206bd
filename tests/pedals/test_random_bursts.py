"""A hundred thousand random bursts at the firmware's own pedal: what is shorter than release_ms counts once, always."""

import pytest

from pedals.bursts import PAIRS, figure, lost_and_doubled


@pytest.mark.parametrize(("press_ms", "release_ms", "bursts"), PAIRS)
def test_bursts_shorter_than_release_ms_count_once_each(press_ms, release_ms, bursts):
    assert lost_and_doubled(press_ms, release_ms, bursts // 2) == (0, 0)


def test_beyond_release_ms_doubles_come_and_grow():
    """The curve of docs/figures/bounce_doubles.svg, with fewer presses: no doubles below release_ms, many far above."""
    curve = {length: figure().doubles_pct(20, length, presses=150) for length in (10.0, 19.0, 30.0, 60.0, 100.0)}
    assert curve[10.0] == curve[19.0] == 0
    assert curve[30.0] <= curve[60.0] <= curve[100.0]
    assert curve[100.0] > 20, "a test that never sees a double would prove nothing"


def test_a_bounce_that_the_settings_do_not_cover_is_a_double():
    """The bench itself can find one: an opening as long as release_ms, and a contact again."""
    bench = figure().Bench(3, 20, seed=1)
    begin = bench.us
    bench.run([(begin, 1), (begin + 60_000, 0), (begin + 82_000, 1), (begin + 200_000, 0)], 300_000)
    assert bench.presses == 2
