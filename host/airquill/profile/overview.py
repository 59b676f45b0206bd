"""One screen about a unit: what it is, what it does, what its pedals do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from airquill.keys import describe
from airquill.link.client import Client
from airquill.link.convert import Value, plain
from airquill.link.history import fault_of, log_lines, since_start
from airquill.profile.written import stroke_text

GESTURES = ("tap", "hold", "double")
PEDALS = (1, 2)
CYCLE_EVENTS = ("gripped", "released", "missed", "lost")


@dataclass(frozen=True)
class Binding:
    """What one gesture of a pedal, or one event of the pick cycle, sends and does."""

    where: str  # "pedal 2 tap", "on released"
    path: str
    program: bytes
    does: str  # none, release, next_preset, previous_preset

    @property
    def text(self) -> str:
        """Stroke and deed as a phrase; empty when nothing is bound."""
        deed = "" if self.does == "none" else self.does.replace("_", " ")
        return ", ".join(part for part in (stroke_text(self.program), deed) if part)

    def as_json(self, layout: str) -> dict[str, Any]:
        return {
            "where": self.where,
            "path": self.path,
            "stroke": stroke_text(self.program),
            "types": describe(self.program, layout) if self.program else "",
            "does": self.does,
        }


def bindings(values: dict[str, Value]) -> list[Binding]:
    """All that can be bound, bound or not, from a unit's settings."""
    found = []
    for pedal in PEDALS:
        for gesture in GESTURES:
            path = f"pedal{pedal}.{gesture}_keys"
            does = str(values.get(f"pedal{pedal}.{gesture}_does", "none"))
            found.append(Binding(f"pedal {pedal} {gesture}", path, _program(values.get(path)), does))
    for event in CYCLE_EVENTS:
        path = f"keys.on_{event}"
        found.append(Binding(f"on {event}", path, _program(values.get(path)), "none"))
    return found


def _program(value: Value) -> bytes:
    return value if isinstance(value, bytes) else b""


@dataclass(frozen=True)
class Overview:
    """What `airquill show` shows. `lines` are title and text, in order; a title may be empty."""

    lines: list[tuple[str, str]]
    facts: dict[str, Any]

    def as_json(self) -> dict[str, Any]:
        return self.facts


def overview(unit: Client) -> Overview:
    """Read a unit and sum it up. Raises AirquillError when the link breaks."""
    said, settings, readings = unit.greeting, unit.all_settings(), unit.all_readings()
    text = {path: plain(value) for path, value in {**settings, **readings}.items()}
    noted = since_start(log_lines(unit.log()))
    fault = fault_of(int(str(readings.get("fault.active") or 0)))
    name = text.get(f"preset{text['preset.active']}.name", "")
    state = text["cycle.state"]
    vacuum = readings.get("vacuum.kpa")
    bound = [binding for binding in bindings(settings) if binding.text]

    firmware = f"{said.firmware}, build {said.build}, registry {said.registry}"
    lines = [
        ("Unit", f"{text['unit.name'] or 'without a name'}, board {said.board}, chip {said.chip}"),
        ("Firmware", f"{firmware}, start {said.boots} ({said.cause})"),
        ("State", state + (f": {fault.word}. {fault.help}" if fault else "")),
        ("Vacuum", "no sensor" if vacuum is None else f"{text['vacuum.kpa']} kPa below ambient"),
        ("Pump", f"{text['pump.duty_pct']} %, {text['life.pump_h']} h in its life"),
        ("Preset", f"{text['preset.active']} ({name}), strength {text['preset.strength_pct']} %"),
        ("Keyboard", f"computer {text['keys.host']}, {text['keys.sent']} strokes sent"),
    ]
    for pedal in PEDALS:
        lines.append((f"Pedal {pedal}", _pedal(pedal, settings, bound)))
    lines += [(binding.where.capitalize(), binding.text) for binding in bound if binding.where.startswith("on ")]
    if readings.get("settings.unsaved"):
        lines.append(("Settings", "changed and not saved; they last until the unit restarts"))
    for number, entry in enumerate(entry for entry in noted if entry != fault):
        lines.append(("" if number else "Since start", f"{entry.word}: {entry.help}"))
    facts = {
        "port": unit.port.url,
        "greeting": {**vars(said), "capabilities": list(said.capabilities)},
        "name": settings.get("unit.name"),
        "state": state,
        "fault": fault.word if fault else None,
        "noted_since_start": [entry.word for entry in noted],
        "preset": settings.get("preset.active"),
        "bindings": [binding.as_json("us") for binding in bound],
        "readings": readings,
    }
    return Overview(lines, facts)


def _pedal(pedal: int, settings: dict[str, Value], bound: list[Binding]) -> str:
    vacuum = str(settings.get(f"pedal{pedal}.vacuum"))
    parts = [] if vacuum == "none" else [f"vacuum {vacuum}"]
    start = f"pedal {pedal} "
    parts += [f"{one.where.removeprefix(start)}: {one.text}" for one in bound if one.where.startswith(start)]
    return "; ".join(parts) or "does nothing"
