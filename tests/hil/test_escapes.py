"""Few bad units get through, few good ones are turned away, and the guard band trades one for the other."""

from __future__ import annotations

from airquill_hil.limits import Outcome, load_limits
from benchmarks.escapes import Drawn, draw, study, worst

LIMITS = load_limits()


def test_a_short_study() -> None:
    found = study(draw(12, seed=3))
    plain, guarded = found["without guard band"], found["with guard band"]
    assert 1 <= plain.bad <= 10 and plain.bad + plain.good == 12
    assert guarded.escapes <= plain.escapes <= 1
    assert guarded.overkill >= plain.overkill
    assert guarded.overkill <= 3


def test_a_sensor_that_shows_too_much_lets_a_bad_unit_escape_unless_the_guard_band_is_kept() -> None:
    # Sealed vacuum 50 kPa at least: a pump worn so far that it is just below, and a sensor 0.8 kPa above the truth.
    lower, upper = 0.0, 1.0
    for _ in range(9):
        wear = (lower + upper) / 2
        bad = worst(Drawn(1, {"pump_wear": wear}, 0.0), LIMITS, true=True) is Outcome.FAIL
        lower, upper = (lower, wear) if bad else (wear, upper)
    drawn = Drawn(1, {"pump_wear": upper}, 0.8)
    assert worst(drawn, LIMITS, true=True) is Outcome.FAIL
    assert worst(drawn, LIMITS, true=False) is Outcome.MARGINAL
