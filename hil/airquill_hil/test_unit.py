"""Each check of the bench as one test: see plugin.py."""

from __future__ import annotations

import pytest

from airquill_hil.bench import Bench
from airquill_hil.check import Check
from airquill_hil.checks import CHECKS
from airquill_hil.limits import Outcome
from airquill_hil.run import failure_line, run_check


@pytest.mark.parametrize("check", CHECKS, ids=[check.name for check in CHECKS])
def test_unit(bench: Bench, check: Check, request: pytest.FixtureRequest) -> None:
    """The check passes on this unit. Its figures are in the captured output; a marginal one passes."""
    record = run_check(bench, check)
    for figure in record.figures:
        print(failure_line(figure) if figure.outcome is Outcome.MARGINAL else f"{figure.name}: {figure.shown}")
    if record.outcome is Outcome.ERROR:
        if len(request.config.getoption("--unit")) > 1:
            pytest.fail(record.sentence, pytrace=False)  # the other units' runs go on
        pytest.exit(record.sentence, returncode=3)  # the first error of the bench ends the run
    failed = [failure_line(figure) for figure in record.figures if figure.outcome is Outcome.FAIL]
    assert not failed, "\n".join(failed)
    if record.outcome is Outcome.SKIPPED:
        pytest.skip(record.sentence or "; ".join(one.note for one in record.figures if one.outcome is Outcome.SKIPPED))
