"""Is a unit wired as its wiring file says? Drives each output alone and asks what moved, then asks for each input.

Inputs come first and the pump last, so that nothing sucks before all else is known to be right. While it runs the
pedals do nothing else; afterwards the unit is safe and its settings are as before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Protocol

from airquill.errors import AirquillError
from airquill.link.client import Client
from airquill.link.convert import Value, plain
from airquill.link.history import fault_of
from airquill.simulator.control import Control
from airquill_device.wiring import LAMPS

OUTPUTS = {"pump": "the pump", "valve": "the valve", "blow": "the second valve", "bar": "the light bar"}
NOTHING = "nothing"
PULSE_MS = {"valve": 500, "blow": 200, "bar": 1000, "pump": 700}
PRESS_MS = 250
PERSON_S = 30.0
DEAD_MAN_MS = 3000
FREE_KPA = 2
CLOSED_KPA = 10
PULL_DOWN_S = 4.0
VENT_S = 1.5
_LOWEST_SUPPLY_V, _HIGHEST_SUPPLY_V = 10, 15
_TURNS = 3
_MIDDLE_PCT = 50
_PRESETS = 8
CAUTIONS = (
    "Keep hands and hair from the pump, and point the needle away from faces. Wear glasses.",
    "Use a clean fingertip where the tip is to be closed. Never suck or blow by mouth.",
    "Pull the plug before you touch the wiring. A pedal stops nothing for certain.",
)


@dataclass(frozen=True)
class Finding:
    """One part of the unit. `sentence` says what to do where it is not as wired."""

    part: str
    right: bool
    sentence: str


class Hands(Protocol):
    """What somebody at the unit does and sees."""

    patience_s: float

    def trust(self, pedal: int) -> None:
        """From now on a press of this pedal, which was found right, counts as a word to go on."""

    def ready(self, sentence: str) -> None:
        """Wait until told to go on."""

    def moved(self, output: str, possible: tuple[str, ...]) -> str:
        """What moved in the pulse that has just begun: a name of OUTPUTS, or NOTHING."""

    def press(self, pedal: int) -> None:
        """Press a pedal and let it go."""

    def turn(self, steps: int) -> None:
        """Turn the knob to the right by so many steps."""

    def push(self) -> None:
        """Push the knob and let it go."""

    def free_tip(self) -> None:
        """Hold the tip free."""

    def close_tip(self) -> None:
        """Close the tip with a fingertip and keep it closed."""


class VirtualHands:
    """The hands and eyes around a virtual unit."""

    patience_s = 2.0

    def __init__(self, control: Control) -> None:
        self._control = control

    def trust(self, pedal: int) -> None:
        """Nobody waits for a word."""

    def ready(self, sentence: str) -> None:
        """Nobody reads it."""

    def moved(self, output: str, possible: tuple[str, ...]) -> str:
        driven = self._control.outputs()
        return next((name for name in OUTPUTS if driven[name]), NOTHING)

    def press(self, pedal: int) -> None:
        self._control.press(pedal, ms=PRESS_MS)

    def turn(self, steps: int) -> None:
        self._control.knob(steps)

    def push(self) -> None:
        self._control.knob_push(True)
        self._control.sleep(0.1)
        self._control.knob_push(False)

    def free_tip(self) -> None:
        self._control.tip("open")

    def close_tip(self) -> None:
        self._control.tip("sealed")


class PersonHands:
    """A person at the unit.

    `wait` shows a sentence and waits for Enter or a press of one of these pedals; `ask` shows one and gives the line
    that is typed; `tell` shows one and goes on.
    """

    patience_s = PERSON_S

    def __init__(
        self,
        wait: Callable[[str, tuple[int, ...]], None],
        ask: Callable[[str], str],
        tell: Callable[[str], None],
    ) -> None:
        self._wait = wait
        self._ask = ask
        self._tell = tell
        self._pedals: tuple[int, ...] = ()

    def trust(self, pedal: int) -> None:
        self._pedals += (pedal,)

    def ready(self, sentence: str) -> None:
        self._wait(sentence, self._pedals)

    def moved(self, output: str, possible: tuple[str, ...]) -> str:
        while True:
            answer = self._ask(f"What moved ({', '.join(possible)})?").strip().lower()
            if answer in possible:
                return answer

    def press(self, pedal: int) -> None:
        self._tell(f"Press pedal {pedal} once and let it go.")

    def turn(self, steps: int) -> None:
        self._tell(f"Turn the knob {steps} steps to the right.")

    def push(self) -> None:
        self._tell("Push the knob once.")

    def free_tip(self) -> None:
        self.ready("Hold the tip free in the air.")

    def close_tip(self) -> None:
        self.ready("Close the tip with a clean fingertip and keep it there; the pump will start.")


def walk(unit: Client, hands: Hands) -> Iterator[Finding]:
    """Findings as they come. Raises AirquillError when the unit is stopped by a fault that does not clear."""
    _need_a_running_unit(unit)
    _let_go(unit)
    before = _still_pedals(unit)
    capabilities = unit.greeting.capabilities
    try:
        yield from _supply(unit)
        for pedal in (1, 2):
            finding = _pedal(unit, hands, pedal)
            if finding.right:  # one that is not could start a movement that nobody is ready for
                hands.trust(pedal)
            yield finding
        if "panel" in capabilities:
            yield from _knob(unit, hands)
        if "sensor" in capabilities:
            yield _sensor_at_rest(unit, hands)
        fitted = [name for name, word in (("blow", "blow"), ("bar", "panel")) if word in capabilities]
        works = True
        for output in ("valve", *fitted, "pump"):
            finding = _output(unit, hands, output)
            works = works and finding.right
            yield finding
        if "sensor" in capabilities and works:
            yield _sensor_under_vacuum(unit, hands)
    finally:
        _make_safe(unit, before)


def _need_a_running_unit(unit: Client) -> None:
    fault = fault_of(int(str(unit.get("fault.active")["fault.active"])))
    if fault is None:
        return
    if fault.word == "wiring":
        raise AirquillError(
            "The unit could not use its wiring file, so it drives nothing. "
            "Look at the file: airquill wiring check FILE.",
            1,
        )
    raise AirquillError(f"The unit is stopped: {fault.word}. {fault.help}", 1)


def _let_go(unit: Client) -> None:
    """A shorted pedal has switched vacuum on; its settings can only change when that is over."""
    unit.do("release")
    end = unit.port.now() + VENT_S
    while unit.get("cycle.state")["cycle.state"] != "idle" and unit.port.now() < end:
        unit.port.sleep(0.1)


def _still_pedals(unit: Client) -> dict[str, Value]:
    """Let pedals do nothing but be counted, and the knob change what it changes. Returns the settings as they were."""
    quiet: dict[str, Value] = {}
    for pedal in (1, 2):
        quiet |= {f"pedal{pedal}.{name}": "none" for name in ("vacuum", "tap_does", "hold_does", "double_does")}
        quiet |= {f"pedal{pedal}.{name}": b"" for name in ("tap_keys", "hold_keys", "double_keys")}
    quiet |= {"panel.lock": False, "preset.count": _PRESETS}
    before = unit.get(*quiet, "preset.active")
    unit.set(quiet)
    return before


def _make_safe(unit: Client, before: dict[str, Value]) -> None:
    unit.do("stop")
    unit.do("clear")
    unit.listen()
    unit.do("dead_man", 0)
    unit.set(before)
    unit.do("preset", before["preset.active"])


def _supply(unit: Client) -> Iterator[Finding]:
    volts = unit.get("supply.volts")["supply.volts"]
    if volts is None:
        return
    right = _LOWEST_SUPPLY_V <= float(str(volts)) <= _HIGHEST_SUPPLY_V
    advice = "" if right else " Look at fuse and supply, and at `supply` in the wiring file."
    yield Finding("supply", right, f"The supply measures {plain(volts)} V.{advice}")


def _pedal(unit: Client, hands: Hands, pedal: int) -> Finding:
    part = f"pedal {pedal}"
    if unit.get(f"pedal{pedal}.down")[f"pedal{pedal}.down"]:
        sentence = (
            f"It reads as pressed with no foot on it. Is its switch as pedal{pedal}.contact says, its cable whole?"
        )
        return Finding(part, False, sentence)
    unit.listen("pedal")
    hands.press(pedal)
    event = unit.wait_for("pedal", hands.patience_s, down=True)
    if event is None:
        return Finding(part, False, "No press arrived. Look at its plug, and at `pedals` in the wiring file.")
    if event.fields["pedal"] != pedal:
        return Finding(part, False, f"Pedal {plain(event.fields['pedal'])} was felt. Are the two plugs changed over?")
    if unit.wait_for("pedal", hands.patience_s, pedal=pedal, down=False) is None:
        return Finding(part, False, "It was pressed and did not come up again. Look at its switch.")
    return Finding(part, True, "A press came and went.")


def _knob(unit: Client, hands: Hands) -> Iterator[Finding]:
    # In the middle, so that a turn shows in either direction.
    unit.do("strength", _MIDDLE_PCT)
    unit.listen("preset")
    hands.turn(_TURNS)
    event = unit.wait_for("preset", hands.patience_s)
    if event is None:
        yield Finding("knob", False, "No turn arrived. Look at contacts A and B, and at `panel` in the wiring file.")
    elif float(str(event.fields["strength_pct"])) < _MIDDLE_PCT:
        yield Finding("knob", False, "A turn to the right counts as one to the left. Change `a` and `b` over.")
    else:
        yield Finding("knob", True, "A turn to the right came.")
    # From another preset on: right after a turn a push would only take the turn back.
    number = int(str(unit.get("preset.active")["preset.active"])) % _PRESETS + 1
    unit.do("preset", number)
    unit.port.sleep(0.1)
    hands.push()
    if _another_preset(unit, number, hands.patience_s):
        yield Finding("knob's push", True, "A push came.")
    else:
        sentence = "No push arrived. Look at its contact, and at `panel.push` in the wiring file."
        yield Finding("knob's push", False, sentence)


def _another_preset(unit: Client, number: int, seconds: float) -> bool:
    return any(event.topic == "preset" and event.fields["number"] != number for event in unit.events(seconds))


def _kpa(unit: Client) -> float:
    return float(str(unit.get("vacuum.kpa")["vacuum.kpa"]))


def _sensor_at_rest(unit: Client, hands: Hands) -> Finding:
    hands.free_tip()
    unit.port.sleep(0.2)
    kpa = _kpa(unit)
    if abs(kpa) > FREE_KPA:
        sentence = f"With the tip free it reads {kpa:g} kPa. If it is the right one, take its zero: airquill do zero."
        return Finding("sensor", False, sentence)
    return Finding("sensor", True, f"With the tip free it reads {kpa:g} kPa.")


def _output(unit: Client, hands: Hands, output: str) -> Finding:
    what = OUTPUTS[output]
    hands.ready(
        f"Leave the tip free, and get ready to see and hear which one thing moves for {PULSE_MS[output] / 1000:g} s."
    )
    unit.do("pulse", output, PULSE_MS[output])
    seen = hands.moved(output, (*OUTPUTS, NOTHING))
    unit.port.sleep(PULSE_MS[output] / 1000)
    if seen == output:
        return Finding(output, True, f"All {LAMPS} lamps lit." if output == "bar" else f"{what.capitalize()} moved.")
    if seen == NOTHING:
        return Finding(output, False, f"{what.capitalize()} did not move. Look at its gate, its plug and the 12 V.")
    sentence = f"{OUTPUTS[seen].capitalize()} moved instead of {what}. Change their pins over in the wiring file."
    return Finding(output, False, sentence)


def _sensor_under_vacuum(unit: Client, hands: Hands) -> Finding:
    part = "sensor under vacuum"
    hands.close_tip()
    unit.do("dead_man", DEAD_MAN_MS)
    unit.do("pick")
    most = 0.0
    end = unit.port.now() + PULL_DOWN_S
    while most < CLOSED_KPA and unit.port.now() < end:
        unit.port.sleep(0.1)
        most = max(most, _kpa(unit))
    _let_go(unit)
    unit.do("dead_man", 0)
    hands.free_tip()
    unit.port.sleep(VENT_S)
    left = _kpa(unit)
    if most < CLOSED_KPA:
        sentence = (
            f"With the tip closed it rose to {most:g} kPa only. Look at its hose, its side, and `sensor.falling`."
        )
        return Finding(part, False, sentence)
    if left > FREE_KPA:
        return Finding(part, False, f"{left:g} kPa stayed after a release. Does the valve vent the tip?")
    return Finding(part, True, f"It rose to {most:g} kPa with the tip closed, and fell after.")
