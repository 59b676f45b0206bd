"""From the foot to the computer, on the virtual unit. tests/benchmarks/presses.py prints the figures."""

import pytest

from pedals.latency import edge_to_report_ms


@pytest.mark.parametrize("press_ms", [3, 10])
def test_pedal_edge_to_report(press_ms):
    times_ms = edge_to_report_ms(press_ms, 200)
    # In virtual time, so it depends on no machine. The contact has agreed for press_ms; then at most a pass of the
    # loop, and the report waits for its frame of 1 ms (USB 2.0, 5.7.4).
    assert times_ms.min() >= press_ms
    assert times_ms.max() <= press_ms + 3
