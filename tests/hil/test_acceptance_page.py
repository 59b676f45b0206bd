"""docs/acceptance.md has every figure with its limits, and nothing else. Run as a program, this prints the table."""

from __future__ import annotations

import re
from pathlib import Path

from airquill.report.html import limit_text
from airquill_hil.checks import CHECKS
from airquill_hil.limits import load_limits

PAGE = Path(__file__).parents[2] / "docs" / "acceptance.md"


def rows() -> list[str]:
    limits = load_limits().figures
    found = []
    for check in CHECKS:
        for figure in check.figures:
            limit = limits[figure.name]
            needs = ", ".join((*check.needs, *([figure.needs] if figure.needs else []))) or "-"
            text = limit_text({"low": limit.low, "high": limit.high, "must": limit.must, "unit": figure.unit})
            guard = f"{limit.guard:g} {figure.unit}".strip() if limit.guard else "-"
            cells = (check.name, needs, figure.name, text, guard, limit.flag, figure.reason, f"`{figure.fault}`")
            found.append(f"| {' | '.join(cells)} |")
    return found


def test_page_has_the_table_of_the_code() -> None:
    text = PAGE.read_text()
    table = text[text.index("<!-- table of checks") : text.index("<!-- end of table")]
    written = [line for line in table.splitlines() if line.startswith("| ") and not re.match(r"\| (check|---) ", line)]
    assert written == rows()


def test_limits_have_no_figure_that_nothing_measures() -> None:
    assert set(load_limits().figures) == {figure.name for check in CHECKS for figure in check.figures}


def test_every_figure_names_a_reason_and_a_fault() -> None:
    for check in CHECKS:
        assert check.figures
        for figure in check.figures:
            assert figure.reason, figure.name
            assert figure.fault, figure.name


if __name__ == "__main__":
    print("\n".join(rows()))
