"""The benchmarks run, and nothing has become slow by a factor. Limits leave room for busy machines; the figures proper
are those of docs/benchmarks.md.
"""

from benchmarks import physics, unit


def test_many_units_at_once_are_quicker() -> None:
    """About 20 times on a quiet machine."""
    assert physics.scalar_us("open") > 8.0 * physics.vector_us("open")


def test_quicker_than_a_general_solver_that_errs_no_more() -> None:
    """About 200 times tick by tick, on a quiet machine."""
    error_kpa, own_s, ticks_s, _, _, _ = physics.against_solver()
    assert error_kpa < 0.3
    assert ticks_s > 50.0 * own_s


def test_a_whole_unit_runs_far_ahead_of_time() -> None:
    """About 40 virtual seconds for each of the processor's."""
    assert unit.picking(10)[1] > 15.0
