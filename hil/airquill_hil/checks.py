"""The checks, in the order in which they run. Each names what it needs, the figures it measures, why, and for each
figure the fault that makes it fail.

Limits stand in limits.toml; docs/acceptance.md has the table.
"""

from __future__ import annotations

from collections.abc import Sequence

from airquill.errors import AirquillError
from airquill_hil import check_air, check_drive, check_feet, check_keys, check_life, check_trouble
from airquill_hil.check import Check

CHECKS = (
    *check_life.CHECKS,
    *check_drive.CHECKS,
    *check_air.CHECKS,
    *check_feet.CHECKS,
    *check_keys.CHECKS,
    *check_life.LATER,
    *check_trouble.CHECKS,
)


def chosen_checks(names: Sequence[str]) -> tuple[Check, ...]:
    """The checks of these names in their order, or all for no name. AirquillError for a name that none has."""
    for name in names:
        if name not in {check.name for check in CHECKS}:
            raise AirquillError(f"No check is called {name}. There are {', '.join(check.name for check in CHECKS)}.")
    return tuple(check for check in CHECKS if not names or check.name in names)


# What shows most in least time, for a demonstration.
SHORT = tuple(check for check in CHECKS if check.name in ("identity", "vacuum", "vent", "pedal", "key"))
