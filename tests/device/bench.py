"""A virtual unit with a host at its line and hands around it, for tests that change a setting and look what differs."""

from __future__ import annotations

from struct import pack
from typing import Any

from airquill.link.client import Client, Event, Refused
from airquill.link.convert import Value
from airquill.simulator.control import Control

TOPICS = ("pedal", "gesture", "cycle", "grip", "fault", "preset")


class Bench:
    """One unit from power-up on. Times that it gives are in ms since the start of what was observed."""

    def __init__(self, seed: int, **settings: Value) -> None:
        # The widest common needle: open and sealed are far apart.
        self.client = Client.open(f"sim://?seed={seed}&blow=on&needle=18")
        self.unit = self.client.port.raw.unit
        self.hands = Control.of(self.unit)
        self.change(settings)
        self.run(50)

    def change(self, settings: dict[str, Value]) -> None:
        if settings:
            self.client.set({name.replace("__", "."): value for name, value in settings.items()})

    def close(self) -> None:
        self.client.close()

    @property
    def app(self) -> Any:
        return self.unit.app

    def run(self, ms: float) -> None:
        self.client.port.sleep(ms / 1000)

    def restart(self, keep: bool = True) -> None:
        if keep:
            self.client.save()
        self.client.do("restart")
        self.client.wait_for_restart()

    def with_life(self, pump_h: int, filter_h: int) -> None:
        """Give the unit a past: a life record in its flash, and a restart that reads it."""
        self.app.store.save_bytes(2, pack("<HIIIH", 7, pump_h * 3600, 100, filter_h * 3600, 0))
        self.run(20)
        self.client.do("restart")
        self.client.wait_for_restart()

    def events(self, ms: float, *topics: str) -> list[tuple[str, tuple[Value, ...], int]]:
        """Events of the next ms as (topic, fields without times, ms since now)."""
        start = self.client.port.now()
        return [
            self._plain(event, start) for event in self.client.events(ms / 1000) if event.topic in (topics or TOPICS)
        ]

    @staticmethod
    def _plain(event: Event, start: float) -> tuple[str, tuple[Value, ...], int]:
        fields = tuple(value for name, value in event.fields.items() if name != "us")
        return event.topic, fields, round((event.at_s - start) * 1000)

    def listen(self) -> None:
        self.client.listen(*TOPICS)

    def read(self, path: str) -> Value:
        return self.client.get(path)[path]

    def duties(self, output: str, ms: int, every_ms: int = 5) -> list[int]:
        """Duty of pump or valve in whole percent, one every few ms."""
        out = []
        for _ in range(ms // every_ms):
            out.append(round(self.hands.outputs()[output] * 100 / 65535))
            self.run(every_ms)
        return out

    def reports(self, ms: float, since: int | None = None) -> list[tuple[int, str]]:
        """Key reports of the next ms, as (ms since now, hex)."""
        first = len(self.hands.reports()) if since is None else since
        start = self.hands.clock()
        self.run(ms)
        return [(round(us / 1000 - start * 1000), report.hex()) for us, report in self.hands.reports(first)]

    def keys(self, ms: float) -> list[str]:
        """Reports of the next ms with a key down."""
        return [report for _, report in self.reports(ms) if report != "0" * 16]

    def refused(self, action: str, *arguments: Value) -> str:
        """Word of the error that an action gives, or an empty text."""
        try:
            self.client.do(action, *arguments)
        except Refused as error:
            return error.word
        return ""
