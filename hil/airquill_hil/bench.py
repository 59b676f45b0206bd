"""One unit on the bench: what both can do, and levels as they would be at sea level."""

from __future__ import annotations

import contextlib
from functools import cached_property

from airquill.errors import AirquillError
from airquill.link.client import Client
from airquill.link.problems import Refused
from airquill.pneumatics.ambient import SEA_LEVEL_PA, ambient_pa
from airquill.tuning.hands import Hands
from airquill.tuning.tool import Tool
from airquill_hil.attendant import Attendant
from airquill_hil.limits import Limits
from airquill_hil.rig import Rig


class Bench(Tool):
    """What checks work with. `label` is the serial on the unit's label, `altitude_m` where the bench stands."""

    def __init__(
        self,
        unit: Client,
        limits: Limits,
        hands: Hands | None = None,
        label: str = "",
        altitude_m: float = 0.0,
        rig: Rig | None = None,
        attendant: Attendant | None = None,
    ) -> None:
        """AirquillError for an altitude that the standard atmosphere does not cover."""
        super().__init__(unit, hands)
        self.limits = limits
        self._rig = rig
        self._attendant = attendant
        self.label = label
        self.altitude_m = altitude_m
        try:
            self.ambient_kpa = ambient_pa(altitude_m) / 1000
        except ValueError as error:
            raise AirquillError(f"The bench cannot stand there: {error}.") from error

    @property
    def rig(self) -> Rig:
        """For checks that need one of its abilities."""
        assert self._rig is not None
        return self._rig

    @property
    def attendant(self) -> Attendant:
        """For checks that need one."""
        assert self._attendant is not None
        return self._attendant

    def rig_says(self) -> dict[str, str]:
        """Who the rig is; nothing without one."""
        return {} if self._rig is None else dict(self._rig.says)

    def capabilities(self) -> set[str]:
        """What unit and bench can do together: the words of the tool, those of the rig, `attendant`, `label` when a
        serial was given, `disk` where the firmware stands in files, and `saved` where a restart costs no setting. The
        last two are asked of the unit once."""
        found = super().capabilities() | self._asked
        if self._rig is not None:
            found.update(self._rig.abilities)
        if self._attendant is not None:
            found.add("attendant")
        if self.label:
            found.add("label")
        return found

    @cached_property
    def _asked(self) -> set[str]:
        found = set()
        if not self.unit.get("settings.unsaved")["settings.unsaved"]:
            found.add("saved")
        try:
            self.unit.request("files", "slot")
            found.add("disk")
        except Refused as error:
            if error.word != "not_there":
                found.add("disk")
        return found

    def at_sea_level(self, kpa: float) -> float:
        """Vacuum as this unit would have it at sea level: a pump reaches the same share of ambient (ISO 2533)."""
        return kpa * SEA_LEVEL_PA / 1000 / self.ambient_kpa

    def safe(self) -> None:
        """Rig at rest, and the tool safe. Never raises."""
        if self._rig is not None:
            with contextlib.suppress(AirquillError):
                self._rig.rest()
        super().safe()
