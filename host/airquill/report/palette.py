"""Colours of plots and pages: slate for what is written, reed for vacuum, the states as washes of a field."""

INK = "#2c3940"
FAINT = "#8a979c"
PAPER = "#fbfaf6"
RULE = "#dedbd0"
VACUUM = "#2f6f6a"
LIMIT = "#b0562f"
STATES = {"picking": "#eedfb8", "holding": "#cfe0c6", "releasing": "#d5dfe8", "stopped": "#eccfc6"}
MARKS = {"pedal": "#4b5d8c", "key": "#8c5a86", "part": "#6d7440"}
OUTCOMES = {"pass": "#467349", "marginal": "#a87b22", "fail": "#a5433a", "error": "#7a3b66", "skipped": "#76828a"}
VERDICTS = {
    "accepted": OUTCOMES["pass"],
    "partial": OUTCOMES["marginal"],
    "rejected": OUTCOMES["fail"],
    "error": OUTCOMES["error"],
}
