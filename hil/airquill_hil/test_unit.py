"""Each check of the bench as one test: see plugin.py."""

from __future__ import annotations

import pytest

from airquill_hil.check import Check
from airquill_hil.checks import CHECKS
from airquill_hil.limits import Outcome
from airquill_hil.run import STOPPED, Run, failure_line


@pytest.mark.parametrize("check", CHECKS, ids=[check.name for check in CHECKS])
def test_unit(acceptance: Run, check: Check, request: pytest.FixtureRequest) -> None:
    """The check passes on this unit. Its figures are in the captured output; a marginal one passes."""
    if acceptance.broken_off:
        pytest.skip(f"Not run: {acceptance.done[-1].sentence}")
    record = acceptance.check(check)
    for figure in record.figures:
        print(failure_line(figure) if figure.outcome is Outcome.MARGINAL else f"{figure.name}: {figure.shown}")
    if record.outcome is Outcome.ERROR:
        # Ctrl-C, and the first error of the only bench, end the run; the runs of other units go on.
        if record.sentence == STOPPED or len(request.config.getoption("--unit")) == 1:
            pytest.exit(record.sentence, returncode=3)
        pytest.fail(record.sentence, pytrace=False)
    failed = [failure_line(figure) for figure in record.figures if figure.outcome is Outcome.FAIL]
    assert not failed, "\n".join(failed)
    if record.outcome is Outcome.SKIPPED:
        pytest.skip(record.sentence or "; ".join(one.note for one in record.figures if one.outcome is Outcome.SKIPPED))
