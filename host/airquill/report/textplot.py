"""A trace drawn with characters, for a terminal."""

from __future__ import annotations

from airquill.report.trace import Trace

_EIGHTHS = " ▁▂▃▄▅▆▇█"
_LETTERS = {"picking": "p", "holding": "h", "releasing": "r"}


def text_plot(trace: Trace, columns: int = 60, rows: int = 8) -> list[str]:
    """Lines of text: columns of blocks with a scale in kPa, the states below (p picking, h holding, r releasing).

    ValueError for a trace without samples.
    """
    if not trace.at_s:
        raise ValueError("the trace has no samples")
    first_s, last_s = trace.at_s[0], trace.at_s[-1]
    width_s = max(last_s - first_s, 1e-3)
    heights = _columns(trace, columns, first_s, width_s)
    top = max(10.0, -(-max(heights) // 10) * 10)  # up to the next ten
    lines = []
    for row in range(rows, 0, -1):
        scale = f"{top * row / rows:5.0f}" if row in (rows, rows // 2) else "     "
        lines.append(f"{scale} │" + "".join(_EIGHTHS[_eighths(height * rows / top - (row - 1))] for height in heights))
    lines.append("    0 ┼" + "".join(_letter(trace, first_s + width_s * (n + 0.5) / columns) for n in range(columns)))
    lines.append("       " + f"{first_s:.1f} s".ljust(columns - 8) + f"{last_s:.1f} s".rjust(8))
    return lines


def _columns(trace: Trace, columns: int, first_s: float, width_s: float) -> list[float]:
    """The highest sample in each column; a column without one goes on as the one before."""
    heights = [float("-inf")] * columns
    for at, kpa in zip(trace.at_s, trace.kpa, strict=True):
        column = min(int((at - first_s) / width_s * columns), columns - 1)
        heights[column] = max(heights[column], kpa)
    for n, height in enumerate(heights):
        if height == float("-inf"):
            heights[n] = heights[n - 1] if n else 0.0
    return heights


def _eighths(filled: float) -> int:
    return min(max(round(filled * 8), 0), 8)


def _letter(trace: Trace, at_s: float) -> str:
    state = "idle"
    for at, word in trace.states:
        if at <= at_s:
            state = word
    return _LETTERS.get(state, "─")
