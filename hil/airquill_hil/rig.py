"""The rig: what measures a unit from outside and switches its power. A virtual unit brings one of its own.

Times are microseconds on the rig's clock, one clock for what it does and what it sees. Whatever a rig cannot do raises
AirquillError, and that ends a run as an error: it says nothing about the unit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from airquill.errors import AirquillError
from airquill.link.client import Client
from airquill.link.convert import Value, to_wire
from airquill.link.problems import LinkLost
from airquill.link.said import fields_of
from airquill.simulator.control import Control
from airquill_hil import rig_catalogue

FULL = 65535
ABILITIES = ("gates", "presses", "meter", "reference", "power")


@dataclass(frozen=True)
class Gates:
    """What drives pump and valve now: frequency in Hz, duty as a share of 1."""

    pump_hz: float
    pump: float
    valve_hz: float
    valve: float


@dataclass(frozen=True)
class Drive:
    """From `us` on the gates had these duties, as shares of 1."""

    us: int
    pump: float
    valve: float


class Rig(Protocol):
    """`abilities` are words of ABILITIES: gates, presses, meter, reference, power. Checks ask for them."""

    abilities: tuple[str, ...]
    says: dict[str, str]
    """Who it is, for the record."""

    def gates(self) -> Gates:
        """What the unit drives now."""

    def record(self) -> None:
        """Begin to record changes of the gates anew."""

    def drives(self) -> list[Drive]:
        """Changes since `record`, the state at its beginning first."""

    def press(self, pedal: int, ms: int, bounce: Sequence[int] = ()) -> int:
        """Press pedal 1 or 2 for so long; the contact changes again at `bounce`, us after either edge.

        Returns when the contact first moved, and may return before it comes up.
        """

    def vacuum_kpa(self) -> float:
        """Vacuum at the tip below ambient, by the rig's own sensor."""

    def supply_v(self) -> float:
        """The unit's supply voltage."""

    def supply_ma(self) -> float:
        """The current that the unit draws."""

    def power(self, on: bool) -> None:
        """Switch the unit's supply."""

    def rest(self) -> None:
        """Pedals up, supply on."""


class VirtualRig:
    """The rig around a virtual unit: answers from what really is, not from what the unit says."""

    abilities: tuple[str, ...] = ABILITIES

    def __init__(self, control: Control) -> None:
        self._control = control
        self.says = {"board": "virtual"}

    def gates(self) -> Gates:
        """From the unit's outputs."""
        said = self._control.outputs()
        return Gates(said["pump_hz"], said["pump"] / FULL, said["valve_hz"], said["valve"] / FULL)

    def record(self) -> None:
        """From now on."""
        self._control.record_drives(True)

    def drives(self) -> list[Drive]:
        """What was recorded."""
        return [Drive(us, pump, valve) for us, pump, valve in self._control.drives()]

    def press(self, pedal: int, ms: int, bounce: Sequence[int] = ()) -> int:
        """By the virtual unit's own contact."""
        return self._control.press(pedal, ms=ms, bounce=list(bounce))

    def vacuum_kpa(self) -> float:
        """The pen's real vacuum."""
        return float(self._control.truth()["pen_kpa"])

    def supply_v(self) -> float:
        """The real voltage."""
        return float(self._control.truth()["supply_volts"])

    def supply_ma(self) -> float:
        """The real current."""
        return float(self._control.truth()["supply_ma"])

    def power(self, on: bool) -> None:
        """Cut, or given back."""
        if on:
            self._control.power_up()
        else:
            self._control.power_cut()

    def rest(self) -> None:
        """Feet up, power on, nothing recorded."""
        self._control.power_up()
        self._control.record_drives(False)


class SerialRig:
    """A rig behind a serial line: a second board with the firmware of hil/rig."""

    def __init__(self, client: Client) -> None:
        """AirquillError when what answers is no rig, or one with other firmware than this bench knows."""
        said = client.greeting
        self._client = client
        if said.board != "rig":
            raise AirquillError(f"What answers at {client.port.url} is a unit, not a rig. Name the rig's port.")
        if said.registry_hash != rig_catalogue.REGISTRY_HASH:
            raise AirquillError(
                f"The rig at {client.port.url} has other firmware than this bench. Put its image on anew."
            )
        self.says = {"board": said.board, "chip": said.chip, "firmware": said.firmware, "build": said.build}
        self.abilities: tuple[str, ...] = tuple(word for word in said.capabilities if word in ABILITIES)
        self.closes_tip = "tip" in said.capabilities
        """The rig has valves at the tip."""

    @classmethod
    def open(cls, url: str) -> SerialRig:
        """Open a port and greet the rig there. AirquillError."""
        client = Client.open(url)
        try:
            return cls(client)
        except AirquillError:
            client.close()
            raise

    def close(self) -> None:
        """Give the port back."""
        self._client.close()

    def _ask(self, verb: str, *fields: str) -> list[str]:
        url = self._client.port.url
        try:
            return self._client.request(verb, *fields)
        except LinkLost as error:
            raise AirquillError(f"The rig at {url} was lost. Plug it in again and repeat the command.", 3) from error
        except AirquillError as error:
            raise AirquillError(f"The rig at {url} failed. {error.sentence}", 3) from error

    def _do(self, action: str, *values: Value) -> list[str]:
        entry = next(one for one in rig_catalogue.ACTIONS if one.name == action)
        texts = [to_wire(argument, value) for argument, value in zip(entry.arguments, values, strict=False)]
        return self._ask("do", action, *texts)

    def _numbers(self, *paths: str) -> list[float]:
        said = fields_of(self._ask("get", *paths))
        return [float(said[path]) for path in paths]

    def gates(self) -> Gates:
        """As the rig's PIO programs time them."""
        pump_hz, pump, valve_hz, valve = self._numbers("pump.hz", "pump.duty_pct", "valve.hz", "valve.duty_pct")
        return Gates(pump_hz, pump / 100, valve_hz, valve / 100)

    def record(self) -> None:
        """From now on."""
        self._do("record")

    def drives(self) -> list[Drive]:
        """What was recorded: a rise to the microsecond, other changes to the rig's next look."""
        found: list[Drive] = []
        at = 0
        while True:
            said = self._do("drives", at)
            for text in said[1:]:
                us, pump, valve = (int(part) for part in text.split(":"))
                found.append(Drive(us, pump / 10000, valve / 10000))
            at = int(fields_of(said[:1])["next"])
            if not at:
                return found

    def press(self, pedal: int, ms: int, bounce: Sequence[int] = ()) -> int:
        """By a switch across the contact, timed by PIO."""
        said = fields_of(self._do("press", pedal, ms, ",".join(str(us) for us in bounce)))
        return int(said["at"])

    def vacuum_kpa(self) -> float:
        """By the rig's own sensor."""
        return self._numbers("vacuum.kpa")[0]

    def supply_v(self) -> float:
        """At the unit's supply jack."""
        return self._numbers("supply.volts")[0]

    def supply_ma(self) -> float:
        """Into the unit's supply jack."""
        return self._numbers("supply.ma")[0]

    def power(self, on: bool) -> None:
        """By the rig's switch."""
        self._do("power", on)

    def wait(self, seconds: float) -> None:
        """Let that much time pass on the rig's line."""
        self._client.port.sleep(seconds)

    def tip(self, state: str) -> None:
        """open, sealed, or orifice: the calibrated leak."""
        self._do("tip", state)

    def rest(self) -> None:
        """Pedals up, tip open, supply on."""
        self._do("rest")
