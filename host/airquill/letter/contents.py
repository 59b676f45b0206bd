"""What is in a letter, in words for the person who is to send it."""

from __future__ import annotations

from airquill.letter.model import Letter


def contents(letter: Letter) -> list[str]:
    """Sentences on what the letter holds."""
    unit = letter.unit
    serial = f"its serial {unit.serial}" if unit.serial else "no serial, since it has none"
    said = [
        f"Which unit it is: its chip's number {unit.chip} and {serial}. By these the maker finds its record.",
        f"Versions: firmware {unit.firmware} ({unit.build}), wiring {unit.wiring or 'without a name'}, "
        + ", ".join(f"{name} {version}" for name, version in letter.host.items())
        + ".",
        f"{len(letter.settings)} settings, such as strengths and times.",
        f"{len(letter.readings)} readings, among them how long the pump has run and how often you picked.",
        f"Its log: {len(letter.log)} starts, faults and notices, without dates.",
    ]
    if letter.strokes:
        said.append(
            f"Of {len(letter.strokes)} strokes that type something, how many keys they have, and none of the keys."
        )
    if unit.addons:
        said.append(f"The names of its add-ons: {', '.join(unit.addons)}.")
    if letter.answers:
        said.append(f"Your answers to {len(letter.answers)} questions, as words to choose from or numbers.")
    if letter.checkup is None:
        said.append("No test.")
    else:
        traces = len(letter.checkup.traces)
        said.append(f"A test of {letter.checkup.day}: {traces} curves of the vacuum and what follows from them.")
    return said


NOT_IN_IT = (
    "It does not hold: what your pedals type, names that you gave to unit and presets, your own name, your computer's, "
    "folders, or an address. It is plain text: open it in any editor."
)
"""What a person may want to know before sending it."""
