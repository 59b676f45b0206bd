"""Are the pedals wired as the unit believes: each on its own line, the right way round, apart when both are down?"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from airquill.errors import AirquillError
from airquill.link.client import Client
from airquill.link.ready import quiet_pedals
from airquill.pedals.feet import Feet

QUIET_S = 0.4
REST_S = 4.0
_OTHER_WAY = {"normally_open": "normally_closed", "normally_closed": "normally_open"}

Move = tuple[int, bool]
"""A counted movement: pedal, and whether it went down."""


@dataclass(frozen=True)
class Finding:
    """One thing that was looked at. `pedals` are the pedals it is about."""

    pedals: tuple[int, ...]
    what: str
    ok: bool
    sentence: str

    def as_json(self) -> dict[str, Any]:
        return {"pedals": list(self.pedals), "what": self.what, "ok": self.ok, "sentence": self.sentence}


def check(
    unit: Client, pedals: tuple[int, ...], feet: Feet, on_found: Callable[[Finding], None] = lambda _finding: None
) -> list[Finding]:
    """Look at each of these pedals at rest and pressed, and at two of them pressed together.

    Lets go first: a pedal that is wired the wrong way round may have switched vacuum on. Then the pedals do nothing
    else. Raises AirquillError when the unit does not come to rest; LinkLost.
    """
    found: list[Finding] = []

    def note(finding: Finding) -> None:
        found.append(finding)
        on_found(finding)

    _let_go(unit)
    with quiet_pedals(unit) as quiet:
        if not quiet:
            raise AirquillError("The unit does not come to rest. Take your foot off the pedals, then repeat.", 1)
        try:
            for pedal in pedals:
                note(_rest(unit, pedal))
            # One that reads as down already has nothing to say when it is pressed.
            for pedal in [finding.pedals[0] for finding in found if finding.ok]:
                moves, edges = _watch(unit, lambda pedal=pedal: feet.press(pedal), feet.patience_s)  # type: ignore[misc]
                note(_press(unit, pedal, moves, edges))
            if len(pedals) == 2 and all(finding.ok for finding in found):
                held, pressed = pedals
                moves, _ = _watch(unit, lambda: feet.chord(held, pressed), feet.patience_s)
                note(_apart(held, pressed, moves))
        finally:
            with contextlib.suppress(AirquillError):
                unit.listen()
    return found


def _let_go(unit: Client) -> None:
    unit.do("release")
    end = unit.port.now() + REST_S
    while unit.get("cycle.state")["cycle.state"] not in ("idle", "stopped") and unit.port.now() < end:
        unit.port.sleep(0.05)


def _rest(unit: Client, pedal: int) -> Finding:
    down, contact = f"pedal{pedal}.down", f"pedal{pedal}.contact"
    now = unit.get(down, contact)
    if not now[down]:
        return Finding((pedal,), "rest", True, f"Pedal {pedal} is up at rest.")
    way = str(now[contact])
    other = _OTHER_WAY[way]
    plug = " or its plug is out" if way == "normally_closed" else " or its cable has a short"
    return Finding(
        (pedal,),
        "rest",
        False,
        f"Pedal {pedal} reads as down while nobody presses it: its switch is {other.replace('_', ' ')}{plug}. "
        f"For the first: airquill set --keep {contact}={other}",
    )


def _watch(unit: Client, act: Callable[[], None], patience_s: float) -> tuple[list[Move], set[int]]:
    """What the unit counted from an act until it was quiet, and the pedals whose contacts were seen pressed at all."""
    ways = unit.get("pedal1.contact", "pedal2.contact")
    closed_at_rest = {pedal: ways[f"pedal{pedal}.contact"] == "normally_closed" for pedal in (1, 2)}
    moves: list[Move] = []
    edges: set[int] = set()
    for _ in unit.events(0):
        pass
    unit.listen("edge", "pedal")
    act()
    end = unit.port.now() + patience_s
    latest = end + patience_s  # a contact that chatters never comes to rest
    while (left := min(end, latest) - unit.port.now()) > 0:
        for event in unit.events(min(left, QUIET_S)):
            pedal = int(str(event.fields["pedal"]))
            if event.topic == "pedal":
                moves.append((pedal, event.fields["down"] is True))
                held = {number for number, down in moves if down} - {number for number, down in moves if not down}
                end = unit.port.now() + (patience_s if held else QUIET_S)
            elif event.fields["closed"] is not closed_at_rest[pedal]:
                edges.add(pedal)
    unit.listen()
    return moves, edges


def _press(unit: Client, pedal: int, moves: list[Move], edges: set[int]) -> Finding:
    other = 3 - pedal
    mine = [down for number, down in moves if number == pedal]
    ok = False
    if mine == [True, False] and (other, True) not in moves:
        ok, sentence = True, f"Pedal {pedal} went down and up, once."
    elif mine and any(number == other for number, _ in moves):
        sentence = f"Both pedals moved when only pedal {pedal} was pressed: their lines touch in plug or cable."
    elif any(number == other for number, _ in moves):
        sentence = f"Pedal {other} moved when pedal {pedal} was pressed: the plugs are swapped."
    elif mine[:2] == [False, True]:
        contact = f"pedal{pedal}.contact"
        way = _OTHER_WAY[str(unit.get(contact)[contact])]
        sentence = f"Pedal {pedal} is the other way round: airquill set --keep {contact}={way}"
    elif mine:
        sentence = (
            f"One press of pedal {pedal} counted {mine.count(True)} times down and {mine.count(False)} times up: "
            f"airquill pedals record {pedal} shows its bounce."
        )
    elif pedal in edges:
        sentence = f"Pedal {pedal} moved too shortly to count: look for a loose wire, or lower pedal{pedal}.press_ms."
    else:
        sentence = f"Nothing came from pedal {pedal}: look at plug, cable and its line in the wiring file."
    return Finding((pedal,), "press", ok, sentence)


def _apart(held: int, pressed: int, moves: list[Move]) -> Finding:
    wanted = [(held, True), (pressed, True), (pressed, False), (held, False)]
    ok = moves == wanted
    if ok:
        sentence = "Both work while the other is down: each has a line of its own."
    elif (pressed, True) not in moves:
        sentence = (
            f"Pedal {pressed} was not seen while pedal {held} was down: on a chain of pedals each needs its own wire "
            "back to the unit."
        )
    else:
        told = ", ".join(f"{number} {'down' if down else 'up'}" for number, down in moves)
        sentence = f"Together they came as {told}. Repeat it; if it stays, their lines touch."
    return Finding((held, pressed), "chain", ok, sentence)
